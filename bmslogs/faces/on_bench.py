"""What to charge on the bench, where that saves the pack's resistors a day of bleeding."""

from __future__ import annotations

from bmslogs.analysis.bench_charge import BenchPlan, bench_plan
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis

WORTH_IT = 0.8
"""Share of the bleeding time that a bench charge must leave at most to be offered (choice)."""


def bench_of(diagnosis: Diagnosis, pack: Pack) -> BenchPlan | None:
    """Return what to charge on the bench.

    None where the log does not tell, bleeding takes less than a day, or charging whole modules would not shorten it.
    """
    lack = {
        e.cell: e.value
        for e in diagnosis.of("charge_to_full")
        if e.status == "determined" and e.cell is not None and e.value is not None
    }
    if len(lack) < 2:
        return None
    made = bench_plan(lack, pack)
    now, after = made.bleed_hours_now, made.bleed_hours_after
    shorter = now is None or after is None or after < WORTH_IT * now
    return made if made.wanted and shorter else None
