"""The load fit against strings whose resistance is known by hand, and the block fit against certified regression."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis import polarisation, resistance
from bmslogs.analysis.regression import block_fit, equal_blocks
from bmslogs.base.errors import NotEnoughData
from sample_logs.loads import stop_and_go


def drive(rows=2400, seed=3):
    """One-second steps of current that hold for some seconds, both signs [A]."""
    rng = np.random.default_rng(seed)
    steps = np.repeat(rng.normal(25.0, 60.0, rows // 8), 8)
    return np.arange(rows, dtype=float), steps


def string(seconds, current, r0, pair, tau, bend=0.0):
    """Voltages [V] of cells with a series resistance, one RC pair and a part that falls with the load."""
    section = np.zeros(len(seconds), int)
    slow = polarisation.low_pass(current, seconds, section, tau)
    charge = polarisation.charge_drawn(current, seconds, section)
    drop = r0 * current[:, None] + pair * slow[:, None] + bend * (current * np.abs(current))[:, None]
    return 3.9 - 0.008 * charge[:, None] - drop


def fitted(volts, seconds, current, rms_A=None):
    section = np.zeros(len(seconds), int)
    taus = resistance.time_constants(1.0)
    filters = np.stack([polarisation.low_pass(current, seconds, section, tau) for tau in taus], axis=1)
    charge = polarisation.charge_drawn(current, seconds, section)
    rate = polarisation.shifted_currents(current, seconds, section, (-1.0, 1.0))
    return resistance.load_fit(
        volts,
        charge,
        current,
        filters,
        rate,
        section,
        seconds,
        equal_blocks(len(seconds), 8),
        taus,
        1.0,
        knot_every=5.0,
        shifts_s=(-1.0, 1.0),
        rms_A=rms_A,
    )


def test_block_fit_gives_the_certified_line():
    """NIST Statistical Reference Datasets, NoInt1: y = 2.07438016528926 x over x 60..70, y 130..140."""
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = block_fit(x[:, None], y[:, None], equal_blocks(11, 4))
    assert_allclose(fit.coef[0, 0], 2.07438016528926, rtol=1e-13)
    assert_allclose(fit.residual_sd[0], 3.56753034006338, rtol=1e-12)


def test_resistance_10s_of_a_known_pair():
    """R0 0.6 mohm and 0.5 mohm at 20 s: 0.6 + 0.5 (1 - exp(-10/20)) = 0.79674 mohm, by hand."""
    seconds, current = drive()
    r0 = np.array([[0.6e-3, 0.6e-3, 0.9e-3]])
    load = fitted(string(seconds, current, r0, 0.5e-3, 20.0), seconds, current)
    value, without = load.resistance()
    assert_allclose(value, [0.79673e-3, 0.79673e-3, 1.09673e-3], rtol=2e-4)  # trapezoids between rows
    ratio, se = resistance.relative(value, without, np.ones(3, bool))
    assert_allclose(ratio[2], 1.09673 / 0.79673, rtol=1e-3)
    assert np.all(se < 1e-3)


def test_a_resistance_that_falls_with_the_load_is_told_at_the_current_asked_for():
    """Drop R I - k I|I|: at 60 A the resistance is R - 60 k = 1.0 - 0.24 mohm; a linear fit misses it."""
    seconds, current = drive()
    volts = string(seconds, current, np.array([[0.76e-3, 0.76e-3]]), 0.24e-3 / 0.39346934, 20.0, bend=-4e-6)
    bent, _ = fitted(volts, seconds, current, rms_A=60.0).resistance()
    straight, _ = fitted(volts, seconds, current).resistance()
    assert_allclose(bent, 0.76e-3, rtol=1e-3)
    assert np.all(np.abs(straight / 0.76e-3 - 1) > 0.02)


def scanned(late_s, seed=4, minutes=40.0):
    """A drive read every second, each channel `late_s` after the current (planted; the load is known between rows)."""
    rng = np.random.default_rng(seed)
    current = 60.0 * stop_and_go(minutes, 0.1, rng)
    fine = 0.1 * np.arange(len(current))
    volts = string(fine, current, np.full((1, len(late_s)), 0.6e-3), 0.5e-3, 20.0)
    rows = np.arange(30.0, fine[-1] - 30.0)
    read = np.stack([np.interp(rows + d, fine, volts[:, k]) for k, d in enumerate(late_s)], axis=1)
    return rows, np.interp(rows, fine, current), read


def test_a_channel_read_late_tells_the_same_ten_seconds():
    """One cell read by channels up to 0.4 s late, planted: 0.79673 mohm by hand in each; its delay is found."""
    late = np.array([0.0, 0.1, 0.2, 0.3, 0.4])
    seconds, current, volts = scanned(late)
    load = fitted(volts, seconds, current)
    value, without = load.resistance()
    ratio, _ = resistance.relative(value, without, np.ones(5, bool))
    assert np.ptp(ratio) < 0.003  # without delay and weights the last reads 1 % more than the first
    assert_allclose(load.late(), late, atol=0.06)


def test_rows_about_a_step_weigh_less_only_where_channels_are_read_apart():
    seconds, current, apart = scanned(np.linspace(0.0, 0.4, 5))
    _, _, together = scanned(np.zeros(5))
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 0.0005, apart.shape)
    step = np.abs(np.diff(current, append=current[-1]))
    design = np.column_stack([np.ones_like(seconds), current, seconds, seconds**2])
    weights = [resistance.steady_weights(design, volts + noise, step) for volts in (apart, together)]
    hard = step > np.quantile(step, 0.95)
    assert np.median(weights[0][hard]) < 0.5 < 0.8 < np.median(weights[1][hard])


def test_ratios_of_a_joint_need_the_fall_with_the_load_and_those_of_a_sound_cell_do_not():
    """Planted: all cells fall with the load, one carries a joint that does not, others excesses of 1 %."""
    seconds, current = drive()
    alike = 1.0 + np.array([0.0, 0.01, -0.01, 0.0, 0.0])
    volts = 3.9 + alike * (string(seconds, current, 0.76e-3, 0.24e-3 / 0.39346934, 20.0, bend=-4e-6) - 3.9)
    volts[:, 4] -= 0.23e-3 * current
    volts += np.random.default_rng(2).normal(0, 0.0005, volts.shape)
    everyone = np.ones(5, bool)
    bent, straight = fitted(volts, seconds, current, rms_A=60.0), fitted(volts, seconds, current)
    ratio, se = resistance.relative_of_both(bent, straight, everyone)
    assert_allclose(ratio, [1.0, 1.01, 0.99, 1.0, 1.0 + 0.23 / 0.76], atol=0.004)
    _, noisier = resistance.relative(*bent.resistance(), everyone)
    assert se[:4].sum() < noisier[:4].sum()


def test_a_steady_current_is_refused():
    seconds = np.arange(1200.0)
    current = np.full(1200, 30.0)
    with pytest.raises(NotEnoughData):
        fitted(string(seconds, current, np.array([[1e-3]]), 0.0, 20.0), seconds, current)


@pytest.mark.parametrize("times", [1.05, 1.5, 5.0, 50.0, 1000.0])
def test_a_worse_cell_is_told_as_much_worse(times):
    """Ratio to the median cell, planted on 1 mohm in all, of which 0.4 in a pair of 20 s; noise of 0.3 mV."""
    seconds, current = drive()
    scale = np.where(np.arange(8) == 5, times, 1.0)
    volts = string(seconds, current, 0.6e-3 * scale, 0.4e-3 * scale, 20.0)
    volts = volts + np.random.default_rng(4).normal(0, 3e-4, volts.shape)
    fit = fitted(volts, seconds, current)
    ratio, se = resistance.relative(*fit.resistance(), np.ones(8, bool))
    assert ratio[5] == pytest.approx(times, rel=0.01)
    assert_allclose(np.delete(ratio, 5), 1.0, atol=0.01)
    assert se[5] < 0.01 * times


def test_ratios_answer_by_cell_and_know_no_unit_of_current():
    seconds, current = drive()
    ohm = 1e-3 * np.linspace(0.8, 1.4, 6)
    volts = string(seconds, current, ohm, 0.2e-3, 20.0) + np.random.default_rng(5).normal(
        0, 3e-4, (len(seconds), 6)
    )
    some = np.arange(6) != 2
    ratio, se = resistance.relative(*fitted(volts, seconds, current).resistance(), some)
    turn = np.array([3, 0, 5, 2, 1, 4])
    other, other_se = resistance.relative(*fitted(volts[:, turn], seconds, current).resistance(), some[turn])
    assert_allclose(other, ratio[turn], rtol=1e-6)
    assert_allclose(other_se, se[turn], rtol=1e-4)
    # the reference is the median of the others: the one left out does not move it
    assert np.median(ratio[some]) == pytest.approx(1.0)


def test_rows_that_hold_weigh_alike_and_rows_about_a_step_by_its_square():
    """By hand: cells that part by 1 mV where nothing steps, by 10 mV at steps of 100 A: a tenth there."""
    rng = np.random.default_rng(6)
    step = np.where(np.arange(4000) % 4 == 0, 100.0, 0.0)
    apart = np.where(step > 0, 0.010, 0.001)
    volts = rng.normal(0, 1, (4000, 12)) * apart[:, None]
    weight = resistance.steady_weights(np.ones((4000, 1)), volts, step)
    assert_allclose(weight[step == 0], 1.0)
    assert_allclose(weight[step > 0], 0.1, rtol=0.1)
    still = resistance.steady_weights(np.ones((4000, 1)), rng.normal(0, 1, (4000, 12)), step)
    assert still.min() > 0.95


def test_what_a_section_brings_along():
    """A level for each but the first, a relaxation of 2 minutes for those of more than five minutes (by hand)."""
    seconds = np.concatenate([np.arange(400.0), 9000 + np.arange(30.0), 20_000 + np.arange(400.0)])
    section = np.repeat([0, 1, 2], [400, 30, 400])
    found = resistance.relaxation_columns(seconds, section)
    assert found.shape == (830, 4)
    assert_allclose(found[[0, 120, 399], 0], np.exp([0, -1, -399 / 120]))
    assert found[:, 1].tolist() == [0.0] * 400 + [1.0] * 30 + [0.0] * 400
    assert found[:430, 3].max() == 0.0 and found[430, 3] == 1.0
    assert resistance.relaxation_columns(np.arange(50.0), np.zeros(50, int)).shape == (50, 0)


def test_widths_add_in_squares():
    """Student's 2.365 for eight blocks, and 1.96 sd of what no block shows (by hand)."""
    assert_allclose(
        resistance.half_width(np.array([0.0, 0.01]), 8, 0.005), [0.0098, np.hypot(0.02365, 0.0098)], rtol=1e-3
    )
