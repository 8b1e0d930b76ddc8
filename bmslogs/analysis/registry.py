"""The quantities that an analysis can estimate, each a declared record; every face walks this one table."""

from __future__ import annotations

from bmslogs.analysis.estimators import QUANTITIES, Quantity

__all__ = ["QUANTITIES", "Quantity"]
