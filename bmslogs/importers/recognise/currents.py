"""Which column is the pack current, in which unit; charge and discharge may stand in two."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.plan import Role
from bmslogs.importers.plan.profile import Current
from bmslogs.importers.recognise.cells import Cells
from bmslogs.importers.recognise.clock import column_called
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.units import Unit, named
from bmslogs.importers.text.words import Header

LIKELY_OHM_AH = (0.02, 0.8)
"""Choice [ohm Ah]: resistance times capacity of a cell is about 0.1 over all sizes; cold and old cells reach 0.5."""
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
    found = [i for i in sorted(free) if _is_current(headers[i], sample.columns[i])]
    charging = [i for i in found if "charge" in headers[i].means and "discharge" not in headers[i].means]
    discharging = [i for i in found if "discharge" in headers[i].means and "charge" not in headers[i].means]
    if len(charging) == 1 and len(discharging) == 1 and _one_sided(sample, charging + discharging):
        _take_pair(out, [charging[0], discharging[0]], sample, headers, profile, pack, file, cells)
        return
    if not found and headerless and cells is not None:
        found = _by_answer(sample, free, cells)
    if not found:
        raise BadInput(
            "a log with no current", "a current column, or [current] column in a profile", file=file
        )
    ranked = sorted(found, key=lambda i: (-_rank(headers[i], sample.columns[i]), i))
    if len(ranked) > 1 and _rank(headers[ranked[0]], sample.columns[ranked[0]]) == _rank(
        headers[ranked[1]], sample.columns[ranked[1]]
    ):
        ranked = _settle(ranked, sample, headers, file, out)
    head = headers[ranked[0]]
    out.hint, out.hint_says = _hint(head)
    _take_one(out, ranked[0], sample, headers, profile, pack, file, "by its header", cells)


def _is_current(head: Header, column: SampledColumn) -> bool:
    if (
        column.style is None
        or not column.filled
        or head.means & {"summary", "other", "temperature", "bleed", "soc", "cell", "fault"}
    ):
        return False
    if head.unit is not None:
        return head.unit.kind == "current" and not head.means & {"voltage"}
    return "current" in head.means and not head.means & {"voltage"}


def _rank(head: Header, column: SampledColumn) -> float:
    moving = column.values[np.isfinite(column.values)]
    moves = len(moving) > 1 and float(np.ptp(moving)) > 0
    return (
        1.0 * ("pack" in head.means)
        + 1.0 * ("current" in head.means)
        + 0.5 * moves
        - 0.5 * bool(head.means & {"charge", "discharge"} and len(head.means & {"charge", "discharge"}) == 1)
    )


def _settle(ranked: list[int], sample: Sample, headers: list[Header], file: Path, out: Currents) -> list[int]:
    """Choose between columns that their headers do not part: the same readings twice are no question."""
    a, b = (sample.columns[i] for i in ranked[:2])
    good = np.isfinite(a.values) & np.isfinite(b.values)
    if good.sum() > 2:
        left, right = a.values[good], b.values[good]
        if np.ptp(left) > 0 and np.ptp(right) > 0:
            r = float(np.corrcoef(left, right)[0, 1])
            if r > 0.98:
                finer = sorted(ranked[:2], key=lambda i: -sample.columns[i].decimals)
                out.notes.append(
                    f"{a.name!r} and {b.name!r} are the same current; {sample.columns[finer[0]].name!r} is used"
                )
                return finer + ranked[2:]
        if np.ptp(left) == 0 or np.ptp(right) == 0:
            return ranked if np.ptp(left) > 0 else [ranked[1], ranked[0], *ranked[2:]]
    raise Ambiguous(
        f"two columns may be the current, {a.name!r} and {b.name!r}",
        f"a profile with [current] column = {a.name!r} or {b.name!r}",
        file=file,
    )


def _one_sided(sample: Sample, pair: list[int]) -> bool:
    """Whether charge and discharge columns never both flow."""
    a, b = (np.nan_to_num(sample.columns[i].values) for i in pair)
    return bool(np.mean((np.abs(a) > 1e-9) & (np.abs(b) > 1e-9)) < 0.02)


def _hint(head: Header) -> tuple[int, str]:
    """Return what header words say of the sign: 1 where positive is discharge, -1 where charge, 0 where nothing."""
    text = head.text.lower()
    if "discharge" in head.means and "charge" not in head.means:
        return 1, f"header {head.text!r} speaks of discharge"
    if "charge" in head.means and "discharge" not in head.means:
        if "-" in text or "neg" in text:
            return 1, f"header {head.text!r} gives charge the minus"
        return -1, f"header {head.text!r} speaks of charge"
    return 0, ""


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
        return unit, "unit by the profile"
    finite = column.values[np.isfinite(column.values)]
    largest = float(np.percentile(np.abs(finite), 99)) if len(finite) else 0.0
    stated = head.unit if head.unit is not None and head.unit.kind == "current" else None
    stated = stated or (
        column.style.unit
        if column.style is not None and column.style.unit is not None and column.style.unit.kind == "current"
        else None
    )
    capacity = pack.nominal_capacity_Ah if pack else None
    if stated is not None:
        if capacity and largest * stated.scale > MOST_C_RATE * capacity:
            raise Ambiguous(
                f"{largest:g} {stated.name} on a pack of {capacity:g} Ah",
                'a profile with [current] unit = "mA" or "0.1A"',
                file=file,
                column=column.name,
            )
        slope = answer_of_voltages(sample, index, cells)
        low, high = LIKELY_OHM_AH
        if (
            capacity
            and np.isfinite(slope)
            and not 0.1 * low < abs(slope) / stated.scale * capacity < 10 * high
        ):
            able = [u.name for u in _possible_units(largest, capacity, slope)]
            raise Ambiguous(
                f"unit {stated.name} by the header, but the voltages answer as to a current in {' or '.join(able)}",
                f'a profile with [current] unit = "{stated.name}" or "{able[0]}"',
                file=file,
                column=column.name,
            )
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
