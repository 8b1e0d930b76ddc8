"""The current reading itself: its zero and its lag."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import QUANTITIES, Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, whole
from bmslogs.base.errors import NotEnoughData

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

SUPPLY_A = 0.1
"""What a BMS and its relays draw from the pack through the sensor while nothing else does [A] (common practice, no
source)."""


@estimator(
    Quantity(
        key="current_zero",
        order=130,
        title="Current reading at rest",
        question="Does the current sensor read nought when nothing flows?",
        unit="A",
        shown_unit="A",
        shown_factor=1.0,
        per="pack",
        needs=("current", "rest"),
        settle_by="Log ten minutes at rest with the contactors open.",
    )
)
def current_zero(k: Knowledge) -> list[Estimate]:
    """Reading of the current sensor when nothing flows [A]."""
    import numpy as np

    from bmslogs.base.results import Estimate

    found = k.zero
    if isinstance(found, str):
        return all_refused(k, "current_zero", found)
    value, half, rest_s = found
    standing = k.study.flow.standing
    unsettled = standing is None or standing.kind == "either"
    may_flow = value > half and unsettled
    # what is drawn at rest may be a load that stays on: then the sensor's zero lies anywhere between, and under it
    supply = SUPPLY_A if unsettled else 0.0
    return [
        Estimate(
            "current_zero",
            QUANTITIES["current_zero"].unit,
            value=value,
            low=min(-half if may_flow else np.inf, value - half - supply),
            high=value + half,
            conditions={"rest_min": rest_s / 60.0, "load_possible": may_flow},
        )
    ]


@estimator(
    Quantity(
        key="current_lag",
        order=140,
        title="Lag of the current reading",
        question="How much later than the voltages is the current read?",
        unit="s",
        shown_unit="s",
        shown_factor=1.0,
        per="pack",
        needs=("current", "cell", "load steps"),
        settle_by="Drive for ten minutes with sharp pulls, logged once a second or faster.",
    )
)
def current_lag(k: Knowledge) -> list[Estimate]:
    """Time by which the current is read later than the voltages [s]."""
    try:
        lag, half = k.study.chain.current_lag
    except NotEnoughData as reason:
        return all_refused(k, "current_lag", str(reason))
    if half > 0.6 or abs(lag) > 1.9:
        return all_refused(
            k, "current_lag", "the voltages answer the current too faintly to place it in time"
        )
    return whole("current_lag", lag, half, {"refresh_s": k.study.refresh.period_s})
