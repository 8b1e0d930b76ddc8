"""Estimates and findings as one CSV table for a spreadsheet."""

from __future__ import annotations

import csv
import io

from bmslogs.base.results import Diagnosis, by_urgency
from bmslogs.faces.numbers import ranges

COLUMNS = (
    "kind",
    "vehicle",
    "pack",
    "log",
    "name",
    "level",
    "cells",
    "module",
    "sensor",
    "value",
    "low",
    "high",
    "unit",
    "status",
    "conditions",
    "says",
    "because",
    "next_or_settle_by",
)
STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet may run a text cell that begins with one of these (OWASP, "CSV Injection")."""

Cell = str | int | float | None


def harmless(cell: Cell) -> Cell:
    """Return `cell` so that no spreadsheet runs it: an apostrophe stands before text like a formula.

    Numbers stay numbers, the negative ones too.
    """
    if isinstance(cell, str) and cell.startswith(STARTS_A_FORMULA):
        return "'" + cell
    return cell


def diagnosis_csv(diagnosis: Diagnosis) -> str:
    """Return one row a finding, most urgent first, then one row an estimate (columns: `COLUMNS`).

    Values are in the units of the JSON. Text is UTF-8; what cannot be told has an empty value and its reason.
    """
    head = {
        "vehicle": diagnosis.pack.get("vehicle"),
        "pack": diagnosis.pack.get("id"),
        "log": diagnosis.log.get("id") if diagnosis.log else None,
    }
    rows: list[dict[str, Cell]] = []
    for f in by_urgency(diagnosis.findings):
        rows.append(
            {
                "kind": "finding",
                **head,
                "name": f.cause,
                "level": f.level,
                "cells": _cells(f.cells),
                "module": f.module,
                "sensor": f.sensor,
                "value": f.size,
                "low": f.low,
                "high": f.high,
                "unit": f.unit,
                "says": f.says,
                "because": " | ".join(f.because),
                "next_or_settle_by": " | ".join(f.next),
            }
        )
    for e in diagnosis.estimates:
        rows.append(
            {
                "kind": "estimate",
                **head,
                "name": e.quantity,
                "cells": e.cell,
                "sensor": e.sensor,
                "value": e.value,
                "low": e.low,
                "high": e.high,
                "unit": e.unit,
                "status": e.status,
                "conditions": " ".join(f"{k}={v}" for k, v in e.conditions.items()),
                "says": e.why,
                "next_or_settle_by": e.settle_by,
            }
        )
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="")
    writer.writeheader()
    writer.writerows({k: harmless(v) for k, v in row.items()} for row in rows)
    return out.getvalue()


def _cells(cells: tuple[int, ...]) -> Cell:
    """Return one cell as a number; several as text that no spreadsheet takes for a date."""
    if len(cells) == 1:
        return cells[0]
    return "cells " + ranges(cells) if cells else None
