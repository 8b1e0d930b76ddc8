"""The shape of a history; its JSON (schema bmslogs.history/1) follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Final, Literal

import numpy as np

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.marks import FILLED, HIDDEN, OMITTED, Cell, QuantityKey, Text, Time
from bmslogs.base.published import Published
from bmslogs.findings.history.gathered import Column

HISTORY_SCHEMA: Final = "bmslogs.history/1"


@dataclass(frozen=True)
class Point(Published):
    """What one log told: value with its 95 % interval [unit of the series]; None where there is no interval."""

    log: Text
    time: Time
    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Gap(Published):
    """A log that could not tell, and why in one sentence."""

    log: Text
    time: Time
    why: Text


@dataclass(frozen=True)
class Mark(Published):
    """Dated work on the pack: day, kind, place as the pack file names it, cells it touched."""

    date: Text
    kind: Text
    where: str | None
    cells: tuple[Cell, ...]
    restarts: Annotated[bool, HIDDEN] = True


@dataclass(frozen=True, kw_only=True)
class Series(Published):
    """One line: a cell's, a sensor's or the pack's.

    Attributes
    ----------
    slope_per_month, low, high
        With the 95 % interval [unit a month]; None below the least data.
    since
        First day that the slope rests on: the series begins anew at work on it.
    level
        Height of the fitted line at the last log that tells.
    drift
        Whether the slope is a claim: beyond chance over all lines of the pack, and of a size that matters in a year.
    why_no_slope
        Where there is none: what is missing.
    against
        ``pack median`` where the pack's middle is taken out.
    """

    quantity: QuantityKey
    cell: Cell | None = None
    sensor: Annotated[Text | None, OMITTED] = None
    unit: Text
    against: str | None = None
    points: tuple[Point, ...] = ()
    gaps: tuple[Gap, ...] = ()
    slope_per_month: float | None = None
    low: float | None = None
    high: float | None = None
    since: str | None = None
    level: Annotated[float | None, HIDDEN] = None
    drift: bool = False
    why_no_slope: str | None = None

    @property
    def column(self) -> Column:
        """The cell, sensor, or None for the pack."""
        return self.cell if self.cell is not None else self.sensor


@dataclass(frozen=True, kw_only=True)
class History(Published):
    """One pack over all its logs: lines of the topics asked for, and what they say.

    Attributes
    ----------
    reference
        By topic, what its values were compared at: ``temperature_C``, ``soc_low``, ``soc_high``.
    topics
        Keys of the topics that the series belong to.
    says
        One sentence each, only where the interval allows; the first answers the page's question.
    waiting
        Logs that are not gathered yet.
    """

    schema: Literal["bmslogs.history/1"] = field(default=HISTORY_SCHEMA, init=False, repr=False)
    pack: Text
    reference: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    series: tuple[Series, ...]
    events: tuple[Mark, ...] = ()
    says: tuple[Text, ...] = ()
    topics: Annotated[tuple[str, ...], HIDDEN]
    logs: Annotated[int, HIDDEN] = 0
    first: Annotated[str | None, HIDDEN] = None
    last: Annotated[str | None, HIDDEN] = None
    waiting: Annotated[int, HIDDEN] = 0
    cautions: Annotated[tuple[Text, ...], FILLED] = CAUTIONS


def stamp(time: np.datetime64) -> str:
    """Return a moment as ISO 8601, UTC, to the second."""
    return f"{time.astype('datetime64[s]')}Z"
