"""Two courses laid over each other: of two logs, or of two cells, by time, by charge drawn, or by load."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow, flow_of
from bmslogs.analysis.median_of_rest import Middles, middles
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
By = Literal["time", "charge", "load"]
What = Literal["apart", "voltage"]
BY: dict[By, str] = {"time": "time", "charge": "charge drawn", "load": "load"}
PARTS: dict[By, int] = {"time": 400, "charge": 200, "load": 40}
"""Equal parts of what both share, each drawn as its median (choice)."""
LEAST_SHARED = 3
"""Parts in which both have readings, at least."""
LEAST_SHARE = 0.03
"""Of the shorter axis: less is a touch, not something in common (choice)."""
LEAST_OF_CAPACITY: dict[By, float] = {"time": 0.0, "charge": 0.01, "load": 0.05}
"""Of the capacity, and of the capacity per hour: less is what a sensor reads of nothing (choice)."""
LEAST_ROWS: dict[By, int] = {"time": 1, "charge": 1, "load": 3}
"""Readings in a part, at least: under load they scatter (choice)."""
HOURS_FROM_S = 3 * 3600.0


@dataclass(frozen=True)
class Course:
    """What one log, or one cell of it, did.

    Attributes
    ----------
    name
        For the legend.
    pack
        Of the log.
    seconds
        (rows,) since the log began.
    current, charge
        (rows,) current [A] and charge drawn since the log began [Ah]; None where the log has no current.
    value
        (rows,) voltage [V], or difference from the median of the rest [mV].
    what
        Which of the two it is.
    key
        Log and cell, to tell a course from itself.
    """

    name: str
    pack: Pack
    seconds: Floats
    current: Floats | None
    charge: Floats | None
    value: Floats
    what: What
    key: tuple[str, int | None]


@dataclass(frozen=True)
class Overlaid:
    """Two courses on one axis.

    Attributes
    ----------
    x
        (parts,) middle of each part: minutes or hours since each log began, Ah drawn, or A.
    first, second
        (parts,) median of each course in the part [V, or mV], NaN where it has too few readings.
    gap
        (parts,) second less first [mV].
    names, axis, unit
        Names of the courses, title of the x axis, unit of the values.
    says
        One sentence: what they share, and how far they part there.
    """

    x: Floats
    first: Floats
    second: Floats
    gap: Floats
    names: tuple[str, str]
    axis: str
    unit: str
    says: str


class Ground:
    """What the courses of one log share, worked out once, on demand.

    Parameters
    ----------
    log
        The log, which nobody changes.
    """

    def __init__(self, log: Log) -> None:
        self.log = log

    @cached_property
    def flow(self) -> Flow:
        """Clock and current."""
        return flow_of(self.log)

    @cached_property
    def middles(self) -> Middles:
        """The middle readings of each row."""
        return middles(self.log.cell_voltage)


def course(ground: Ground, cell: int | None, what: What, name: str) -> Course:
    """Return the course of a cell, or of the median of all cells where `cell` is None.

    Raises
    ------
    BadInput
        The log has no such cell, or no other cell to hold it against.
    """
    log = ground.log
    if cell is None:
        value = ground.middles.median
        what = "voltage"
    elif cell not in log.cells:
        raise BadInput(f"{name} has no cell {cell}", f"one of its cells ({log.cells[0]} to {log.cells[-1]})")
    else:
        column = log.cells.index(cell)
        value = np.asarray(log.cell_voltage[:, column], float)
        if what == "apart":
            if len(log.cells) < 2:
                raise BadInput(f"{name} has one cell only", "two cells at least, or their voltage as it is")
            value = (value - ground.middles.without(value)) * 1e3
    flow = ground.flow
    current, charge = (flow.filled, flow.charge) if flow.has_current else (None, None)
    return Course(name, log.pack, log.seconds, current, charge, value, what, (log.id, cell))


def overlaid(first: Course, second: Course, by: By) -> Overlaid:
    """Return two courses aligned.

    Parameters
    ----------
    first, second
        Both voltages, or both differences from the rest.
    by
        ``time`` since each log began, ``charge`` drawn since then, or ``load``: the current.

    Raises
    ------
    BadInput
        They have nothing in common that can be laid over each other.
    """
    _comparable(first, second)
    a, b = _axis(first, by), _axis(second, by)
    low, high = max(_least(a), _least(b)), min(_most(a), _most(b))
    capacity = min(first.pack.nominal_capacity_Ah, second.pack.nominal_capacity_Ah)
    least = max(LEAST_OF_CAPACITY[by] * capacity, LEAST_SHARE * min(_most(x) - _least(x) for x in (a, b)))
    if not high - low > least:
        raise BadInput(
            f"nothing in common by {BY[by]}: {first.name} goes from {_span(a, by)}, {second.name} from {_span(b, by)}",
            "two logs that meet there, or another way to lay them over each other",
        )
    inside = min(int(((x >= low) & (x <= high)).sum()) for x in (a, b))
    edges = np.linspace(low, high, max(2, min(PARTS[by], inside)) + 1)
    one, two = (_medians(x, c.value, edges, LEAST_ROWS[by]) for x, c in ((a, first), (b, second)))
    gap = (two - one) * (1.0 if first.what == "apart" else 1e3)
    both = np.isfinite(gap)
    if both.sum() < min(LEAST_SHARED, len(gap)) or not both.any():
        raise BadInput(
            f"too little in common by {BY[by]}: {int(both.sum())} of {len(gap)} parts hold readings of both",
            "logs that share more of it, or another way to lay them over each other",
        )
    scale, axis = _scaled(by, high)
    quarter, middle, most = np.percentile(gap[both], [25, 50, 75])
    says = (
        f"Over what both share ({low / scale:.3g} to {high / scale:.3g} {axis.rpartition('[')[2].rstrip(']')}), "
        f"{second.name} lies {abs(middle):.1f} mV {'over' if middle > 0 else 'under'} {first.name} in the middle, "
        f"and between {quarter:+.1f} and {most:+.1f} mV for half of it."
    )
    centres = (edges[:-1] + edges[1:]) / 2 / scale
    return Overlaid(centres, one, two, gap, (first.name, second.name), axis, _unit(first), says)


def _comparable(first: Course, second: Course) -> None:
    if first.key == second.key:
        raise BadInput(f"{first.name} would lie on itself", "another log or another cell")
    if first.what != second.what:
        raise BadInput("a voltage and a difference have no axis in common", "the same of both")
    chemistries = first.pack.chemistry, second.pack.chemistry
    if first.what == "voltage" and len(set(chemistries)) > 1:
        raise BadInput(
            f"cells of {' and '.join(chemistries)} have no voltage in common",
            "a picked cell's difference from the rest of its pack",
        )


def _axis(of: Course, by: By) -> Floats:
    if by == "time":
        return of.seconds
    values = of.current if by == "load" else of.charge
    if values is None:
        raise BadInput(f"{of.name} has no current, so nothing says its {BY[by]}", "alignment by time")
    return values


def _least(values: Floats) -> float:
    return float(np.min(values)) if len(values) else np.inf


def _most(values: Floats) -> float:
    return float(np.max(values)) if len(values) else -np.inf


def _span(values: Floats, by: By) -> str:
    scale, axis = _scaled(by, _most(values))
    return (
        f"{_least(values) / scale:.3g} to {_most(values) / scale:.3g} {axis.rpartition('[')[2].rstrip(']')}"
    )


def _scaled(by: By, high: float) -> tuple[float, str]:
    if by == "charge":
        return 1.0, "charge drawn since the log began [Ah]"
    if by == "load":
        return 1.0, "current, discharge + [A]"
    return (
        (3600.0, "time since the log began [h]")
        if high > HOURS_FROM_S
        else (60.0, "time since the log began [min]")
    )


def _unit(of: Course) -> str:
    return "mV" if of.what == "apart" else "V"


def _medians(x: Floats, y: Floats, edges: Floats, least: int) -> Floats:
    """Return the median of y in each part of x, NaN where fewer than `least` readings lie in it."""
    good = np.isfinite(x) & np.isfinite(y) & (x >= edges[0]) & (x <= edges[-1])
    place = np.clip(np.digitize(x[good], edges) - 1, 0, len(edges) - 2)
    order = np.lexsort((y[good], place))
    place, y = place[order], y[good][order]
    first = np.searchsorted(place, np.arange(len(edges) - 1), "left")
    count = np.searchsorted(place, np.arange(len(edges) - 1), "right") - first
    out = np.full(len(edges) - 1, np.nan)
    told = count >= least
    low, high = (first + (count - 1) // 2)[told], (first + count // 2)[told]
    out[told] = (y[low] + y[high]) / 2
    return out
