"""Stores whose logs are empty files and whose answers are written by hand: what the fleet makes of answers alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.findings import METHOD
from bmslogs.fleet.files import Files

from .conftest import pack_of, write_log


def day(n: int) -> str:
    return (dt.datetime(2026, 5, 1, 8, tzinfo=dt.UTC) + dt.timedelta(days=n)).strftime("%Y-%m-%dT%H:%M:%SZ")


def a_finding(level: Any, says: str, size: float | None = None, cells: tuple[int, ...] = (3,)) -> Finding:
    low, high = (None, None) if size is None else (size - 0.01, size + 0.01)
    return Finding(
        "runs_hot", level, says, cells=cells, sensor="T01", size=size, low=low, high=high, unit="fraction"
    )


def known(quantity: str, value: float, **more: Any) -> Estimate:
    given: dict[str, Any] = {"cell": 3, "low": value, "high": value} | more
    return Estimate(quantity, "ohm", value=value, **given)


def unknown(quantity: str, cell: int = 3) -> Estimate:
    return refused(quantity, "ohm", "No load.", "Drive.", cell=cell)


def write(
    root: Path,
    vehicle: str,
    n: int,
    findings: Sequence[Finding] = (),
    estimates: Sequence[Estimate] = (),
) -> str:
    """Write a short log of a vehicle on day `n` and an answer by hand; return the log's id."""
    pack = pack_of(vehicle)
    log_id = write_log(root, pack, n, rows=2)
    log = {"id": log_id, "start": day(n), "end": day(n), "rows": 2, "kinds": ["drive"]}
    of = {"id": pack.id, "vehicle": vehicle, "cells": 8}
    told = Diagnosis(
        log, of, tuple(estimates) or (known("resistance_10s", 1e-3),), tuple(findings), method=METHOD
    )
    Files(root).write_answer(pack.id, log_id, told.to_json())
    return log_id
