"""A contact that comes and goes: what no load explains of each cell, against the current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Bursts:
    """Samples in which a contact shows.

    Attributes
    ----------
    current
        (samples,) [A], positive on discharge, the sensor's zero taken out.
    left
        (samples, cells) [V] what each cell does against the others: what no load explains where `explained`, else less
        the median of the others.
    explained
        Whether the rule had a model of the load to take out.
    """

    current: Floats
    left: Floats
    explained: bool


@calmly
def bursts(s: Study) -> Bursts:
    """Return what the rule of loose contacts looks at.

    Raises
    ------
    NotEnoughData
        The log has no current.
    """
    if not s.flow.has_current:
        raise NotEnoughData("the log has no current")
    left = s.bursts.residuals
    if left is not None:
        return Bursts(s.samples.kept.current, left, True)
    return Bursts(s.samples.kept.current, from_median(s.samples.kept.volts, s.harness.trusted), False)
