"""Packs side by side: each quantity reduced to one reference, or "not comparable" with what is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from scipy import stats

from bmslogs.base.errors import BadInput, NotEnoughData
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.bleeding import compare_bleeding
from bmslogs.findings.compare.measured import Measured, measured
from bmslogs.findings.compare.positions import position_effects
from bmslogs.findings.compare.reduction import Reduced, Reference, find_reference, reduced
from bmslogs.findings.compare.shape import CellValue, Compared, Comparison, Difference, PackValue
from bmslogs.findings.compare.trend import trends

COMPARED = (
    "resistance_10s",
    "resistance_10s_relative",
    "capacity",
    "capacity_relative",
    "charge_to_full",
    "leak_current_relative",
    "heating",
    "resistance_outside_taps",
    "usable_charge",
    "gain_by_balancing",
)
"""Quantities that are set side by side, in this order. The raw spread of voltages is not among them: it depends on
charge, current and the number of cells."""
RATIO = ("resistance_10s", "capacity", "usable_charge")
"""Quantities whose medians are compared as a ratio between packs."""
LIKE_CAPACITY = 0.05
"""Packs whose nominal capacities differ by more are of unlike cells."""
MOST_PAIRED = 8
"""With more packs than this no table of pairs is made."""


def compare_packs(
    diagnoses_by_pack: Mapping[str, Sequence[Diagnosis]], packs: Mapping[str, Pack]
) -> Comparison:
    """Compare packs by the diagnoses of their logs.

    Parameters
    ----------
    diagnoses_by_pack
        Diagnoses of single logs, by pack id.
    packs
        Pack files of the same ids; their events keep readings from before and after work apart.

    Raises
    ------
    BadInput
        A pack is not described, or none is given.
    """
    if not diagnoses_by_pack:
        raise BadInput("no packs to compare", "two or more pack ids")
    for name in diagnoses_by_pack:
        if name not in packs:
            raise BadInput(f"no pack file of {name!r}", "a pack of the store")
    compared, differences = [], []
    for quantity in COMPARED:
        table = [measured(quantity, logs, packs[name]) for name, logs in diagnoses_by_pack.items()]
        if any(m.columns for m in table):
            one, pairs = _compare(quantity, table)
            compared.append(one)
            differences += pairs
    events = [
        f"{name}: {event.date.isoformat()} {event.kind}" + (f" ({event.where})" if event.where else "")
        for name in diagnoses_by_pack
        for event in sorted(packs[name].events, key=lambda e: e.date)
    ]
    return Comparison(
        quantities=tuple(compared),
        differences=tuple(differences),
        positions=position_effects(diagnoses_by_pack, packs),
        trends=trends(diagnoses_by_pack, packs),
        bleeding=compare_bleeding(diagnoses_by_pack, packs),
        events=tuple(events),
        notes=_notes([packs[name] for name in diagnoses_by_pack]),
    )


def _notes(packs: Sequence[Pack]) -> tuple[str, ...]:
    kinds = sorted({f"{p.chemistry} {p.nominal_capacity_Ah:g} Ah" for p in packs})
    if all(alike(a, b) for a, b in combinations(packs, 2)):
        return ()
    return (
        f"the packs are of unlike cells ({', '.join(kinds)}): their values stand side by side, no ratio is made",
    )


def _compare(quantity: str, table: list[Measured]) -> tuple[Compared, list[Difference]]:
    reference = find_reference(table)
    missing = [w for w in reference.why_not if w]
    values: list[Reduced | None] = []
    for m, usable in zip(table, reference.usable):
        try:
            values.append(reduced(m, reference) if usable else None)
        except NotEnoughData as why:
            values.append(None)
            missing.append(f"{m.pack.id}: {why}")
    shown = tuple(_pack_value(m, r) for m, r in zip(table, values))
    enough = sum(v is not None for v in values) >= 2
    if not enough and len(table) == 1 and not missing:
        missing = [f"{table[0].pack.id} alone; a second pack is needed"]
    compared = Compared(
        quantity,
        enough,
        shown,
        reference=reference.to_json() if any(reference.usable) else {},
        why_not="; ".join(missing) or None,
    )
    if not enough or quantity not in RATIO or len(table) > MOST_PAIRED:
        return compared, []
    given = [(m.pack, r) for m, r in zip(table, values) if r is not None]
    return compared, [
        _difference(quantity, a, b, reference) for a, b in combinations(given, 2) if alike(a[0], b[0])
    ]


def alike(a: Pack, b: Pack) -> bool:
    """Return whether two packs are built of cells of one kind, so that their ohms and Ah can be set in a ratio."""
    same = (a.chemistry, a.cells_in_parallel) == (b.chemistry, b.cells_in_parallel)
    return same and abs(a.nominal_capacity_Ah / b.nominal_capacity_Ah - 1.0) <= LIKE_CAPACITY


def _pack_value(m: Measured, r: Reduced | None) -> PackValue:
    if r is None:
        return PackValue(m.pack.id, None, None, None, int(m.telling.sum()))
    cells = tuple(
        CellValue(c, *_bounds(float(v), float(h)))
        for c, v, h in zip(m.columns, r.value, r.value_half_width)
        if isinstance(c, int)
    )
    return PackValue(m.pack.id, *_bounds(r.median, r.half_width), len(r.by_log), cells)


def _bounds(value: float, half: float) -> tuple[float | None, float | None, float | None]:
    return (value, value - half, value + half) if np.isfinite(value) else (None, None, None)


def _difference(
    quantity: str, a: tuple[Pack, Reduced], b: tuple[Pack, Reduced], reference: Reference
) -> Difference:
    """Return the ratio a / b: Welch's interval over the logs, and the systematic parts that do not cancel.

    With a single log of either pack the logs' own intervals stand for the scatter.
    """
    (one, first), (other, second) = a, b
    own = np.hypot(first.half_width / abs(first.median), second.half_width / abs(second.median))
    systematic = float(np.hypot(first.systematic, second.systematic))
    if len(first.by_log) >= 2 and len(second.by_log) >= 2:
        welch = stats.ttest_ind(np.log(first.by_log), np.log(second.by_log), equal_var=False)
        interval = welch.confidence_interval(0.95)
        own = max(float(own), float(np.hypot((interval.high - interval.low) / 2, systematic)))
    ratio = first.median / second.median
    return Difference(
        quantity, one.id, other.id, ratio, ratio * float(np.exp(-own)), ratio * float(np.exp(own))
    )
