"""Resistance of the cells: ohms 10 s into a load, and against the pack median."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, each_cell

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

MOST_RELATIVE = 0.05
"""Half width above which a relative resistance is not said (half the least size of practical weight; choice)."""
MOST_ABSOLUTE = 0.20
"""The same of the ohms, as a share of the median (choice)."""


@estimator(
    Quantity(
        key="resistance_10s",
        order=10,
        title="Resistance, 10 s into a load",
        question="How much voltage does the cell lose per ampere, 10 s into a load?",
        unit="ohm",
        shown_unit="mohm",
        shown_factor=1000.0,
        per="cell",
        needs=("current", "cell", "drive or load steps"),
        settle_by=(
            "Drive for 20 minutes with strong pulls and regeneration, logged once a second or faster, "
            "voltages and current read together; or load it in pulses of half a minute from rest, at half"
            " the capacity per hour or more."
        ),
    )
)
def resistance_10s(k: Knowledge) -> list[Estimate]:
    """Resistance of every cell 10 s into a load [ohm]."""
    found = k.resistance
    if isinstance(found, str):
        return all_refused(k, "resistance_10s", found)
    return each_cell(
        k,
        "resistance_10s",
        found.ohm,
        found.half_ohm,
        found.conditions,
        MOST_ABSOLUTE * found.middle,
        found.why,
        alike=found.middle,
        warmth=found.warmth,
    )


@estimator(
    Quantity(
        key="resistance_10s_relative",
        order=20,
        title="Resistance against the pack's middle",
        question="Does a cell drop more under load than its neighbours?",
        unit="ratio to pack median",
        shown_unit="%",
        shown_factor=100.0,
        per="cell",
        needs=("current", "cell", "drive or load steps"),
        settle_by="Drive for 20 minutes with strong pulls and regeneration, logged once a second or faster.",
        centre=1.0,
    )
)
def resistance_10s_relative(k: Knowledge) -> list[Estimate]:
    """Resistance of every cell over the pack median."""
    found = k.resistance
    if isinstance(found, str):
        return all_refused(k, "resistance_10s_relative", found)
    return each_cell(
        k,
        "resistance_10s_relative",
        found.relative,
        found.half_relative,
        found.conditions | {"temperature_corrected": False},
        MOST_RELATIVE,
        found.why,
        alike=1.0,
        warmth=found.warmth,
    )
