"""From what is known of a log to its estimates, in the order of the registry."""

from __future__ import annotations

from dataclasses import replace

from bmslogs.analysis.estimators import ESTIMATORS
from bmslogs.analysis.estimators.telling import all_refused
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.results import Estimate

NO_CURRENT = "the log has no current: without it a voltage says nothing of resistance or charge"
WITH_CURRENT = "Log the pack current beside the cells."


def estimate_all(k: Knowledge) -> list[Estimate]:
    """Return every estimate of the registry, in its order."""
    if not k.study.flow.has_current:
        return [
            estimate
            for key in QUANTITIES
            for estimate in (
                ESTIMATORS[key](k)
                if QUANTITIES[key].without_current
                else [
                    replace(e, settle_by=f"{WITH_CURRENT} {e.settle_by}")
                    for e in all_refused(k, key, NO_CURRENT)
                ]
            )
        ]
    return [estimate for key in QUANTITIES for estimate in ESTIMATORS[key](k)]
