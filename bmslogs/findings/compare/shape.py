"""The shape of a comparison; its JSON (schema bmslogs.comparison/1) follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Final, Literal

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.marks import (
    FILLED,
    HIDDEN,
    LATER,
    OMITTED,
    AtLeast,
    Cell,
    Count,
    Key,
    QuantityKey,
    Text,
)
from bmslogs.base.published import Published

COMPARISON_SCHEMA: Final = "bmslogs.comparison/1"
Strength = Literal["suggests", "supports"]


@dataclass(frozen=True)
class CellValue(Published):
    """One cell's value with its 95 % interval [unit of the quantity]; None where no log tells."""

    cell: Cell
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class PackValue(Published):
    """One pack's median of a quantity with its interval, the logs behind it, and its cells."""

    pack: Text
    median: float | None
    low: float | None
    high: float | None
    logs: Count
    cells: tuple[CellValue, ...] = ()


@dataclass(frozen=True)
class Compared(Published):
    """One quantity side by side, reduced to one reference, or why that cannot be done.

    Attributes
    ----------
    reference
        What every value was reduced to: ``temperature_C``, ``soc_low``, ``soc_high``, ``current_rms_C``.
    why_not
        One sentence: what is missing, of which pack, and the log that would settle it.
    """

    quantity: QuantityKey
    reference: Mapping[str, float] = field(default_factory=dict, kw_only=True)
    comparable: bool
    why_not: str | None = field(default=None, kw_only=True)
    packs: tuple[PackValue, ...]


@dataclass(frozen=True)
class Difference(Published):
    """Ratio of two packs' medians with its 95 % interval; `differ` where the interval leaves 1 out."""

    quantity: QuantityKey
    pack: Text
    against: Text
    ratio: float
    low: float
    high: float
    computed: ClassVar[tuple[str, ...]] = ("differ",)

    @property
    def differ(self) -> bool:
        """Whether the packs differ beyond what the interval allows."""
        return not self.low <= 1.0 <= self.high


@dataclass(frozen=True)
class PositionEffect(Published):
    """What a place adds in every vehicle of a design, as a fraction of the pack median.

    Attributes
    ----------
    stands_out
        Whether the effect is beyond chance and large enough to matter; only such stand in a comparison and its JSON.
    """

    position: Text
    quantity: QuantityKey
    effect: float
    low: float
    high: float
    strength: Strength
    vehicles: Annotated[int, AtLeast(3), LATER]
    design: Annotated[Text, LATER]
    stands_out: Annotated[bool, HIDDEN] = True


@dataclass(frozen=True)
class Change(Published):
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

    cell: Cell
    quantity: QuantityKey
    ratio: float
    low: float
    high: float
    finding: bool
    ratio_raw: Annotated[float, LATER]
    new: Annotated[bool, LATER] = False


@dataclass(frozen=True)
class Trend(Published):
    """Change of a pack's median, or of one cell against it, per year, with its 95 % interval (fraction)."""

    pack: Text
    quantity: QuantityKey
    cell: Cell | None
    per_year: float
    low: float
    high: float
    logs: Annotated[int, AtLeast(2)]
    first: Text
    last: Text


@dataclass(frozen=True)
class BleedRate(Published):
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

    pack: Text
    median: float | None
    low: float | None
    high: float | None
    logs: Count
    weeks: float | None
    powered_h: Annotated[float | None, Key("powered_h_per_week")]
    why_not: str | None = field(default=None, kw_only=True)
    cells: tuple[CellValue, ...] = ()


@dataclass(frozen=True)
class BleedDifference(Published):
    """Bleeding of one pack less that of another [Ah per week] with its 95 % interval."""

    pack: Text
    against: Text
    difference: float
    low: float
    high: float
    computed: ClassVar[tuple[str, ...]] = ("differ",)

    @property
    def differ(self) -> bool:
        """Whether the packs differ beyond what the interval allows."""
        return not self.low <= 0.0 <= self.high


@dataclass(frozen=True)
class Bleeding(Published):
    """Commanded bleeding per week, packs side by side, or why they cannot be compared."""

    unit: Literal["Ah per week"] = field(default="Ah per week", init=False)
    comparable: bool
    why_not: str | None = field(default=None, kw_only=True)
    packs: tuple[BleedRate, ...]
    differences: tuple[BleedDifference, ...] = ()


@dataclass(frozen=True)
class Comparison(Published):
    """Packs side by side, or one pack before and after."""

    schema: Literal["bmslogs.comparison/1"] = field(default=COMPARISON_SCHEMA, init=False, repr=False)
    quantities: tuple[Compared, ...]
    differences: Annotated[tuple[Difference, ...], LATER] = ()
    positions: Annotated[tuple[PositionEffect, ...], LATER] = ()
    trends: Annotated[tuple[Trend, ...], LATER] = ()
    bleeding: Annotated[Bleeding | None, OMITTED] = None
    changes: Annotated[tuple[Change, ...] | None, OMITTED] = None
    events: Annotated[tuple[Text, ...], LATER] = ()
    notes: Annotated[tuple[Text, ...], LATER] = ()
    cautions: Annotated[tuple[Text, ...], FILLED, LATER] = CAUTIONS

    def of(self, quantity: str) -> Compared | None:
        """Return one quantity, None where it was not compared."""
        return next((q for q in self.quantities if q.quantity == quantity), None)
