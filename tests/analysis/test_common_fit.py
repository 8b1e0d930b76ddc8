"""Cells fitted together on short strings: what is planted comes back, whatever unit, order or size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis.common_fit import SplitData, _about_the_mean, _mean_log, fit_together, mean_over
from bmslogs.analysis.numerics import calm
from bmslogs.analysis.split import split
from bmslogs.base.errors import NotEnoughData

CELLS, CAPACITY, OHM, NOISE_V = 6, 40.0, 1.5e-3, 5e-4
EVERY = np.ones(CELLS, bool)


def curve(q):
    """An invented open-circuit curve over the charge drawn [Ah]: a slope with a step in it."""
    return 3.95 - 0.008 * q + 0.05 * np.tanh((14 - q) / 3)


def string(a=None, b=None, r=None, seed=1, rows=160):
    """A discharge of 26 of 40 Ah at 10 to 40 A, read once a minute; cells as planted. Origin: planted."""
    rng = np.random.default_rng(seed)
    a, b, r = (np.zeros(CELLS) if x is None else np.asarray(x, float) for x in (a, b, r))
    current = 10.0 + 15.0 * (1 + np.sin(np.arange(rows) / 3.0))
    q = np.cumsum(current) / 60.0 * 26.0 / (current.sum() / 60.0)
    x = q[:, None] * (1 + b) - a
    volts = curve(x) - OHM * current[:, None] * (1 + r) + rng.normal(0, NOISE_V, x.shape)
    return SplitData(
        volts,
        np.repeat(q[:, None], CELLS, 1),
        -current[:, None],
        current,
        (np.arange(rows) * 8 // rows).astype(np.int64),
        CAPACITY,
        OHM,
        NOISE_V,
        60.0,
    )


def fitted(data, reference=EVERY):
    with calm():
        return fit_together(data, reference)


ODD = np.arange(CELLS) == 4


@pytest.mark.parametrize("offset", [0.4, -1.5, 4.0])
def test_a_planted_offset_comes_back(offset):
    found = fitted(string(a=offset * ODD))
    assert_allclose(found.a, offset * ODD, atol=0.06)
    assert_allclose(found.b, 0.0, atol=0.006)
    assert np.all(np.abs(found.a - offset * ODD) < 3.5 * found.se["a"] + 0.02)


@pytest.mark.parametrize("lack", [0.02, 0.08, 0.14])
def test_a_planted_lack_of_capacity_comes_back(lack):
    found = fitted(string(b=lack * ODD))
    assert_allclose(found.b, lack * ODD, atol=0.006)
    assert found.b[4] - 3 * found.se["b"][4] > np.delete(found.b, 4).max()


@pytest.mark.parametrize("excess", [0.2, 0.5])
def test_a_planted_excess_of_resistance_comes_back(excess):
    """By its cell's share of the mean cell's: the excess is one over a mean that it lifts itself."""
    found = fitted(string(r=excess * ODD))
    mean = 1 + excess / CELLS
    told = found.r + found.rho / OHM
    assert_allclose(told[4] - np.delete(told, 4).mean(), excess / mean, rtol=0.15)
    assert_allclose(found.a, 0.0, atol=0.08)


@pytest.mark.parametrize("excess", [0.6, 5.0])
def test_a_cell_too_far_for_the_common_fit_is_found_by_itself(excess):
    """Beyond some half more resistance the common fit may stop in a false valley: the cell is told as by itself."""
    with calm():
        found = split(string(r=excess * ODD), EVERY)
    assert found.far.tolist() == ODD.tolist()
    assert_allclose(found.r + found.rho / OHM, excess * ODD, atol=0.02)
    assert_allclose(found.a, 0.0, atol=0.06)


def test_cells_answer_by_their_place_and_what_is_no_reference_by_nan():
    data, turn = string(a=1.0 * ODD), np.array([4, 2, 0, 5, 1, 3])
    one = fitted(data)
    two = fitted(replace(data, volts=data.volts[:, turn], charge=data.charge[:, turn]))
    assert_allclose(two.a, one.a[turn], atol=0.01)
    assert_allclose(two.b, one.b[turn], atol=0.001)
    some = np.arange(CELLS) != 2
    left = fitted(data, some)
    assert np.isnan(left.a[2]) and np.isnan(left.se["a"][2]) and np.isfinite(left.a[some]).all()


def test_the_unit_of_charge_is_free():
    """A pack a thousand times as large under as much more current, at a thousandth of the resistance."""
    data = string(a=1.0 * ODD, b=0.05 * ODD)
    large = replace(
        data,
        charge=1e3 * data.charge,
        current=1e3 * data.current,
        polar=1e3 * data.polar,
        capacity=1e3 * CAPACITY,
        resistance=1e-3 * OHM,
    )
    one, other = fitted(data), fitted(large)
    assert_allclose(other.a / 1e3, one.a, atol=0.01)
    assert_allclose(other.b, one.b, atol=0.001)
    assert_allclose([other.q_low, other.q_high], [1e3 * one.q_low, 1e3 * one.q_high])


def test_what_was_bled_from_a_cell_is_no_lack_of_it():
    """0.5 Ah bled from one cell along the way, counted in its own charge: neither emptier nor smaller."""
    data = string()
    bled = np.linspace(0.0, 0.5, len(data.charge))
    x = data.charge.copy()
    x[:, 4] += bled
    volts = data.volts.copy()
    volts[:, 4] += curve(x[:, 4]) - curve(data.charge[:, 4])
    found = fitted(replace(data, volts=volts, charge=x))
    assert_allclose(found.a, 0.0, atol=0.06)
    assert_allclose(found.b, 0.0, atol=0.006)


def test_the_string_s_curve_is_the_planted_one():
    found = fitted(string())
    q = np.linspace(found.q_low + 1, found.q_high - 1, 40)
    shape = found.curve(q) - curve(q)
    assert np.ptp(shape) < 0.006  # its level hangs on the polarisation taken off it
    assert_allclose(found.slope(q), (curve(q + 0.01) - curve(q - 0.01)) / 0.02, atol=0.004)
    drop = found.mean_polarisation(q) + OHM * mean_over(found.charge, string().current, q)
    assert np.ptp(drop) < 0.006


def test_intervals_hold_sound_strings():
    """Four strings of six alike: 95 % of all offsets and lacks within two standard errors, and a floor."""
    holds = []
    for seed in range(4):
        found = fitted(string(seed=seed))
        t = stats.t.ppf(0.975, 7)
        holds += [np.abs(found.a) < t * found.se["a"], np.abs(found.b) < t * found.se["b"]]
    assert np.mean(holds) > 0.93


def test_hardly_any_charge_draws_no_curve():
    data = string()
    with pytest.raises(NotEnoughData, match="Ah moved"):
        fitted(replace(data, charge=data.charge * 0.005))
    few = slice(0, 39)
    with pytest.raises(NotEnoughData, match="39 samples"):
        fitted(
            replace(
                data,
                volts=data.volts[few],
                charge=data.charge[few],
                polar=data.polar[few],
                current=data.current[few],
            )
        )


def test_how_much_a_row_is_worth_by_hand():
    """Ten seconds of a minute are a sixth; of few rows eight are whole ones; what repeats is worth its share."""
    data = string()
    assert_allclose(replace(data, period_s=10.0).worth, 1 / 6)
    assert_allclose(data.worth, 1.0)
    assert_allclose(replace(data, period_s=0.1).worth, 8 / 160)
    new = np.linspace(0, 1, 160)
    assert_allclose(replace(data, period_s=10.0, new=new).worth, new / 6)


def test_means_over_charge_by_hand():
    """Rows nearest to 0, 10, 20 Ah: means of 1 and 3, of 5; nothing near 20 but what lies between its neighbours."""
    charge, values = np.array([-1.0, 4.0, 9.0, 31.0]), np.array([1.0, 3.0, 5.0, 9.0])
    assert_allclose(mean_over(charge, values, np.array([0.0, 10.0, 20.0, 30.0])), [2.0, 5.0, 7.0, 9.0])


def test_excesses_over_the_mean_cell():
    """30 % of one of three over the median are 1.3 / 1.1 over the mean, and the others 1 / 1.1 (by hand)."""
    excess, se = _about_the_mean(np.array([0.0, 0.3, 0.0]), np.array([0.011, 0.022, np.nan]))
    assert_allclose(excess, np.array([1.0, 1.3, 1.0]) / 1.1 - 1.0)
    assert_allclose(se, [0.01, 0.02, np.nan])
    assert np.isnan(_about_the_mean(np.full(2, np.nan), np.ones(2))[0]).all()


@pytest.mark.parametrize("rows", [1, 15, 16, 17, 163])
def test_the_mean_of_logarithms_is_numpy_s(rows):
    values = 1.0 + np.random.default_rng(rows).exponential(1e6, (rows, 3))
    assert_allclose(_mean_log(values), np.log(values).mean(axis=0))
