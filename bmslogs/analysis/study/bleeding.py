"""What bleeding took from the cells, and whether commands reached their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import bleed, taps
from bmslogs.analysis.bleed_commands import Crossed, crossed_commands
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models.fitted_resistor import TakenByCommands, taken_by_commands
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_AT_REST = 40
"""Readings of a rest with bleeding below which nothing is said of it (choice)."""
SLOPE_OVER = 0.015
"""Share of the charge over which the slope of the curve is taken that tells what a fall is worth (choice)."""


@dataclass(frozen=True)
class BledRest:
    """A rest with bleeding: (rows, cells) readings [V], charge commanded away so far [Ah] and flags; (rows,) [s]."""

    volts: Floats
    bled: Floats
    flags: Bools
    seconds: Floats


@dataclass(frozen=True, eq=False)
class Bleeding:
    """Bleeding held against what the cells did."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    counted: Counted

    @cached_property
    def crossed(self) -> list[Crossed]:
        """Bleed commands that act on another cell, by the jumps of the readings at the flags' edges."""
        log, resistor, fresh = self.readings.log, self.readings.resistor, self.refresh.rows
        if log.bleed is None or resistor is None or not log.bleed.any():
            return []
        flags = np.asarray(log.bleed[fresh], bool)
        edges = taps.edges_of(
            log.cell_voltage[fresh], flags, log.seconds[fresh], resistor, self.harness.trusted
        )
        if edges is None:
            return []
        toggled = flags[edges.at].astype(float) - flags[edges.at - 1].astype(float)
        return crossed_commands(edges.jump, toggled)

    @cached_property
    def _rest(self) -> BledRest:
        """The rest with the most bleeding; raises `NotEnoughData` with the reason where none can be used."""
        log, resistor, bled = self.readings.log, self.readings.resistor, self.counted.bled
        if bled is None or log.bleed is None or resistor is None:
            raise NotEnoughData("no bleeding that could be reckoned")
        rests = [p for p in self.flow.stretches if p.kind in ("rest", "parked")]
        best = max(rests, key=lambda p: float((bled[p.last] - bled[p.first]).max()), default=None)
        if best is None:
            raise NotEnoughData("the pack never rested")
        volts, flags = log.cell_voltage[best.rows], log.bleed[best.rows]
        if self.harness.taps is not None:
            volts = taps.corrected(volts, flags, resistor, self.harness.taps)
        good = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1)
        if good.sum() < LEAST_AT_REST:
            raise NotEnoughData("too few readings at rest")
        return BledRest(
            np.nan_to_num(volts[good]), bled[best.rows][good], flags[good], log.seconds[best.rows][good]
        )

    @cached_property
    def falls(self) -> bleed.BleedFalls:
        """By how much each reading fell over the rest with the most bleeding; no curve is used.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rest = self._rest
        # what the pack settled before it was bled is none of it
        since = slice(int(np.argmax(rest.flags.any(axis=1))), None)
        if len(rest.seconds[since]) < LEAST_AT_REST:
            raise NotEnoughData("too few readings while it was bled")
        return bleed.bleed_falls(
            rest.volts[since],
            rest.bled[since],
            rest.seconds[since],
            self.harness.trusted,
            self.readings.log.voltage_step,
        )

    @cached_property
    def effect(self) -> bleed.BleedEffect:
        """What each cell lost over the rest with the most bleeding.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        rest, curve, trusted = self._rest, self.readings.curve, self.harness.trusted
        if curve.flat:
            raise NotEnoughData(
                "after a charge the voltages of a flat curve settle for hours: they do not show what was bled"
            )
        level = float(median(rest.volts[:, trusted]))
        slope = float(curve.slope(curve.inverse(np.array([level])), SLOPE_OVER)[0])
        per_ah = slope / self.readings.capacity
        return bleed.bleed_effect(rest.volts, rest.bled, rest.flags, rest.seconds, trusted, per_ah)

    @cached_property
    def taken(self) -> TakenByCommands | None:
        """What commands took over what they were to take, as the cells tell it together; None where they do not."""
        try:
            return taken_by_commands(self.effect, self.harness.trusted)
        except NotEnoughData:
            return None
