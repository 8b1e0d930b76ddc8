"""Places that differ in every vehicle of one design: the frame's doing, not one pack's."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

from bmslogs.analysis.statistics import weighted_combine
from bmslogs.analysis.two_way import few_row_positions, huber_two_way, position_p_values
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.measured import measured
from bmslogs.findings.compare.shape import PositionEffect, Strength

Floats = npt.NDArray[np.float64]

SUGGESTS_FROM = 3  # vehicles of one design
SUPPORTS_FROM = 5
LEVEL = 0.05  # chance of any place named in a design without position effects


class Placed(NamedTuple):
    """A quantity by place.

    Attributes
    ----------
    quantity, says
        Key of the estimates read, and the key that the effect is reported under.
    least
        Smallest effect that is reported (judgement: a third of what is a finding in one pack).
    """

    quantity: str
    least: float


PLACED = (
    Placed("resistance_10s_relative", 0.03),
    Placed("capacity_relative", 0.01),
    Placed("heating", 0.05),
)


class _Candidate(NamedTuple):
    position: str
    quantity: str
    effect: float
    low: float
    high: float
    p_value: float
    least: float
    vehicles: int


def position_effects(
    diagnoses_by_pack: Mapping[str, Sequence[Diagnosis]], packs: Mapping[str, Pack]
) -> tuple[PositionEffect, ...]:
    """Return the places whose effect stands out over the vehicles of each design.

    A table of vehicles by places is fitted by Huber's two-way fit with shrinkage, cells and modules apart; which
    places are named rests on random orders of each vehicle's entries, so that a design without position effects
    shows any in 5 % of fleets at most, over all its places and quantities. Three or four vehicles have too few orders
    of their modules for any to be a surprise: there every vehicle has to show the effect, and it is weighed against
    the scatter of the table.
    """
    found = [p for p in fitted_positions(diagnoses_by_pack, packs) if p.stands_out]
    designs = dict.fromkeys(p.design for p in found)
    return tuple(p for d in designs for p in sorted(found, key=lambda p: -abs(p.effect)) if p.design == d)


def fitted_positions(
    diagnoses_by_pack: Mapping[str, Sequence[Diagnosis]], packs: Mapping[str, Pack]
) -> tuple[PositionEffect, ...]:
    """Return every place whose effect can be told, whether it stands out or not.

    A place that fewer than three vehicles tell of is not among them.
    """
    designs: dict[str, list[str]] = {}
    for name in diagnoses_by_pack:
        design = packs[name].design
        if design:
            designs.setdefault(design, []).append(name)
    out: list[PositionEffect] = []
    for design, names in designs.items():
        if len({packs[n].vehicle for n in names}) >= SUGGESTS_FROM:
            out += _of_design(design, [(packs[n], diagnoses_by_pack[n]) for n in names])
    return tuple(out)


def _of_design(design: str, members: Sequence[tuple[Pack, Sequence[Diagnosis]]]) -> list[PositionEffect]:
    tables: list[list[_Candidate]] = []
    for placed in PLACED:
        rows = [(pack, _by_column(placed.quantity, logs, pack)) for pack, logs in members]
        rows = [(pack, values) for pack, values in rows if values]
        tables += [_fit(placed, rows, _by_cell), _fit(placed, rows, _by_module)]
    tables = [t for t in tables if t]
    return [
        PositionEffect(
            c.position, c.quantity, c.effect, c.low, c.high, _strength(c.vehicles), c.vehicles, design,
            stands_out=c.p_value <= LEVEL / len(tables) and abs(c.effect) >= c.least,
        )
        for table in tables
        for c in table
    ]  # fmt: skip


def _strength(vehicles: int) -> Strength:
    return "supports" if vehicles >= SUPPORTS_FROM else "suggests"


def _by_column(quantity: str, logs: Sequence[Diagnosis], pack: Pack) -> dict[int | str, float]:
    """Return one value a cell or sensor: ratio to the pack's middle, all logs combined."""
    m = measured(quantity, logs, pack)
    if not m.columns or not np.isfinite(m.value).any():
        return {}
    value = weighted_combine(m.value, m.half_width).value
    if quantity == "heating":
        middle = _middle_slope(logs)
        value = 1.0 + value / middle if middle else np.full(len(value), np.nan)
    return {c: float(v) for c, v in zip(m.columns, value) if c is not None and np.isfinite(v) and v > 0}


def _middle_slope(logs: Sequence[Diagnosis]) -> float | None:
    """Return the pack's median heating slope [K per A^2], which the estimates give as a condition."""
    given = [e.conditions.get("median_K_per_A2") for d in logs for e in d.of("heating")]
    known = [float(g) for g in given if isinstance(g, int | float) and g > 0]
    return float(np.median(known)) if known else None


def _by_cell(pack: Pack, values: Mapping[int | str, float]) -> dict[str, float]:
    return {f"cell {c}": v for c, v in values.items() if isinstance(c, int)}


def _by_module(pack: Pack, values: Mapping[int | str, float]) -> dict[str, float]:
    """Return the median over a module's cells, so that one joint does not stand for the module; or its sensors'."""
    out = {}
    sensors = {s.name: s.cells for s in pack.temperature_sensors}
    for module in pack.modules:
        own = [v for c, v in values.items() if isinstance(c, int) and c in module.cells]
        own += [
            v for c, v in values.items() if isinstance(c, str) and set(sensors.get(c, ())) & set(module.cells)
        ]
        if own:
            out[module.name] = float(np.median(own))
    return out


def _fit(
    placed: Placed,
    rows: Sequence[tuple[Pack, Mapping[int | str, float]]],
    places_of: Callable[[Pack, Mapping[int | str, float]], dict[str, float]],
) -> list[_Candidate]:
    tables = [(pack, places_of(pack, values)) for pack, values in rows]
    tables = [(pack, t) for pack, t in tables if t]
    seen = {p: None for _, t in tables for p in t}
    vehicles_of = {p: len({pack.vehicle for pack, t in tables if p in t}) for p in seen}
    places = [p for p in seen if vehicles_of[p] >= SUGGESTS_FROM]
    tables = [(pack, t) for pack, t in tables if any(p in t for p in places)]
    vehicles = len({pack.vehicle for pack, _ in tables})
    if vehicles < SUGGESTS_FROM or len(places) < 3:
        return []
    table = np.array([[np.log(t[p]) if p in t else np.nan for p in places] for _, t in tables])
    if vehicles < SUPPORTS_FROM:
        few = few_row_positions(table, *(_within(rows) if places_of is _by_module else (np.nan, 0.0)))
        effect, p_value = few.effect, few.p_value
        low, high = effect - few.half_width, effect + few.half_width
    else:
        fit, p_value = huber_two_way(table), position_p_values(table)
        half = float(stats.t.ppf(0.975, fit.freedom)) * fit.position_se
        effect = fit.position
        low = np.minimum(fit.position, fit.position_raw) - half
        high = np.maximum(fit.position, fit.position_raw) + half
    return [
        _Candidate(
            place, placed.quantity, float(np.expm1(effect[i])), float(np.expm1(low[i])), float(np.expm1(high[i])),
            float(p_value[i]), placed.least, vehicles_of[place],
        )
        for i, place in enumerate(places)
    ]  # fmt: skip


def _within(rows: Sequence[tuple[Pack, Mapping[int | str, float]]]) -> tuple[float, float]:
    """Return how far the median of a module scatters by the spread of its own cells, and the degrees of freedom.

    In logarithms; of n cells the variance of the median is pi / 2 n of theirs.
    """
    left, counts = [], []
    for pack, values in rows:
        for module in pack.modules:
            own = np.log([v for c, v in values.items() if isinstance(c, int) and c in module.cells])
            if len(own) >= 2:
                left += list((own - own.mean()) * np.sqrt(len(own) / (len(own) - 1)))
                counts.append(len(own))
    if not counts:
        return float("nan"), 0.0
    spread = float(np.sqrt(np.mean(np.square(left))))
    return spread * float(np.sqrt(np.pi / 2.0 / np.median(counts))), float(sum(counts) - len(counts))
