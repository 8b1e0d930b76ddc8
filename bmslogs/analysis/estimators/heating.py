"""Heating of the places against the median place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import QUANTITIES, Quantity, estimator
from bmslogs.analysis.estimators.telling import MEND_LOOM, all_refused, sensors
from bmslogs.base.errors import NotEnoughData

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate


@estimator(
    Quantity(
        key="heating",
        order=110,
        title="Heating against the pack's middle",
        question="Does a place warm more per ampere squared than the others?",
        unit="K per A^2",
        shown_unit="mK per A^2",
        shown_factor=1000.0,
        per="sensor",
        needs=("current", "temperature", "drive"),
        settle_by=(
            "Drive for 40 minutes or more at an rms current above half the capacity per hour, from a soak."
        ),
        centre=0.0,
    )
)
def heating(k: Knowledge) -> list[Estimate]:
    """Rise per ampere squared of every sensor less the median sensor's [K/A^2]."""
    import numpy as np

    from bmslogs.base.nan_statistics import nanmedian
    from bmslogs.base.results import Estimate, refused

    s = k.study
    names = sensors(k)
    unit = QUANTITIES["heating"].unit
    if not names:
        return []
    try:
        found = s.temperatures.heating
    except NotEnoughData as reason:
        return all_refused(k, "heating", str(reason))
    middle = float(nanmedian(found.slope))
    out = []
    for j, name in enumerate(names):
        half = float(found.relative_half_width[j])
        if not s.temperatures.trusted[j]:
            why = "the reading of this sensor is not to be believed (see the sensing findings)"
            out.append(refused("heating", unit, why, MEND_LOOM, sensor=name))
        elif (
            not np.isfinite(half)
            or middle <= 0
            or half > 0.5 * max(middle, abs(float(found.slope[j]) - middle))
        ):
            why = "the places did not warm enough to tell them apart"
            out.append(refused("heating", unit, why, QUANTITIES["heating"].settle_by, sensor=name))
        else:
            value = float(found.slope[j]) - middle
            half = float(np.hypot(half, 0.02 * middle))
            out.append(
                Estimate(
                    "heating",
                    unit,
                    sensor=name,
                    value=value,
                    low=value - half,
                    high=value + half,
                    conditions={
                        "tau_s": found.tau_s,
                        "median_K_per_A2": middle,
                        "current_rms_A": k.place.current_rms,
                    },
                )
            )
    return out
