"""Who runs hot: the rise of each place against the heat of the load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models.warm_place import warm_sections
from bmslogs.analysis.polarisation import low_pass
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]

USUAL_TAU_S = 1800.0
"""How long warmth lingers where the log does not tell: 20 to 60 min (judgement, no source) [s]."""


@dataclass(frozen=True)
class Warming:
    """Rise over lingering heat.

    Attributes
    ----------
    squared
        (rows,) square of the current, low-passed with `tau_s` [A^2].
    rise
        (rows, sensors) warmer than each sensor's first reading [K]; NaN where missing.
    tau_s
        How long warmth lingers [s], as the estimate of heating found it, else a usual time.
    """

    squared: Floats
    rise: Floats
    tau_s: float


@calmly
def warming(s: Study) -> Warming:
    """Return the rise of every sensor over the heat of the load.

    Raises
    ------
    NotEnoughData
        The log has no temperatures, or no current.
    """
    temperature = s.readings.log.temperature
    if not s.flow.has_current or not temperature.shape[1]:
        raise NotEnoughData("the log has no temperatures, or no current")
    try:
        tau = s.temperatures.heating.tau_s
    except NotEnoughData:
        tau = USUAL_TAU_S
    squared = low_pass(s.flow.filled**2, s.readings.seconds, warm_sections(s.readings.seconds), tau)
    return Warming(squared, since_first(temperature), tau)


def since_first(temperature: Floats) -> Floats:
    """Return (rows, sensors) temperature less each sensor's first reading [K]; NaN where a sensor has none."""
    known = np.isfinite(temperature)
    first = temperature[known.argmax(axis=0), np.arange(temperature.shape[1])]
    return np.asarray(temperature - first, float)
