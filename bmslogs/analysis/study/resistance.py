"""Resistances by the loads or by single steps, whichever tells them better."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import BLOCKS, Z95, jackknife_se, t_factor
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.readings import USUAL_OHM_AH, Readings
from bmslogs.analysis.study.steps import Steps
from bmslogs.analysis.study.under_load import UnderLoad
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median, nanmedian

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

USUAL_WITHIN = 0.15
"""A log whose blocks scatter the string's resistance by more (fraction, one sd) does not tell it (choice)."""
STEP_STANDS_FOR = 0.03
"""How well the resistance at one place of the curve stands for that over a whole charge, as a fraction (choice, one
sd)."""
UNTOLD_SD = 0.2
"""How far a sound cell's resistance may lie from the others', as a fraction, where no step tells it (judgement, one
sd)."""
LEAST_SD, MOST_SD = 0.002, 0.05
"""No fit over the loads knows a cell's relative resistance better; a log whose cells it knows worse than the second,
in the median, tells of no cell how far its drop is another's (choice, one sd)."""


@dataclass(frozen=True, eq=False)
class Resistance:
    """What the resistances are taken to be, wherever a drop is to be taken off a voltage."""

    readings: Readings
    harness: Harness
    under_load: UnderLoad
    loads: Loads
    steps: Steps

    @cached_property
    def by_steps(self) -> bool:
        """Whether single steps tell the resistances better than the load fit."""
        if self.steps.fit is None:
            return False
        try:
            se = self.loads.relative[1]
        except NotEnoughData:
            return True
        trusted = self.harness.trusted
        middle = float(median(self.loads.fit.resistance()[0][trusted]))
        spread = t_factor(BLOCKS) * se[trusted] / Z95
        own = self.steps.fit.relative_se[trusted]
        known = np.isfinite(own).sum() > 0.5 * len(own)
        return bool(known and (not middle > 0 or np.median(spread) > nanmedian(own)))

    @property
    def rows(self) -> Ints:
        """Rows in which the resistances are told: after the steps, or under load."""
        return np.flatnonzero(self.steps.rows) if self.by_steps else self.under_load.rows

    @cached_property
    def excess(self) -> tuple[Floats, Floats] | None:
        """Relative resistance less one and its standard error, where the load fit or single steps have it."""
        if self.by_steps:
            found = self.steps.fit
            assert found is not None
            known = np.isfinite(found.relative)
            away = np.where(known, found.relative - 1.0, 0.0)
            return away, np.where(known, np.hypot(found.relative_se, STEP_STANDS_FOR), UNTOLD_SD)
        try:
            ratio, se = self.loads.relative
        except NotEnoughData:
            return None
        trusted = self.harness.trusted
        if not median(self.loads.fit.resistance()[0][trusted]) > 0 or median(se[trusted]) > MOST_SD:
            return None
        return ratio - 1.0, np.maximum(se, LEAST_SD)

    @cached_property
    def usual(self) -> float:
        """Resistance of a usual cell [ohm]: from the loads, else what 100 Ah cells have, scaled."""
        usual = USUAL_OHM_AH / self.readings.capacity
        if self.by_steps and self.steps.fit is not None:
            return self.steps.fit.middle if self.steps.fit.middle > 0 else usual
        try:
            value, without = self.loads.fit.resistance()
        except NotEnoughData:
            return usual
        trusted = self.harness.trusted
        middle = float(median(value[trusted]))
        sd = float(jackknife_se(median(without[:, trusted], axis=1)[:, None])[0])
        return middle if middle > 0 and sd < USUAL_WITHIN * middle else usual
