"""State of charge of the cells against the pack median."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, each_cell

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

MOST_OFFSET = 0.0125
MOST_SURE_OFFSET = 0.02
"""Half widths above which an offset is not said; one larger than its half width is told all the same, since which way a
cell is off is known (choice)."""


@estimator(
    Quantity(
        key="soc_offset",
        order=30,
        title="State of charge against the pack's middle",
        question="Is a cell fuller or emptier than the others at the start of the log?",
        unit="fraction",
        shown_unit="%",
        shown_factor=100.0,
        per="cell",
        needs=("cell", "rest or a span of charge"),
        settle_by=(
            "Charge to the knee (above 97 %) with taper and rest for 30 minutes, or log a rest below "
            "about 10 %."
        ),
        centre=0.0,
        over_logs="latest",
        of_charge=True,
    )
)
def soc_offset(k: Knowledge) -> list[Estimate]:
    """State of charge of every cell against the median, at the first row."""
    import numpy as np

    found = k.offset
    if isinstance(found, str):
        return all_refused(k, "soc_offset", found)
    most = np.maximum(MOST_OFFSET, np.minimum(np.abs(found.value), MOST_SURE_OFFSET))
    return each_cell(k, "soc_offset", found.value, found.half, found.conditions, most, found.why, alike=0.0)
