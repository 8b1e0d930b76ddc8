"""By how much each cell differs from the pack's middle, and how far the colour scale reaches."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bmslogs.base.pack import Pack
from bmslogs.base.results import Estimate
from bmslogs.faces.figures.words import is_difference, shown
from bmslogs.findings.registry import CAUSES

PALE = 2.5
"""The scale reaches so many times what may matter at least: a pack without a finding looks even (choice)."""


def differences(
    pack: Pack,
    estimates: Sequence[Estimate],
    quantity: str | None,
    baseline: Sequence[Estimate],
    *,
    least: float = PALE,
) -> tuple[dict[int, tuple[float, float]], float]:
    """Return cell -> (difference from the middle, half-width) in the shown unit, and the reach of the scale.

    The scale reaches `least` times what may matter at least, and twice a usual interval's half-width: differences that
    are too small to matter, or that the intervals do not tell, stay pale.
    """
    values: dict[int, tuple[float, float]] = {}
    base = {e.cell: t for e in baseline if e.cell is not None and (t := shown(e)) is not None}
    for e in estimates:
        triple = shown(e)
        if e.cell is None or triple is None:
            continue
        value, half = triple[0], (triple[2] - triple[1]) / 2
        if baseline:
            if e.cell not in base:
                continue
            before = base[e.cell]
            value, half = value - before[0], math.hypot(half, (before[2] - before[1]) / 2)
        values[e.cell] = (value, half)
    if values and not is_difference(quantity):
        middle = _median([v for v, _ in values.values()])
        values = {c: (v - middle, h) for c, (v, h) in values.items()}
    reach = max((abs(v) for v, _ in values.values()), default=1.0) or 1.0
    half_typical = _median([h for _, h in values.values()]) if values else 0.0
    return values, round_up(max(reach, 2.0 * half_typical, least * _practical(pack, quantity, estimates)))


def _practical(pack: Pack, quantity: str | None, estimates: Sequence[Estimate]) -> float:
    """Return the least reach of the scale: differences too small to matter stay pale."""
    shares = {
        "resistance_10s_relative": CAUSES["cell_resistance_high"].least,
        "resistance_10s": CAUSES["cell_resistance_high"].least,
        "capacity_relative": CAUSES["capacity_low"].least,
        "capacity": CAUSES["capacity_low"].least,
        "soc_offset": CAUSES["soc_offset_low"].least,
        "charge_to_full": CAUSES["soc_offset_low"].least,
        "bleed_needed": CAUSES["soc_offset_low"].least,
    }
    share = shares.get(quantity or "") or 0.0
    if is_difference(quantity):
        return 100.0 * share
    if quantity in ("charge_to_full", "bleed_needed"):
        return share * pack.nominal_capacity_Ah
    return share * _median([abs(t[0]) for e in estimates if (t := shown(e)) is not None])


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    return (ordered[(n - 1) // 2] + ordered[n // 2]) / 2 if n else 0.0


def round_up(value: float) -> float:
    """Return the next of 1, 2, 3, 5 times a power of ten, so that a scale ends in a plain number."""
    if value <= 0 or not math.isfinite(value):
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 3.0, 5.0, 10.0) if value <= step * power * (1 + 1e-9))
