"""Clock and current of a log: zero, rest and charge of planted currents, no cell asked but the middle one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.flow import Flow
from bmslogs.analysis.ocv import built_in

CAPACITY = 100.0


def flow(current, seconds=None, joints=(), middle=3.8):
    """A flow of rows each second whose middle cell stands still."""
    seconds = np.arange(float(len(current))) if seconds is None else seconds
    return Flow(
        seconds, current, joints, CAPACITY, lambda rows: np.full(len(rows), middle), built_in("NMC"), 1e-3
    )


def day(zero=0.0, noise=0.05, seed=1):
    """Ten minutes of rest, twenty of drive, ten of rest, an hour of charge at 30 A, ten of rest. Origin: planted."""
    rng = np.random.default_rng(seed)
    drive = rng.uniform(-60, 180, 80).repeat(15)
    amps = np.concatenate([np.zeros(600), drive, np.zeros(600), np.full(3600, -30.0), np.zeros(600)])
    return amps + zero + rng.normal(0, noise, len(amps)), amps


def test_charge_is_counted_from_the_zero_that_the_rests_show():
    """By hand: the planted amperes of the drive, less 30 Ah, whatever the sensor's zero."""
    for zero in (-1.5, 0.0, 0.4):
        read, true = day(zero)
        found = flow(read)
        assert found.zero == pytest.approx(zero, abs=0.02)
        assert_allclose(found.charge[-1], true.sum() / 3600.0, atol=0.05)
        assert found.kinds == ["drive", "rest", "charge"]


def test_nothing_is_counted_while_parked():
    """Eight hours at a zero of 0.3 A that no rest of its own tells apart would be 2.4 Ah of nothing."""
    t = np.arange(0.0, 8 * 3600.0, 10.0)
    found = flow(np.full(len(t), 0.3), t)
    assert found.kinds == ["parked"]
    assert not found.charge.any()


def test_a_log_without_a_current_knows_nothing_of_flow():
    for current in (None, np.full(500, np.nan)):
        found = Flow(
            np.arange(500.0),
            current,
            (),
            CAPACITY,
            lambda rows: np.full(len(rows), 3.8),
            built_in("NMC"),
            1e-3,
        )
        assert not found.has_current
        assert (found.zero, found.stretches, found.kinds) == (0.0, [], [])
        assert not found.quiet.any() and not found.charge.any() and not found.filled.any()
        assert np.isnan(found.current).all() and found.standing is None and found.standing_load is None


def test_short_holes_are_bridged_and_long_ones_are_no_samples():
    read, _ = day()
    read[700:703] = np.nan
    read[1000:1100] = np.nan
    found = flow(read)
    assert np.isfinite(found.current[700:703]).all()
    assert np.isnan(found.current[1000:1100]).all()
    assert np.isfinite(found.filled).all()
    assert_allclose(found.filled[1050], np.mean(found.current[[999, 1100]]), rtol=0.05, atol=1.0)
    # and over the long one no charge is counted
    assert found.charge[1098] == found.charge[1001]


def test_a_pause_of_the_logger_and_a_joint_part_the_log():
    read, _ = day()
    t = np.arange(float(len(read)))
    t[3000:] += 7200.0
    found = flow(read, t, joints=(1000,))
    assert np.unique(found.section).tolist() == [0, 1, 2]
    assert np.flatnonzero(np.diff(found.section)).tolist() == [999, 2999]
    assert found.charge[3000] == found.charge[2999]


def test_rows_of_a_kind_and_the_usual_interval():
    read, true = day()
    found = flow(read)
    charging = found.rows_of("charge")
    assert abs(charging.sum() - 3600) < 40 and (true[charging] < -25).mean() > 0.98
    assert not found.rows_of("parked").any()
    every = found.rows_of("drive", "rest", "charge")
    assert every.all()
    assert found.interval == 1.0 and found.rows == len(read)


@pytest.mark.parametrize("scale", [-1.0, 0.5, 3.0])
def test_a_current_read_times_another_factor_moves_the_charge_alone_by_it(scale):
    """A sensor set up the wrong way round or with another turn count: the rest stays the rest."""
    read, _ = day(noise=0.02)
    one, other = flow(read), flow(scale * read)
    assert_allclose(other.charge[-1], scale * one.charge[-1], atol=0.05 * abs(scale))
    assert abs(int(other.quiet.sum()) - int(one.quiet.sum())) < 30


def test_a_load_that_stands_and_flows_is_no_zero():
    """8 A for two hours while the middle cell falls by what they draw: u' of 0.9 V a unit, 16 Ah of 100 (planted)."""
    rng = np.random.default_rng(3)
    amps = np.concatenate([np.zeros(900), np.full(7200, 8.0), np.zeros(900)]) + rng.normal(0, 0.02, 9000)
    curve = built_in("NMC")
    middle = curve.voltage(0.7 - np.cumsum(amps) / 3600.0 / CAPACITY)
    found = Flow(np.arange(9000.0), amps, (), CAPACITY, lambda rows: middle[rows], curve, 1e-3)
    assert found.zero == pytest.approx(0.0, abs=0.02)
    assert found.charge[-1] == pytest.approx(16.0, abs=0.1)
    assert found.standing_load is not None and found.standing_load.amps == pytest.approx(8.0, abs=0.1)
