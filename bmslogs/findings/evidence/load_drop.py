"""Cell or joint: what each cell drops for an ampere, early and late in a load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.resistance import PULSE_S
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]

LATE_S = 60.0
"""As the weighing of cell against joint compares (`Knowledge`)."""


@dataclass(frozen=True)
class DropCourse:
    """Drop for each ampere over the time into a load.

    Attributes
    ----------
    seconds
        (times,) into the load [s].
    ohm
        (times, cells) [ohm]; NaN where a cell is not believed.
    """

    seconds: tuple[float, ...]
    ohm: Floats


@calmly
def drop_course(s: Study) -> DropCourse:
    """Return the drop of every cell early, at 10 s and late, by the fit that weighs cell against joint.

    Raises
    ------
    NotEnoughData
        The log's loads do not tell it, or single steps of the current tell the resistances better.
    """
    if s.resistance.by_steps:
        raise NotEnoughData("single steps of the current tell the resistances, not a course of loads")
    load = s.loads.linear_fit
    times = (max(1.0, 2.0 * load.period_s), PULSE_S, LATE_S)
    ohm = np.stack([load.resistance(t)[0] for t in sorted(set(times))])
    return DropCourse(tuple(sorted(set(times))), np.where(s.harness.trusted, ohm, np.nan))
