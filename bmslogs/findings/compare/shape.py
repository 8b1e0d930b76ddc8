"""The shape of a comparison and its JSON (schema bmslogs.comparison/1)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from bmslogs.base.cautions import CAUTIONS

COMPARISON_SCHEMA = "bmslogs.comparison/1"
Strength = Literal["suggests", "supports"]


def number(value: float | None) -> float | None:
    """Return a JSON number with the digits that matter, None for what is not a finite number."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


@dataclass(frozen=True)
class CellValue:
    """One cell's value with its 95 % interval [unit of the quantity]; None where no log tells."""

    cell: int
    value: float | None
    low: float | None
    high: float | None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "cell": self.cell,
            "value": number(self.value),
            "low": number(self.low),
            "high": number(self.high),
        }


@dataclass(frozen=True)
class PackValue:
    """One pack's median of a quantity with its interval, the logs behind it, and its cells."""

    pack: str
    median: float | None
    low: float | None
    high: float | None
    logs: int
    cells: tuple[CellValue, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "pack": self.pack,
            "median": number(self.median),
            "low": number(self.low),
            "high": number(self.high),
            "logs": self.logs,
            "cells": [c.to_json() for c in self.cells],
        }


@dataclass(frozen=True)
class Compared:
    """One quantity side by side, reduced to one reference, or why that cannot be done.

    Attributes
    ----------
    reference
        What every value was reduced to: ``temperature_C``, ``soc_low``, ``soc_high``, ``current_rms_C``.
    why_not
        One sentence: what is missing, of which pack, and the log that would settle it.
    """

    quantity: str
    comparable: bool
    packs: tuple[PackValue, ...]
    reference: Mapping[str, float] = field(default_factory=dict)
    why_not: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "quantity": self.quantity,
            "reference": {k: number(v) for k, v in self.reference.items()},
            "comparable": self.comparable,
            "why_not": self.why_not,
            "packs": [p.to_json() for p in self.packs],
        }


@dataclass(frozen=True)
class Difference:
    """Ratio of two packs' medians with its 95 % interval; `differ` where the interval leaves 1 out."""

    quantity: str
    pack: str
    against: str
    ratio: float
    low: float
    high: float

    @property
    def differ(self) -> bool:
        """Whether the packs differ beyond what the interval allows."""
        return not self.low <= 1.0 <= self.high

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "quantity": self.quantity,
            "pack": self.pack,
            "against": self.against,
            "ratio": number(self.ratio),
            "low": number(self.low),
            "high": number(self.high),
            "differ": self.differ,
        }


@dataclass(frozen=True)
class PositionEffect:
    """What a place adds in every vehicle of a design, as a fraction of the pack median.

    Attributes
    ----------
    stands_out
        Whether the effect is beyond chance and large enough to matter; only such stand in a comparison and its JSON.
    """

    position: str
    quantity: str
    effect: float
    low: float
    high: float
    strength: Strength
    vehicles: int
    design: str
    stands_out: bool = True

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "position": self.position,
            "quantity": self.quantity,
            "effect": number(self.effect),
            "low": number(self.low),
            "high": number(self.high),
            "strength": self.strength,
            "vehicles": self.vehicles,
            "design": self.design,
        }


@dataclass(frozen=True)
class Change:
    """One cell after against before.

    Attributes
    ----------
    ratio, low, high
        After over before, centred by the median of the cells that nobody touched; 95 % interval.
    ratio_raw
        The same, not centred.
    finding
        Whether the change is both beyond chance and large enough to matter.
    new
        Whether another cell sits there since; it took no part in centre and scatter.
    """

    cell: int
    quantity: str
    ratio: float
    low: float
    high: float
    finding: bool
    ratio_raw: float
    new: bool = False

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "cell": self.cell,
            "quantity": self.quantity,
            "ratio": number(self.ratio),
            "low": number(self.low),
            "high": number(self.high),
            "finding": self.finding,
            "ratio_raw": number(self.ratio_raw),
            "new": self.new,
        }


@dataclass(frozen=True)
class Trend:
    """Change of a pack's median, or of one cell against it, per year, with its 95 % interval (fraction)."""

    pack: str
    quantity: str
    cell: int | None
    per_year: float
    low: float
    high: float
    logs: int
    first: str
    last: str

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "pack": self.pack,
            "quantity": self.quantity,
            "cell": self.cell,
            "per_year": number(self.per_year),
            "low": number(self.low),
            "high": number(self.high),
            "logs": self.logs,
            "first": self.first,
            "last": self.last,
        }


@dataclass(frozen=True)
class BleedRate:
    """Commanded bleeding of one pack [Ah per week]: the median over its cells with its 95 % interval, and each cell's.

    Attributes
    ----------
    logs, weeks
        Logs with bleed flags, and the time that they stand for.
    powered_h
        Logged hours per week; None where a log does not say.
    why_not
        Why there is no figure, and the logs that would give one.
    """

    pack: str
    median: float | None
    low: float | None
    high: float | None
    logs: int
    weeks: float | None
    powered_h: float | None
    cells: tuple[CellValue, ...] = ()
    why_not: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "pack": self.pack,
            "median": number(self.median),
            "low": number(self.low),
            "high": number(self.high),
            "logs": self.logs,
            "weeks": number(self.weeks),
            "powered_h_per_week": number(self.powered_h),
            "why_not": self.why_not,
            "cells": [c.to_json() for c in self.cells],
        }


@dataclass(frozen=True)
class BleedDifference:
    """Bleeding of one pack less that of another [Ah per week] with its 95 % interval."""

    pack: str
    against: str
    difference: float
    low: float
    high: float

    @property
    def differ(self) -> bool:
        """Whether the packs differ beyond what the interval allows."""
        return not self.low <= 0.0 <= self.high

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "pack": self.pack,
            "against": self.against,
            "difference": number(self.difference),
            "low": number(self.low),
            "high": number(self.high),
            "differ": self.differ,
        }


@dataclass(frozen=True)
class Bleeding:
    """Commanded bleeding per week, packs side by side, or why they cannot be compared."""

    comparable: bool
    packs: tuple[BleedRate, ...]
    differences: tuple[BleedDifference, ...] = ()
    why_not: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {
            "unit": "Ah per week",
            "comparable": self.comparable,
            "why_not": self.why_not,
            "packs": [p.to_json() for p in self.packs],
            "differences": [d.to_json() for d in self.differences],
        }


@dataclass(frozen=True)
class Comparison:
    """Packs side by side, or one pack before and after."""

    quantities: tuple[Compared, ...]
    differences: tuple[Difference, ...] = ()
    positions: tuple[PositionEffect, ...] = ()
    trends: tuple[Trend, ...] = ()
    bleeding: Bleeding | None = None
    changes: tuple[Change, ...] | None = None
    events: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS

    def of(self, quantity: str) -> Compared | None:
        """Return one quantity, None where it was not compared."""
        return next((q for q in self.quantities if q.quantity == quantity), None)

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object of schema bmslogs.comparison/1."""
        out: dict[str, Any] = {
            "schema": COMPARISON_SCHEMA,
            "quantities": [q.to_json() for q in self.quantities],
            "differences": [d.to_json() for d in self.differences],
            "positions": [p.to_json() for p in self.positions],
            "trends": [t.to_json() for t in self.trends],
        }
        if self.bleeding is not None:
            out["bleeding"] = self.bleeding.to_json()
        if self.changes is not None:
            out["changes"] = [c.to_json() for c in self.changes]
        return out | {"events": list(self.events), "notes": list(self.notes), "cautions": list(self.cautions)}
