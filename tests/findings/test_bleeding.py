"""Bleeding per week: planted rates are found, short records are refused, and packs that differ are told apart."""

from __future__ import annotations

import datetime as dt

import jsonschema
import numpy as np
import pytest
from scipy import stats

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.pack import parse_pack
from bmslogs.base.results import Diagnosis, Estimate, refused
from bmslogs.base.schema import schema_of
from bmslogs.faces.comparison_text import comparison_text
from bmslogs.faces.spreadsheet import comparison_csv
from bmslogs.findings.compare import Comparison, compare_packs
from bmslogs.findings.compare.bleeding import bleed_rate

CELLS = 8


def a_pack(name: str):
    head = {
        "id": f"{name.lower()}-main", "vehicle": name, "chemistry": "NMC", "nominal_capacity_Ah": 100.0,
        "cells_in_series": CELLS, "bleed_resistor_ohm": 33.0,
    }  # fmt: skip
    return parse_pack({"pack": head})


def a_log(pack, day: float, done, hours: float = 3.0) -> Diagnosis:
    start = (dt.datetime(2026, 3, 1, tzinfo=dt.UTC) + dt.timedelta(days=day)).isoformat()
    estimates = [
        Estimate("bleed_done", "Ah", cell=i + 1, value=float(v), low=0.95 * float(v), high=1.05 * float(v))
        for i, v in enumerate(done)
    ]
    estimates.append(Estimate("bleed_duty", "fraction", cell=1, value=0.1, low=0.1, high=0.1,
                              conditions={"hours": hours}))  # fmt: skip
    log = {"id": f"log-{day:g}", "start": start, "end": start, "rows": 100, "kinds": ["charge"]}
    return Diagnosis(log, {"id": pack.id, "vehicle": pack.vehicle, "cells": CELLS}, tuple(estimates), ())


def steady(pack, per_week: float, seed: int, weeks: int = 6, scatter: float = 0.15) -> list[Diagnosis]:
    """Two charges a week; each cell is bled in proportion to its leak, cell 3 never."""
    rng = np.random.default_rng(seed)
    share = np.linspace(0.8, 1.2, CELLS)
    share[2] = 0.0
    return [
        a_log(pack, 3.5 * k, 0.5 * per_week * share * np.exp(rng.normal(0, scatter, CELLS)))
        for k in range(2 * weeks)
    ]


def test_planted_rate_is_inside_the_interval_in_most_seeds():
    pack = a_pack("Heron")
    inside = 0
    for seed in range(100):
        rate = bleed_rate(pack, steady(pack, 0.4, seed))
        cell = rate.cells[5]
        truth = (
            0.4 * float(np.linspace(0.8, 1.2, CELLS)[5]) * float(np.exp(0.15**2 / 2))
        )  # mean of a lognormal
        inside += cell.low <= truth <= cell.high
        assert rate.cells[2].value == 0.0
    # 95 % intervals, widened by the resistor's 5 %: at least what 100 trials at 95 % give in 999 of 1000 runs
    assert inside >= stats.binom.ppf(0.001, 100, 0.95)


def test_weeks_are_those_that_the_logs_stand_for():
    pack = a_pack("Heron")
    logs = [a_log(pack, day, np.full(CELLS, 0.1), hours=2.0) for day in (0, 7, 14, 21)]
    rate = bleed_rate(pack, logs)
    # four charges of 0.1 Ah, a week apart: 0.1 Ah a week in 2 h; equal weeks leave the resistor's 5 % alone
    assert (rate.median, rate.weeks, rate.powered_h) == (
        pytest.approx(0.1),
        pytest.approx(4.0),
        pytest.approx(2.0),
    )
    assert (rate.low, rate.high) == (pytest.approx(0.095), pytest.approx(0.105))


@pytest.mark.parametrize("days", [(0, 7, 14), (0, 1, 2, 3, 4)])
def test_a_short_record_is_refused_with_what_is_missing(days):
    heron, wren = a_pack("Heron"), a_pack("Wren")
    logs = {heron.id: steady(heron, 0.4, 1), wren.id: [a_log(wren, d, np.full(CELLS, 0.1)) for d in days]}
    found = compare_packs(logs, {heron.id: heron, wren.id: wren}).bleeding
    assert not found.comparable and not found.differences
    assert f"wren-main: {len(days)} logs with bleed flags over {days[-1]} days" in found.why_not
    assert "4 over two weeks are needed" in found.why_not
    assert [p.median is None for p in found.packs] == [False, True]


def test_a_pack_without_flags_says_so():
    heron, wren = a_pack("Heron"), a_pack("Wren")
    blind = refused("bleed_done", "Ah", "the log has no bleed columns", "Log the bleed flags.", cell=1)
    first = a_log(wren, 0, np.zeros(CELLS))
    logs = {heron.id: steady(heron, 0.4, 1), wren.id: [Diagnosis(first.log, first.pack, (blind,), ())]}
    found = compare_packs(logs, {heron.id: heron, wren.id: wren}).bleeding
    assert "wren-main: the log has no bleed columns." in found.why_not


def test_packs_that_differ_are_told_on_every_face():
    heron, wren, knot = (a_pack(n) for n in ("Heron", "Wren", "Knot"))
    logs = {heron.id: steady(heron, 0.4, 1), wren.id: steady(wren, 0.9, 2), knot.id: steady(knot, 0.4, 3)}
    made = compare_packs(logs, {p.id: p for p in (heron, wren, knot)})
    jsonschema.validate(made.to_json(), schema_of(Comparison, quantity=QUANTITIES))
    assert made.bleeding.comparable
    differ = {(d.pack, d.against) for d in made.bleeding.differences if d.differ}
    assert differ == {("heron-main", "wren-main"), ("wren-main", "knot-main")}
    text = comparison_text(made, width=100)
    assert "Bleeding commanded" in text and "Ah" in text and "a week over 6.0 weeks, 12 logs" in text
    table = comparison_csv(made)
    assert table.count("bleeding difference") == 3 and table.count("bleeding cell") == 3 * CELLS
