"""The arrays that prove findings: against planted truth and counts by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Finding
from bmslogs.findings.evidence.at_rest import rest_current
from bmslogs.findings.evidence.bleed_jumps import bleed_jumps
from bmslogs.findings.evidence.bursts import bursts
from bmslogs.findings.evidence.charge_deviation import charge_deviation
from bmslogs.findings.evidence.charged_outside import charged_outside, charging_bounds
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.findings.evidence.past_limit import voltage_past
from bmslogs.findings.evidence.shown import limits_of
from bmslogs.findings.evidence.source import KEPT_LOGS, known
from bmslogs.findings.evidence.spans import minutes, run_at, runs_of
from bmslogs.findings.evidence.warming import since_first, warming
from bmslogs.log import Log
from tests.accuracy.adapter import build_log
from tests.accuracy.cases import CAUSES
from tests.dashboard import invent

WIRE_OHM = 0.2


@pytest.fixture(scope="module")
def log() -> Log:
    return invent.drive(invent.pack())


def test_a_cell_far_off_moves_the_deviation_of_no_other() -> None:
    volts = np.array([[3.70, 3.71, 3.72, 9.0], [3.70, np.nan, 3.72, 3.74], [np.nan] * 4])
    away = from_median(volts)
    assert_allclose(away[0], [-0.015, -0.005, 0.005, 5.285])
    assert_allclose(away[1], [-0.02, np.nan, 0.0, 0.02], atol=1e-12)
    assert np.isnan(away[2]).all()
    assert_allclose(from_median(volts, np.array([True, True, True, False]))[0, :3], [-0.01, 0.0, 0.01])


def test_runs_and_their_time_are_as_counted_by_hand() -> None:
    mask = np.array([0, 1, 1, 0, 0, 1, 0, 1, 1, 1], bool)
    assert runs_of(mask) == [(1, 2), (5, 5), (7, 9)] and runs_of(mask, 100)[0] == (101, 102)
    assert run_at(mask, 8) == (7, 9) and run_at(mask, 3) == (3, 3)
    seconds = np.array([0, 1, 2, 3, 4, 5, 5000, 5001, 5002, 5003], float)
    # the row before the pause stands for ten usual intervals at most, the last row for none
    assert_allclose(minutes(seconds, mask) * 60, 1 + 1 + 10 + 1 + 1)
    assert minutes(np.zeros(1), np.ones(1, bool)) == 0.0


def test_a_smaller_cell_falls_behind_by_its_lack_for_each_ampere_hour() -> None:
    """Planted: the cell of the fault holds less by its size; the line says b = Q / Q_i - 1 for each Ah drawn."""
    draft = CAUSES["capacity_low"]([77, 2], 3.0)
    log = build_log(draft.string, draft.bench, draft.meter, draft.rng)
    found = charge_deviation(known(log))
    (cell,) = draft.faults[0].cells
    true = draft.string.capacity_Ah / np.median(draft.string.capacity_Ah)
    lack = 1.0 / true[cell - 1] - 1.0
    assert_allclose(found.slope[cell - 1], -lack, atol=0.02)
    away = found.fuller[:, cell - 1] - found.line(cell - 1)
    told = np.isfinite(away)
    assert told.sum() > 50
    assert np.median(np.abs(away[told])) < 0.1 * np.ptp(found.line(cell - 1))


def test_a_log_that_moves_no_charge_proves_none(log: Log) -> None:
    still = replace(log, current=np.zeros(log.rows))
    with pytest.raises(NotEnoughData):
        charge_deviation(known(still))


def test_switching_a_resistor_moves_the_readings_as_the_algebra_of_the_loom_has_it() -> None:
    """A wire of 0.2 ohm above cell 4, read at 3.7 V over 33 ohm: cell 4 reads low by R I, cell 5 high by R I."""
    log = invent.drive(invent.pack())
    rng = np.random.default_rng(2)
    flags = np.zeros((log.rows, 16), bool)
    flags[:, 3] = (np.arange(log.rows) // 30) % 2 == 1
    volts = 3.7 + rng.normal(0, 3e-4, (log.rows, 16))
    drop = WIRE_OHM * 3.7 / 33.0
    volts[:, 3] -= drop * flags[:, 3]
    volts[:, 4] += drop * flags[:, 3]
    made = replace(
        log, cell_voltage=np.round(volts, 4), voltage_step=1e-4, bleed=flags, current=np.zeros(log.rows)
    )
    (jump,) = bleed_jumps(known(made).study, 3)
    assert jump.source == 3 and list(jump.columns) == [1, 2, 3, 4, 5] and jump.edges > 50
    assert_allclose(jump.jump, [0.0, 0.0, -drop, drop, 0.0], atol=3e-4)
    assert (np.abs(jump.jump - [0.0, 0.0, -drop, drop, 0.0]) < 2 * jump.half).all()
    with pytest.raises(NotEnoughData):
        bleed_jumps(known(replace(made, bleed=None)).study, 3)


def test_what_no_load_explains_is_left_of_a_contact_that_opens(log: Log) -> None:
    volts = log.cell_voltage.copy()
    assert log.current is not None
    opened = (np.arange(log.rows) % 100 < 5) & (log.current > 25)
    volts[opened, 8] -= 1e-3 * log.current[opened]
    found = bursts(known(replace(log, cell_voltage=volts)).study)
    assert found.explained and len(found.current) == len(found.left)
    rows = opened[: len(found.left)]
    assert_allclose(found.left[rows, 8] / -found.current[rows], 1e-3, rtol=0.35)
    assert np.abs(np.median(found.left[~rows, 8])) < 1e-3


def test_a_limit_is_passed_by_two_rows_and_not_by_one(log: Log) -> None:
    volts = np.full((log.rows, 16), 3.7)
    volts[100, 4], volts[200:203, 4], volts[300:302, 4] = 4.3, 4.3, 6.0  # a glitch, a passed limit, no cell
    made = replace(log, cell_voltage=volts, bleed=None)
    past = voltage_past(known(made).study, np.array([4]), 4.2, 1.0)
    assert runs_of(past.beyond[:, 0]) == [(200, 202)]
    assert_allclose(past.over[201, 0], 0.1)
    (upper, lower) = limits_of(Finding("limit_exceeded", "look", "a place", cells=(5,)), known(made))
    assert_array_equal(upper.beyond, past.beyond)
    assert lower.sign < 0 and not lower.beyond.any()


def test_charge_in_the_cold_counts_current_in_only(log: Log) -> None:
    warm = np.full((log.rows, 4), -5.0) + 0.1 * (np.arange(log.rows) % 2)[:, None]
    s = known(replace(log, temperature=warm)).study
    ((bound, sign),) = charging_bounds(s)
    found = charged_outside(s, bound, sign)
    assert found is not None and (bound, sign) == (0.0, -1.0) and log.current is not None
    assert_array_equal(found.rows, log.current < -2.0)  # a fiftieth of 100 Ah in an hour
    assert_allclose(found.seconds, (log.current < -2.0).sum(), atol=1)
    assert_allclose(found.ah, -log.current[log.current < -2.0].sum() / 3600.0, rtol=0.01)
    assert_allclose([found.worst, found.far], [-5.0, 5.0], atol=0.11)


def test_the_rise_begins_at_the_first_reading_of_each_sensor(log: Log) -> None:
    t = np.array([[20.0, np.nan], [21.0, 18.0], [np.nan, 18.5]])
    assert_array_equal(since_first(t), [[0.0, np.nan], [1.0, 0.0], [np.nan, 0.5]])
    found = warming(known(log).study)
    assert found.squared.shape == (log.rows,) and found.rise.shape == log.temperature.shape
    assert (found.squared >= 0).all() and found.tau_s > 0


def test_the_current_at_rest_is_read_where_the_pack_rests_only(log: Log) -> None:
    assert log.current is not None
    shifted = replace(log, current=log.current + 0.4)
    read = rest_current(known(shifted).study.flow)
    assert_allclose(read[np.isfinite(read)], 0.4)
    assert np.isfinite(read[:150]).all() and np.isnan(read[log.current > 50]).all()


def test_what_is_known_of_a_log_is_worked_out_once_and_few_are_kept(log: Log) -> None:
    assert known(log) is known(log)
    first = known(log)
    for _ in range(KEPT_LOGS):
        known(replace(log))
    assert known(log) is not first
