"""Which column is the pack current, in which unit; charge and discharge may stand in two."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.plan import Role
from bmslogs.importers.plan.profile import Current
from bmslogs.importers.reading.fills import LEAST_FLAG_A, scalar_fills
from bmslogs.importers.recognise.cells import Cells
from bmslogs.importers.recognise.clock import column_called
from bmslogs.importers.recognise.counters import is_counter
from bmslogs.importers.recognise.sign_words import sign_of_header
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.units import Unit, named
from bmslogs.importers.text.words import Header, take_apart

Floats = npt.NDArray[np.float64]
NO_CURRENT = "a log with no current"
ALIKE = 0.98
"""Choice: correlation of two columns that say the same current."""
SPANS = (2, 3, 4, 5, 8, 10, 15, 20, 30, 50, 60, 100, 150, 300)
"""Rows over which a logger may smooth."""
SIDES = frozenset({"left", "right", "front", "rear", "upper", "lower", "links", "rechts"})
LIKELY_OHM_AH = (0.02, 0.8)
"""Choice [ohm Ah]: resistance times capacity of a cell is about 0.1 over all sizes; cold and old cells reach 0.5."""
MOST_NAMED = 4
"""Choice: as many columns that may be meant are named in a question."""
MOST_C_RATE = 30.0
"""Choice [1/h]: no traction pack is driven harder; above it the unit must be another."""


@dataclass
class Currents:
    """The current columns: (index, role, unit, why); two of them where charge and discharge are apart."""

    columns: list[tuple[int, Role, Unit, str]] = field(default_factory=list)
    split: bool = False
    hint: int = 0
    hint_says: str = ""
    problems: list[BadInput] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find_current(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    cells: Cells | None,
    profile: Current | None,
    pack: Pack | None,
    file: Path,
    headerless: bool = False,
) -> Currents:
    """Find the pack current."""
    out = Currents()
    profile = profile or Current()
    try:
        if profile.charge_column and profile.discharge_column:
            pair = [
                column_called(sample, n, file, "current")
                for n in (profile.charge_column, profile.discharge_column)
            ]
            _take_pair(out, pair, sample, headers, profile, pack, file, cells)
        elif profile.column is not None:
            _take_one(
                out,
                column_called(sample, profile.column, file, "current"),
                sample,
                headers,
                profile,
                pack,
                file,
                "as the profile says",
                cells,
            )
        else:
            _search(out, sample, headers, free, cells, profile, pack, file, headerless)
    except BadInput as error:
        out.problems.append(error)
    return out


def _search(
    out: Currents,
    sample: Sample,
    headers: list[Header],
    free: set[int],
    cells: Cells | None,
    profile: Current,
    pack: Pack | None,
    file: Path,
    headerless: bool,
) -> None:
    found = [i for i in sorted(free) if is_pack_current(headers[i], sample.columns[i])]
    pair = _directions(found, sample, headers)
    if pair:
        _beside_pair(pair, [i for i in found if i not in pair], sample, file, out)
        _take_pair(out, pair, sample, headers, profile, pack, file, cells)
        return
    if not found and headerless and cells is not None:
        found = _by_answer(sample, free, cells)
    averages = [i for i in sorted(free) if is_pack_current(headers[i], sample.columns[i], average=True)]
    if not found and averages:
        found, averages = averages, []
        out.notes.append(f"no current as it flows, only means of it: {sample.columns[found[0]].name!r}")
    if not found:
        raise _no_current(sample, headers, free, file)
    chosen = _one_of(found, sample, headers, file, out)
    smoothed = [sample.columns[i].name for i in averages if smooths(sample, chosen, i)]
    if smoothed:
        shown = ", ".join(repr(n) for n in smoothed)
        out.notes.append(
            f"{sample.columns[chosen].name!r} is the current; {shown} smooth it and are left aside"
        )
    out.hint, out.hint_says = sign_of_header(
        f"{headers[chosen].text} {sample.columns[chosen].unit_text}".strip()
    )
    _take_one(out, chosen, sample, headers, profile, pack, file, "by its header", cells)


NOT_A_CURRENT = frozenset({"temperature", "bleed", "soc", "cell", "fault", "counter", "limit", "device"})


def is_pack_current(head: Header, column: SampledColumn, average: bool = False) -> bool:
    """Whether a column is a current of the pack as it flows, by its header; or, asked so, a mean of one."""
    if column.style is None or not column.filled or head.means & NOT_A_CURRENT:
        return False
    if is_counter(head, column.unit_text) or head.means & {"other"}:
        return False
    if ("average" in head.means) != average or (not average and "summary" in head.means):
        return False
    return _speaks_of_current(head)


def _speaks_of_current(head: Header) -> bool:
    if head.unit is not None:
        return head.unit.kind == "current" and not head.means & {"voltage"}
    return "current" in head.means and not head.means & {"voltage"}


def _no_current(sample: Sample, headers: list[Header], free: set[int], file: Path) -> BadInput:
    """Return what to say where no column is the pack's current.

    A motor's current is its phases', a charger's leaves out what the pack gives: neither is taken for the pack's.
    """
    others = [
        i
        for i in sorted(free)
        if sample.columns[i].style is not None
        and sample.columns[i].filled
        and _speaks_of_current(headers[i])
        and headers[i].means & {"device", "other"}
        and not headers[i].means & {"counter", "limit", "temperature"}
        and not is_counter(headers[i], sample.columns[i].unit_text)
    ]
    if not others:
        able = [i for i in sorted(free) if _says_nothing(headers[i], sample.columns[i])]
        lines = " or ".join(json.dumps(sample.columns[i].name, ensure_ascii=False) for i in able[:MOST_NAMED])
        named_so = f" = {lines}" if able else ""
        return BadInput(
            NO_CURRENT, f"a current column, or [current] column{named_so} in a profile", file=file
        )
    names = " or ".join(repr(sample.columns[i].name) for i in others[:3])
    return Ambiguous(
        f"{NO_CURRENT} of the pack, only {names}",
        f"a profile with [current] column = {json.dumps(sample.columns[others[0]].name, ensure_ascii=False)} "
        "if the pack's current is meant",
        file=file,
    )


def _says_nothing(head: Header, column: SampledColumn) -> bool:
    """Whether a column of numbers that move has a header without a meaning."""
    values = column.values[np.isfinite(column.values)]
    silent = column.style is not None and not head.means and head.unit is None
    return silent and len(values) > 1 and bool(np.ptp(values) > 0)


def _directions(found: list[int], sample: Sample, headers: list[Header]) -> list[int]:
    """Return the column of the charge and that of the discharge current, where there is one of each."""
    charging = [i for i in found if "charge" in headers[i].means and "discharge" not in headers[i].means]
    discharging = [i for i in found if "discharge" in headers[i].means and "charge" not in headers[i].means]
    if len(charging) == 1 and len(discharging) == 1 and _one_sided(sample, charging + discharging):
        return [charging[0], discharging[0]]
    return []


def _beside_pair(pair: list[int], others: list[int], sample: Sample, file: Path, out: Currents) -> None:
    """Ask where a further current is not the pair's difference."""
    into, flows_out = (np.abs(sample.columns[i].values) for i in pair)
    net = np.nan_to_num(flows_out) - np.nan_to_num(into)
    names = [sample.columns[i].name for i in pair]
    for i in others:
        values = sample.columns[i].values
        good = np.isfinite(values)
        if not good.any() or np.ptp(values[good]) == 0:
            continue
        alike = np.ptp(net[good]) > 0 and abs(float(np.corrcoef(values[good], net[good])[0, 1])) > ALIKE
        if not alike:
            raise _ask([*pair, i], sample, file)
        out.notes.append(
            f"{sample.columns[i].name!r} is what {names[0]!r} and {names[1]!r} say; these are used"
        )


def _ask(columns: list[int], sample: Sample, file: Path) -> Ambiguous:
    names = [sample.columns[i].name for i in columns]
    count = {2: "two", 3: "three"}.get(len(names), str(len(names)))
    shown = ", ".join(repr(n) for n in names[:-1])
    able = " or ".join(json.dumps(n, ensure_ascii=False) for n in names)
    return Ambiguous(
        f"{count} columns may be the current, {shown} and {names[-1]!r}",
        f"a profile with [current] column = {able}",
        file=file,
    )


def _rank(head: Header) -> float:
    one_way = len(head.means & {"charge", "discharge"}) == 1
    return 1.0 * ("pack" in head.means) + 1.0 * ("current" in head.means) - 0.5 * one_way


def _one_of(found: list[int], sample: Sample, headers: list[Header], file: Path, out: Currents) -> int:
    """Choose among columns that may each be the current: the fastest where they are one current, else ask."""
    ranked = sorted(found, key=lambda i: (-_rank(headers[i]), i))
    if len(ranked) == 1:
        return ranked[0]
    moving = [i for i in ranked if _steps(sample, i).any()]
    still = [i for i in ranked if i not in moving]
    if not moving:
        return ranked[0]
    best = _rank(headers[ranked[0]])
    if still and ranked[0] in still and best > _rank(headers[moving[0]]):
        raise _ask([ranked[0], moving[0]], sample, file)
    # a channel that never moves beside one that does is a spare one
    level = [i for i in moving if _rank(headers[i]) == _rank(headers[moving[0]])]
    fastest = max(
        level, key=lambda i: (round(float(np.sum(_steps(sample, i) ** 2)), 6), sample.columns[i].decimals)
    )
    for i in level:
        if i != fastest and not _same(sample, headers, fastest, i):
            raise _ask(sorted((fastest, i)), sample, file)
    if len(level) > 1:
        same = ", ".join(repr(sample.columns[i].name) for i in level)
        out.notes.append(
            f"{same} are the same current; the fastest, {sample.columns[fastest].name!r}, is used"
        )
    for i in ranked:
        if i not in level:
            out.notes.append(
                f"{sample.columns[fastest].name!r} is taken for the current, not {sample.columns[i].name!r}"
            )
    return fastest


def _steps(sample: Sample, index: int) -> Floats:
    """Return the steps between successive rows of a column of currents, in its own unit scaled to A."""
    column = sample.columns[index]
    unit = take_apart(column.name, column.unit_text).unit
    scale = unit.scale if unit is not None and unit.kind == "current" else 1.0
    steps = np.diff(column.values * scale)
    steps = steps[np.diff(sample.window) == 0]
    return np.asarray(steps[np.isfinite(steps)], dtype=np.float64)


def _same(sample: Sample, headers: list[Header], fast: int, other: int) -> bool:
    """Whether two columns say one current: alike to their rounding, or one smooths the other."""
    a, b = sample.columns[fast], sample.columns[other]
    scales = [u.scale if (u := headers[i].unit) is not None else 1.0 for i in (fast, other)]
    left, right = a.values * scales[0], b.values * scales[1]
    good = np.isfinite(left) & np.isfinite(right)
    if good.sum() < 3:
        return False
    rounding = 0.51 * (10.0**-a.decimals * scales[0] + 10.0**-b.decimals * scales[1])
    if bool(np.all(np.abs(left[good] - right[good]) <= rounding)):
        return True
    if _siblings(headers[fast], headers[other]):
        # of two strings side by side each carries its own part, however alike
        return False
    return _alike(left[good], right[good]) or smooths(sample, fast, other)


def _siblings(a: Header, b: Header) -> bool:
    """Whether two headers differ by a number, a letter or a side alone."""
    short = [tuple(t for t in h.tokens if not t.isdigit() and len(t) > 1 and t not in SIDES) for h in (a, b)]
    return short[0] == short[1]


def _alike(left: Floats, right: Floats) -> bool:
    if not np.ptp(left) or not np.ptp(right):
        return False
    slope = float(left @ right / (left @ left))
    return float(np.corrcoef(left, right)[0, 1]) > ALIKE and abs(slope - 1) < 0.05


def smooths(sample: Sample, fast: int, slow: int) -> bool:
    """Whether one column is a running mean, or a first-order filter, of another."""
    left, right = sample.columns[fast].values, sample.columns[slow].values
    for rows in SPANS:
        for kernel in (np.ones(rows) / rows, (1 - 1 / rows) ** np.arange(5 * rows) / rows):
            a, b = [], []
            for w in np.unique(sample.window):
                here = sample.window == w
                if here.sum() < 3 * len(kernel):
                    continue
                passed = np.convolve(left[here], kernel, "valid")
                a.append(passed)
                b.append(right[here][len(kernel) - 1 :])
            if not a:
                continue
            x, y = np.concatenate(a), np.concatenate(b)
            good = np.isfinite(x) & np.isfinite(y)
            if good.sum() > 30 and _alike(x[good], y[good]):
                return True
    return False


def _one_sided(sample: Sample, pair: list[int]) -> bool:
    """Whether charge and discharge columns never both flow."""
    a, b = (np.nan_to_num(sample.columns[i].values) for i in pair)
    return bool(np.mean((np.abs(a) > 1e-9) & (np.abs(b) > 1e-9)) < 0.02)


def _take_one(
    out: Currents,
    index: int,
    sample: Sample,
    headers: list[Header],
    profile: Current,
    pack: Pack | None,
    file: Path,
    why: str,
    cells: Cells | None,
) -> None:
    unit, says = _unit(sample, index, headers[index], cells, profile, pack, file)
    out.columns.append((index, "current", unit, f"{why}; {says}"))


def _take_pair(
    out: Currents,
    pair: list[int],
    sample: Sample,
    headers: list[Header],
    profile: Current,
    pack: Pack | None,
    file: Path,
    cells: Cells | None,
) -> None:
    roles: tuple[Role, Role] = ("charge current", "discharge current")
    for index, role in zip(pair, roles):
        unit, says = _unit(sample, index, headers[index], cells, profile, pack, file)
        out.columns.append((index, role, unit, f"by its header; {says}"))
    out.split = True


def _unit(
    sample: Sample,
    index: int,
    head: Header,
    cells: Cells | None,
    profile: Current,
    pack: Pack | None,
    file: Path,
) -> tuple[Unit, str]:
    column = sample.columns[index]
    if profile.unit is not None:
        unit = named("current", profile.unit)
        assert unit is not None
        _refuse_unlikely(sample, index, unit, cells, pack, file)
        return unit, "unit by the profile"
    stated = head.unit if head.unit is not None and head.unit.kind == "current" else None
    stated = stated or (
        column.style.unit
        if column.style is not None and column.style.unit is not None and column.style.unit.kind == "current"
        else None
    )
    capacity = pack.nominal_capacity_Ah if pack else None
    largest = _largest(column, stated)
    if stated is not None:
        _refuse_contradicted(sample, index, stated, cells, capacity, file)
        return stated, f"unit {stated.name} by the header"
    ampere = named("current", "A")
    assert ampere is not None
    if largest == 0.0:
        return ampere, "unit A, it is nought throughout"
    slope = answer_of_voltages(sample, index, cells)
    absurd = (
        capacity
        and np.isfinite(slope)
        and not 0.1 * LIKELY_OHM_AH[0] < abs(slope) * capacity < 10 * LIKELY_OHM_AH[1]
    )
    if column.decimals > 0 and not absurd and (not capacity or largest <= MOST_C_RATE * capacity):
        return ampere, "unit A: no unit given, and readings with a broken part"
    fitting = _possible_units(largest, capacity, slope)
    if len(fitting) == 1:
        return fitting[
            0
        ], f"unit {fitting[0].name}: the only one that fits the pack's capacity and the voltages' answer"
    names = " or ".join(f'"{u.name}"' for u in fitting)
    raise Ambiguous(
        f"current without a unit, up to {largest:g}",
        f"a profile with [current] unit = {names}",
        file=file,
        column=column.name,
    )


def _refuse_contradicted(
    sample: Sample, index: int, stated: Unit, cells: Cells | None, capacity: float | None, file: Path
) -> None:
    """Refuse a unit in the header that the pack's capacity or the voltages' answer contradicts."""
    column = sample.columns[index]
    largest = _largest(column, stated)
    if capacity and largest * stated.scale > MOST_C_RATE * capacity:
        raise Ambiguous(
            f"{largest:g} {stated.name} on a pack of {capacity:g} Ah",
            'a profile with [current] unit = "mA" or "0.1A"',
            file=file,
            column=column.name,
        )
    slope = answer_of_voltages(sample, index, cells)
    low, high = LIKELY_OHM_AH
    if capacity and np.isfinite(slope) and not 0.1 * low < abs(slope) / stated.scale * capacity < 10 * high:
        able = [u.name for u in _possible_units(largest, capacity, slope)]
        raise Ambiguous(
            f"unit {stated.name} by the header, but the voltages answer as to a current in {' or '.join(able)}",
            f'a profile with [current] unit = "{stated.name}" or "{able[0]}"',
            file=file,
            column=column.name,
        )


def _refuse_unlikely(
    sample: Sample, index: int, unit: Unit, cells: Cells | None, pack: Pack | None, file: Path
) -> None:
    """Ask where the voltages answer a current as no cell would if it were in the unit that the profile says."""
    slope = answer_of_voltages(sample, index, cells)
    if pack is None or not np.isfinite(slope):
        return
    capacity = pack.nominal_capacity_Ah
    low, high = LIKELY_OHM_AH
    if 0.1 * low < abs(slope) / unit.scale * capacity < 10 * high:
        return
    able = [u for u in _possible_units(_largest(sample.columns[index], unit), capacity, slope) if u != unit]
    raise Ambiguous(
        f"the profile says unit {unit.name}, but the voltages answer as to a current in "
        f"{' or '.join(u.name for u in able) or 'another'}",
        f'a profile with [current] unit = "{able[0].name if able else "A"}"',
        file=file,
        column=sample.columns[index].name,
    )


def _largest(column: SampledColumn, stated: Unit | None) -> float:
    """Return how large a current gets (99th percentile without flags), in the logger's unit."""
    values = column.values[np.isfinite(column.values)]
    scale = stated.scale if stated is not None else 1.0
    flags = scalar_fills(np.asarray(values * scale, dtype=np.float32), scale, np.nan, LEAST_FLAG_A)
    values = values[~flags]
    return float(np.percentile(np.abs(values), 99)) if len(values) else 0.0


def _possible_units(largest: float, capacity: float | None, slope: float) -> list[Unit]:
    """Return the units in which a largest current, and the voltages' answer to it, are those of a pack.

    Parameters
    ----------
    largest
        In the logger's unit.
    capacity
        [Ah] of the pack.
    slope
        Fall of a cell's voltage per unit of the logger's current [V], NaN where nothing moves.
    """
    units = [u for name in ("A", "0.1A", "mA") if (u := named("current", name)) is not None]
    if not capacity:
        return units
    fitting = [u for u in units if 0.02 * capacity <= largest * u.scale <= 8 * capacity]
    if np.isfinite(slope):
        low, high = LIKELY_OHM_AH
        fitting = [u for u in fitting or units if low <= abs(slope) / u.scale * capacity <= high]
    return fitting or units


def _by_answer(sample: Sample, free: set[int], cells: Cells) -> list[int]:
    """Return the one column that the cell voltages answer, where no header names it; the pack voltage is none."""
    total = sum(float(np.nanmedian(sample.columns[i].values)) for i in cells.columns.values())
    able = []
    for i in sorted(free):
        column = sample.columns[i]
        if column.style is None or not np.isfinite(column.values).any():
            continue
        middle = abs(float(np.nanmedian(column.values)))
        near_sum = any(abs(middle * s / (total * cells.unit.scale) - 1) < 0.1 for s in (1.0, 1e-3, 0.1, 0.01))
        if not near_sum and np.isfinite(answer_of_voltages(sample, i, cells)):
            able.append(i)
    return able if len(able) == 1 else []


def answer_of_voltages(sample: Sample, index: int, cells: Cells | None) -> float:
    """Return the change of the mean cell voltage [V] per unit of a column, NaN where they do not move together."""
    if cells is None or not cells.columns:
        return float("nan")
    block = np.array([sample.columns[i].values for i in cells.columns.values()]) * cells.unit.scale
    amps = sample.columns[index].values
    di, dv = [], []
    for w in np.unique(sample.window):
        here = sample.window == w
        di.append(np.diff(amps[here]))
        dv.append(np.diff(block[:, here].mean(axis=0)))
    steps, answers = np.concatenate(di), np.concatenate(dv)
    good = np.isfinite(steps) & np.isfinite(answers)
    steps, answers = steps[good], answers[good]
    if len(steps) < 30 or not np.any(steps) or not np.any(answers):
        return float("nan")
    r = float(np.corrcoef(steps, answers)[0, 1])
    return float(steps @ answers / (steps @ steps)) if abs(r) > 0.7 else float("nan")
