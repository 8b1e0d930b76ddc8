"""The load fit against strings whose resistance is known by hand, and the block fit against certified regression."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis import polarisation, resistance
from bmslogs.analysis.regression import block_fit, equal_blocks
from bmslogs.base.errors import NotEnoughData


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
    rate = polarisation.current_steps(current, section)
    return resistance.load_fit(
        volts, charge, current, filters, rate, section, seconds, equal_blocks(len(seconds), 8), taus, 1.0,
        knot_every=5.0, rms_A=rms_A,
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


def test_a_steady_current_is_refused():
    seconds = np.arange(1200.0)
    current = np.full(1200, 30.0)
    with pytest.raises(NotEnoughData):
        fitted(string(seconds, current, np.array([[1e-3]]), 0.0, 20.0), seconds, current)
