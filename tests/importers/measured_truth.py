"""What measured files say, read by a second small reader that shares nothing with the importer.

A reader here names its columns outright. The sign of the current is never taken from the importer: it is worked out
from the tester's own step names, from its counters of charge, from its state of charge, or from the way the voltage
goes while hours of charge are moved; each of these raises where it does not answer plainly.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]

WHOLE_SECOND = 1.0
"""Step of a stamp without a fraction [s]."""

MILLISECOND = 1e-3
"""Step of a stamp or an elapsed column written to the millisecond or finer [s]."""


class Unclear(AssertionError):
    """A file does not show which sign of the current is discharge: it is no use as a truth."""


@dataclass
class Truth:
    """One measured file.

    Attributes
    ----------
    seconds
        Elapsed time of each row [s], as the file's own elapsed column has it.
    stamps
        Time of each row by its own stamp [s since 1970, the logger's clock taken as UTC], or None without a date.
    stamp_step
        Finest step of the stamps [s].
    current
        [A], positive while discharging.
    cells
        [V], rows by cells, cell 1 first.
    current_column, cell_columns
        Headers that hold them.
    pack
        Pack voltage [V] by the header that holds it; any other column taken for it is wrong.
    temperatures
        [degC] by the headers that may be stored as temperatures.
    why
        How the sign is known, one line.
    """

    seconds: Floats
    stamps: Floats | None
    stamp_step: float
    current: Floats
    cells: Floats
    current_column: str
    cell_columns: tuple[str, ...]
    why: str
    pack: dict[str, Floats] = field(default_factory=dict)
    temperatures: dict[str, Floats] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        return len(self.seconds)

    @property
    def repeats(self) -> npt.NDArray[np.bool_]:
        """True where a row has the very elapsed time of the row before: it may be left out as a repeat."""
        return np.r_[False, np.diff(self.seconds) == 0]


def sign_by_steps(
    current: Floats, steps: pd.Series, charge: set[str], discharge: set[str]
) -> tuple[int, str]:
    """Return +1 where positive is discharge, -1 where it is charge, by the tester's step names."""
    signs = []
    for names, factor in ((charge, -1), (discharge, 1)):
        mask = steps.isin(names).to_numpy() & (np.abs(current) > 0)
        if not mask.any():
            continue
        positive = float(np.mean(current[mask] > 0))
        if 0.01 < positive < 0.99:
            raise Unclear(f"{positive:.0%} of the rows of {sorted(names)} are positive")
        signs.append(factor if positive > 0.5 else -factor)
    if len(set(signs)) != 1:
        raise Unclear(f"step names give the signs {signs}")
    counts = steps.value_counts().to_dict()
    return signs[0], f"step names {counts}"


def sign_by_counter(seconds: Floats, current: Floats, drawn_Ah: Floats, name: str) -> tuple[int, str]:
    """Return the sign by a counter of the charge drawn [Ah], against the current's own integral."""
    moved = np.r_[0.0, np.cumsum(np.diff(seconds) * (current[1:] + current[:-1]) / 2)] / 3600
    slope = float(np.polyfit(drawn_Ah - drawn_Ah[0], moved, 1)[0])
    r = float(np.corrcoef(drawn_Ah, moved)[0, 1])
    if abs(r) < 0.98 or not 0.9 < abs(slope) < 1.1:
        raise Unclear(f"{name}: the integral follows the counter with slope {slope:.3f}, r {r:.3f}")
    return (1 if slope > 0 else -1), f"{name}: integral over counter {slope:+.4f}, r {r:+.5f}"


def sign_by_charge_left(seconds: Floats, current: Floats, soc: Floats, name: str) -> tuple[int, str]:
    """Return the sign by the logger's state of charge: it falls while charge is drawn."""
    moved = np.r_[0.0, np.cumsum(np.diff(seconds) * (current[1:] + current[:-1]) / 2)] / 3600
    r = float(np.corrcoef(np.diff(soc), np.diff(moved))[0, 1])
    if abs(r) < 0.8:
        raise Unclear(f"{name}: correlation of its changes with the charge moved is only {r:.2f}")
    return (-1 if r > 0 else 1), f"{name}: correlation of its changes with the charge moved {r:+.3f}"


def sign_by_trend(seconds: Floats, current: Floats, volts: Floats) -> tuple[int, str]:
    """Return the sign by the voltage while charge is moved one way for long: a cell that is charged rises."""
    on = np.abs(current) > 0.2 * np.abs(current).max()
    charge = np.where(on, current, 0.0)
    edges = np.flatnonzero(np.diff(np.sign(charge)) != 0) + 1
    votes = []
    for part in np.split(np.arange(len(charge)), edges):
        if charge[part[0]] == 0 or len(part) < 20 or seconds[part[-1]] - seconds[part[0]] < 60:
            continue
        # The first tenth is the ohmic and the slow answer to the step, the rest is charge going in or out.
        rest = part[len(part) // 10 :]
        votes.append(np.sign(volts[rest[-1]] - volts[rest[0]]) * np.sign(charge[part[0]]))
    if not votes or len(set(votes)) != 1 or votes[0] == 0:
        raise Unclear(f"the voltage votes {votes}")
    return (-1 if votes[0] > 0 else 1), f"voltage over {len(votes)} long stretches of one sign of the current"


def epoch(stamps: pd.Series, style: str) -> Floats:
    """Return stamps of one style as seconds since 1970, taken as UTC."""
    parsed = pd.to_datetime(stamps, format=style).to_numpy().astype("datetime64[us]")
    return parsed.astype(np.int64) / 1e6


def clock_text(text: str) -> float:
    """Return hours:minutes:seconds as seconds."""
    return sum(float(part) * k for part, k in zip(text.split(":"), (3600, 60, 1)))


def columns_of(table: pd.DataFrame, names: list[str]) -> dict[str, Floats]:
    """Return columns by their headers."""
    return {name: table[name].to_numpy(float) for name in names}


def line_of(path: Path, begins: str, encoding: str = "utf-8") -> int:
    """Return the number, from 0, of the first line that begins with a text."""
    with path.open(encoding=encoding) as lines:
        return next(i for i, line in enumerate(lines) if line.startswith(begins))


def bench_cell(path: Path) -> Truth:
    t = pd.read_csv(path, index_col=False)
    current = t["Current(A)"].to_numpy(float)
    sign, why = sign_by_steps(current, t["Mode"], {"CHRG"}, {"DCHG"})
    return Truth(
        seconds=t["Time(s)"].to_numpy(float),
        stamps=None,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=t[["Voltage(V)"]].to_numpy(float),
        current_column="Current(A)",
        cell_columns=("Voltage(V)",),
        why=why,
    )


def bench_module(path: Path) -> Truth:
    t = pd.read_csv(path, skiprows=line_of(path, "Total Time", "latin1"), encoding="latin1", index_col=False)
    t = t[pd.to_numeric(t["Total Time"], errors="coerce").notna()]  # a closing line of text
    current = t["Current"].to_numpy(float)
    sign, why = sign_by_steps(current, t["Mode"], {"CHRG"}, {"DCHG"})
    seconds = t["Total Time"].to_numpy(float)
    drawn = -t["Amp Hours Discharge"].to_numpy(float)
    again, counted = sign_by_counter(seconds, current, drawn, "-Amp Hours Discharge")
    if again != sign:
        raise Unclear("step names and counter disagree")
    cells = tuple(f"Cell Voltage A{i}" for i in range(1, 7))
    return Truth(
        seconds=seconds,
        stamps=epoch(t["Real Time"], "%m/%d/%Y %I:%M:%S %p"),
        stamp_step=WHOLE_SECOND,
        current=sign * current,
        cells=t[list(cells)].to_numpy(float),
        current_column="Current",
        cell_columns=cells,
        why=f"{why}; {counted}",
        pack={"Voltage": t["Voltage"].to_numpy(float)},
        temperatures=columns_of(t, [f"Temperature A{i}" for i in range(1, 4)]),
    )


def rack_cell(path: Path) -> Truth:
    t = pd.read_csv(path)
    current, seconds = t["Current(A)"].to_numpy(float), t["Test_Time(s)"].to_numpy(float)
    drawn = (t["Discharge_Capacity(Ah)"] - t["Charge_Capacity(Ah)"]).to_numpy(float)
    sign, why = sign_by_counter(seconds, current, drawn, "Discharge_Capacity(Ah) - Charge_Capacity(Ah)")
    return Truth(
        seconds=seconds,
        stamps=epoch(t["Date_Time"], "%m/%d/%Y %H:%M:%S"),
        stamp_step=WHOLE_SECOND,
        current=sign * current,
        cells=t[["Voltage(V)"]].to_numpy(float),
        current_column="Current(A)",
        cell_columns=("Voltage(V)",),
        why=why,
    )


def drive_cell(path: Path) -> Truth:
    t = pd.read_csv(path, skipinitialspace=True)
    current, seconds = t["current"].to_numpy(float), t["time"].to_numpy(float)
    drawn = (t["disAh"] - t["chgAh"]).to_numpy(float)
    sign, why = sign_by_counter(seconds, current, drawn, "disAh - chgAh")
    return Truth(
        seconds=seconds,
        stamps=None,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=t[["voltage"]].to_numpy(float),
        current_column="current",
        cell_columns=("voltage",),
        why=why,
    )


def three_electrodes(path: Path) -> Truth:
    """Both electrodes stand against a reference: only their difference is the cell."""
    t = pd.read_csv(path, sep="\t", decimal=",")
    current, seconds = t["I/mA"].to_numpy(float) / 1e3, t["time/s"].to_numpy(float)
    volts = t["Ewe-Ece/V"].to_numpy(float)
    sign, why = sign_by_trend(seconds, current, volts)
    return Truth(
        seconds=seconds,
        stamps=None,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=volts[:, None],
        current_column="I/mA",
        cell_columns=("Ewe-Ece/V",),
        why=why,
    )


def titration(path: Path) -> Truth:
    t = pd.read_csv(path)
    current, seconds = t["Current [A]"].to_numpy(float), t["Time [s]"].to_numpy(float)
    volts = t["Voltage [V]"].to_numpy(float)
    sign, why = sign_by_trend(seconds, current, volts)
    return Truth(
        seconds=seconds,
        stamps=None,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=volts[:, None],
        current_column="Current [A]",
        cell_columns=("Voltage [V]",),
        why=why,
    )


def stack(path: Path) -> Truth:
    at = line_of(path, "time/s", "latin1")
    with path.open(encoding="latin1") as lines:
        said = next(line for line in lines if line.startswith("Acquisition started on : "))
    began = dt.datetime.strptime(said.split(" : ")[1].strip(), "%m/%d/%Y %H:%M:%S.%f")
    t = pd.read_csv(path, sep="\t", decimal=",", skiprows=at, encoding="latin1")
    current, seconds = t["I/mA"].to_numpy(float) / 1e3, t["time/s"].to_numpy(float)
    cells = tuple(f"E{i}/V" for i in range(1, 5))
    volts = t[list(cells)].to_numpy(float)
    sign, why = sign_by_trend(seconds, current, volts.sum(axis=1))
    start = began.replace(tzinfo=dt.UTC).timestamp()
    return Truth(
        seconds=seconds,
        stamps=start + seconds,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=volts,
        current_column="I/mA",
        cell_columns=cells,
        why=why,
        pack={"Estack/V": t["Estack/V"].to_numpy(float)},
    )


def chamber_cell(path: Path) -> Truth:
    at = line_of(path, "Time Stamp", "latin1")
    t = pd.read_csv(path, skiprows=[*range(at), at + 1], encoding="latin1", index_col=False)
    current = t["Current"].to_numpy(float)
    seconds = np.array([clock_text(s) for s in t["Prog Time"]])
    if not np.any(current):
        sign, why = 1, "no current at all"
    elif t["Status"].isin(["CHA", "DCH"]).any():
        sign, why = sign_by_steps(current, t["Status"], {"CHA"}, {"DCH"})
    else:
        # Capacity counts the charge put in, negative while it is drawn, and starts anew with a step.
        same = np.r_[False, np.diff(t["Step"]) == 0] & (np.abs(np.diff(t["Capacity"], prepend=0)) < 0.01)
        drawn = -np.cumsum(np.where(same, np.diff(t["Capacity"], prepend=t["Capacity"].iloc[0]), 0.0))
        sign, why = sign_by_counter(seconds, current, drawn, "-Capacity")
    return Truth(
        seconds=seconds,
        stamps=epoch(t["Time Stamp"], "%m/%d/%Y %I:%M:%S %p"),
        stamp_step=WHOLE_SECOND,
        current=sign * current,
        cells=t[["Voltage"]].to_numpy(float),
        current_column="Current",
        cell_columns=("Voltage",),
        why=why,
        temperatures=columns_of(t, ["Temperature"]),
    )


def seven_ah(path: Path) -> Truth:
    t = pd.read_csv(path, encoding="latin1")
    current, seconds = t["Current(A)"].to_numpy(float), t["Total Time(s)"].to_numpy(float)
    sign, why = sign_by_steps(current, t["Step Type"], {"CCCV Chg"}, {"CC DChg"})
    return Truth(
        seconds=seconds,
        stamps=epoch(t["Date"], "%Y-%m-%d %H:%M:%S"),
        stamp_step=WHOLE_SECOND,
        current=sign * current,
        cells=t[["Voltage(V)"]].to_numpy(float),
        current_column="Current(A)",
        cell_columns=("Voltage(V)",),
        why=why,
        temperatures=columns_of(t, [c for c in t.columns if c.startswith("T") and c[1:2].isdigit()]),
    )


def car(path: Path) -> Truth:
    """A minus sign marks some cells: with it taken away their sum is the pack's own reading."""
    t = pd.read_csv(path)
    current, seconds = t["Pack Amps"].to_numpy(float), t["epoch time"].to_numpy(float)
    cells = tuple(f"CP{i}" for i in range(1, 97))
    volts = np.abs(t[list(cells)].to_numpy(float)) / 1e3
    off = float(np.median(volts.sum(axis=1) - t["Pack Volts"].to_numpy(float)))
    if abs(off) > 0.2:
        raise Unclear(f"the cells' magnitudes sum to {off:+.3f} V beside the pack's reading")
    steps = np.diff(t["SOC"].to_numpy(float)) / 1e4
    # A row every five minutes: the current of an interval is known only where both of its ends flow one way.
    mean = np.where(current[1:] * current[:-1] > 0, (current[1:] + current[:-1]) / 2, 0.0)
    filled, emptied = mean[(steps > 4) & (np.abs(mean) > 10)], mean[(steps < -1.5) & (np.abs(mean) > 10)]
    share = float(np.mean(emptied > 0))
    sign = 1 if share > 0.5 else -1
    # The same sensors twice, in both units; the third is not fitted ("none" in every row).
    warm = {n: (v - 32) / 1.8 for n, v in columns_of(t, [f"Pack T{i} F" for i in (1, 2, 4)]).items()}
    if len(emptied) < 20 or 0.05 < share < 0.95 or np.any(sign * filled > 0):
        raise Unclear(f"state of charge: {filled} while it rises, {emptied} while it falls")
    why = (
        f"{share:.0%} of {len(emptied)} intervals in which SOC falls are positive, of {len(filled)} in which it rises "
        f"{np.sum(filled > 0)}; sum of |cells| is the pack's reading {1e3 * off:+.0f} mV"
    )
    return Truth(
        seconds=seconds,
        stamps=seconds,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=volts,
        current_column="Pack Amps",
        cell_columns=cells,
        why=why,
        pack={name: t[name].to_numpy(float) for name in ("Pack Volts", "HVolt1", "HVolt2")},
        temperatures=columns_of(t, [f"Pack T{i} C" for i in (1, 2, 4)]) | warm,
    )


def small_pouch(path: Path) -> Truth:
    t = pd.read_csv(path)
    current, seconds = t["Current [A]"].to_numpy(float), t["Time [s]"].to_numpy(float)
    sign, why = sign_by_charge_left(seconds, current, t["SOC [%]"].to_numpy(float), "SOC [%]")
    return Truth(
        seconds=seconds,
        stamps=None,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=t[["Voltage [V]"]].to_numpy(float),
        current_column="Current [A]",
        cell_columns=("Voltage [V]",),
        why=why,
        temperatures=columns_of(t, ["TempBottom [C]"]),
    )


def strain_rig(path: Path) -> Truth:
    """A laboratory's own table: seven columns, of which the header names only the first."""
    at = line_of(path, "X_Value", "latin1")
    lines = path.read_text(encoding="latin1").splitlines()[:at]
    day = next(line for line in reversed(lines) if line.startswith("Date\t")).split("\t")[1]
    clock = next(line for line in reversed(lines) if line.startswith("Time\t")).split("\t")[1]
    began = dt.datetime.strptime(f"{day} {clock[:15]}", "%Y/%m/%d %H:%M:%S.%f").replace(tzinfo=dt.UTC)
    t = pd.read_csv(path, sep="\t", skiprows=at + 1, header=None, usecols=range(7))
    seconds, current, volts = (t[i].to_numpy(float) for i in (0, 1, 2))
    sign, why = sign_by_trend(seconds, current, volts)
    return Truth(
        seconds=seconds,
        stamps=began.timestamp() + seconds,
        stamp_step=MILLISECOND,
        current=sign * current,
        cells=volts[:, None],
        current_column="Untitled",
        cell_columns=("Untitled 1",),
        why=why,
        temperatures={"Untitled 3": t[4].to_numpy(float), "Untitled 5": t[6].to_numpy(float)},
    )


def _bare(delimiter: str) -> Callable[[Path], Truth]:
    def read(path: Path) -> Truth:
        t = pd.read_csv(path, sep=delimiter, header=None, usecols=range(3), encoding="utf-8-sig")
        seconds, current, volts = (t[i].to_numpy(float) for i in (0, 1, 2))
        sign, why = sign_by_trend(seconds, current, volts)
        return Truth(
            seconds=seconds,
            stamps=None,
            stamp_step=MILLISECOND,
            current=sign * current,
            cells=volts[:, None],
            current_column="",
            cell_columns=("",),
            why=f"no header at all; columns by the data set's own description; {why}",
        )

    return read


bare_tabs = _bare("\t")
bare_commas = _bare(",")
