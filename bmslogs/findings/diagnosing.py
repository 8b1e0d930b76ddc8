"""From a log to its diagnosis: study, estimates, rules, in that order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bmslogs.analysis.estimates import estimate_all
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.numerics import calm
from bmslogs.analysis.study import Study
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Diagnosis, Finding, Kind, LogTold, Settings, by_urgency
from bmslogs.findings import (
    rules_bleed,
    rules_capacity,
    rules_charge,
    rules_joint,
    rules_leak,
    rules_limits,
    rules_pack_file,
    rules_resistance,
    rules_sensing,
    rules_thermal,
)
from bmslogs.findings.case import Case
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log

METHOD = "2026-11.22"
"""Version of the methods: stored answers of another version are worked out again."""

RULES: tuple[Callable[[Case], list[Finding]], ...] = (
    rules_sensing.loom,
    rules_sensing.shifted,
    rules_sensing.wires,
    rules_thermal.sensors,
    rules_joint.bursts,
    rules_resistance.resistance,
    rules_capacity.capacity,
    rules_charge.charge_offsets,
    rules_leak.self_discharge,
    rules_thermal.hot,
    rules_bleed.effect,
    rules_bleed.plateau,
    rules_limits.voltage,
    rules_limits.temperature,
    rules_limits.current,
    rules_limits.cold,
    rules_limits.zero,
    rules_limits.log_itself,
    rules_pack_file.mismatch,
)
"""Every rule, sensing first."""


def _told(rule: Callable[[Case], list[Finding]], case: Case) -> list[Finding]:
    """Return what a rule finds; nothing where the log cannot answer its question."""
    try:
        return rule(case)
    except NotEnoughData:
        return []


def diagnose(log: Log) -> Diagnosis:
    """Return what one log says: estimates, findings, and what it cannot tell.

    Raises
    ------
    NotEnoughData
        The log has fewer than two rows.
    """
    with calm():
        knowledge = Knowledge(Study(log))
        estimates = estimate_all(knowledge)
        case = Case(knowledge)
        findings = rules_pack_file.without_unread(
            sure(found) for rule in RULES for found in _told(rule, case)
        )
    return Diagnosis(
        log={**describe(log, knowledge.study.flow.kinds), "settings": settings(knowledge.study)},
        pack={"id": log.pack.id, "vehicle": log.pack.vehicle, "cells": log.pack.cells_in_series},
        estimates=tuple(estimates),
        findings=tuple(by_urgency(findings)),
        repairs=tuple(str(r.get("says", r.get("rule", ""))) for r in log.repairs),
        cautions=CAUTIONS,
        method=METHOD,
    )


def sure(found: Finding) -> Finding:
    """Return a finding as a note where its own interval does not exclude that there is nothing."""
    if found.level == "note" or found.low is None or found.high is None:
        return found
    sound = CAUSES[found.cause].sound
    if not found.low <= sound <= found.high:
        return found
    held = "nought" if sound == 0.0 else "that all is as it should be"
    return replace(found, level="note", because=(*found.because, f"its interval does not exclude {held}"))


def describe(log: Log, kinds: list[Kind]) -> LogTold:
    """Return the ``log`` object of a diagnosis."""
    return {
        "id": log.id,
        "start": _iso(log.time[0]),
        "end": _iso(log.time[-1]),
        "rows": log.rows,
        "kinds": kinds,
    }


def settings(study: Study) -> Settings:
    """Return how the logger was set."""
    log = study.readings.log
    out: Settings = {
        "voltage_step_V": log.voltage_step,
        "refresh_s": float(f"{study.refresh.period_s:.3g}"),
    }
    under_load = study.samples.kept.row[study.under_load.mask]
    if log.bleed is not None and len(under_load):
        out["bled_under_load"] = float(f"{log.bleed[under_load].mean(axis=0).max():.3g}")
    if log.cell_columns:
        out["cell_columns"] = list(log.cell_columns)
    return out


def _iso(time: np.datetime64) -> str:
    return str(np.datetime_as_string(time, unit="ms")) + "Z"
