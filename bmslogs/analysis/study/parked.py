"""What the cells lost while the pack was parked, or its logger slept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    parked,
)
from bmslogs.analysis.asleep import Asleep, lost_asleep
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ParkedRows:
    """Readings of a time parked: their rows in the log, (rows, cells) [V], (cells,) whether a cell's drift is told."""

    rows: Ints
    volts: Floats
    known: Bools


@dataclass(frozen=True, eq=False)
class Parked:
    """What the cells lost while the pack was parked, or its logger slept."""

    readings: Readings
    flow: Flow
    bridged: Bridged
    harness: Harness
    temperatures: Temperatures

    @cached_property
    def through(self) -> Stretch | None:
        """The longest time parked where a logger's pauses are bridged, over which the string stood as it was."""
        light = None
        if self.flow.has_current:
            light = ~(np.abs(self.flow.current) > parked.LIGHT_C_RATE * self.readings.capacity)
        times = parked.bridged(
            self.flow.stretches,
            self.readings.seconds,
            self.readings.log.cell_voltage,
            self.harness.trusted,
            light,
        )
        return max(
            times,
            key=lambda p: float(self.readings.seconds[p.last] - self.readings.seconds[p.first]),
            default=None,
        )

    @cached_property
    def asleep(self) -> Asleep | None:
        """What the cells lost over the longest pause of the logger between two rests; None where there is none."""
        return lost_asleep(
            self.flow.stretches,
            self.readings.seconds,
            self.readings.log.cell_voltage,
            self.harness.trusted,
            self.readings.log.voltage_step,
        )

    @cached_property
    def rows(self) -> ParkedRows:
        """The readings of the longest time parked that may count.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        through = self.through
        if through is None:
            raise NotEnoughData("the pack was not parked in this log")
        volts, seconds = self.bridged.volts[through.rows], self.readings.seconds[through.rows]
        good, known = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1), self.harness.trusted
        good &= ~self.flow.rows_of("drive", "charge")[through.rows]  # light loads, and what follows them
        if self.readings.log.bleed is not None and self.readings.log.bleed[through.rows].any():
            flags = np.asarray(self.readings.log.bleed[through.rows], bool)
            rows, kept = parked.without_bleeding(flags, seconds)
            good, known = good & rows, known & kept
        if good.sum() < parked.LEAST_READINGS or known.sum() < min(
            parked.LEAST_UNBLED, self.harness.trusted.sum()
        ):
            raise NotEnoughData("too few readings while parked without bleeding")
        return ParkedRows(through.first + np.flatnonzero(good), volts[good], known)

    @cached_property
    def drift(self) -> tuple[parked.Drift, float]:
        """Drift over the longest time parked, and the mean voltage there [V].

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        of = self.rows
        seconds, known = self.readings.seconds[of.rows], of.known
        warmth = None if self.temperatures.mean is None else self.temperatures.mean[of.rows]
        volts = np.nan_to_num(of.volts)
        along = None if self.readings.curve.flat else parked.straightened(volts, seconds, known)
        volts = volts if along is None else along
        found = parked.drift(volts, seconds, warmth, known, self.readings.log.voltage_step)
        pieces = self.flow.section[of.rows]
        if len(np.unique(pieces)) > 1:
            found = parked.as_seen(found, volts, seconds, pieces, known)
        if along is not None:
            found = replace(found, straight=parked.slope_of_walk(of.volts, known, self.readings.curve))
        return found, float(np.median(of.volts[:, known]))
