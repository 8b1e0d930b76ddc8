"""What the pack holds, and what balancing and replacing would win."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bmslogs.analysis.estimators.declaring import QUANTITIES, Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

MOST_WORTH = {"usable_charge": 0.1, "gain_by_balancing": 0.05, "gain_by_replacing": 0.05}
"""Widths of intervals, as shares of the nominal capacity, above which the worth of a pack is not said (choice)."""


@estimator(
    Quantity(
        key="usable_charge",
        order=160,
        title="Usable charge",
        question="How much charge can the pack take from empty to full as it is now?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="pack",
        needs=("capacity", "soc_offset"),
        settle_by="Log one charge from below 30 % to the knee without a break, with rests at both ends.",
        over_logs="latest",
    )
)
def usable_charge(k: Knowledge) -> list[Estimate]:
    """Charge between empty and full of the string as it is [Ah]."""
    return _worth(k, "usable_charge")


@estimator(
    Quantity(
        key="gain_by_balancing",
        order=170,
        title="Charge won by balancing",
        question="How much more would a balanced pack hold?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="pack",
        needs=("capacity", "soc_offset"),
        settle_by="Log one charge from below 30 % to the knee without a break, with rests at both ends.",
        over_logs="latest",
    )
)
def gain_by_balancing(k: Knowledge) -> list[Estimate]:
    """Charge that balancing would win [Ah]."""
    return _worth(k, "gain_by_balancing")


@estimator(
    Quantity(
        key="gain_by_replacing",
        order=180,
        title="Charge won by replacing the weakest module",
        question="How much more would the pack hold, balanced, with its weakest module replaced?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="pack",
        needs=("capacity", "modules in the pack file"),
        settle_by="Log one charge from below 30 % to the knee without a break, with rests at both ends.",
    )
)
def gain_by_replacing(k: Knowledge) -> list[Estimate]:
    """Charge that replacing the weakest module would win after balancing [Ah]."""
    if not k.study.readings.pack.modules:
        return all_refused(k, "gain_by_replacing", "the pack file describes no modules")
    return _worth(k, "gain_by_replacing")


def _worth(k: Knowledge, quantity: str) -> list[Estimate]:
    from bmslogs.base.results import Estimate

    found = k.worth
    if isinstance(found, str):
        return all_refused(k, quantity, found)
    worth = found.values[quantity]
    conditions: dict[str, Any] = {"weakest_cell": found.weakest_cell}
    if quantity == "gain_by_replacing":
        conditions["module"] = found.module
    if worth.high - worth.low > MOST_WORTH[quantity] * k.study.readings.capacity:
        return all_refused(k, quantity, "capacities or offsets are not known well enough")
    return [
        Estimate(
            quantity,
            QUANTITIES[quantity].unit,
            value=worth.value,
            low=worth.low,
            high=worth.high,
            conditions=conditions,
        )
    ]
