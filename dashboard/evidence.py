"""Where in time a finding shows, or which stretches of the log it rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
import numpy.typing as npt

from bmslogs.base.results import Finding
from bmslogs.faces.figures.lanes import Mark, Span
from bmslogs.faces.figures.words import LEVEL_SHAPES, safe, title_of
from dashboard.open_log import OpenLog

Bools = npt.NDArray[np.bool_]
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
    mask = SHOWN[finding.cause](finding, opened) if finding.cause in SHOWN else None
    if mask is None or not mask.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    begins = _starts(opened, len(mask))
    ends = np.append(begins[1:], opened.time[-1])
    return [(begins[a], ends[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _starts(opened: OpenLog, parts: int) -> npt.NDArray[np.datetime64]:
    return opened.time if parts == opened.rows else opened.time[opened.overview.start]


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


def _limit(finding: Finding, opened: OpenLog) -> Bools | None:
    limits, whole = opened.pack.limits, opened.overview
    if finding.sensor or not finding.cells:
        hottest = limits.temperature_max_C
        readings = [v for n, v in opened.temperatures.items() if finding.sensor in (None, n)]
        return None if hottest is None or not readings else np.fmax.reduce(readings) > hottest
    past = np.zeros(len(whole.start), bool)
    for cell in finding.cells:
        if cell in opened.cells:
            row = opened.cells.index(cell)
            if limits.voltage_max_V is not None:
                past |= whole.high[row] > 1e3 * limits.voltage_max_V
            if limits.voltage_min_V is not None:
                past |= whole.low[row] < 1e3 * limits.voltage_min_V
    return past


def _cold(_finding: Finding, opened: OpenLog) -> Bools | None:
    """Charging, regeneration included, below the limit: as the proof picture of the finding shades it."""
    if opened.current is None or not opened.temperatures:
        return None
    limit = opened.pack.limits.charge_temperature_min_C
    coldest = np.fmin.reduce(list(opened.temperatures.values()))
    charging = -opened.current > 0.05 * opened.pack.nominal_capacity_Ah
    return np.asarray((coldest < (0.0 if limit is None else limit)) & charging, bool)


def _bled(finding: Finding, opened: OpenLog) -> Bools | None:
    bleed = opened.overview.bleed
    rows = [opened.cells.index(c) for c in finding.cells if c in opened.cells]
    return None if bleed is None or not rows else np.asarray((bleed[rows] > 0).any(axis=0), bool)


SHOWN: dict[str, Callable[[Finding, OpenLog], Bools | None]] = {
    "limit_exceeded": _limit,
    "cold_charge": _cold,
    "tap_resistive": _bled,
    "bleed_ineffective": _bled,
    "bleed_misplaced": _bled,
}
"""Causes that the readings show by themselves, and the rows or parts of the log in which they do."""
