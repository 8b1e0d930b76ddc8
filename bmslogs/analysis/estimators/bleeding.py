"""The bleeding that was commanded: charge and duty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate


@estimator(
    Quantity(
        key="bleed_done",
        order=80,
        title="Bleed commanded",
        question="How much charge did the commanded bleeding take, if it worked?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="cell",
        needs=("bleed", "cell"),
        settle_by="Log the bleed flags of every cell, and give bleed_resistor_ohm in the pack file.",
        over_logs="sum",
        without_current=True,
    )
)
def bleed_done(k: Knowledge) -> list[Estimate]:
    """Charge that the commanded bleeding took, if it worked [Ah]."""
    import numpy as np

    from bmslogs.base.results import Estimate

    s = k.study
    if s.readings.log.bleed is None:
        return all_refused(k, "bleed_done", "the log has no bleed columns")
    if s.readings.resistor is None:
        return all_refused(k, "bleed_done", "the pack file gives no bleed_resistor_ohm")
    total = np.zeros(len(s.readings.cells)) if s.counted.bled is None else s.counted.bled[-1]
    return [
        Estimate(
            "bleed_done",
            "Ah",
            cell=cell,
            value=float(v),
            low=0.95 * float(v),
            high=1.05 * float(v),
            conditions={"commanded": True, "resistor_ohm": s.readings.resistor},
        )
        for cell, v in zip(s.readings.cells, total, strict=True)
    ]


@estimator(
    Quantity(
        key="bleed_duty",
        order=90,
        title="Bleed duty",
        question="What share of the powered time was the bleeding commanded?",
        unit="fraction",
        shown_unit="%",
        shown_factor=100.0,
        per="cell",
        needs=("bleed",),
        settle_by="Log the bleed flags of every cell.",
        without_current=True,
    )
)
def bleed_duty(k: Knowledge) -> list[Estimate]:
    """Share of the powered time in which bleeding was commanded."""
    import numpy as np

    from bmslogs.base.results import Estimate

    s = k.study
    if s.readings.log.bleed is None:
        return all_refused(k, "bleed_duty", "the log has no bleed columns")
    step = np.diff(s.readings.seconds, append=s.readings.seconds[-1])
    step[np.diff(s.flow.section, append=s.flow.section[-1]) != 0] = 0.0
    on = step @ s.readings.log.bleed / max(step.sum(), 1e-9)
    return [
        Estimate(
            "bleed_duty",
            "fraction",
            cell=cell,
            value=float(v),
            low=float(v),
            high=float(v),
            conditions={"commanded": True, "hours": float(step.sum() / 3600.0)},
        )
        for cell, v in zip(s.readings.cells, on, strict=True)
    ]
