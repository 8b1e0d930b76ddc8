"""The shape of answers: estimates, findings, a diagnosis; their JSON (schema bmslogs.diagnosis/2) follows from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, Literal, NotRequired, TypedDict

from bmslogs.base.marks import FILLED, OMITTED, By, CauseKey, Cell, Count, QuantityKey, Text, Time
from bmslogs.base.published import Published

DIAGNOSIS_SCHEMA: Final = "bmslogs.diagnosis/2"
"""Readers of /1 find nothing renamed; new is the status `bounded`."""
Status = Literal["determined", "bounded", "not_determinable"]
Level = Literal["act", "look", "note"]
Kind = Literal["drive", "charge", "rest", "parked"]
LEVELS: tuple[Level, ...] = ("act", "look", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate(Published):
    """One quantity of one cell, sensor or of the pack.

    Attributes
    ----------
    quantity
        Key of the quantity in the registry.
    cell, sensor
        What it is of; both None for the pack as a whole.
    value, low, high
        Value with its 95 % interval [unit]; None where not determinable. Where bounded the value is None, and one of
        low and high: "at most" or "at least" the other.
    conditions
        Under which it holds: ``temperature_C``, ``soc_low``, ``soc_high``, ``current_rms_A``, ...
    why, settle_by
        Where not determinable or bounded only: one sentence each, the reason and the log that would settle it.
    """

    quantity: QuantityKey = field(kw_only=False)
    cell: Cell | None = None
    sensor: Annotated[Text | None, OMITTED] = None
    value: Annotated[float | None, By("status", determined=float, bounded=None, not_determinable=None)] = None
    low: Annotated[float | None, By("status", determined=float, bounded=float | None)] = None
    high: Annotated[float | None, By("status", determined=float, bounded=float | None)] = None
    unit: str = field(kw_only=False)
    status: Status = "determined"
    conditions: Annotated[dict[str, Any], OMITTED] = field(default_factory=dict)
    why: Annotated[str | None, By("status", bounded=Text, not_determinable=Text)] = None
    settle_by: Annotated[str | None, By("status", bounded=Text, not_determinable=Text)] = None


def refused(
    quantity: str,
    unit: str,
    why: str,
    settle_by: str,
    *,
    cell: int | None = None,
    sensor: str | None = None,
    conditions: dict[str, Any] | None = None,
) -> Estimate:
    """Return an estimate that says why the log cannot tell, and which log would."""
    return Estimate(
        quantity,
        unit,
        cell=cell,
        sensor=sensor,
        status="not_determinable",
        why=why,
        settle_by=settle_by,
        conditions=conditions or {},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding(Published):
    """One cause that the estimates speak for.

    Attributes
    ----------
    cause
        Key of the cause in the registry.
    level
        ``act`` before it is used again, ``look`` at the next chance, ``note``.
    cells
        Every cell whose reading or behaviour the cause explains.
    size, low, high, unit
        The cause's own quantity, signed, with its 95 % interval.
    says
        One plain sentence that names the place as the builder names it.
    because, next
        Evidence, one line each; what to do, safest first.
    """

    cause: CauseKey = field(kw_only=False)
    level: Level = field(kw_only=False)
    cells: tuple[Cell, ...] = ()
    module: str | None = None
    sensor: str | None = None
    size: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    says: Text = field(kw_only=False)
    because: Annotated[tuple[Text, ...], FILLED] = ()
    next: Annotated[tuple[Text, ...], FILLED] = ()


class Settings(TypedDict, total=False):
    """How the logger was set: what two logs must have in common to be compared cell by cell.

    ``voltage_step_V`` and ``refresh_s`` of the cell readings, ``bled_under_load``: the largest share of the readings
    under load in which a cell was bled, ``cell_columns``: what the logger called the cells, in their order.
    """

    voltage_step_V: float
    refresh_s: float
    bled_under_load: float
    cell_columns: list[Text]


class LogTold(TypedDict):
    """A log as an answer names it; start and end in ISO 8601, UTC."""

    id: Text
    start: Time
    end: Time
    rows: Count
    kinds: list[Kind]
    settings: NotRequired[Settings]


class PackTold(TypedDict):
    """A pack as an answer names it, and how many cells it has in series."""

    id: Text
    vehicle: Text
    cells: Cell


@dataclass(frozen=True, kw_only=True)
class Diagnosis(Published):
    """All that one log, or all logs of a pack, say: what is wrong, how surely, and what stays unknown.

    Attributes
    ----------
    log
        ``id``, ``start``, ``end`` (ISO 8601, UTC), ``rows``, ``kinds``.
    pack
        ``id``, ``vehicle``, ``cells``.
    logs
        For a pack as a whole: one object like `log` per log that was weighed; empty for one log.
    """

    schema: Literal["bmslogs.diagnosis/2"] = field(default=DIAGNOSIS_SCHEMA, init=False, repr=False)
    log: LogTold = field(kw_only=False)
    logs: Annotated[tuple[LogTold, ...], OMITTED] = ()
    pack: PackTold = field(kw_only=False)
    estimates: tuple[Estimate, ...] = field(kw_only=False)
    findings: tuple[Finding, ...] = field(kw_only=False)
    repairs: tuple[Text, ...] = field(default=(), kw_only=False)
    cautions: Annotated[tuple[Text, ...], FILLED] = field(default=(), kw_only=False)
    method: Annotated[Text, OMITTED] = ""

    def of(self, quantity: str) -> tuple[Estimate, ...]:
        """Return the estimates of one quantity, cells in order."""
        return tuple(e for e in self.estimates if e.quantity == quantity)


def by_urgency(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings in order of urgency, larger ones of a level first."""
    return sorted(findings, key=lambda f: (LEVELS.index(f.level), -abs(f.size or 0.0), f.cells))
