"""Comparison and history as others read them: what their schemas hold fast, tried by one change at a time."""

from __future__ import annotations

import copy
import json
from typing import Any

import jsonschema
import pytest

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS, COLD_CHARGE, DAMAGED_CELLS, HIGH_VOLTAGE, LOCAL_RULES
from bmslogs.base.schema import schema_of
from bmslogs.findings.compare.shape import Comparison
from bmslogs.findings.history.shape import History

COMPARISON: dict[str, Any] = {
    "schema": "bmslogs.comparison/1",
    "quantities": [
        {
            "quantity": "resistance_10s",
            "reference": {"temperature_C": 20, "soc_low": 0.5, "soc_high": 0.8},
            "comparable": True,
            "why_not": None,
            "packs": [
                {
                    "pack": "heron-main", "median": 0.00101, "low": 0.00099, "high": 0.00103, "logs": 3,
                    "cells": [{"cell": 1, "value": 0.001, "low": 0.00098, "high": 0.00102}],
                }
            ],
        }
    ],
    "positions": [
        {"position": "F1", "quantity": "heating", "effect": 0.12, "low": 0.05, "high": 0.19, "strength": "suggests"}
    ],
    "changes": [
        {"cell": 5, "quantity": "resistance_10s", "ratio": 1.12, "low": 1.09, "high": 1.15, "finding": True}
    ],
    "cautions": list(CAUTIONS),
}  # fmt: skip
HISTORY: dict[str, Any] = {
    "schema": "bmslogs.history/1",
    "pack": "heron-main",
    "reference": {},
    "series": [
        {
            "quantity": "soc_offset", "cell": 7, "unit": "fraction", "against": "pack median",
            "points": [{"log": "a", "time": "2026-05-03T09:10:00Z", "value": -0.01, "low": -0.012, "high": -0.008}],
            "gaps": [{"log": "b", "time": "2026-05-04T09:10:00Z", "why": "no charge"}],
            "slope_per_month": -0.004, "low": -0.005, "high": -0.003, "since": "2026-05-03", "drift": True,
            "why_no_slope": None,
        }
    ],
    "events": [{"date": "2026-05-03", "kind": "joint remade", "where": "F2", "cells": [5, 6]}],
    "says": ["Cell 7 loses charge."],
    "cautions": list(CAUTIONS),
}  # fmt: skip
"""As the outside is promised them."""
SCHEMAS = {
    "comparison": (COMPARISON, schema_of(Comparison, quantity=QUANTITIES)),
    "history": (HISTORY, schema_of(History, quantity=QUANTITIES)),
}


def violations(kind: str, document: dict[str, Any]) -> list[str]:
    checker = jsonschema.Draft202012Validator(SCHEMAS[kind][1])
    return [error.message for error in checker.iter_errors(document)]


def changed(kind: str, path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    document = copy.deepcopy(SCHEMAS[kind][0])
    at: Any = document
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return document


@pytest.mark.parametrize("kind", SCHEMAS)
def test_the_promised_form_fits(kind: str) -> None:
    document, schema = SCHEMAS[kind]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert violations(kind, json.loads(json.dumps(document))) == []


@pytest.mark.parametrize(
    ("kind", "path", "value"),
    [
        ("comparison", ("schema",), "bmslogs.comparison/2"),
        ("comparison", ("quantities", 0, "quantity"), "warmth"),
        ("comparison", ("quantities", 0, "comparable"), "yes"),
        ("comparison", ("quantities", 0, "packs", 0, "logs"), -1),
        ("comparison", ("quantities", 0, "packs", 0, "median"), "0.001"),
        ("comparison", ("quantities", 0, "packs", 0, "cells", 0, "cell"), 0),
        ("comparison", ("positions", 0, "strength"), "proves"),
        ("comparison", ("positions", 0, "effect"), None),
        ("comparison", ("changes", 0, "finding"), 1.12),
        ("comparison", ("cautions",), []),
        ("comparison", ("verdict",), "alike"),
        ("history", ("pack",), None),
        ("history", ("series", 0, "quantity"), "age"),
        ("history", ("series", 0, "points", 0, "value"), None),
        ("history", ("series", 0, "points", 0, "time"), "3 May"),
        ("history", ("series", 0, "gaps", 0, "why"), None),
        ("history", ("series", 0, "drift"), None),
        ("history", ("events", 0, "cells"), ["F2"]),
        ("history", ("cautions",), []),
    ],
)
def test_what_is_not_promised_is_refused(kind: str, path: tuple[str | int, ...], value: Any) -> None:
    assert violations(kind, changed(kind, path, value))


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        ("comparison", ("quantities", 0, "why_not")),
        ("comparison", ("changes", 0, "ratio")),
        ("history", ("says",)),
        ("history", ("series", 0, "since")),
    ],
)
def test_a_key_that_is_promised_may_not_be_left_out(kind: str, path: tuple[str | int, ...]) -> None:
    document = changed(kind, path, None)
    at: Any = document
    for key in path[:-1]:
        at = at[key]
    del at[path[-1]]
    assert violations(kind, document)


def test_the_cautions_say_what_no_log_can() -> None:
    """Live taps, damaged cells, cold charging, local rules: each in a line of its own, and no word that all is well."""
    assert CAUTIONS == (HIGH_VOLTAGE, DAMAGED_CELLS, COLD_CHARGE, LOCAL_RULES)
    assert "live even with the contactors open" in HIGH_VOLTAGE and "prove dead" in HIGH_VOLTAGE
    assert "Never recharge a cell found below its lower limit" in DAMAGED_CELLS
    assert "plate lithium" in COLD_CHARGE and "not a clearance" in LOCAL_RULES
    for caution in CAUTIONS:
        assert "\n" not in caution and caution.endswith(".") and " safe" not in caution
