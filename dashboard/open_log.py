"""A log opened for looking at: any window of it in a few milliseconds, however long it is.

Time, current and temperatures stay in memory. The cells are kept as an overview (lowest, mean and highest of
each cell in some thousand equal parts); a window narrower than a share of the log reads its own row groups.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Hashable, Iterable
from dataclasses import replace
from functools import cached_property
from itertools import accumulate
from pathlib import Path
from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.analysis.flow import Flow
from bmslogs.analysis.ocv import curve_of
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.columns import numbered
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding
from bmslogs.faces.figures.reduce import (
    LINE_POINTS,
    SENSOR_POINTS,
    Floats32,
    Reduced,
    coarser,
    columns_of,
    reduce_rows,
    view_of,
)
from bmslogs.faces.figures.series import thin
from bmslogs.faces.figures.window import LogView
from bmslogs.log import Log, read_log
from bmslogs.store.files import placed
from bmslogs.store.given import given_key

PARTS = 6000  # parts of the overview (choice: some ten megabytes for a hundred cells)
LEAST_PARTS = 900  # a window with fewer parts than this is read from its rows
KEPT_BLOCKS = 12  # decoded row groups that stay in memory over all logs
KEPT_LOGS = 6
Block = tuple[Floats32, npt.NDArray[np.bool_] | None]
"""(cells, rows) voltages [V] and bleed flags of one row group."""


class OpenLog:
    """One log of the store, opened for looking at.

    Parameters
    ----------
    path
        Its Parquet file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = pq.ParquetFile(path, memory_map=False)
        self._lock = threading.Lock()
        names = self._file.schema_arrow.names
        meta = self._file.metadata.metadata or {}
        if b"bmslogs.pack_json" not in meta:
            raise BadInput("no bmslogs metadata", "a log of the store", file=path)
        self.pack = placed(Pack.model_validate_json(meta[b"bmslogs.pack_json"]), path)
        self._cells = [n for n in names if numbered("cell", n)]
        self.cells = tuple(int(numbered("cell", n) or 0) for n in self._cells)
        flags = {numbered("bleed", n): n for n in names if numbered("bleed", n)}
        self._flags = [flags.get(c) for c in self.cells]
        self.has_bleed = bool(flags)
        sensors = [n for n in names if numbered("temperature", n)]
        rest = self._file.read(columns=["time", *(["current_A"] if "current_A" in names else []), *sensors])
        self.time: npt.NDArray[np.datetime64] = rest.column("time").to_numpy().astype("datetime64[us]")
        self.current = _numbers(rest.column("current_A")) if "current_A" in names else None
        self.temperatures = {
            self.pack.sensor_name(numbered("temperature", n) or 0): _numbers(rest.column(n)) for n in sensors
        }
        counts = [self._file.metadata.row_group(i).num_rows for i in range(self._file.num_row_groups)]
        self._offsets = np.array([0, *accumulate(counts)], np.int64)
        self._joints = tuple(int(j["row"]) for j in json.loads(meta.get(b"bmslogs.sections", b"[]")))
        self._step_V = float(meta.get(b"bmslogs.voltage_step_V", b"0.001"))
        self.shown: dict[Finding, list[tuple[np.datetime64, np.datetime64]]] = {}

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.time)

    @cached_property
    def flow(self) -> Flow:
        """Clock and current; of the cells only the rows are read that tell a sensor's zero from a load."""
        return Flow(
            (self.time - self.time[0]).astype(np.int64) * 1e-6,
            self.current,
            self._joints,
            float(self.pack.nominal_capacity_Ah),
            self._middle_of,
            curve_of(self.pack),
            self._step_V,
        )

    def _middle_of(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return the middle cell's voltage [V] in these rows."""
        first = int(rows.min())
        block, _ = self._rows(first, int(rows.max()) + 1)
        return row_medians(block[:, rows - first].T.astype(float) * 1e-3)

    @property
    def stretches(self) -> list[Stretch]:
        """What the pack was doing; empty where the log has no current."""
        return self.flow.stretches if self.rows > 1 else []

    def log(self) -> Log:
        """Return the whole log as arrays, read anew."""
        return replace(read_log(self.path, extra=False), pack=self.pack)

    @cached_property
    def overview(self) -> Reduced:
        """The whole log in at most `PARTS` parts, made on first use."""
        size = max(1, -(-self.rows // PARTS))
        pieces = []
        for group in range(len(self._offsets) - 1):
            block, flags = self._group(group)
            start = np.arange(0, block.shape[1], size)
            pieces.append((start + self._offsets[group], reduce_rows(block, flags, start)))
        parts = [r for _, r in pieces]
        bleed = None if parts[0].bleed is None else np.concatenate([r.bleed for r in parts], axis=1)
        return Reduced(
            np.concatenate([s for s, _ in pieces]),
            np.concatenate([r.low for r in parts], axis=1),
            np.concatenate([r.mean for r in parts], axis=1),
            np.concatenate([r.high for r in parts], axis=1),
            bleed,
        )

    def window(
        self,
        start: np.datetime64 | None = None,
        end: np.datetime64 | None = None,
        *,
        cells: Iterable[int] = (),
    ) -> LogView:
        """Return one window of the log, reduced to what a screen shows.

        Parameters
        ----------
        start, end
            UTC; None means the log's own start and end.
        cells
            Cells wanted as lines of their own.
        """
        a, b = self._span(start, end)
        reduced, lines = self._reduced(a, b, [c for c in cells if c in self.cells])
        return view_of(
            reduced,
            self.time,
            self.cells,
            lines={c: (t, v * 1e-3) for c, (t, v) in lines.items()},
            current=None if self.current is None else self._thin(self.current, a, b),
            temperatures={n: self._thin(v, a, b, SENSOR_POINTS) for n, v in self.temperatures.items()},
            stretches=[s for s in self.stretches if s.last >= a and s.first < b],
            rows=b - a,
        )

    def readings(
        self, start: np.datetime64 | None, end: np.datetime64 | None
    ) -> tuple[npt.NDArray[np.datetime64], Floats32, slice, bool]:
        """Return times, (cells, times) readings [mV] and rows of a window; True where they are means of equal parts."""
        a, b = self._span(start, end)
        whole = self.overview
        first, last = np.searchsorted(whole.start, [a, b])
        if last - first >= LEAST_PARTS:
            return self.time[whole.start[first:last]], whole.mean[:, first:last], slice(a, b), True
        return self.time[a:b], self._rows(a, b)[0], slice(a, b), False

    def _span(self, start: np.datetime64 | None, end: np.datetime64 | None) -> tuple[int, int]:
        """Return the rows a..b of a window, two at least where the log has them."""
        a = 0 if start is None else int(np.searchsorted(self.time, start, "left"))
        b = self.rows if end is None else int(np.searchsorted(self.time, end, "right"))
        if self.rows < 2:
            return 0, self.rows
        a = max(0, min(a, self.rows - 2))
        return a, max(a + 2, min(b, self.rows))

    def _thin(
        self,
        values: npt.NDArray[np.float64],
        a: int,
        b: int,
        points: int = LINE_POINTS,
    ) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.float64]]:
        return thin(self.time[a:b], values[a:b], points)  # type: ignore[return-value]

    def _reduced(
        self, a: int, b: int, cells: list[int]
    ) -> tuple[Reduced, dict[int, tuple[npt.NDArray[np.datetime64], npt.NDArray[np.float64]]]]:
        whole = self.overview
        first, last = np.searchsorted(whole.start, [a, b])
        if last - first >= LEAST_PARTS:
            part = Reduced(
                whole.start[first:last],
                whole.low[:, first:last],
                whole.mean[:, first:last],
                whole.high[:, first:last],
                None if whole.bleed is None else whole.bleed[:, first:last],
            )
            return coarser(part), {c: self._zigzag(part, self.cells.index(c)) for c in cells}
        block, flags = self._rows(a, b)
        reduced = reduce_rows(block, flags, columns_of(b - a))
        lines = {
            c: thin(self.time[a:b], block[self.cells.index(c)].astype(float), LINE_POINTS) for c in cells
        }
        return Reduced(reduced.start + a, reduced.low, reduced.mean, reduced.high, reduced.bleed), lines  # type: ignore[return-value]

    def _zigzag(self, part: Reduced, row: int) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.float64]]:
        """Lowest and highest of each part by turns, so that no extreme is lost."""
        step = max(1, part.low.shape[1] * 2 // LINE_POINTS)
        edges = np.arange(0, part.low.shape[1], step)
        low = np.fmin.reduceat(part.low[row], edges)
        high = np.fmax.reduceat(part.high[row], edges)
        times = self.time[part.start[edges]]
        return np.repeat(times, 2), np.column_stack([low, high]).ravel().astype(float)

    def _rows(self, a: int, b: int) -> tuple[Floats32, npt.NDArray[np.bool_] | None]:
        """Return (cells, rows) of rows a..b, from their row groups only."""
        groups = range(
            int(np.searchsorted(self._offsets, a, "right")) - 1,
            int(np.searchsorted(self._offsets, b, "left")),
        )
        blocks, flags = [], []
        for group in groups:
            block, flag = self._group(group)
            low, high = max(a - self._offsets[group], 0), b - self._offsets[group]
            blocks.append(block[:, low:high])
            if flag is not None:
                flags.append(flag[:, low:high])
        if len(blocks) == 1:
            return blocks[0], flags[0] if flags else None
        return np.concatenate(blocks, axis=1), np.concatenate(flags, axis=1) if flags else None

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._file.close()

    def _group(self, group: int) -> Block:
        key = (str(self.path), group)
        with self._lock:
            held = _BLOCKS.get(key)
            if held is None:
                columns = [*self._cells, *(f for f in self._flags if f)]
                table = self._file.read_row_group(group, columns=columns)
                held = _decode(table, self._cells, self._flags)
                _BLOCKS.put(key, held)
            return held


Kept = TypeVar("Kept")


class _Kept(Generic[Kept]):
    """The latest few of something, safe to share between threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._items: OrderedDict[Hashable, Kept] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> Kept | None:
        with self._lock:
            if key in self._items:
                self._items.move_to_end(key)
            return self._items.get(key)

    def put(self, key: Hashable, value: Kept) -> None:
        with self._lock:
            self._items[key] = value
            self._items.move_to_end(key)
            while len(self._items) > self._most:
                self._items.popitem(last=False)

    def clear(self) -> list[Kept]:
        with self._lock:
            items = list(self._items.values())
            self._items.clear()
            return items


_BLOCKS: _Kept[Block] = _Kept(KEPT_BLOCKS)


class OpenLogs:
    """The logs that were looked at last, kept open."""

    def __init__(self) -> None:
        self._kept: _Kept[OpenLog] = _Kept(KEPT_LOGS)
        self._lock = threading.Lock()

    def get(self, path: Path) -> OpenLog:
        """Return the log at `path`, opened once."""
        stamp = path.stat()
        key = (str(path), stamp.st_mtime_ns, stamp.st_size, given_key(path))
        with self._lock:
            log = self._kept.get(key)
            if log is None:
                log = OpenLog(path)
                self._kept.put(key, log)
            return log

    def release(self) -> None:
        """Close every log, so that a file can be moved where the system does not let an open one be."""
        with self._lock:
            for log in self._kept.clear():
                log.close()


def _numbers(column: pa.ChunkedArray) -> npt.NDArray[np.float64]:
    numbers: npt.NDArray[np.float64] = column.cast(pa.float64()).to_numpy(zero_copy_only=False)
    return numbers.astype(np.float64, copy=False)


def _decode(table: pa.Table, cells: list[str], flags: list[str | None]) -> Block:
    block = np.empty((len(cells), table.num_rows), np.float32)
    for i, name in enumerate(cells):
        block[i] = table.column(name).to_numpy(zero_copy_only=False)
    if not any(flags):
        return block, None
    on = np.zeros(block.shape, bool)
    for i, flag in enumerate(flags):
        if flag:
            on[i] = table.column(flag).fill_null(False).to_numpy(zero_copy_only=False)
    return block, on
