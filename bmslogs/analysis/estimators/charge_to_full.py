"""What the cells lack to full when a charge ends, what must be bled for all to be full together, and in what time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bmslogs.analysis.estimators.declaring import Quantity, estimator
from bmslogs.analysis.estimators.telling import all_refused, each_cell, whole

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate


@estimator(
    Quantity(
        key="charge_to_full",
        order=60,
        title="Charge still missing to full",
        question="How much does each cell lack to its own full when the charge ended?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="cell",
        needs=("current", "cell", "charge"),
        settle_by="Log a charge to the knee with taper and 30 minutes of rest.",
        over_logs="latest",
        of_charge=True,
    )
)
def charge_to_full(k: Knowledge) -> list[Estimate]:
    """Charge that every cell lacks to its own full when the charge ended [Ah]."""
    from bmslogs.base.nan_statistics import nanmedian

    found = k.top
    if isinstance(found, str):
        return all_refused(k, "charge_to_full", found)
    return each_cell(
        k,
        "charge_to_full",
        found.missing,
        found.half_missing,
        found.conditions,
        found.most,
        found.why,
        alike=float(nanmedian(found.missing)),
    )


@estimator(
    Quantity(
        key="bleed_needed",
        order=70,
        title="Bleed still needed",
        question="How much must be bled from a cell so that all are full together?",
        unit="Ah",
        shown_unit="Ah",
        shown_factor=1.0,
        per="cell",
        needs=("current", "cell", "charge"),
        settle_by="Log a charge to the knee with taper and 30 minutes of rest.",
        over_logs="latest",
        of_charge=True,
    )
)
def bleed_needed(k: Knowledge) -> list[Estimate]:
    """Charge to bleed from every cell so that all are full together [Ah]."""
    from bmslogs.base.nan_statistics import nanmedian

    found = k.top
    if isinstance(found, str):
        return all_refused(k, "bleed_needed", found)
    return each_cell(
        k,
        "bleed_needed",
        found.needed,
        found.half_needed,
        found.conditions,
        found.most,
        found.why,
        alike=float(nanmedian(found.needed)),
    )


@estimator(
    Quantity(
        key="balancing_time",
        order=150,
        title="Time to balance",
        question="How long must the pack's resistors bleed until all cells are full together?",
        unit="h",
        shown_unit="h",
        shown_factor=1.0,
        per="pack",
        needs=("charge", "bleed resistor in the pack file"),
        settle_by=(
            "Log a charge to the knee with taper and 30 minutes of rest, and give bleed_resistor_ohm in "
            "the pack file."
        ),
        over_logs="latest",
    )
)
def balancing_time(k: Knowledge) -> list[Estimate]:
    """Time that the pack's resistors need [h]."""
    import numpy as np

    found = k.top
    if isinstance(found, str):
        return all_refused(k, "balancing_time", found)
    resistor = k.study.readings.resistor
    if resistor is None:
        return all_refused(k, "balancing_time", "the pack file gives no bleed_resistor_ohm")
    good = np.isfinite(found.needed) & (found.half_needed <= found.most)
    if not good.any():
        return all_refused(k, "balancing_time", found.why)
    i = int(np.nanargmax(np.where(good, found.needed, np.nan)))
    amps = found.end_volts / resistor
    return whole(
        "balancing_time",
        float(found.needed[i] / amps),
        float(found.half_needed[i] / amps),
        {
            "resistor_ohm": resistor,
            "duty": 1.0,
            "voltage_V": found.end_volts,
            "cell": k.study.readings.cells[i],
        },
    )
