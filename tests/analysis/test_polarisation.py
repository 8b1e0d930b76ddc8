"""Filters of the current against differential equations solved by scipy, and charges counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from bmslogs.analysis.polarisation import (
    charge_drawn,
    hysteresis_state,
    low_pass,
    shift_times,
    shifted_currents,
)


def one_section(t):
    return np.zeros(len(t), np.int64)


def solved(current, t, tau):
    """df/dt = (I - f) / tau from nought, I straight between rows: scipy's Runge-Kutta, row by row."""
    out = [0.0]
    for k in range(1, len(t)):
        slope = (current[k] - current[k - 1]) / (t[k] - t[k - 1])

        def rate(x, f, k=k, slope=slope):
            return (current[k - 1] + slope * (x - t[k - 1]) - f) / tau

        found = solve_ivp(rate, (t[k - 1], t[k]), [out[-1]], rtol=1e-10, atol=1e-10)
        out.append(float(found.y[0, -1]))
    return np.array(out)


TIMES = {
    "every second": np.arange(60.0),
    "jittered": np.cumsum(np.random.default_rng(1).uniform(0.7, 1.3, 60)),
    "some rows missing": np.delete(np.arange(80.0), np.arange(20, 41)),
    "seldom, and dense for moments": np.concatenate(
        [
            np.arange(0, 101, 10.0),
            np.arange(101, 107, 1.0),
            np.arange(110, 241, 10.0),
            np.arange(241, 246, 1.0),
        ]
    ),
}


@pytest.mark.parametrize("tau", [2.0, 30.0, 400.0])
@pytest.mark.parametrize("times", TIMES.values(), ids=TIMES.keys())
def test_the_filter_solves_its_differential_equation(times, tau):
    current = np.random.default_rng(2).normal(0, 100, len(times))
    assert_allclose(low_pass(current, times, one_section(times), tau), solved(current, times, tau), atol=1e-5)


def test_a_pulse_between_seldom_rows_is_not_stepped_over():
    """Rows every 10 s and every second about a pulse of 5 s and 200 A: by hand, the pulse leaves
    200 A (1 - e^(-5/30)) = 30.7 A in a filter of 30 s, and its ramps of a second half a second more at each end."""
    t = np.concatenate([np.arange(0, 91, 10.0), np.arange(92, 100, 1.0), np.arange(100, 401, 10.0)])
    current = np.where((t >= 93) & (t <= 98), 200.0, 0.0)
    found = low_pass(current, t, one_section(t), 30.0)
    at_end = found[np.searchsorted(t, 99.0)]
    assert_allclose(at_end, 200.0 * (1 - np.exp(-6 / 30)), rtol=0.03)


def test_a_steady_current_comes_up_as_one_minus_e():
    """By hand: I (1 - exp(-t / tau)), 63.2 % of it after one time constant."""
    t = np.arange(0.0, 121.0, 0.5)
    found = low_pass(np.full(len(t), 50.0), t, one_section(t), 60.0)
    assert_allclose(found, 50.0 * (1 - np.exp(-t / 60.0)), atol=1e-10)
    assert found[0] == 0.0


def test_each_section_begins_at_nought():
    t = np.concatenate([np.arange(50.0), 5000.0 + np.arange(50.0)])
    section = np.repeat([0, 1], 50)
    found = low_pass(np.full(100, 10.0), t, section, 20.0)
    assert_allclose(found[50:], found[:50], atol=1e-12)
    # a section of one row, and rows of one and the same moment
    assert low_pass(np.array([7.0]), np.array([3.0]), np.zeros(1, np.int64), 20.0).tolist() == [0.0]
    twice = np.array([0.0, 1.0, 1.0, 5.0])
    assert np.isfinite(low_pass(np.array([0.0, 10.0, 20.0, 20.0]), twice, one_section(twice), 3.0)).all()


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0.01, 500.0), min_size=2, max_size=40),
    st.floats(0.5, 5000.0),
    st.integers(0, 1000),
    st.floats(-1e3, 1e3),
)
def test_the_filter_is_linear_and_never_passes_what_flowed(steps, tau, seed, factor):
    t = np.concatenate([[0.0], np.cumsum(steps)])
    rng = np.random.default_rng(seed)
    a, b = rng.normal(0, 100, (2, len(t)))
    section = one_section(t)
    one, two = low_pass(a, t, section, tau), low_pass(b, t, section, tau)
    both = low_pass(factor * a + b, t, section, tau)
    assert_allclose(both, factor * one + two, atol=1e-7 * (abs(factor) + 1) * 1e3)
    assert np.all(np.abs(one) <= np.abs(a).max() * (1 + 1e-9))


def test_the_scale_of_time_is_free():
    """Seconds or hours: a filter knows only times over its time constant."""
    t = np.cumsum(np.random.default_rng(3).uniform(0.5, 3.0, 100))
    current = np.random.default_rng(4).normal(0, 50, 100)
    s = one_section(t)
    assert_allclose(low_pass(current, t, s, 40.0), low_pass(current, t / 3600, s, 40.0 / 3600), atol=1e-9)


def test_charge_by_hand():
    """30 A for an hour are 30 Ah; a ramp from 0 to 60 A over an hour is as much; charging counts down."""
    t = np.linspace(0, 3600, 7)
    assert_allclose(charge_drawn(np.full(7, 30.0), t, one_section(t))[-1], 30.0)
    assert_allclose(charge_drawn(np.linspace(0, 60, 7), t, one_section(t))[-1], 30.0)
    assert_allclose(charge_drawn(np.full(7, -30.0), t, one_section(t))[-1], -30.0)


def test_no_charge_is_counted_over_a_pause():
    """Two hours of 10 A with a day between them, by hand: 10 + 10 Ah, and nothing for the day."""
    t = np.concatenate([np.linspace(0, 3600, 61), 90_000 + np.linspace(0, 3600, 61)])
    section = np.repeat([0, 1], 61)
    found = charge_drawn(np.full(122, 10.0), t, section)
    assert_allclose(found[[60, 61, 121]], [10.0, 10.0, 20.0])


def test_the_current_of_another_moment_less_the_row_s_own():
    """A ramp of 2 A/s: 3 s later 6 A more, until the end of the section, beyond which the last one stands (by hand)."""
    t = np.arange(10.0)
    found = shifted_currents(2.0 * t, t, one_section(t), (3.0, -3.0))
    assert_allclose(found[:, 0], [6, 6, 6, 6, 6, 6, 6, 4, 2, 0])
    assert_allclose(found[:, 1], [0, -2, -4, -6, -6, -6, -6, -6, -6, -6])
    steady = shifted_currents(np.full(10, 80.0), t, one_section(t), shift_times(1.0))
    assert not steady.any()  # a steady current tells no shift: these columns leave a resistance alone


def test_times_about_a_row():
    """Rows closer than half a second tell at half a second and a second either way, others at their neighbours."""
    assert shift_times(0.1) == (-1.0, -0.5, 0.5, 1.0)
    assert shift_times(2.0) == (-2.0, 2.0)


def test_a_shift_does_not_reach_into_another_section():
    t = np.concatenate([np.arange(5.0), 100.0 + np.arange(5.0)])
    current = np.repeat([0.0, 100.0], 5)
    found = shifted_currents(current, t, np.repeat([0, 1], 5), (-1.0, 1.0))
    assert not found.any()


def test_hysteresis_turns_over_with_the_charge_and_not_with_time():
    """dh/dq = (sign - h) / M by hand: 1 - e^-q/M on discharge, and back from h0 as -1 + (1 + h0) e^-q/M on charge."""
    t = np.arange(0.0, 7201.0, 10.0)
    current = np.where(t < 3600, 20.0, -20.0)
    memory = 5.0
    found = hysteresis_state(current, t, one_section(t), memory)
    turned = 1 - np.exp(-20.0 / memory)
    assert_allclose(found[np.searchsorted(t, 1800.0), 0], 1 - np.exp(-10.0 / memory), atol=0.01)
    assert_allclose(found[-1, 0], -1 + (1 + turned) * np.exp(-20.0 / memory), atol=0.02)
    assert_allclose(found[-1, 1], np.exp(-40.0 / memory), atol=1e-4)
    slower = hysteresis_state(current / 10, 10 * t, one_section(t), memory)
    assert_allclose(slower[:, 0], found[:, 0], atol=1e-9)


def test_where_nothing_flows_hysteresis_stays():
    t = np.arange(100.0)
    found = hysteresis_state(np.zeros(100), t, one_section(t), 3.0)
    assert_allclose(found, np.stack([np.zeros(100), np.ones(100)], axis=1))
