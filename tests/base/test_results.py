"""Answers as JSON: read back the same, valid by the schema, and no number that JSON does not have."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.results import Diagnosis, Estimate, Finding, by_urgency, refused
from bmslogs.base.schema import schema_of
from bmslogs.findings.registry import CAUSES

SCHEMA = schema_of(Diagnosis, quantity=QUANTITIES, cause=CAUSES)
LOG = {
    "id": "20260503-0910-0123456789ab",
    "start": "2026-05-03T09:10:00Z",
    "end": "2026-05-03T10:10:00Z",
    "rows": 3600,
    "kinds": ["drive", "rest"],
}


def diagnosis(estimates: tuple[Estimate, ...] = (), findings: tuple[Finding, ...] = ()) -> Diagnosis:
    return Diagnosis(
        log=LOG,
        pack={"id": "wren-main", "vehicle": "Wren", "cells": 6},
        estimates=estimates,
        findings=findings,
        repairs=("2 rows mended",),
        cautions=CAUTIONS,
        method="1",
    )


def violations(document: dict[str, Any]) -> list[str]:
    checker = jsonschema.Draft202012Validator(SCHEMA)
    return [error.message for error in checker.iter_errors(document)]


KNOWN = Estimate(
    "resistance_10s",
    "ohm",
    cell=5,
    value=1.23e-3,
    low=1.21e-3,
    high=1.25e-3,
    conditions={"temperature_C": 21.3},
)
UNKNOWN = refused("soc_offset", "fraction", "No rest on a slope.", "Charge to the knee.", cell=5)
FINDING = Finding(
    "cell_resistance_high", "act", "Cell 5 drops more.", cells=(5,), module="F2", size=0.24, low=0.22, high=0.26,
    unit="fraction of pack median", because=("evidence",), next=("measure",),
)  # fmt: skip

numbers = st.floats(-1e6, 1e6).map(lambda x: float(f"{x:.6g}"))
estimates = st.builds(
    Estimate,
    quantity=st.sampled_from(sorted(QUANTITIES)),
    unit=st.sampled_from(["ohm", "Ah"]),
    cell=st.none() | st.integers(1, 99),
    sensor=st.none() | st.just("T1"),
    value=numbers,
    low=numbers,
    high=numbers,
    conditions=st.dictionaries(st.sampled_from(["temperature_C", "at"]), numbers | st.just("start")),
)
unknown = st.builds(
    refused,
    st.sampled_from(sorted(QUANTITIES)),
    st.just("Ah"),
    st.text("abc ", min_size=1),
    st.text("abc ", min_size=1),
    cell=st.none() | st.integers(1, 99),
)
findings = st.builds(
    Finding,
    cause=st.sampled_from(sorted(CAUSES)),
    level=st.sampled_from(["act", "look", "note"]),
    says=st.text("abc", min_size=1),
    cells=st.lists(st.integers(1, 99), max_size=3).map(tuple),
    module=st.none() | st.just("F1"),
    sensor=st.none() | st.just("T1"),
    size=st.none() | numbers,
    because=st.just(("seen",)),
    next=st.just(("look",)),
)


@given(st.lists(estimates | unknown, max_size=4).map(tuple), st.lists(findings, max_size=3).map(tuple))
def test_a_diagnosis_is_read_back_the_same_and_fits_the_schema(
    e: tuple[Estimate, ...], f: tuple[Finding, ...]
) -> None:
    made = diagnosis(e, f)
    document = json.loads(json.dumps(made.to_json(), allow_nan=False))
    assert Diagnosis.from_json(document) == made
    assert violations(document) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), "bmslogs.diagnosis/3"),
        (("estimates", 0, "quantity"), "R"),
        (("estimates", 0, "low"), None),
        (("estimates", 0, "status"), "guessed"),
        (("estimates", 1, "why"), None),
        (("estimates", 1, "value"), 0.01),
        (("findings", 0, "cause"), "tired"),
        (("findings", 0, "level"), "red"),
        (("findings", 0, "cells"), [0]),
        (("findings", 0, "because"), []),
        (("findings", 0, "next"), []),
        (("cautions",), []),
        (("log", "kinds"), ["flight"]),
        (("log", "start"), "3.5.2026"),
        (("verdict",), "safe"),
    ],
)
def test_the_schema_refuses_what_must_not_be_said(path: tuple[str | int, ...], value: Any) -> None:
    document = copy.deepcopy(diagnosis((KNOWN, UNKNOWN), (FINDING,)).to_json())
    assert violations(document) == []
    at: Any = document
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    assert violations(document)


def test_what_is_not_a_number_becomes_null_and_never_nan() -> None:
    made = Estimate("capacity", "Ah", cell=1, value=math.nan, low=-math.inf, high=math.inf).to_json()
    assert (made["value"], made["low"], made["high"]) == (None, None, None)


def test_the_most_urgent_stands_first_then_the_largest() -> None:
    note = Finding("log_quality", "note", "n")
    small = Finding("capacity_low", "look", "s", size=-0.03)
    large = Finding("capacity_low", "look", "l", size=-0.2)
    act = Finding("tap_open", "act", "a")
    assert by_urgency([note, small, large, act]) == [act, large, small, note]
