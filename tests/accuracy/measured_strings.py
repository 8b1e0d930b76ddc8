"""Measured cells as strings: where the data come from, how a string is made of them, what they give directly.

Nothing of the data is kept here. A folder holds one folder a source, each with files of that source as they are::

    lfp-temperatures/dyn_data/*_DYN_*_s[13].csv, ocv_data/*_OCV_*_S[13].csv
    three-modules/module123-irdischarge-65ah-*.csv
    four-18650/Exp25_R[1-4].mat
    pulse-30q/DNN0[1-3]_HPPC_[12]C_20amb_processed_scrubbed.csv, Q30_S00[1-3]_*.csv
    cycle-30q/data/Dataset-2/cell[1-3]/*/*.lvm, Cell [ABC]   (30Q00[345])/*
    nine-21700/data/set1/*_cell_cycle.txt

Single cells set in series: the records of like cells under the same course of current, aligned on the start of the load
and cut where a string would have ended, at the first cell's cut-off. The string's current is the median of the cells';
where they lie too far apart for one current, the row is left out.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.io import loadmat

from tests.accuracy import measured_direct as direct
from tests.accuracy.measured_direct import Array, Figure


@dataclass(frozen=True)
class Source:
    """Where measured data come from."""

    folder: str
    repository: str
    licence: str
    made: str


SOURCES = (
    Source(
        "lfp-temperatures",
        "github.com/batterysim/esctoolbox-python",
        "code MIT, the data's own unclear",
        "one LFP cell type, a test a temperature: like tests in series, aligned row by row",
    ),
    Source(
        "three-modules",
        "github.com/batterysim/equiv-circ-model (examples/data)",
        "MIT",
        "a true string: three vehicle modules of two groups each, six taps, three temperatures",
    ),
    Source(
        "four-18650",
        "github.com/Silencefrog9305/Digital-Twins-for-Battery-Using-CTA-MTL",
        "MIT",
        "four cells discharged alike, in series, aligned on the start of the load",
    ),
    Source(
        "pulse-30q",
        "github.com/ARTS-Laboratory/dataset-electrothermal-deformation-characterization-for-samsung-30Q-cell",
        "CC BY-SA 4.0",
        "three cells, pulse tests aligned pulse by pulse, discharges aligned on the start of the load",
    ),
    Source(
        "cycle-30q",
        "github.com/ARTS-Laboratory/dataset-cycling-with-strain-monitoring-for-samsung-30Q-cell",
        "CC BY-SA 4.0",
        "two times three cells in cycle life, one cycle a string, aligned on the start of the load",
    ),
    Source(
        "nine-21700",
        "github.com/Team-Peryton/21700-Li-ion-Cell-Testing",
        "none stated: measured only",
        "nine cells, one full cycle each, in series, aligned on the start of the load",
    ),
)


@dataclass(frozen=True)
class String:
    """A log of cells in series, as measured, with the figures that the whole records give directly.

    Parameters
    ----------
    seconds, current, volts : ndarray
        Time from the first row [s], discharge positive [A], rows x cells [V].
    temperature : ndarray or None
        Rows x sensors [degC].
    near : tuple of tuple of int
        The cells that each sensor sits on, counted from 1.
    modules : tuple of tuple of int
        Cells of each module; empty where there are none.
    sum_V : ndarray or None
        Voltage of the whole string, where it was measured by itself [V].
    """

    source: str
    name: str
    chemistry: str
    nominal_Ah: float
    seconds: Array = field(repr=False)
    current: Array = field(repr=False)
    volts: Array = field(repr=False)
    figures: tuple[Figure, ...] = field(repr=False, default=())
    temperature: Array | None = field(repr=False, default=None)
    near: tuple[tuple[int, ...], ...] = ()
    modules: tuple[tuple[int, ...], ...] = ()
    sum_V: Array | None = field(repr=False, default=None)

    @property
    def cells(self) -> int:
        """Number of cells in series."""
        return self.volts.shape[1]


@dataclass(frozen=True)
class Record:
    """The record of one cell: time [s], current (discharge positive) [A], voltage [V], surface temperature [degC]."""

    seconds: Array
    current: Array
    volts: Array
    temperature: Array | None = None

    def part(self, rows: slice | Array) -> Record:
        """Return some rows of the record."""
        warmth = None if self.temperature is None else self.temperature[rows]
        return Record(self.seconds[rows], self.current[rows], self.volts[rows], warmth)


def all_strings(folder: Path) -> Iterator[String]:
    """Yield the strings of every source whose folder is there."""
    for source in SOURCES:
        if (folder / source.folder).is_dir():
            yield from MAKERS[source.folder](folder / source.folder)


# --- single cells set in series -----------------------------------------------------------------------------------


def load_start(record: Record, least: float) -> int:
    """Return the last row before the load of `least` [A], either sign."""
    return max(int(np.argmax(np.abs(record.current) >= least)) - 1, 0)


def aligned(
    records: Sequence[Record], least: float, step_s: float, apart: float
) -> tuple[Array, Array, Array, Array | None]:
    """Return time, median current, voltages and temperatures of the records on one clock that starts with the load.

    The first load row of each record is put on the same instant; between rows voltages are interpolated. Rows whose
    currents lie more than `apart` (fraction of the largest) from their median are left out.
    """
    zero = [load_start(r, least) + 1 for r in records]
    before = min(r.seconds[z] - r.seconds[0] for r, z in zip(records, zero, strict=True))
    after = min(r.seconds[-1] - r.seconds[z] for r, z in zip(records, zero, strict=True))
    # two rows about the edge: interpolation across it would make a reading that nobody took
    grid = np.concatenate(
        [-step_s * np.arange(int(before / step_s + 0.3), 0, -1), np.arange(0, after + 1e-6, step_s)]
    )
    clocks = [r.seconds - r.seconds[z] for r, z in zip(records, zero, strict=True)]
    rows = [_nearest(c, grid) for c in clocks]
    smooth = np.abs(grid) > 2 * step_s
    volts = np.column_stack(
        [
            np.where(smooth, np.interp(grid, c, r.volts), r.volts[k])
            for r, c, k in zip(records, clocks, rows, strict=True)
        ]
    )
    current = np.column_stack([r.current[k] for r, k in zip(records, rows, strict=True)])
    warmth = None
    if all(r.temperature is not None for r in records):
        warmth = np.column_stack(
            [np.interp(grid, c, r.temperature) for r, c in zip(records, clocks, strict=True)]
        )
    middle = np.median(current, axis=1)
    like = np.abs(current - middle[:, None]).max(axis=1) < apart * np.abs(middle).max()
    return grid[like] - grid[0], middle[like], volts[like], None if warmth is None else warmth[like]


def _nearest(clock: Array, grid: Array) -> npt.NDArray[np.intp]:
    """Return the row of the clock nearest to each instant of the grid."""
    right = np.clip(np.searchsorted(clock, grid), 1, len(clock) - 1)
    return np.where(grid - clock[right - 1] <= clock[right] - grid, right - 1, right)


def sweep(
    source: str,
    name: str,
    chemistry: str,
    nominal: float,
    records: Sequence[Record],
    *,
    step_s: float,
    cutoff: float,
    error: float | None,
    warm: bool = False,
    began: float = 0.5,
    apart: float = 0.02,
    growth: float = direct.GROWTH,
    uneven: float = 0.004,
) -> String:
    """Return the string of records that were discharged (or charged) with one current from one end to the other.

    Parameters
    ----------
    cutoff : float
        Voltage at which a record ends [V].
    error : float or None
        See `measured_direct.ends`; None where the sweep does not reach the other end.
    began, growth, apart : float
        See `measured_direct.steps` and `aligned`.
    uneven : float
        See `measured_direct.ends`.
    """
    least = 0.5 * float(np.median([np.abs(r.current).max() for r in records]))
    down = bool(np.median([r.current[load_start(r, least) + 3] for r in records]) > 0)
    starts = [load_start(r, least) + 1 for r in records]
    ended = [_ending(r, s, cutoff, down, least) for r, s in zip(records, starts, strict=True)]
    cut = [r.part(slice(0, e + 1)) for r, e in zip(records, ended, strict=True)]
    seconds, current, volts, warmth = aligned(cut, least, step_s, apart)
    zero = seconds[int(np.argmax(np.abs(current) >= least))]
    lasted = [r.seconds[e] - r.seconds[s] for r, e, s in zip(records, ended, starts, strict=True)]
    figures = []
    if error is not None:
        figures += direct.ends(
            seconds, current, [zero + t for t in lasted], float(np.median(current[-20:])), error, uneven
        )
    out = direct.discharged(seconds, current)
    soc = (1 - out / nominal) if down else -out / nominal
    slope = _mid_slope(out, volts)
    # near empty the open-circuit voltage moves as fast as the step grows, and what is slow tells no resistance
    if down and least > 0.1 * nominal:
        figures += direct.resistances(
            direct.steps(seconds, current, volts, slope, least, began=began, growth=growth), soc
        )
    if down and chemistry != "LFP" and zero > 0:
        figures += direct.offsets_by_slope(volts[0], slope, nominal)
    else:  # all cells were brought to one end before, where the curve is steep: none was fuller than the others
        figures += direct.known("soc_offset", np.zeros(len(records)), 0.006)
    near = tuple((i,) for i in range(1, len(records) + 1)) if warm and warmth is not None else ()
    return String(
        source,
        name,
        chemistry,
        nominal,
        seconds,
        current,
        volts,
        tuple(figures),
        warmth if near else None,
        near,
    )


def _ending(record: Record, start: int, cutoff: float, down: bool, least: float) -> int:
    """Return the row at which the cell came to its cut-off, or its charge to constant voltage."""
    past = record.volts <= cutoff if down else record.volts >= cutoff
    after = np.arange(len(past)) > start + 5
    steady = float(np.median(np.abs(record.current[start + 5 : start + 100])))
    fallen = (np.abs(record.current) < max(0.93 * steady, least)) & (not down)
    rows = np.flatnonzero((past | fallen) & after)
    return (
        int(rows[0]) - 1 if rows.size and fallen[rows[0]] else (int(rows[0]) if rows.size else len(past) - 1)
    )


def _mid_slope(out: Array, volts: Array) -> float:
    """Return the slope of the median voltage over the first tenth of the sweep [V/Ah], its first hundredth left out."""
    middle = np.median(volts, axis=1)
    moved = np.abs(out) / max(np.abs(out).max(), 1e-9)
    part = (moved > 0.02) & (moved < 0.10)
    return float(np.polyfit(out[part], middle[part], 1)[0]) if part.sum() > 3 else 0.0


# --- the sources --------------------------------------------------------------------------------------------------


def _lfp_table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, skipinitialspace=True)


def _lfp(folder: Path) -> Iterator[String]:
    yield _lfp_charge(folder)
    yield _lfp_dynamic(folder)
    for part, name in (("S1", "discharged at C/27"), ("S3", "charged at C/27")):
        yield _lfp_slow(folder, part, f"LFP, five tests at 5 to 45 degC {name}, no sensors")


def _lfp_charge(folder: Path) -> String:
    """Eight tests, all charged at 25 degC from empty with 0.77 A."""
    paths = sorted((folder / "dyn_data").glob("*_DYN_*_s3.csv"))
    tables = [_lfp_table(p) for p in paths]
    parts = [t[t.step == 11] for t in tables]
    records = [
        Record(p.time.to_numpy() - p.time.iloc[0], p.current.to_numpy(), p.voltage.to_numpy()) for p in parts
    ]
    one = sweep(
        "lfp-temperatures",
        "LFP, eight tests charged at 25 degC from empty, 0.77 A",
        "LFP",
        2.05,
        records,
        step_s=1.0,
        cutoff=3.6,
        error=0.02,
    )
    # the charge that each test took in all, constant voltage and dither included, is its capacity
    net = np.array([t.chgAh.iloc[-1] - t.disAh.iloc[-1] for t in tables])
    kept = [f for f in one.figures if not f.quantity.startswith("capacity")]
    kept += direct.known("capacity", net, 0.01 * float(np.median(net)))
    kept += direct.known("capacity_relative", net / np.median(net), 0.005)
    return replace(one, figures=tuple(kept))


def _lfp_dynamic(folder: Path) -> String:
    """Three tests with one course of driving, at 25, 35 and 45 degC, as means over ten seconds.

    Within a second the tests slip against each other, so that single rows do not belong together: their means do.
    """
    tables, net = [], []
    for at in ("50_P25", "50_P35", "50_P45"):
        t = _lfp_table(next((folder / "dyn_data").glob(f"*_DYN_{at}_s1.csv")))
        part = (t.step != t.step.shift()).cumsum()
        tables.append(t[part <= 38].assign(part=part))
        after = _lfp_table(next((folder / "dyn_data").glob(f"*_DYN_{at}_s3.csv")))
        net.append(after.chgAh.iloc[-1] - after.disAh.iloc[-1])
    current, volts = [], []
    for _, *rows in _parts(tables):
        short = min(len(r) for r in rows)
        current.append(np.column_stack([r.current.to_numpy()[:short] for r in rows]))
        volts.append(np.column_stack([r.voltage.to_numpy()[:short] for r in rows]))
    amps, cells = np.median(np.vstack(current), axis=1), np.vstack(volts)
    seconds = np.arange(len(amps), dtype=float)
    ends_of_loads = direct.releases(seconds, amps, cells, 0.5)
    figures = direct.resistances(ends_of_loads, 1 - direct.discharged(seconds, amps) / 2.06)
    # each was charged to 3.6 V and rested: full; what it took when it was charged again is its capacity
    figures += direct.known("soc_offset", np.zeros(3), 0.006)
    figures += direct.known("capacity", np.array(net), 0.02) + direct.known(
        "capacity_relative", np.array(net) / np.median(net), 0.005
    )
    tens = len(amps) // 10
    amps, cells = (
        amps[: 10 * tens].reshape(tens, 10).mean(axis=1),
        cells[: 10 * tens].reshape(tens, 10, 3).mean(axis=1),
    )
    return String(
        "lfp-temperatures",
        "LFP, three tests driven at 25, 35 and 45 degC, 10 s means, no sensors",
        "LFP",
        2.05,
        10.0 * np.arange(tens),
        amps,
        cells,
        tuple(figures),
    )


def _parts(tables: Sequence[pd.DataFrame]) -> Iterator[tuple[Any, ...]]:
    """Yield each part of a test's course and the rows of every test in it."""
    for number in tables[0].part.unique():
        yield number, *[t[t.part == number] for t in tables]


def _lfp_slow(folder: Path, part: str, name: str) -> String:
    records = []
    for at in ("P05", "P15", "P25", "P35", "P45"):
        t = pd.read_csv(next((folder / "ocv_data").glob(f"*_OCV_{at}_{part}.csv")))
        clock = t["Test_Time(s)"].to_numpy()
        records.append(Record(clock - clock[0], -t["Current(A)"].to_numpy(), t["Voltage(V)"].to_numpy()))
    cutoff = 2.0 if part == "S1" else 3.6
    return sweep(
        "lfp-temperatures",
        name,
        "LFP",
        2.05,
        records,
        step_s=10.0,
        cutoff=cutoff,
        error=0.015,
        began=10.0,
        uneven=0.01,
    )


def _modules(folder: Path) -> Iterator[String]:
    tests = {
        p.stem.rsplit("-", 1)[1]: _module_test(p)
        for p in sorted(folder.glob("module123-irdischarge-65ah-*.csv"))
    }
    slow, amps, course, *_ = tests["0_3c"]
    loaded = amps > 10
    moved = direct.discharged(slow, amps)[loaded]
    shape = direct.capacities_by_shift(course[loaded], moved, _first_rest(slow, course), 58.0)
    for rate, (seconds, current, volts, warmth, total) in tests.items():
        out = direct.discharged(seconds, current)
        found = direct.steps(seconds, current, volts, _mid_slope(out, volts), 10.0, began=0.1, reading_V=4e-4)
        figures = direct.resistances(found, 1 - out / 58.0) + shape
        figures += direct.offsets_at_rest(
            course[loaded], moved, _first_rest(seconds, volts), _first_rest(slow, course), 58.0
        )
        yield String(
            "three-modules",
            f"three modules in series, discharged at {rate.replace('_', '.').upper()}",
            "NMC",
            65.0,
            seconds,
            current,
            volts,
            tuple(figures),
            warmth,
            ((1, 2), (3, 4), (5, 6)),
            ((1, 2), (3, 4), (5, 6)),
            total,
        )


def _module_test(path: Path) -> tuple[Array, Array, Array, Array, Array]:
    """Return time, current, six voltages, three temperatures and the voltage of the whole."""
    lines = path.read_text(encoding="latin1").splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("Total Time"))
    body = [line for line in lines[head:] if not line.startswith("Total Number")]
    t = pd.read_csv(io.StringIO("\n".join(body)), index_col=False)
    seconds = t["Total Time"].to_numpy(float)
    t = t[np.concatenate([[True], np.diff(seconds) > 0])]
    seconds = t["Total Time"].to_numpy(float)
    return (
        seconds - seconds[0],
        -t["Current"].to_numpy(float),
        t[[f"Cell Voltage A{i}" for i in range(1, 7)]].to_numpy(float),
        t[[f"Temperature A{i}" for i in range(1, 4)]].to_numpy(float),
        t["Voltage"].to_numpy(float),
    )


def _first_rest(seconds: Array, volts: Array) -> Array:
    """Return the cells' voltages at rest before the load [V]."""
    return np.median(volts[seconds < 19], axis=0)


def _four(folder: Path) -> Iterator[String]:
    cells = [loadmat(p, squeeze_me=True, struct_as_record=False) for p in sorted(folder.glob("Exp25_R?.mat"))]
    # the pulse tests of cells 3 and 4 are those of cells 1 and 2 once more: not used
    slow: list[Figure] = []
    for key, rate in (
        ("ocv_data", "C/20"),
        ("Rt_c_2_data", "C/2"),
        ("ref_data", "1 C"),
        ("Rt_cx2_data", "2 C"),
    ):
        records = [
            Record(
                c[key].t.astype(float), c[key].I.astype(float), c[key].V.astype(float), c[key].T.astype(float)
            )
            for c in cells
        ]
        one = sweep(
            "four-18650",
            f"four 18650 cells discharged at {rate}",
            "NMC",
            2.6,
            records,
            step_s=10.0,
            cutoff=2.5005,
            error=None if slow else 0.015,
            warm=True,
            began=10.0,
        )
        yield replace(one, figures=one.figures + tuple(slow))
        slow = slow or [f for f in one.figures if f.quantity.startswith("capacity")]


def _plain(path: Path, columns: tuple[int, int, int, int]) -> Record:
    """Return a record of time, current (charge positive), voltage and temperature; fill values are left out."""
    lines = path.read_text(encoding="latin1").lstrip("\ufeffï»¿").splitlines()
    last = max((i for i, line in enumerate(lines) if line.startswith("X_Value")), default=-1)
    split = "," if path.suffix == ".csv" else "\t"
    rows = [line.split(split) for line in lines[last + 1 :]]
    table = np.array([[float(r[c]) for c in columns] for r in rows if len(r) > max(columns)])
    table = table[(np.abs(table) < 1e6).all(axis=1)]
    return Record(table[:, 0] - table[0, 0], -table[:, 1], table[:, 2], table[:, 3])


def _pulses(folder: Path) -> Iterator[String]:
    for rate, amps in (("1C", 3.0), ("2C", 6.0)):
        yield _pulse_test(folder, rate, amps)
    slow: list[Figure] = []
    for rate, name in (("C10", "C/10"), ("1C", "1 C"), ("3C", "3 C"), ("4C", "4 C")):
        records = [_plain(folder / f"Q30_S00{i}_{rate}.csv", (0, 1, 2, 4)) for i in (1, 2, 3)]
        if rate == "1C":
            records[1] = _with_rest(records[1], folder / "Q30_S002_1C.csv")
        one = sweep(
            "pulse-30q",
            f"three 18650 cells discharged at {name}",
            "NMC",
            3.0,
            records,
            step_s=1.0,
            cutoff=2.5,
            error=None if slow else 0.02,
            warm=True,
            apart=0.02 if slow else 0.1,
        )
        slow = slow or [f for f in one.figures if f.quantity.startswith("capacity")]
        yield one if rate == "C10" else replace(one, figures=one.figures + tuple(slow))


def _with_rest(record: Record, path: Path) -> Record:
    """Put the first row back, whose current is a fill value while the cell rested."""
    first = path.read_text(encoding="latin1").lstrip("\ufeffï»¿").splitlines()[0].split(",")
    return Record(
        np.concatenate([[0.0], record.seconds + 1.0]),
        np.concatenate([[0.0], record.current]),
        np.concatenate([[float(first[2])], record.volts]),
        None if record.temperature is None else np.concatenate([record.temperature[:1], record.temperature]),
    )


def _pulse_test(folder: Path, rate: str, amps: float) -> String:
    """Pulses of ten seconds after an hour's rest at every tenth of charge, one row a second, set on each other."""
    cells = []
    for i in (1, 2, 3):
        t = pd.read_csv(folder / f"DNN0{i}_HPPC_{rate}_20amb_processed_scrubbed.csv")
        on = (t.current.abs() > 0.1).to_numpy()
        cells.append((t, np.split(np.arange(len(t)), np.flatnonzero(np.diff(on.astype(int))) + 1)))
    current, volts, warmth = [], [], []
    for runs in zip(*[c[1] for c in cells], strict=False):
        short = min(len(r) for r in runs)
        if max(len(r) for r in runs) > short + 3:
            break  # from here on one test went another way
        rows = [r[:short] for r in runs]
        current.append(
            np.column_stack([-t.current.to_numpy()[r] for (t, _), r in zip(cells, rows, strict=True)])
        )
        volts.append(
            np.column_stack([t.voltage.to_numpy()[r] for (t, _), r in zip(cells, rows, strict=True)])
        )
        warmth.append(
            np.column_stack([t.temperature.to_numpy()[r] for (t, _), r in zip(cells, rows, strict=True)])
        )
    middle, cell_V = np.median(np.vstack(current), axis=1), np.vstack(volts)
    seconds = np.arange(len(middle), dtype=float)
    out = direct.discharged(seconds, middle)
    found = direct.steps(seconds, middle, cell_V, _rest_slope(out, middle, cell_V), 0.8 * amps)
    figures = direct.resistances(found, 1 - out / 3.0)
    figures += direct.offsets_by_slope(cell_V[0], float(_rest_slope(out, middle, cell_V)[0]), 3.0)
    return String(
        "pulse-30q",
        f"three 18650 cells, pulse test at {rate}, 20 degC",
        "NMC",
        3.0,
        seconds,
        middle,
        cell_V,
        tuple(figures),
        np.vstack(warmth),
        ((1,), (2,), (3,)),
    )


def _rest_slope(out: Array, current: Array, volts: Array) -> Array:
    """Return the slope of the rest voltage against the charge taken out [V/Ah] at every row, from the long rests."""
    still = np.abs(current) < 0.05
    edges = np.flatnonzero(still[:-1] & ~still[1:])
    rests = np.array([e for e in edges if e > 3000 and still[e - 3000 : e].all()])
    middle = np.median(volts, axis=1)
    slopes = np.gradient(middle[rests], out[rests])
    return np.interp(np.arange(len(out)), rests, slopes)


def _cycles(folder: Path) -> Iterator[String]:
    for n in (2, 3, 4, 100):
        for way, cutoff in (("discharge", 2.54), ("charge", 4.19)):  # below 2.54 V the current gives way
            records = [
                _plain(folder / f"data/Dataset-2/cell{c}/{way}/{way}_{c}_{n}.lvm", (0, 1, 2, 3))
                for c in (1, 2, 3)
            ]
            yield sweep(
                "cycle-30q",
                f"three 18650 cells, second set, cycle {n}, {way}",
                "NMC",
                3.0,
                records,
                step_s=1.0,
                cutoff=cutoff,
                error=0.06 if way == "discharge" else None,
                warm=True,
                uneven=0.006,
            )
    places = ["Cell A   (30Q003)", "Cell B   (30Q004)", "Cell C   (30Q005)"]
    for n, stem, cutoff in (
        (5, "ChargeCycle5.lvm", 4.19),
        (100, "ChargeCycle100.lvm", 4.19),
        (100, "DischargeCycle100.txt", 2.5),
    ):
        records = [_plain(folder / place / stem, (0, 1, 2, 4)) for place in places]
        way = "charge" if stem.startswith("Charge") else "discharge"
        yield sweep(
            "cycle-30q",
            f"three 18650 cells, first set, cycle {n}, {way}",
            "NMC",
            3.0,
            records,
            step_s=1.0,
            cutoff=cutoff,
            error=0.06 if way == "discharge" else None,
            warm=True,
            uneven=0.006,
        )


def _nine(folder: Path) -> Iterator[String]:
    tables = []
    for path in sorted((folder / "data/set1").glob("*_cell_cycle.txt")):
        t = pd.read_csv(path, sep="\t", index_col=False)
        clock = pd.to_datetime(t.DateTime, dayfirst=True)
        t["clock"] = (clock - clock[0]).dt.total_seconds()
        part = (t.Mode != t.Mode.shift()).cumsum()
        tables.append(t.assign(part=part))
    for parts, way, cutoff in (((2, 3), "discharge from full", 2.505), ((4, 5), "charge from empty", 4.19)):
        records = []
        for t in tables:
            rows = t[t.part.isin(parts)]
            # the charger's own ampere-hours say what flowed; its fast reading is what a logger would have seen
            records.append(
                Record(
                    rows.clock.to_numpy() - rows.clock.iloc[0],
                    -rows.FastAmps.to_numpy(),
                    rows.Cell1Volts.to_numpy(),
                )
            )
        yield sweep(
            "nine-21700",
            f"nine 21700 cells, {way}, 1 C",
            "NMC",
            4.2,
            records,
            step_s=10.0,
            cutoff=cutoff,
            error=0.05 if cutoff < 3 else None,
            apart=0.03,
            growth=0.12,
        )


MAKERS: dict[str, Callable[[Path], Iterator[String]]] = {
    "lfp-temperatures": _lfp,
    "three-modules": _modules,
    "four-18650": _four,
    "pulse-30q": _pulses,
    "cycle-30q": _cycles,
    "nine-21700": _nine,
}
