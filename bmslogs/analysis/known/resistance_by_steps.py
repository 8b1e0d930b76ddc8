"""The resistance of every cell off single clean steps of the current.

To what the steps scatter the half widths add what no step shows: the shape of the course with time, the gain of the
current sensor, unlike charge.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.resistance import Circumstances, ResistanceKnown, ratio_sd, shape_sd
from bmslogs.analysis.models.step_resistance import StepFit
from bmslogs.analysis.regression import Z95
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]


def by_steps(
    found: StepFit, under: Circumstances, span: dict[str, Any], voltage_step_V: float
) -> ResistanceKnown:
    """Return the resistances off the steps.

    Parameters
    ----------
    found
        What the steps say.
    under
        What they are told under.
    span
        Least and most state of charge at the steps, as estimates say it.
    voltage_step_V
        Step of the readings [V].
    """
    lowest = span.get("soc_low")
    relative_sd = ratio_sd(found.relative, found.relative_se, under, lowest) * np.abs(found.relative)
    half_relative = Z95 * np.hypot(found.relative_se, relative_sd)
    common = Z95 * float(np.hypot(np.hypot(found.common_se, under.gain_sd), shape_sd(under.degc)))
    with np.errstate(all="ignore"):
        half = np.abs(found.ohm) * np.hypot(common, half_relative / np.abs(found.relative))
        excess = found.relative - 1.0
        share = found.growth / excess
        half_share = Z95 * np.hypot(found.growth_se, share * found.relative_se) / np.abs(excess)
    return ResistanceKnown(
        found.ohm,
        half,
        found.relative,
        half_relative,
        found.middle,
        share,
        half_share,
        {"temperature_C": None, **span, "step_A": found.amps, "steps": len(found.steps)},
        under.warmth,
        why=_width(found, voltage_step_V, float(nanmedian(half_relative))),
    )


def _width(found: StepFit, step_V: float, half: float) -> str:
    """Return what limits a resistance from single steps: the drop they make, in readings of steps [V]."""
    several = len(found.steps) > 1
    return (
        f"{len(found.steps)} clean step{'s' if several else ''} of {found.amps:.3g} A "
        f"take{'' if several else 's'} {found.amps * found.middle * 1e3:.2g} mV off a cell; with readings "
        f"in steps of {step_V * 1e3:.2g} mV that tells the cells apart to +-{half * 100:.2g} % only"
    )
