"""The planner against what the planned logs then give, against planted truth, and against hand-worked cases."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from bmslogs.analysis.candidate_logs import model_of
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.planner import expected_half_widths, joint_half_width, plan
from bmslogs.analysis.reference import arrhenius_factor
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from sample_logs.loads import Bench
from sample_logs.meter import Meter
from sample_logs.string_model import make_string
from tests.accuracy.adapter import build_log


@lru_cache
def short_drive(seed: int = 4, minutes: float = 8.0):
    rng = np.random.default_rng(seed)
    string = make_string(12, "NMC", 100.0, rng, soc=0.7)
    bench = Bench(string, rng)
    bench.rest(0.2)
    bench.drive(minutes, rms_c=0.4)
    bench.rest(0.2)
    return string, rng, build_log(string, bench, Meter(), rng)


def test_predicted_interval_of_a_drive_is_what_it_gives():
    # the simulator's cells have five time constants and the planner three: another model, as in life
    string, rng, log = short_drive()
    expected = np.median(
        expected_half_widths(model_of(Study(log)), "drive", ["resistance_10s_relative"]).popitem()[1]
    )
    bench = Bench(string, rng)
    bench.rest(0.17)
    bench.drive(20, rms_c=0.6)
    bench.rest(0.17)
    given = np.median(Knowledge(Study(build_log(string, bench, Meter(), rng))).resistance.half_relative)
    assert expected == pytest.approx(given, rel=0.30)


def test_joint_half_width_is_the_scatter_of_planted_drives():
    # six drives between 5 and 38 degC, 0.5 % of 1 mohm each; a joint of 80 uohm in the cell's tap
    t = np.linspace(5, 38, 6)
    usual = 1e-3 * arrhenius_factor(t, 25.0)
    half = 1.96 * 0.005 * usual
    expected = joint_half_width(t, half, 1e-3)
    rng = np.random.default_rng(1)
    design = np.column_stack([usual, 1 + 0.00393 * (t - 25)])
    weight = 1 / half
    found = []
    for _ in range(2000):
        read = usual + 80e-6 * design[:, 1] + rng.normal(0, half / 1.96)
        found.append(np.linalg.lstsq(design * weight[:, None], read * weight, rcond=None)[0][1])
    assert 1.96 * np.std(found) == pytest.approx(expected, rel=0.05)
    assert np.mean(found) == pytest.approx(80e-6, abs=2e-6)
    # within six kelvin the two columns are nearly alike
    assert joint_half_width([20, 22, 24, 26], 1e-5, 1e-3) > 3 * expected
    assert joint_half_width([20.0, 20.0], 1e-5, 1e-3) > 1e-2


def test_plan_is_cheapest_first_and_asks_only_what_is_open():
    _, _, log = short_drive()
    diagnosis = diagnose(log)
    made = plan(log, diagnosis)
    keys = [s.candidate.key for s in made.steps]
    costs = [s.candidate.cost for s in made.steps]
    assert costs == sorted(costs) and len(keys) == len(set(keys))
    refused = {e.quantity for e in diagnosis.estimates if e.status == "not_determinable"}
    asked = {e.quantity for s in made.steps for e in s.expected}
    assert asked <= refused and "charge" in keys
    enough = [e.quantity for s in made.steps for e in s.expected if e.enough]
    assert len(enough) == len(set(enough))  # settled once is not asked again
    assert {q for q, _ in made.left_open} == refused - set(enough)
    assert all(remedy for _, remedy in made.left_open) and made.cautions


def test_high_resistance_that_is_cell_or_joint_asks_for_another_temperature():
    _, _, log = short_drive()
    diagnosis = diagnose(log)
    cell = 5
    estimates = tuple(
        e
        if not (e.quantity == "resistance_10s_relative" and e.cell == cell)
        else replace(e, value=1.30, low=1.29, high=1.31)
        for e in diagnosis.estimates
    )
    finding = Finding("cell_or_joint_resistance_high", "look", "High.", cells=(cell,), size=0.3)
    made = plan(log, replace(diagnosis, estimates=estimates, findings=(finding,)))
    steps = {s.candidate.key: s.expected[0] for s in made.steps}
    assert steps["colder_drive"].quantity == "joint_share" and steps["colder_drive"].cells == (cell,)
    assert steps["moved"].enough and next(s for s in made.steps if s.candidate.key == "moved").candidate.opens


def test_finding_to_look_at_asks_for_a_log_that_narrows_it():
    _, _, log = short_drive(minutes=3.0)  # a longer one is as narrow as the model of a cell allows
    diagnosis = diagnose(log)
    finding = Finding("cell_resistance_high", "look", "High.", cells=(5,), size=0.12)
    made = plan(log, replace(diagnosis, findings=(finding,)))
    (asked,) = [
        e
        for s in made.steps
        if s.candidate.key == "drive"
        for e in s.expected
        if e.quantity == "resistance_10s_relative"
    ]
    assert asked.cells == (5,) and asked.then < asked.now and asked.enough


def test_a_log_without_current_cannot_be_planned_from():
    _, _, log = short_drive(minutes=1.0)
    from dataclasses import replace

    with pytest.raises(NotEnoughData, match="no current"):
        plan(replace(log, current=None), diagnose(log))


def test_a_charge_tells_a_drive_s_intervals_as_well_as_a_drive_does():
    # a charge alone hardly tells resistance: that must not be taken for a property of the drive to come
    rng = np.random.default_rng(6)
    string = make_string(12, "NMC", 100.0, rng, soc=0.3)
    bench = Bench(string, rng)
    bench.rest(0.2)
    bench.charge(0.3, until_soc=0.6)
    bench.rest(0.2)
    model = model_of(Study(build_log(string, bench, Meter(), rng)))
    quantities = ("resistance_10s", "resistance_10s_relative")
    expected = expected_half_widths(model, "drive", quantities)
    bench = Bench(string, rng)
    bench.rest(0.17)
    bench.drive(20, rms_c=0.6)
    bench.rest(0.17)
    given = Knowledge(Study(build_log(string, bench, Meter(), rng))).resistance
    found = np.median(expected["resistance_10s"]) / model.study.resistance.usual
    assert found == pytest.approx(np.median(given.half_ohm) / given.middle, rel=0.30)
    assert np.median(expected["resistance_10s_relative"]) == pytest.approx(
        np.median(given.half_relative), rel=0.30
    )
