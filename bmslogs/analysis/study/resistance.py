"""Resistances by the loads or by single steps, whichever tells them better."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import BLOCKS, jackknife_se, t_factor
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.steps import Steps
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

USUAL_WITHIN = 0.15
"""A log whose blocks scatter the string's resistance by more (fraction, one sd) does not tell it (choice)."""
STEP_STANDS_FOR = 0.03
"""How well the resistance at one place of the curve stands for that over a whole charge, as a fraction (choice, one
sd)."""


@dataclass(frozen=True, eq=False)
class Resistance:
    """Resistances by the loads or by single steps, whichever tells them better."""

    readings: Readings
    harness: Harness
    loads: Loads
    steps: Steps

    @cached_property
    def excess(self) -> tuple[Floats, Floats] | None:
        """Relative resistance less one and its standard error, where the load fit or single steps have it."""
        if self.by_steps:
            found = self.steps.fit
            assert found is not None
            known = np.isfinite(found.relative)
            away = np.where(known, found.relative - 1.0, 0.0)
            return away, np.where(known, np.hypot(found.relative_se, STEP_STANDS_FOR), 0.2)
        try:
            ratio, se = self.loads.relative
        except NotEnoughData:
            return None
        if (
            not median(self.loads.fit.resistance()[0][self.harness.trusted]) > 0
            or median(se[self.harness.trusted]) > 0.05
        ):
            return None
        return ratio - 1.0, np.maximum(se, 0.002)

    @cached_property
    def by_steps(self) -> bool:
        """Whether single steps tell the resistances better than the load fit."""
        if self.steps.fit is None:
            return False
        try:
            se = self.loads.relative[1]
        except NotEnoughData:
            return True
        middle = float(median(self.loads.fit.resistance()[0][self.harness.trusted]))
        spread = t_factor(BLOCKS) * se[self.harness.trusted] / 1.96
        own = self.steps.fit.relative_se[self.harness.trusted]
        known = np.isfinite(own).sum() > 0.5 * len(own)
        return bool(known and (not middle > 0 or np.median(spread) > nanmedian(own)))

    @cached_property
    def usual(self) -> float:
        """Resistance of a usual cell [ohm]: from the loads, else what 100 Ah cells have, scaled."""
        usual = 0.1 / self.readings.capacity
        if self.by_steps and self.steps.fit is not None:
            return self.steps.fit.middle if self.steps.fit.middle > 0 else usual
        try:
            value, without = self.loads.fit.resistance()
        except NotEnoughData:
            return usual
        middle = float(median(value[self.harness.trusted]))
        sd = float(jackknife_se(median(without[:, self.harness.trusted], axis=1)[:, None])[0])
        return middle if middle > 0 and sd < USUAL_WITHIN * middle else usual
