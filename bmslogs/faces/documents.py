"""The JSON documents that the commands write and `import bmslogs` gives: one place, so that both say the same bytes."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from bmslogs.base.cautions import CAUTIONS

if TYPE_CHECKING:
    from bmslogs.analysis.bench_charge import BenchPlan
    from bmslogs.analysis.loom import LoomReport
    from bmslogs.analysis.matching import Match
    from bmslogs.analysis.own_curve import OwnCurve
    from bmslogs.analysis.planner import Plan
    from bmslogs.store import LogEntry

Document = dict[str, Any]


def json_text(document: Document) -> str:
    """Return a document as it stands in a file of ``--json FILE``, UTF-8, its last line ended."""
    return json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def logs_document(entries: Iterable[LogEntry]) -> Document:
    """Return the logs of a store."""
    return {"logs": [e.to_json() for e in entries]}


def plan_document(log_id: str, plan: Plan, bench: BenchPlan | None) -> Document:
    """Return the logs to take next, and what to charge on the bench."""
    on_bench = None if bench is None else asdict(bench)
    return {"schema": "bmslogs.plan/1", "log": log_id, **asdict(plan), "bench": on_bench}


def curve_document(log_id: str, pack_id: str, found: OwnCurve) -> Document:
    """Return a pack's own curve, and what it was learnt from."""
    curve = asdict(found)
    return {
        "schema": "bmslogs.own_curve/1",
        "log": log_id,
        "pack": pack_id,
        **curve,
        "cautions": list(CAUTIONS),
    }


def loom_document(report: LoomReport) -> Document:
    """Return what speaks against a sense loom."""
    return {
        "schema": "bmslogs.loom/1",
        "verdict": report.verdict,
        **asdict(report),
        "cautions": list(CAUTIONS),
    }


def match_document(match: Match) -> Document:
    """Return which measured item goes where."""
    return {"schema": "bmslogs.match/1", **asdict(match), "cautions": list(CAUTIONS)}
