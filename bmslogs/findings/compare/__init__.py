"""Fair comparison: packs side by side, a pack before and after work on it, places over vehicles, months."""

from __future__ import annotations

from bmslogs.findings.compare.packs import compare_packs
from bmslogs.findings.compare.positions import fitted_positions
from bmslogs.findings.compare.repair import compare_before_after
from bmslogs.findings.compare.shape import (
    BleedDifference,
    Bleeding,
    BleedRate,
    Change,
    Compared,
    Comparison,
    Difference,
    PackValue,
    PositionEffect,
    Trend,
)

__all__ = [
    "BleedDifference",
    "BleedRate",
    "Bleeding",
    "Change",
    "Compared",
    "Comparison",
    "Difference",
    "PackValue",
    "PositionEffect",
    "Trend",
    "compare_before_after",
    "compare_packs",
    "fitted_positions",
]
