"""What single clean steps of the current tell of the resistances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    resistance,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.models import (
    step_resistance,
)
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Steps:
    """What single clean steps of the current tell of the resistances."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    bridged: Bridged
    harness: Harness

    @cached_property
    def clean(self) -> list[step_resistance.Step]:
        """Steps of a current that holds before and after, as of a pulse test, a heater, a charger."""
        if not self.flow.has_current or self.refresh.period_s > resistance.SLOWEST_S:
            return []
        return step_resistance.clean_steps(
            self.readings.seconds,
            self.flow.current,
            self.flow.section,
            self.readings.capacity,
            self.flow.interval,
        )

    @cached_property
    def fit(self) -> step_resistance.StepFit | None:
        """What single clean steps tell of the resistances; None where there are none."""
        found = self.clean
        if not found or self.harness.trusted.sum() < 2:
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
        slopes = np.array([self._slope_before(one) for one in found]) / self.readings.capacity
        return step_resistance.step_fit(found, readings, slopes)

    def _slope_before(self, one: step_resistance.Step) -> Floats:
        """(cells,) slope of the curve at each cell where a step begins [V per unit of charge]."""
        with np.errstate(all="ignore"):
            volts = nanmedian(self.bridged.volts[one.before], axis=0)
        level = volts + float(np.median(self.flow.current[one.before])) * 0.1 / self.readings.capacity
        return np.asarray(
            self.readings.curve.slope(np.nan_to_num(self.readings.curve.inverse(level), nan=0.5), 0.02), float
        )

    def rows(self) -> Bools:
        """(rows,) True in the seconds after the clean steps that count."""
        out = np.zeros(self.readings.log.rows, bool)
        for one in self.fit.steps if self.fit is not None else []:
            until = int(
                np.searchsorted(self.readings.seconds, one.moment + step_resistance.WINDOW_S[1], side="right")
            )
            out[one.after.start : min(until, one.after.stop)] = True
        return out
