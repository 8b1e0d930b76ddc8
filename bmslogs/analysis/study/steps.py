"""What single clean steps of the current tell of the resistances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models import step_resistance
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import USUAL_OHM_AH, Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SLOPE_OVER = 0.02
"""Share of the charge over which the slope of the curve is taken where a step begins (choice)."""
LEAST_CELLS = 2
"""One believed cell has none to be compared with."""


@dataclass(frozen=True, eq=False)
class Steps:
    """Resistances by steps of a current that holds before and after."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    bridged: Bridged
    harness: Harness

    @cached_property
    def clean(self) -> list[step_resistance.Step]:
        """Steps of a current that holds before and after, as of a pulse test, a heater, a charger."""
        flow = self.flow
        if not flow.has_current or self.refresh.period_s > resistance.SLOWEST_S:
            return []
        return step_resistance.clean_steps(
            self.readings.seconds, flow.current, flow.section, self.readings.capacity, flow.interval
        )

    @cached_property
    def fit(self) -> step_resistance.StepFit | None:
        """What the clean steps tell of the resistances; None where there are none."""
        if not self.clean or self.harness.trusted.sum() < LEAST_CELLS:
            return None
        readings = step_resistance.Readings(
            self.readings.seconds,
            self.flow.current,
            self.bridged.volts,
            self.flow.interval,
            self.refresh.period_s,
            self.readings.log.voltage_step,
            self.harness.trusted,
            self.readings.log.bleed,
        )
        slopes = np.array([self._slope_before(one) for one in self.clean]) / self.readings.capacity
        return step_resistance.step_fit(self.clean, readings, slopes)

    def _slope_before(self, one: step_resistance.Step) -> Floats:
        """(cells,) slope of the curve at each cell where a step begins [V per unit of charge]."""
        curve = self.readings.curve
        with np.errstate(all="ignore"):
            volts = nanmedian(self.bridged.volts[one.before], axis=0)
        current = float(np.median(self.flow.current[one.before]))
        level = volts + current * USUAL_OHM_AH / self.readings.capacity
        return np.asarray(curve.slope(np.nan_to_num(curve.inverse(level), nan=0.5), SLOPE_OVER), float)

    @cached_property
    def rows(self) -> Bools:
        """(rows,) True in the seconds after the clean steps that count."""
        seconds = self.readings.seconds
        out = np.zeros(len(seconds), bool)
        for one in self.fit.steps if self.fit is not None else []:
            until = int(np.searchsorted(seconds, one.moment + step_resistance.WINDOW_S[1], side="right"))
            out[one.after.start : min(until, one.after.stop)] = True
        return out
