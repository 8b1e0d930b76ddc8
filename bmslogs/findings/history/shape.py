"""What a history holds, and its JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from bmslogs.base.cautions import CAUTIONS
from bmslogs.findings.compare.shape import number
from bmslogs.findings.history.gathered import Column

HISTORY_SCHEMA = "bmslogs.history/1"


@dataclass(frozen=True)
class Point:
    """What one log told: value with its 95 % interval [unit of the series]; None where there is no interval."""

    log: str
    time: str
    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Gap:
    """A log that could not tell, and why in one sentence."""

    log: str
    time: str
    why: str


@dataclass(frozen=True)
class Mark:
    """Dated work on the pack: day, kind, place as the pack file names it, cells it touched."""

    date: str
    kind: str
    where: str | None
    cells: tuple[int, ...]
    restarts: bool = True

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        return {"date": self.date, "kind": self.kind, "where": self.where, "cells": list(self.cells)}


@dataclass(frozen=True)
class Series:
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

    quantity: str
    unit: str
    cell: int | None = None
    sensor: str | None = None
    points: tuple[Point, ...] = ()
    gaps: tuple[Gap, ...] = ()
    slope_per_month: float | None = None
    low: float | None = None
    high: float | None = None
    since: str | None = None
    level: float | None = None
    drift: bool = False
    why_no_slope: str | None = None
    against: str | None = None

    @property
    def column(self) -> Column:
        """The cell, sensor, or None for the pack."""
        return self.cell if self.cell is not None else self.sensor

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        out: dict[str, Any] = {"quantity": self.quantity, "cell": self.cell}
        if self.sensor is not None:
            out["sensor"] = self.sensor
        return out | {
            "unit": self.unit,
            "against": self.against,
            "points": [
                {
                    "log": p.log,
                    "time": p.time,
                    "value": number(p.value),
                    "low": number(p.low),
                    "high": number(p.high),
                }
                for p in self.points
            ],
            "gaps": [{"log": g.log, "time": g.time, "why": g.why} for g in self.gaps],
            "slope_per_month": number(self.slope_per_month),
            "low": number(self.low),
            "high": number(self.high),
            "since": self.since,
            "drift": self.drift,
            "why_no_slope": self.why_no_slope,
        }


@dataclass(frozen=True)
class History:
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

    pack: str
    topics: tuple[str, ...]
    series: tuple[Series, ...]
    events: tuple[Mark, ...] = ()
    says: tuple[str, ...] = ()
    reference: dict[str, dict[str, float]] | None = None
    logs: int = 0
    first: str | None = None
    last: str | None = None
    waiting: int = 0
    cautions: tuple[str, ...] = CAUTIONS

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object of schema bmslogs.history/1."""
        return {
            "schema": HISTORY_SCHEMA,
            "pack": self.pack,
            "reference": self.reference or {},
            "series": [s.to_json() for s in self.series],
            "events": [e.to_json() for e in self.events],
            "says": list(self.says),
            "cautions": list(self.cautions),
        }


def stamp(time: np.datetime64) -> str:
    """Return a moment as ISO 8601, UTC, to the second."""
    return f"{time.astype('datetime64[s]')}Z"
