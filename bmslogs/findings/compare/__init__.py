"""Fair comparison: packs side by side, a pack before and after work on it, places over vehicles, months."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

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

if TYPE_CHECKING:
    from bmslogs.findings.compare.packs import compare_packs
    from bmslogs.findings.compare.positions import fitted_positions
    from bmslogs.findings.compare.repair import compare_before_after

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

_HOME = {"compare_packs": "packs", "fitted_positions": "positions", "compare_before_after": "repair"}


def __getattr__(name: str) -> Any:
    """Import what reckons on first use: faces that only show a comparison need its shape alone."""
    if name in _HOME:
        return getattr(import_module(f"bmslogs.findings.compare.{_HOME[name]}"), name)
    raise AttributeError(f"module 'bmslogs.findings.compare' has no attribute {name!r}")
