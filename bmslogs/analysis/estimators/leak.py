"""Leak current of the cells against the pack median."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, each_cell

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

BLED = "it was bled while parked: what it lost by itself does not show"


@estimator(
    Quantity(
        key="leak_current_relative",
        order=100,
        title="Leak current against the pack's middle",
        question="Does a cell lose charge at rest faster than the others?",
        unit="A",
        shown_unit="mA",
        shown_factor=1000.0,
        per="cell",
        needs=("cell", "parked days"),
        settle_by=(
            "Park for three days or more with a reading every hour, bleeding off (LFP: compare the charge"
            " to full at two full charges some weeks apart)."
        ),
        centre=0.0,
        of_charge=True,
    )
)
def leak_current_relative(k: Knowledge) -> list[Estimate]:
    """Current by which every cell empties faster than the middle one [A]."""
    import numpy as np

    found = k.leak
    if isinstance(found, str):
        return all_refused(k, "leak_current_relative", found)
    out = each_cell(
        k, "leak_current_relative", found.amps, found.half, found.conditions, found.most, found.why, alike=0.0
    )
    bled = k.study.harness.trusted & np.isnan(found.amps)
    return [replace(e, why=BLED) if bled[i] else e for i, e in enumerate(out)]
