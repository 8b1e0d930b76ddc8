"""Resistance off single steps of the current: worked examples, and strings whose resistance is known by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.models.step_resistance import Readings, _weighted, clean_steps, step_fit

CAPACITY = 100.0


def load(parts, every_s=1.0):
    """Current that holds: (seconds, amperes) one after the other."""
    current = np.concatenate([np.full(round(length / every_s), amps) for length, amps in parts])
    return np.arange(len(current)) * every_s, current


def fitted(seconds, current, volts, slope=0.0, step=0.0):
    steps = clean_steps(seconds, current, np.zeros(len(seconds), int), CAPACITY)
    every = float(np.median(np.diff(seconds)))
    readings = Readings(seconds, current, volts, every, every, step, np.ones(volts.shape[1], bool))
    return steps, step_fit(steps, readings, np.full((len(steps), volts.shape[1]), slope))


def pair(seconds, current, tau):
    """The current through one RC pair."""
    out, state = np.zeros(len(current)), 0.0
    every = seconds[1] - seconds[0]
    for k in range(1, len(current)):
        state += (current[k - 1] - state) * (1.0 - np.exp(-every / tau))
        out[k] = state
    return out


def test_a_step_of_the_handbook():
    """(3.700 V - 3.520 V) / 100 A = 1.80 mohm: the two-reading formula of the pulse test (algebra)."""
    seconds, current = load([(60, 0.0), (60, 100.0)])
    volts = np.repeat(np.where(current > 0, 3.520, 3.700)[:, None], 3, axis=1)
    steps, found = fitted(seconds, current, volts)
    assert [s.amps for s in steps] == [100.0]
    assert_allclose(found.ohm, 1.80e-3, rtol=1e-6)


def test_the_fall_of_the_open_circuit_voltage_is_no_resistance():
    """1 V per unit of charge, 10 s, 100 Ah: 2.78e-5 ohm (algebra; Pillai et al. 2025, arXiv:2505.06410)."""
    seconds, current = load([(60, 0.0), (60, 100.0)])
    drawn = np.cumsum(np.concatenate([[0.0], current[:-1]])) / 3600.0
    volts = np.repeat((3.8 - drawn / CAPACITY - 1.1e-3 * current)[:, None], 3, axis=1)
    _, less = fitted(seconds, current, volts, slope=1.0 / CAPACITY)
    _, with_it = fitted(seconds, current, volts)
    assert_allclose(with_it.middle - less.middle, 2.78e-5, rtol=0.01)
    assert_allclose(less.middle, 1.1e-3, rtol=0.005)  # a straight fall is read as a logarithm


@pytest.mark.parametrize("every_s", [0.1, 1.0, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("amps", [50.0, -30.0])
def test_one_step_at_any_rate_of_rows(every_s, amps):
    """R0 0.6 mohm and 0.5 mohm at 20 s: 0.79674 mohm after 10 s, by hand; one cell a third more."""
    seconds, current = load([(120, 0.0), (300, amps)], every_s)
    fine, fine_current = load([(120, 0.0), (300, amps)], 0.1)
    slow = np.interp(seconds, fine, pair(fine, fine_current, 20.0))
    course = 0.6e-3 * current + 0.5e-3 * slow
    times = np.array([1.0, 1.0, 1.0, 4.0 / 3.0, 1.0])
    _, found = fitted(seconds, current, 3.7 - course[:, None] * times)
    # the true moment of a step is known to half the time between two rows
    assert_allclose(found.middle, 0.79674e-3, rtol=0.02 + 0.02 * every_s)
    assert abs(found.middle / 0.79674e-3 - 1.0) < 1.96 * found.common_se + 0.02
    assert_allclose(found.relative, times, rtol=0.005)


def test_a_ramp_counts_from_its_middle():
    seconds, current = load([(60, 0.0), (90, 60.0)], 0.5)
    volts = 3.7 - 1e-3 * current
    ramped = np.interp(seconds, [0, 57, 63, 150], [0, 0, 60.0, 60.0])
    volts = 3.7 - 1e-3 * ramped
    steps, found = fitted(seconds, ramped, np.repeat(volts[:, None], 3, axis=1))
    assert len(steps) == 1 and steps[0].moment == pytest.approx(60.0, abs=0.3)
    assert_allclose(found.middle, 1e-3, rtol=0.01)


def test_voltages_a_row_early_do_not_halve_the_drop():
    seconds, current = load([(60, 0.0), (30, 80.0), (60, 0.0)], 5.0)
    late = np.concatenate([[0.0], current[:-1]])  # the current is written a row late
    volts = np.repeat((3.7 - 1e-3 * current)[:, None], 3, axis=1)
    _, found = fitted(seconds, late, volts)
    assert_allclose(found.middle, 1e-3, rtol=0.02)


def test_a_minute_tells_a_cell_from_ohms():
    """A joint adds the same at any time: its growth is the others'; an evenly aged cell's is larger by its excess."""
    seconds, current = load([(120, 0.0), (120, 50.0)], 1.0)
    course = 0.6e-3 * current + 0.5e-3 * pair(seconds, current, 20.0)
    volts = (
        3.7
        - course[:, None] * np.array([1, 1, 1.3, 1, 1.0])
        - np.array([0, 0, 0, 0.3e-3, 0]) * current[:, None]
    )
    _, found = fitted(seconds, current, volts)
    assert found.growth[2] == pytest.approx(0.3, abs=0.03)
    assert found.growth[3] == pytest.approx(0.0, abs=0.03)


def test_rounded_readings_widen_the_interval_and_are_held_by_it():
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(40):
        seconds, current = load([(60, 0.0), (20, 40.0), (60, 0.0)], 1.0)
        true = 1.0 + rng.normal(0, 0.03, 8)
        volts = 3.7 + rng.uniform(0, 5e-3, 8) - 1e-3 * current[:, None] * true
        volts = np.round((volts + rng.normal(0, 3e-4, volts.shape)) / 5e-3) * 5e-3
        _, found = fitted(seconds, current, volts, step=5e-3)
        inside.append(np.abs(found.relative - true / np.median(true)) < 1.96 * found.relative_se)
    assert np.mean(inside) > 0.9


def test_stop_and_go_is_no_step():
    rng = np.random.default_rng(2)
    current = np.repeat(rng.normal(20, 50, 300), 4)
    assert (
        clean_steps(np.arange(len(current), dtype=float), current, np.zeros(len(current), int), CAPACITY)
        == []
    )


def test_a_string_on_a_knee_tells_no_resistance():
    """One step of 1 mohm, 30 A, while the curve falls by 2 mV a second (a knee): in 10 s 20 mV beside 30."""
    seconds, current = load([(60, 0.0), (120, 30.0)])
    since = np.maximum(seconds - 60.0, 0.0)
    falling = np.repeat((3.6 - 1e-3 * current - 2e-3 * since)[:, None], 3, axis=1)
    assert fitted(seconds, current, falling)[1] is None
    settled = np.repeat((3.6 - 1e-3 * current - 2e-5 * since)[:, None], 3, axis=1)
    assert_allclose(fitted(seconds, current, settled)[1].middle, 1e-3, rtol=0.03)


@pytest.mark.parametrize("times", [1.1, 3.0, 50.0, 1000.0])
def test_steps_tell_a_cell_as_much_worse_as_it_is(times):
    """Two steps up and two down over cells of 1 mohm, one of them so many times that; noise of 0.4 mV (planted)."""
    seconds, current = load([(60, 0.0), (60, 100.0), (60, 0.0), (60, -50.0), (60, 0.0)])
    ohm = 1e-3 * np.where(np.arange(8) == 2, times, 1.0)
    volts = np.round(
        3.7 - current[:, None] * ohm + np.random.default_rng(1).normal(0, 4e-4, (len(current), 8)), 3
    )
    steps, found = fitted(seconds, current, volts, step=1e-3)
    assert len(steps) == 4
    assert_allclose(found.relative[2], times, rtol=0.01)
    assert_allclose(np.delete(found.relative, 2), 1.0, atol=0.01)
    assert found.relative_se[2] < 0.01 * times


def test_a_current_that_never_holds_has_no_clean_step():
    """Look-alikes: a ramp of minutes, a sine, noise, and steps across a pause of the logger."""
    t = np.arange(600.0)
    none = np.zeros(600, int)
    for current in (
        np.clip(t - 100, 0, 300),
        80 * np.sin(t / 15),
        np.random.default_rng(2).normal(0, 50, 600),
        np.full(600, np.nan),
        np.zeros(600),
    ):
        assert clean_steps(t, current, none, CAPACITY) == []
    step = np.where(t < 300, 0.0, 100.0)
    assert len(clean_steps(t, step, none, CAPACITY)) == 1
    assert clean_steps(np.where(t < 300, t, t + 5000), step, (t >= 300).astype(int), CAPACITY) == []
    assert clean_steps(t[:3], step[:3], none[:3], CAPACITY) == []


def test_a_small_step_is_none_and_the_moment_of_a_ramp_is_its_middle():
    """3 % of the capacity per hour is the least; a ramp of 6 s from 100 to 106 s has half of its charge at 103 s."""
    t = np.arange(300.0)
    none = np.zeros(300, int)
    assert clean_steps(t, np.where(t < 100, 0.0, 2.9), none, CAPACITY) == []
    assert len(clean_steps(t, np.where(t < 100, 0.0, 3.1), none, CAPACITY)) == 1
    (ramp,) = clean_steps(t, np.clip((t - 100) / 6, 0, 1) * 90.0, none, CAPACITY)
    assert ramp.moment == pytest.approx(103.0, abs=0.1)
    assert ramp.amps == 90.0 and 5.0 <= ramp.ramp_s <= 7.0


def test_steps_answer_by_cell_and_by_direction():
    """Charge or discharge, and in whatever order the cells stand: the same ohms."""
    seconds, current = load([(60, 0.0), (60, 100.0), (60, 0.0)])
    ohm = 1e-3 * np.linspace(0.8, 1.4, 7)
    noise = np.random.default_rng(3).normal(0, 3e-4, (len(current), 7))
    one = fitted(seconds, current, 3.7 - current[:, None] * ohm + noise)[1]
    other = fitted(seconds, -current, 3.7 + current[:, None] * ohm - noise)[1]
    assert_allclose(other.ohm, one.ohm, rtol=1e-6)
    turned = fitted(seconds, current, (3.7 - current[:, None] * ohm + noise)[:, ::-1])[1]
    assert_allclose(turned.ohm[::-1], one.ohm, rtol=1e-6)
    assert_allclose(one.ohm, ohm, rtol=0.01)


def test_a_mean_over_steps_by_its_errors_and_its_scatter():
    """Ratios 1.0 and 1.3 known to 0.1 and 0.2: (100 + 32.5) / 125 = 1.06, formal error 1 / sqrt(125) (by hand)."""
    ratio, se = np.array([[1.0] * 4, [1.3] * 4]), np.array([[0.1] * 4, [0.2] * 4])
    mean, error = _weighted(ratio, se, np.ones(4, bool))
    assert_allclose(mean, 1.06)
    chi2 = 100 * 0.06**2 + 25 * 0.24**2  # of one degree of freedom
    assert_allclose(error, np.hypot(np.sqrt(max(chi2, 1.0) / 125), 0.003 / np.sqrt(2)), rtol=1e-6)
    alone, own = _weighted(ratio[:1], se[:1], np.ones(4, bool))
    assert_allclose(alone, 1.0)
    assert_allclose(own, 0.1)
    holed = ratio.copy()
    holed[0, 2] = np.nan
    assert_allclose(_weighted(holed, se, np.ones(4, bool))[0][2], 1.3)


def test_a_cell_whose_steps_disagree_is_less_sure_than_the_others():
    rng = np.random.default_rng(4)
    ratio = 1.0 + rng.normal(0, 0.004, (8, 10))
    ratio[:, 7] += rng.normal(0, 0.1, 8)
    _, error = _weighted(ratio, np.full((8, 10), 0.004), np.ones(10, bool))
    assert error[7] > 5 * np.delete(error, 7).max()


def test_a_reading_that_bleeding_moves_tells_nothing_of_its_cell():
    """Cell 3 is bled from the step on: it and the cells beside it are left out, the others stay."""
    seconds, current = load([(60, 0.0), (60, 100.0)])
    volts = np.repeat(np.where(current > 0, 3.520, 3.700)[:, None], 8, axis=1)
    flags = np.zeros(volts.shape, bool)
    flags[61:, 3] = True
    steps = clean_steps(seconds, current, np.zeros(len(seconds), int), CAPACITY)
    every = np.ones(8, bool)
    found = step_fit(steps, Readings(seconds, current, volts, 1.0, 1.0, 0.0, every, flags), np.zeros((1, 8)))
    assert np.isnan(found.ohm[[2, 3, 4]]).all()
    assert_allclose(found.ohm[[0, 1, 5, 6, 7]], 1.8e-3, rtol=1e-6)
    # where all are bled alike nothing parts them
    flags[:] = True
    found = step_fit(steps, Readings(seconds, current, volts, 1.0, 1.0, 0.0, every, flags), np.zeros((1, 8)))
    assert np.isfinite(found.ohm).all()


def test_a_step_that_moves_no_voltage_or_the_wrong_way_is_no_resistance():
    seconds, current = load([(60, 0.0), (60, 100.0)])
    still = np.full((len(current), 4), 3.7)
    assert fitted(seconds, current, still)[1] is None
    wrong = 3.7 + 1e-3 * current[:, None] * np.ones(4)
    assert fitted(seconds, current, wrong)[1] is None


@pytest.mark.parametrize("scale", [0.1, 10.0])
def test_a_current_read_times_another_factor_divides_the_ohms(scale):
    seconds, current = load([(60, 0.0), (60, 100.0), (60, 0.0)])
    volts = 3.7 - 1e-3 * current[:, None] * np.linspace(0.9, 1.2, 5)
    one = fitted(seconds, current, volts)[1]
    steps = clean_steps(seconds, scale * current, np.zeros(len(seconds), int), scale * CAPACITY)
    readings = Readings(seconds, scale * current, volts, 1.0, 1.0, 0.0, np.ones(5, bool))
    other = step_fit(steps, readings, np.zeros((len(steps), 5)))
    assert_allclose(other.ohm * scale, one.ohm, rtol=1e-6)
    assert_allclose(other.relative, one.relative, rtol=1e-6)
    assert other.amps == pytest.approx(scale * one.amps)
