"""Estimates and findings, and comparisons, as one CSV table for a spreadsheet."""

from __future__ import annotations

import csv
import io

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.published import json_number
from bmslogs.base.results import Diagnosis, by_urgency
from bmslogs.faces.figures.words import say_bound
from bmslogs.faces.numbers import ranges
from bmslogs.findings.compare.shape import BleedRate, Comparison, PackValue

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
COMPARED_COLUMNS = (
    "kind",
    "name",
    "pack",
    "against",
    "cell",
    "place",
    "value",
    "low",
    "high",
    "unit",
    "logs",
    "reference",
    "verdict",
    "says",
)
STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""A spreadsheet may run a text cell that begins with one of these, the wide forms of the first four among them
(OWASP, "CSV Injection"); some take away blanks before it first."""

Cell = str | int | float | None


def harmless(cell: Cell) -> Cell:
    """Return `cell` so that no spreadsheet runs it: an apostrophe stands before text like a formula.

    Numbers stay numbers, the negative ones too.
    """
    if isinstance(cell, str) and (
        cell.startswith(STARTS_A_FORMULA) or cell.lstrip().startswith(STARTS_A_FORMULA)
    ):
        return "'" + cell
    return cell


def diagnosis_csv(diagnosis: Diagnosis) -> str:
    """Return one row a finding, most urgent first, one an estimate, then the cautions (columns: `COLUMNS`).

    Values are in the units of the JSON. Text is UTF-8; what cannot be told has an empty value and its reason.
    """
    diagnosis = Diagnosis.from_json(diagnosis.to_json())  # with the digits that the JSON gives
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
                "says": f"{say_bound(e)}: {e.why}" if say_bound(e) else e.why,
                "next_or_settle_by": e.settle_by,
            }
        )
    rows += [{"kind": "caution", **head, "says": caution} for caution in diagnosis.cautions]
    return table_of(COLUMNS, rows)


def comparison_csv(comparison: Comparison) -> str:
    """Return one row a pack and a cell of each quantity, then what differs, changed or drifts (`COMPARED_COLUMNS`).

    ``kind`` says what a row is: ``pack``, ``cell``, ``ratio``, ``bleeding``, ``bleeding difference``, ``place``,
    ``trend``, ``change`` or ``caution``. Values are in the units of the JSON.
    """
    return table_of(COMPARED_COLUMNS, comparison_rows(comparison))


def comparison_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return the rows of that table; a column that does not apply is left out of a row."""
    makers = (_quantity_rows, _bleeding_rows, _ratio_rows, _place_rows, _trend_rows, _change_rows)
    rows = [row for make in makers for row in make(comparison)]
    rows += [{"kind": "caution", "says": caution} for caution in comparison.cautions]
    return rows


def _quantity_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return what was compared, a row a pack and cell."""
    rows: list[dict[str, Cell]] = []
    for q in comparison.quantities:
        unit = QUANTITIES[q.quantity].unit if q.quantity in QUANTITIES else None
        reference = " ".join(f"{k}={v:.4g}" for k, v in q.reference.items()) or None
        common: dict[str, Cell] = {
            "name": q.quantity,
            "unit": unit,
            "reference": reference,
            "says": q.why_not,
        }
        common["verdict"] = "comparable" if q.comparable else "not comparable"
        for p in q.packs:
            rows += _of_pack(p, "pack", "cell", common)
    return rows


def _bleeding_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return what was bled, and how packs differ in it."""
    rows: list[dict[str, Cell]] = []
    if comparison.bleeding is not None:
        for b in comparison.bleeding.packs:
            rows += _of_pack(
                b,
                "bleeding",
                "bleeding cell",
                {"name": "bleed_done", "unit": "Ah per week", "says": b.why_not},
            )
        for w in comparison.bleeding.differences:
            rows.append(
                {
                    "kind": "bleeding difference",
                    "name": "bleed_done",
                    "pack": w.pack,
                    "against": w.against,
                    "value": w.difference,
                    "low": w.low,
                    "high": w.high,
                    "unit": "Ah per week",
                    "verdict": "differ" if w.differ else "alike within the intervals",
                }
            )
    return rows


def _ratio_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return the ratios of two packs."""
    rows: list[dict[str, Cell]] = []
    for d in comparison.differences:
        rows.append(
            {
                "kind": "ratio",
                "name": d.quantity,
                "pack": d.pack,
                "against": d.against,
                "value": d.ratio,
                "low": d.low,
                "high": d.high,
                "unit": "ratio",
                "verdict": "differ" if d.differ else "alike within the intervals",
            }
        )
    return rows


def _place_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return the places that stand out."""
    rows: list[dict[str, Cell]] = []
    for e in comparison.positions:
        rows.append(
            {
                "kind": "place",
                "name": e.quantity,
                "place": e.position,
                "value": e.effect,
                "low": e.low,
                "high": e.high,
                "unit": "fraction of pack median",
                "verdict": f"{e.vehicles} vehicles of design {e.design}: {e.strength}",
            }
        )
    return rows


def _trend_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return the changes per year."""
    rows: list[dict[str, Cell]] = []
    for t in comparison.trends:
        rows.append(
            {
                "kind": "trend",
                "name": t.quantity,
                "pack": t.pack,
                "cell": t.cell,
                "value": t.per_year,
                "low": t.low,
                "high": t.high,
                "unit": "fraction per year",
                "logs": t.logs,
            }
        )
    return rows


def _change_rows(comparison: Comparison) -> list[dict[str, Cell]]:
    """Return the cells after against before."""
    rows: list[dict[str, Cell]] = []
    for c in comparison.changes or ():
        rows.append(
            {
                "kind": "change",
                "name": c.quantity,
                "cell": c.cell,
                "value": c.ratio,
                "low": c.low,
                "high": c.high,
                "unit": "ratio after to before",
                "verdict": "new cell"
                if c.new
                else "changed"
                if c.finding
                else "unchanged within the intervals",
            }
        )
    return rows


def _of_pack(
    p: PackValue | BleedRate, kind: str, cell_kind: str, common: dict[str, Cell]
) -> list[dict[str, Cell]]:
    """Return the row of a pack's median and one a cell."""
    whole: dict[str, Cell] = {
        "kind": kind, **common, "pack": p.pack, "value": p.median, "low": p.low, "high": p.high, "logs": p.logs,
    }  # fmt: skip
    return [
        whole,
        *(
            {
                "kind": cell_kind,
                **common,
                "pack": p.pack,
                "cell": c.cell,
                "value": c.value,
                "low": c.low,
                "high": c.high,
            }
            for c in p.cells
        ),
    ]


def table_of(columns: tuple[str, ...], rows: list[dict[str, Cell]]) -> str:
    """Return the rows as CSV text whose cells no spreadsheet runs."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, restval="")
    writer.writeheader()
    writer.writerows({k: _digits(harmless(v)) for k, v in row.items()} for row in rows)
    return out.getvalue()


def _digits(cell: Cell) -> Cell:
    """Return a number with the digits that the JSON gives it; all else as it is."""
    return json_number(cell) if isinstance(cell, float) else cell


def _cells(cells: tuple[int, ...]) -> Cell:
    """Return one cell as a number; several as text that no spreadsheet takes for a date."""
    if len(cells) == 1:
        return cells[0]
    return "cells " + ranges(cells) if cells else None
