"""A log reduced to what a screen shows: lowest, mean and highest of each cell in equal parts of the rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import flow_of
from bmslogs.analysis.stretches import Stretch
from bmslogs.faces.figures.series import thin
from bmslogs.faces.figures.window import LogView
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Times = npt.NDArray[np.datetime64]
BINS = 420  # columns of a strip on the screen
LINE_POINTS = 1200  # of one line: about one a pixel of the widest figure (choice)
SENSOR_POINTS = 400  # temperatures move slowly (choice)


@dataclass(frozen=True)
class Reduced:
    """Cells in equal parts of the rows: (cells, parts) lowest, mean, highest [mV], share of bleeding 0..1."""

    start: npt.NDArray[np.int64]
    low: Floats32
    mean: Floats32
    high: Floats32
    bleed: Floats32 | None


def log_view(
    log: Log, start: np.datetime64 | None = None, end: np.datetime64 | None = None, cells: Iterable[int] = ()
) -> LogView:
    """Return one window of a log in memory, reduced to what a screen shows.

    Parameters
    ----------
    log
        The log.
    start, end
        UTC; None means the log's own start and end.
    cells
        Cells wanted as lines of their own.
    """
    a = 0 if start is None else int(np.searchsorted(log.time, start, "left"))
    b = log.rows if end is None else int(np.searchsorted(log.time, end, "right"))
    a = max(0, min(a, log.rows - 2))
    b = min(max(a + 2, b), log.rows)
    time = log.time[a:b]
    block = np.ascontiguousarray(log.cell_voltage[a:b].T, np.float32) * np.float32(1e3)
    flags = None if log.bleed is None else np.ascontiguousarray(log.bleed[a:b].T)
    temperatures = {
        log.pack.sensor_name(i + 1): log.temperature[a:b, i] for i in range(log.temperature.shape[1])
    }
    return view_of(
        reduce_rows(block, flags, columns_of(b - a)),
        time,
        log.cells,
        lines={c: _thin(time, log.cell_voltage[a:b, log.cells.index(c)]) for c in cells if c in log.cells},
        current=None if log.current is None else _thin(time, log.current[a:b]),
        temperatures={n: _thin(time, v, SENSOR_POINTS) for n, v in temperatures.items()},
        stretches=[s for s in flow_of(log).stretches if s.last >= a and s.first < b],
        rows=b - a,
        all_times=log.time,
    )


def view_of(
    reduced: Reduced,
    time: Times,
    cells: tuple[int, ...],
    *,
    lines: Mapping[int, tuple[Times, Floats]],
    current: tuple[Times, Floats] | None,
    temperatures: Mapping[str, tuple[Times, Floats]],
    stretches: Iterable[Stretch],
    rows: int,
    all_times: Times | None = None,
) -> LogView:
    """Return the view of a window whose cells are reduced already.

    Parameters
    ----------
    reduced
        Cells [mV]; its `start` counts in `time`.
    lines, current, temperatures
        What is drawn as lines: times and values [V, A, degC].
    stretches
        Those that lie in the window; they count in `all_times`, which is `time` where not given.
    rows
        Number of rows in the window.
    """
    counted = time if all_times is None else all_times
    with np.errstate(invalid="ignore"):
        mean = _nanmean(reduced.mean)
    return LogView(
        time=time[reduced.start],
        low=_fold(np.fmin, reduced.low) * 1e-3,
        mean=mean * 1e-3,
        high=_fold(np.fmax, reduced.high) * 1e-3,
        deviation=from_median(reduced.mean.T.astype(float)),
        cells=cells,
        lines=dict(lines),
        current=current,
        temperatures=dict(temperatures),
        bleed=None if reduced.bleed is None else np.asarray(reduced.bleed.T, np.float64),
        stretches=tuple((s.kind, counted[s.first], counted[s.last]) for s in stretches),
        rows=rows,
    )


def columns_of(rows: int) -> npt.NDArray[np.int64]:
    """Return the first row of each column of the screen, for so many rows."""
    return np.unique(np.linspace(0, rows, min(BINS, rows), endpoint=False).astype(np.int64))


def _thin(time: Times, values: Floats, points: int = LINE_POINTS) -> tuple[Times, Floats]:
    x, y = thin(time, values, points)
    return np.asarray(x, "datetime64[us]"), y


def reduce_rows(
    block: Floats32, flags: npt.NDArray[np.bool_] | None, start: npt.NDArray[np.int64]
) -> Reduced:
    """Reduce (cells, rows) to the parts that begin at `start`; missing readings do not count."""
    if len(start) == block.shape[1]:
        share = None if flags is None else flags.astype(np.float32)
        return Reduced(start, block, block, block, share)
    low = np.fmin.reduceat(block, start, axis=1)
    high = np.fmax.reduceat(block, start, axis=1)
    length = np.diff(np.append(start, block.shape[1])).astype(np.float32)
    total = np.add.reduceat(block, start, axis=1)
    mean = total / length
    holes = np.isnan(mean)
    if holes.any():
        good = ~np.isnan(block)
        count = np.add.reduceat(good, start, axis=1, dtype=np.int32)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.add.reduceat(np.where(good, block, 0), start, axis=1) / count
    share = (
        None
        if flags is None
        else (np.add.reduceat(flags, start, axis=1, dtype=np.int32) / length).astype(np.float32)
    )
    return Reduced(start, low, mean.astype(np.float32), high, share)


def coarser(part: Reduced) -> Reduced:
    """Reduce further, to the columns that a screen shows."""
    size = max(1, -(-part.low.shape[1] // BINS))
    edges = np.arange(0, part.low.shape[1], size)
    length = np.diff(np.append(edges, part.low.shape[1])).astype(np.float32)
    good = np.isfinite(part.mean)
    count = np.add.reduceat(good, edges, axis=1, dtype=np.int32)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (np.add.reduceat(np.where(good, part.mean, 0), edges, axis=1) / count).astype(np.float32)
    bleed = None
    if part.bleed is not None:
        bleed = (np.add.reduceat(part.bleed, edges, axis=1) / length).astype(np.float32)
    return Reduced(
        part.start[edges],
        np.fmin.reduceat(part.low, edges, axis=1),
        mean,
        np.fmax.reduceat(part.high, edges, axis=1),
        bleed,
    )


def _nanmean(values: Floats32) -> npt.NDArray[np.float64]:
    good = np.isfinite(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(
            np.where(good, values, 0).sum(axis=0, dtype=np.float64) / good.sum(axis=0), np.float64
        )


def _fold(what: np.ufunc, values: Floats32) -> npt.NDArray[np.float64]:
    return np.asarray(what.reduce(values, axis=0), np.float64)
