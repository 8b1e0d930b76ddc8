"""How the cells stood in the first rest of a log that settles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import taps
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.rests import START_LEVEL_S
from bmslogs.analysis.rounding import mean_error, middle_error
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.parked import Parked
from bmslogs.analysis.study.readings import Readings
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmean

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

REST_LEAST_S = 300.0
"""A shorter rest tells no level of a cell [s] (choice)."""
END_LEAST_S, END_SHARE = 120.0, 0.3
"""The last part of a rest tells its level: this share of it, no less than so long [s] (choice)."""
SOON_S = 300.0
"""So long after bleeding began little is lost yet (choice) [s]."""


@dataclass(frozen=True, eq=False)
class AtRest:
    """The first rest of five minutes or more."""

    readings: Readings
    flow: Flow
    harness: Harness
    parked: Parked

    @cached_property
    def level(self) -> tuple[Floats, Floats] | None:
        """(cells,) settled voltage [V] of the first rest of five minutes or more, and its standard deviation [V].

        None without one. Of a rest its last part; of a pack parked for long the level that it began with.
        """
        log, trusted = self.readings.log, self.harness.trusted
        part = self._first
        if part is None:
            return None
        rows = self._rows(part)
        volts = log.cell_voltage[rows]
        if log.bleed is not None and self.harness.taps is not None and self.readings.resistor is not None:
            volts = taps.corrected(volts, log.bleed[rows], self.readings.resistor, self.harness.taps)
        with np.errstate(all="ignore"):
            level = np.asarray(nanmean(volts, axis=0), float)
        own = mean_error(volts, log.voltage_step)
        middle = middle_error(own[trusted], level[trusted], log.voltage_step)
        return self._while_parked(part, level) or (level, np.hypot(own, middle))

    @property
    def _first(self) -> Stretch | None:
        seconds = self.readings.seconds
        return next(
            (
                p
                for p in self.flow.stretches
                if p.kind in ("rest", "parked") and seconds[p.last] - seconds[p.first] >= REST_LEAST_S
            ),
            None,
        )

    def _rows(self, part: Stretch) -> Bools:
        """(rows,) True in the rows of a rest that tell its level."""
        seconds = self.readings.seconds
        if self._bled(part):
            rows = self._before_bleeding(part)
        else:
            until = min(seconds[part.last], seconds[part.first] + START_LEVEL_S)
            rows = _within(part, len(seconds)) & (seconds <= until)
            rows &= seconds >= until - _end_of(float(until - seconds[part.first]))
        if not rows.any():  # rows further apart than that
            rows[part.first] = True
        return rows

    def _before_bleeding(self, part: Stretch) -> Bools:
        """(rows,) True where a rest tells what its cells held before any was bled; its own where bled at once."""
        seconds, flags = self.readings.seconds, self.readings.log.bleed
        assert flags is not None
        first = part.first + int(np.argmax(flags[part.rows].any(axis=1)))
        if first > part.first:
            end = seconds[first - 1]
            early = _within(Stretch(part.kind, part.first, first - 1), len(seconds))
            return np.asarray(early & (seconds >= end - _end_of(float(end - seconds[part.first]))), bool)
        # bled at once: its first minutes, before much is lost
        return np.asarray(_within(part, len(seconds)) & (seconds <= seconds[part.first] + SOON_S), bool)

    def _bled(self, part: Stretch) -> bool:
        flags = self.readings.log.bleed
        return flags is not None and bool(flags[part.rows].any())

    def _while_parked(self, part: Stretch, level: Floats) -> tuple[Floats, Floats] | None:
        """The level that a parked stretch began with, by its drift; None where that is not known."""
        try:
            found, _ = self.parked.drift
        except NotEnoughData:
            return None
        if found.straight:  # its levels are those of a curve that climbs evenly, not the readings'
            return None
        through = self.parked.through
        if part.kind != "parked" or through is None or part.first != through.first or self._bled(part):
            return None
        return float(level[self.harness.trusted].mean()) + found.level, found.level_se


def _within(part: Stretch, rows: int) -> Bools:
    """Return (rows,) True in a stretch."""
    out = np.zeros(rows, bool)
    out[part.rows] = True
    return out


def _end_of(length: float) -> float:
    """Return how much of a rest of a length tells its level [s]."""
    return max(END_LEAST_S, END_SHARE * length)
