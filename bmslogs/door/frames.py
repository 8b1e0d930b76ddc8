"""Results as tidy pandas frames: one row an estimate, a finding, a log; a unit beside every figure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.columns import bleed_column, cell_column, temperature_column
from bmslogs.base.results import Diagnosis, by_urgency

if TYPE_CHECKING:
    from bmslogs.log import Log

DIAGNOSIS_COLUMNS = (
    "kind", "vehicle", "pack", "log", "name", "level", "cell", "cells", "module", "sensor", "value", "low", "high",
    "unit", "status", "says", "because", "next",
)  # fmt: skip
"""Of a diagnosis; the conditions of the estimates follow, a column each, their unit in the name."""


def table(
    rows: Iterable[Mapping[str, object]], columns: Sequence[str], *, cautions: Sequence[str] = CAUTIONS
) -> pd.DataFrame:
    """Return rows as a frame with these columns; cells and counts are whole numbers that may be missing."""
    frame = pd.DataFrame(list(rows), columns=list(columns))
    for name in ("cell", "logs", "string", "place", "line", "rows"):
        if name in frame and not frame[name].map(lambda v: isinstance(v, str)).any():
            frame[name] = frame[name].astype("Int64")
    for name in ("value", "low", "high", "now", "then"):
        if name in frame:
            frame[name] = frame[name].astype("float64")
    frame.attrs["cautions"] = list(cautions)
    return frame


def diagnosis_frame(diagnosis: Diagnosis) -> pd.DataFrame:
    """Return the findings, most urgent first, then the estimates, with the digits that the JSON gives."""
    told = Diagnosis.from_json(diagnosis.to_json())
    head = {"vehicle": told.pack.get("vehicle"), "pack": told.pack.get("id"), "log": told.log.get("id")}
    rows: list[dict[str, Any]] = []
    for f in by_urgency(told.findings):
        one = f.cells[0] if len(f.cells) == 1 else None
        rows.append({
            "kind": "finding", **head, "name": f.cause, "level": f.level, "cell": one, "cells": f.cells,
            "module": f.module, "sensor": f.sensor, "value": f.size, "low": f.low, "high": f.high, "unit": f.unit,
            "says": f.says, "because": f.because, "next": f.next,
        })  # fmt: skip
    conditions: dict[str, None] = {}
    for e in told.estimates:
        conditions |= dict.fromkeys(e.conditions)
        rows.append({
            "kind": "estimate", **head, "name": e.quantity, "cell": e.cell,
            "cells": () if e.cell is None else (e.cell,), "sensor": e.sensor, "value": e.value, "low": e.low,
            "high": e.high, "unit": e.unit, "status": e.status, "says": e.why, "next": () if e.settle_by is None
            else (e.settle_by,), **{_condition(k): v for k, v in e.conditions.items()},
        })  # fmt: skip
    columns = [*DIAGNOSIS_COLUMNS, *map(_condition, conditions)]
    return table(rows, columns, cautions=told.cautions)


def _condition(name: str) -> str:
    """Return the column of a condition; one that is called like a column of the table is told apart."""
    return f"at_{name}" if name in DIAGNOSIS_COLUMNS else name


def log_frame(log: Log) -> pd.DataFrame:
    """Return a log as a frame over time (UTC), its columns named as in the store, a unit in each name."""
    columns: dict[str, object] = {}
    if log.current is not None:
        columns["current_A"] = log.current
    if log.pack_voltage is not None:
        columns["pack_V"] = log.pack_voltage
    columns |= {cell_column(c): log.cell_voltage[:, i] * 1e3 for i, c in enumerate(log.cells)}
    columns |= {temperature_column(i + 1): log.temperature[:, i] for i in range(log.temperature.shape[1])}
    if log.bleed is not None:
        columns |= {bleed_column(c): log.bleed[:, i] for i, c in enumerate(log.cells)}
    columns |= log.extra
    frame = pd.DataFrame(columns, index=pd.DatetimeIndex(log.time, name="time").tz_localize("UTC"))
    frame.attrs["cautions"] = list(CAUTIONS)
    return frame
