"""Resistance that no tap sees."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, whole
from bmslogs.base.errors import NotEnoughData

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate


@estimator(
    Quantity(
        key="resistance_outside_taps",
        order=120,
        title="Resistance that no tap sees",
        question="How much do contactors, fuse and the links outside the taps add?",
        unit="ohm",
        shown_unit="mohm",
        shown_factor=1000.0,
        per="pack",
        needs=("current", "cell", "pack_voltage"),
        settle_by="Log the pack voltage beside all cells during a drive.",
    )
)
def resistance_outside_taps(k: Knowledge) -> list[Estimate]:
    """Resistance that no tap sees [ohm]."""
    try:
        ohm, half, shift = k.study.chain.outside_taps
    except NotEnoughData as reason:
        return all_refused(k, "resistance_outside_taps", str(reason))
    if half > max(0.5 * abs(ohm), 3e-4):
        return all_refused(k, "resistance_outside_taps", "the pack voltage answers the current too faintly")
    return whole(
        "resistance_outside_taps",
        ohm,
        half,
        {"current_rms_A": k.place.current_rms, "pack_reading_shift_V": shift},
    )
