"""Answers of logs, written by hand: one quantity, a value a cell or sensor."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import numpy as np

from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from tests.findings.by_hand import a_pack

CELLS = 12


def start(day: int) -> str:
    return (dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC) + dt.timedelta(days=day)).strftime("%Y-%m-%dT%H:%M:%SZ")


def a_log(
    day: int,
    values: Sequence[float],
    quantity: str = "resistance_10s",
    unit: str = "ohm",
    *,
    pack: Pack | None = None,
    half: float = 0.01,
    sensors: Sequence[str] = (),
    findings: Sequence[Finding] = (),
    **conditions: Any,
) -> Diagnosis:
    """Return an answer with one quantity, a value a cell or sensor; NaN is not told."""
    at = {"temperature_C": 20.0, "soc_low": 0.4, "soc_high": 0.8, "current_rms_A": 60.0} | conditions
    who = [{"sensor": s} for s in sensors] or [{"cell": c} for c in range(1, len(values) + 1)]
    estimates = [
        refused(quantity, unit, "the current hardly moved", "Drive.", **w)
        if np.isnan(v)
        else Estimate(
            quantity, unit, value=v, low=v - half * abs(v), high=v + half * abs(v), conditions=at, **w
        )
        for w, v in zip(who, values, strict=True)
    ]
    described = pack or a_pack()
    of = {"id": described.id, "vehicle": described.vehicle, "cells": CELLS}
    log = {"id": f"log-{day}", "start": start(day), "end": start(day), "rows": 9, "kinds": ["drive"]}
    return Diagnosis(log, of, tuple(estimates), tuple(findings))
