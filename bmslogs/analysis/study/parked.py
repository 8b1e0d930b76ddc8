"""What the cells lost while the pack was parked, or its logger slept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import parked
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
    """The longest time parked, and the longest pause of the logger between two rests."""

    readings: Readings
    flow: Flow
    bridged: Bridged
    harness: Harness
    temperatures: Temperatures

    @cached_property
    def through(self) -> Stretch | None:
        """The longest time parked where a logger's pauses are bridged, over which the string stood as it was."""
        light, seconds, parts = None, self.readings.seconds, self.flow.stretches
        if self.flow.has_current:
            light = ~(np.abs(self.flow.current) > parked.LIGHT_C_RATE * self.readings.capacity)
        times = parked.bridged(parts, seconds, self.readings.log.cell_voltage, self.harness.trusted, light)
        return max(times, key=lambda p: float(seconds[p.last] - seconds[p.first]), default=None)

    @cached_property
    def asleep(self) -> Asleep | None:
        """What the cells lost over the longest pause of the logger between two rests; None where there is none."""
        log = self.readings.log
        return lost_asleep(
            self.flow.stretches, log.seconds, log.cell_voltage, self.harness.trusted, log.voltage_step
        )

    @cached_property
    def rows(self) -> ParkedRows:
        """The readings of the longest time parked that may count.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        through, bleed, trusted = self.through, self.readings.log.bleed, self.harness.trusted
        if through is None:
            raise NotEnoughData("the pack was not parked in this log")
        volts, seconds = self.bridged.volts[through.rows], self.readings.seconds[through.rows]
        good, known = ~np.isnan(volts[:, trusted]).any(axis=1), trusted
        good &= ~self.flow.rows_of("drive", "charge")[through.rows]  # light loads, and what follows them
        if bleed is not None and bleed[through.rows].any():
            rows, kept = parked.without_bleeding(np.asarray(bleed[through.rows], bool), seconds)
            good, known = good & rows, known & kept
        least_cells = min(parked.LEAST_UNBLED, trusted.sum())
        if good.sum() < parked.LEAST_READINGS or known.sum() < least_cells:
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
        of, curve, mean_degc = self.rows, self.readings.curve, self.temperatures.mean
        seconds, known = self.readings.seconds[of.rows], of.known
        volts = np.nan_to_num(of.volts)
        along = None if curve.flat else parked.straightened(volts, seconds, known)
        volts = volts if along is None else along
        degc = None if mean_degc is None else mean_degc[of.rows]
        found = parked.drift(volts, seconds, degc, known, self.readings.log.voltage_step)
        pieces = self.flow.section[of.rows]
        if len(np.unique(pieces)) > 1:
            found = parked.as_seen(found, volts, seconds, pieces, known)
        if along is not None:
            found = replace(found, straight=parked.slope_of_walk(of.volts, known, curve))
        return found, float(np.median(of.volts[:, known]))
