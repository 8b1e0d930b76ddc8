"""Capacity of the cells: against the pack median, and in ampere hours."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, each_cell

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

MOST_CAPACITY = 0.022
"""Half width above which a relative capacity is not said (choice)."""


@estimator(
    Quantity(
        key="capacity_relative",
        order=40,
        title="Capacity against the pack's middle",
        question="Does a cell hold less than the others?",
        unit="ratio to pack median",
        shown_unit="%",
        shown_factor=100.0,
        per="cell",
        needs=("current", "cell", "a wide span of charge"),
        settle_by=(
            "Log one charge from below 30 % to the knee without a break, with 30 minutes of rest before "
            "and after."
        ),
        centre=1.0,
        of_charge=True,
    )
)
def capacity_relative(k: Knowledge) -> list[Estimate]:
    """Capacity of every cell over the median."""
    found = k.capacity
    if isinstance(found, str):
        return all_refused(k, "capacity_relative", found)
    return each_cell(
        k,
        "capacity_relative",
        found.relative,
        found.half_relative,
        found.conditions,
        MOST_CAPACITY,
        found.why,
        alike=1.0,
    )


@estimator(
    Quantity(
        key="capacity",
        order=50,
        title="Capacity",
        question="How much charge does a cell hold?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="cell",
        needs=("current", "cell", "two rests or a full charge"),
        settle_by=(
            "Log one charge over at least 40 % of the capacity to the knee, with an hour of rest at both "
            "ends, the current sensor checked against a reference shunt."
        ),
        of_charge=True,
    )
)
def capacity(k: Knowledge) -> list[Estimate]:
    """Capacity of every cell [Ah]."""
    from bmslogs.base.nan_statistics import nanmedian

    found = k.capacity
    if isinstance(found, str):
        return all_refused(k, "capacity", found)
    if not found.absolute_known:
        return all_refused(k, "capacity", found.why_absolute)
    return each_cell(
        k,
        "capacity",
        found.ampere_hours,
        found.half_ampere_hours,
        found.conditions,
        0.08 * k.study.readings.capacity,
        found.why,
        alike=float(nanmedian(found.ampere_hours)),
    )
