"""From goods-in measurements to series strings: what goes with what, and what that wins over the order of arrival.

A string gives what its weakest place gives, so unequal cells belong together only as far as they can be told apart:
where the spread of a lot is no larger than the uncertainty of its measurements, sorting is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from bmslogs.analysis.grouping import Z95, classes, expected, level_groups, told_apart
from bmslogs.base.errors import BadInput

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

DRAWS = 2000  # of the true values, for the gain's interval


@dataclass(frozen=True)
class Item:
    """One cell or module as measured on arrival.

    Attributes
    ----------
    rest_voltage
        [V] of one cell after rest.
    capacity, capacity_half_width
        [Ah] with half width of the 95 % interval.
    resistance, resistance_half_width
        Of 10 s [ohm], all at one temperature; None where not measured.
    lot
        Where known: one string is made of one lot as far as the lots reach.
    """

    name: str
    rest_voltage: float
    capacity: float
    capacity_half_width: float
    resistance: float | None = None
    resistance_half_width: float | None = None
    lot: str | None = None


@dataclass(frozen=True)
class Frame:
    """What the items go into.

    Attributes
    ----------
    strings, series, parallel
        Strings (packs), places in series in each, items in parallel at each place.
    heating
        How hot each place of a string gets for the same loss, (series,), any unit, larger is worse cooled; None
        where nothing is known.
    voltage_min
        [V] an item at rest below this is set apart.
    """

    strings: int
    series: int
    parallel: int = 1
    heating: tuple[float, ...] | None = None
    voltage_min: float = 2.5


@dataclass(frozen=True)
class Place:
    """One place of a string and the items that go there in parallel."""

    string: int
    place: int
    items: tuple[str, ...]


@dataclass(frozen=True)
class Match:
    """The plan.

    Attributes
    ----------
    places
        Every place, strings and places counted from 1.
    spare, apart
        Items left over; items that must not be used as they are, each with its reason.
    usable, usable_as_arrived
        [Ah] sum over the strings of their weakest place, expected.
    gain, gain_low, gain_high
        [Ah] plan over order of arrival, with its 95 % interval over what the measurements leave open.
    sorted_by
        Any of ``capacity``, ``resistance``: what the measurements allowed to sort by.
    notes
        Why it was not sorted finer, and what else to bear in mind.
    """

    places: tuple[Place, ...]
    spare: tuple[str, ...]
    apart: tuple[tuple[str, str], ...]
    usable: float
    usable_as_arrived: float
    gain: float
    gain_low: float
    gain_high: float
    sorted_by: tuple[str, ...]
    notes: tuple[str, ...]


def match(items: Sequence[Item], frame: Frame, *, time_limit: float = 10.0) -> Match:
    """Plan strings from measured items.

    Parameters
    ----------
    items
        In order of arrival.
    frame
        Strings, places and cooling.
    time_limit
        [s] for the integer program that forms parallel groups.

    Raises
    ------
    BadInput
        Too few usable items, a name that occurs twice, or a frame that makes no sense.
    """
    _validate(items, frame)
    apart = tuple(
        (
            i.name,
            f"{i.rest_voltage:.3f} V at rest, below {frame.voltage_min:.2f} V: set it apart, do not charge it",
        )
        for i in items
        if i.rest_voltage < frame.voltage_min
    )
    names_apart = {n for n, _ in apart}
    good = [i for i in items if i.name not in names_apart]
    need = frame.strings * frame.series * frame.parallel
    if len(good) < need:
        raise BadInput(
            f"{len(good)} items that can be used",
            f"{need} for {frame.strings} x {frame.series} x {frame.parallel}",
        )
    q = np.array([i.capacity for i in good])
    sd = np.array([i.capacity_half_width for i in good]) / Z95
    notes: list[str] = []
    sorted_by: list[str] = []
    arrived = np.arange(need).reshape(frame.strings, frame.series, frame.parallel)
    plain = _in_order(good, frame, notes)
    plan = plain
    if not told_apart(q, sd):
        notes.append(
            f"the capacities differ by {_spread(q):.2g} %, no more than their uncertainty: sorting by them would be "
            "guesswork, the order of arrival stays"
        )
    elif frame.strings == 1 and frame.parallel == 1 and len(good) == need:
        notes.append("one string of all items: no order changes what the weakest of them gives")
    else:
        plan = _by_capacity(good, expected(q, sd), sd, frame, time_limit)
        sorted_by.append("capacity")
    gain, before = _gain(q, sd, plan, arrived), _gain(q, sd, plain, arrived)
    if sorted_by and gain[0] <= before[0]:
        notes.append("sorting would win nothing here: the order of arrival stays")
        plan, gain, sorted_by = plain, before, []
    plan, by_resistance = _placed(good, plan, frame, notes)
    sorted_by += ["resistance"] if by_resistance else []
    used = set(plan.ravel().tolist())
    centre = expected(q, sd)
    return Match(
        tuple(
            Place(s + 1, p + 1, tuple(good[i].name for i in plan[s, p]))
            for s in range(frame.strings)
            for p in range(frame.series)
        ),
        tuple(i.name for k, i in enumerate(good) if k not in used), apart, _usable(centre, plan),
        _usable(centre, arrived), *gain, tuple(sorted_by), tuple(notes),
    )  # fmt: skip


def _by_capacity(items: Sequence[Item], q: Floats, sd: Floats, frame: Frame, time_limit: float) -> Ints:
    """Return (strings, series, parallel) indices: whole strings of like items, then level parallel groups."""
    each = frame.series * frame.parallel
    order = np.lexsort((np.arange(len(items)), -classes(np.array([i.capacity for i in items]), sd)))
    chunks = _one_lot_chunks(items, order, each, frame.strings, q)
    out = np.empty((frame.strings, frame.series, frame.parallel), dtype=np.intp)
    for s, chunk in enumerate(chunks):
        out[s] = level_groups(q[chunk], frame.series, time_limit / frame.strings, chunk)
    return out


def _in_order(items: Sequence[Item], frame: Frame, notes: list[str]) -> Ints:
    """Return the plan that takes the items as they came, but keeps each string to one lot where the lots reach."""
    each = frame.series * frame.parallel
    order = np.arange(len(items))
    chunks = _one_lot_chunks(items, order, each, frame.strings, -order.astype(float))
    for number, chunk in enumerate(chunks, 1):
        if len({items[i].lot for i in chunk}) > 1:
            notes.append(f"string {number} mixes lots: no lot has {each} items left")
    return np.array(chunks).reshape(frame.strings, frame.series, frame.parallel)


def _one_lot_chunks(items: Sequence[Item], order: Ints, each: int, strings: int, q: Floats) -> list[Ints]:
    """Return the items of each string, those of largest `q` first: of one lot as far as the lots reach."""
    lots: dict[str | None, list[int]] = {}
    for i in order.tolist():
        lots.setdefault(items[i].lot, []).append(i)
    whole = [
        np.array(own[k : k + each]) for own in lots.values() for k in range(0, len(own) - each + 1, each)
    ]
    whole.sort(key=lambda chunk: -float(q[chunk].min()))
    chosen = whole[:strings]
    used = {int(i) for chunk in chosen for i in chunk}
    rest = [int(i) for i in order if int(i) not in used]
    while len(chosen) < strings:
        chosen.append(np.array(rest[:each]))
        rest = rest[each:]
    return chosen


def _placed(items: Sequence[Item], plan: Ints, frame: Frame, notes: list[str]) -> tuple[Ints, bool]:
    """Return the plan with the groups of each string put where their heat does least: high resistance, cool place."""
    if frame.heating is None or frame.series == 1:
        return plan, False
    if any(i.resistance is None or i.resistance_half_width is None for i in items):
        notes.append("placing by heat needs the resistance of every item")
        return plan, False
    r = np.array([i.resistance for i in items], dtype=float)
    sd = np.array([i.resistance_half_width for i in items], dtype=float) / Z95
    if not told_apart(r, sd):
        notes.append(
            f"the resistances differ by {_spread(r):.2g} %, no more than their uncertainty: which place gets which is "
            "left as it is"
        )
        return plan, False
    r = expected(r, sd)
    out = plan.copy()
    for s in range(frame.strings):
        group = 1.0 / np.sum(1.0 / r[plan[s]], axis=1)
        rise = np.outer(group, np.array(frame.heating))
        # a high power flattens the hottest place, which is what counts
        row, column = linear_sum_assignment((rise / rise.max()) ** 8)
        out[s, column] = plan[s, row]
    return out, True


def _usable(q: Floats, plan: Ints) -> float:
    return float(q[plan].sum(axis=2).min(axis=1).sum())


def _gain(q: Floats, sd: Floats, plan: Ints, arrived: Ints) -> tuple[float, float, float]:
    """Return the expected gain [Ah] and its 95 % interval over the true values that the measurements leave open."""
    true = max(float(np.var(q, ddof=1)) - float(np.mean(sd**2)), 0.0) if len(q) > 1 else 0.0
    spread = np.sqrt(true * sd**2 / (true + sd**2 + 1e-30))
    draws = expected(q, sd) + np.random.default_rng(0).normal(size=(DRAWS, len(q))) * spread
    gain = np.array([_usable(d, plan) - _usable(d, arrived) for d in draws])
    low, high = np.quantile(gain, [0.025, 0.975])
    return float(gain.mean()), float(low), float(high)


def _spread(value: Floats) -> float:
    """Return the standard deviation in percent of the mean."""
    return float(100.0 * np.std(value, ddof=1) / np.mean(value)) if len(value) > 1 else 0.0


def _validate(items: Sequence[Item], frame: Frame) -> None:
    if frame.strings < 1 or frame.series < 1 or frame.parallel < 1:
        raise BadInput(f"a frame of {frame.strings} x {frame.series} x {frame.parallel}", "each 1 or more")
    if frame.heating is not None and (len(frame.heating) != frame.series or min(frame.heating) <= 0.0):
        raise BadInput(f"{len(frame.heating)} places with a heating", f"{frame.series} numbers above nought")
    seen: set[str] = set()
    for item in items:
        if item.name in seen:
            raise BadInput(f"item {item.name!r} occurs twice", "each name once")
        seen.add(item.name)
        if not (_measured(item.capacity) and _measured(item.capacity_half_width)):
            raise BadInput(
                f"item {item.name!r}: capacity {item.capacity} +- {item.capacity_half_width} Ah",
                "a capacity with its uncertainty, both above nought",
            )
        if not all(v is None or _measured(v) for v in (item.resistance, item.resistance_half_width)):
            raise BadInput(
                f"item {item.name!r}: resistance {item.resistance} +- {item.resistance_half_width} ohm",
                "a resistance with its uncertainty, both above nought, or none",
            )


def _measured(value: float) -> bool:
    return 0.0 < value < np.inf
