"""Where in time a finding shows, or which stretches of the log it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from bmslogs.base.results import Finding
from bmslogs.faces.figures.lanes import Mark, Span
from bmslogs.faces.figures.words import LEVEL_SHAPES, safe, title_of
from bmslogs.findings.evidence.shown import SHOWN, shown_rows
from bmslogs.findings.evidence.source import known
from bmslogs.findings.evidence.spans import runs_of
from dashboard.open_log import OpenLog

RESTS_ON: dict[str, tuple[str, ...]] = {
    "cell_resistance_high": ("drive",),
    "joint_resistance_high": ("drive",),
    "joint_loose": ("drive",),
    "cell_or_joint_resistance_high": ("drive",),
    "capacity_low": ("drive", "charge"),
    "soc_offset_low": ("charge", "rest", "parked"),
    "soc_offset_high": ("charge", "rest", "parked"),
    "self_discharge_high": ("parked", "rest"),
    "runs_hot": ("drive", "charge"),
    "current_sensor_zero": ("rest", "parked"),
}
"""Kinds of stretches that a cause is told from; a cause that is not here is told from the whole log."""
MOST_ROWS = 5  # causes with a row of their own; the side of the page lists them all
MOST_SPANS = 60
NEAR = 0.002  # of the log: spans closer than this are drawn as one, they would touch on the screen


def marks(findings: Sequence[Finding], opened: OpenLog) -> list[Mark]:
    """Return one row of marks for each cause, most urgent first, with the moments at which it shows.

    Where the readings themselves show it (a limit passed, a charge in the cold, a cell being bled), the very spans;
    else the stretches that the answer rests on.

    Parameters
    ----------
    findings
        In order of urgency.
    """
    rows: dict[str, list[tuple[int, Finding]]] = {}
    for number, finding in enumerate(findings, 1):
        rows.setdefault(finding.cause, []).append((number, finding))
    out = []
    _look(findings, opened)
    for cause, group in list(rows.items())[:MOST_ROWS]:
        seen = [s for _, f in group for s in shown(f, opened)]
        spans = _joined(seen, opened) if seen else rests_on(cause, opened)
        if not spans:
            continue
        first, finding = group[0]
        count = f" ({len(group)})" if len(group) > 1 else ""
        says = "shows here" if seen else "rests on " + _kinds(cause, opened)
        name = f"{LEVEL_SHAPES[finding.level]} {title_of(cause)}{count}"
        out.append(Mark(first, safe(name), safe(f"{title_of(cause)}: {says}"), tuple(spans), bool(seen),
                        tuple(n for n, _ in group)))  # fmt: skip
    return out


def _kinds(cause: str, opened: OpenLog) -> str:
    have = {s.kind for s in opened.stretches}
    kinds = [k for k in RESTS_ON.get(cause, ()) if k in have]
    return f"these stretches ({', '.join(kinds)})" if kinds else "the whole log"


def rests_on(cause: str, opened: OpenLog) -> list[Span]:
    """Return the stretches that a cause is told from; the whole log where it is told from all of it."""
    kinds = RESTS_ON.get(cause, ())
    found = [(opened.time[s.first], opened.time[s.last]) for s in opened.stretches if s.kind in kinds]
    return _joined(found, opened) if found else [(opened.time[0], opened.time[-1])]


def shown(finding: Finding, opened: OpenLog) -> list[Span]:
    """Return the spans in which the readings themselves show a finding; empty where no reading does."""
    _look([finding], opened)
    return opened.shown.get(finding, [])


def _look(findings: Iterable[Finding], opened: OpenLog) -> None:
    """Find the spans of findings that were not asked for before: the whole log is read once for them, and not kept.

    They are those by which the rules told them.
    """
    new = [f for f in findings if f.cause in SHOWN and f not in opened.shown]
    if not new or opened.rows < 2:
        return
    log = opened.log()
    ends = np.append(opened.time[1:], opened.time[-1])
    for finding in new:
        mask = shown_rows(finding, known(log))
        opened.shown[finding] = [] if mask is None else [(opened.time[a], ends[b]) for a, b in runs_of(mask)]


def _joined(spans: Iterable[Span], opened: OpenLog) -> list[Span]:
    """Return spans in order, those that nearly touch as one."""
    near = (opened.time[-1] - opened.time[0]) * NEAR
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start - out[-1][1] <= near:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out[:MOST_SPANS]
