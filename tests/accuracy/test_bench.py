"""The benchmark itself: an answer that knows the truth must score full marks, one that says nothing none."""

import zlib

import numpy as np
import pytest

from bmslogs.base.results import Diagnosis, Estimate, Finding
from sample_logs.truth import truth_of
from tests.accuracy import cases, healthy, judge, score, tables
from tests.accuracy.adapter import build_log

KINDS = [
    "cell_resistance_high",
    "joint_resistance_high",
    "soc_offset_low",
    "tap_open",
    "temperature_sensor_fault",
]


def one(kind, seed=5, times=3.0):
    numbers = [zlib.crc32(kind.encode()), seed]
    d = cases.CAUSES[kind](numbers, times) if kind in cases.CAUSES else healthy.KINDS[kind][0](numbers)
    build_log(d.string, d.bench, d.meter, d.rng)
    return d, truth_of(d.bench, d.meter, d.faults)


def answer(truth, findings, shift=0.0, know=True):
    estimates = []
    for quantity in ("resistance_10s_relative", "soc_offset"):
        for cell, value in enumerate(truth.cell[quantity], 1):
            if know:
                estimates.append(
                    Estimate(
                        quantity, "", cell=cell, value=value + shift, low=value - 1e-3, high=value + 1e-3
                    )
                )
            else:
                estimates.append(
                    Estimate(quantity, "", cell=cell, status="not_determinable", why="-", settle_by="-")
                )
    return Diagnosis({}, {}, tuple(estimates), tuple(findings))


def as_finding(fault, **more):
    fields = {"cause": fault.cause, "level": "look", "says": "", "cells": fault.cells, "size": fault.size}
    if fault.sensor is not None:
        fields["sensor"] = f"T{fault.sensor}"
    return Finding(**(fields | more))


@pytest.mark.parametrize("kind", KINDS)
def test_the_truth_scores_right(kind):
    d, truth = one(kind)
    scored = score.score(d, truth, answer(truth, [as_finding(f) for f in truth.faults]), judge.knowable(d))
    assert scored["verdict"] == "right"
    assert scored["unexplained"] == []


@pytest.mark.parametrize("kind", KINDS)
def test_silence_is_a_miss(kind):
    d, truth = one(kind)
    assert score.score(d, truth, answer(truth, []), judge.knowable(d))["verdict"] == "missed"


def test_wrong_place_and_wrong_cause_are_told_apart():
    d, truth = one("cell_resistance_high")
    fault = truth.faults[0]
    elsewhere = (fault.cells[0] % d.n + 1,)
    know = judge.knowable(d)
    wrong_cell = score.score(d, truth, answer(truth, [as_finding(fault, cells=elsewhere)]), know)
    assert wrong_cell["verdict"] == "wrong cell"
    wrong_cause = score.score(d, truth, answer(truth, [as_finding(fault, cause="capacity_low")]), know)
    assert wrong_cause["verdict"] == "wrong cause"


def test_a_finding_on_a_healthy_pack_is_a_false_alarm():
    d, truth = one("trip")
    know = judge.knowable(d)
    assert score.score(d, truth, answer(truth, []), know)["verdict"] == "quiet"
    alarm = Finding("capacity_low", "look", "", cells=(2,))
    assert score.score(d, truth, answer(truth, [alarm]), know)["verdict"] == "false alarm"
    murmur = Finding("capacity_low", "note", "", cells=(2,))
    assert score.score(d, truth, answer(truth, [murmur]), know)["verdict"] == "quiet"


def figures(**how):
    d, truth = one("cell_resistance_high")
    scored = score.score(d, truth, answer(truth, [], **how), judge.knowable(d))
    case = {"name": "x", "kind": "x", "severity": "clear", "seed": 1, "cpu_s": 0.1, **scored}
    return tables.summary([case])["quantities"]["resistance_10s_relative"]


def test_skill_is_one_for_the_truth_and_nought_for_a_refusal():
    assert figures()["skill"] == pytest.approx(1.0)
    refused = figures(know=False)
    assert refused["skill"] == pytest.approx(0.0)
    assert refused["knowable_refused"]["rate"] == 1.0


def test_coverage_counts_the_intervals_that_hold_the_truth():
    assert figures()["coverage"]["rate"] == 1.0
    assert figures(shift=0.01)["median_error"] == pytest.approx(0.01)


def test_binomial_interval():
    # Clopper and Pearson, Biometrika 26 (1934) 404: 0 of 10 has upper bound 1 - 0.025**(1/10) = 0.3085.
    assert tables.rate(0, 10)["high"] == pytest.approx(1 - 0.025**0.1)


@pytest.mark.parametrize(
    ("kind", "quantity", "known"),
    [
        ("rest_alone", "resistance_10s", False),
        ("constant_load", "resistance_10s", False),
        ("trip", "resistance_10s", True),
        ("plateau", "capacity", False),
        ("charge", "charge_to_full", True),
        ("parked", "capacity", False),
    ],
)
def test_the_judge(kind, quantity, known):
    d, _ = one(kind)
    assert judge.knowable(d)[quantity] is known


@pytest.mark.parametrize("kind", [*cases.CAUSES, *healthy.KINDS])
def test_every_recipe_makes_a_log(kind):
    d, truth = one(kind, seed=8, times=1.5)
    log = build_log(d.string, d.bench, d.meter, d.rng)
    assert log.rows > 60
    assert (np.diff(log.seconds) > 0).all()
    assert bool(truth.faults) == (kind in cases.CAUSES)
