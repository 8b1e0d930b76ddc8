"""Physical formulas against standards, data sheet tables and textbook examples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.reference import (
    arrhenius_factor,
    bleed_current,
    bleed_hours,
    pack_charge,
    reduce_to_temperature,
)
from bmslogs.base.errors import NotEnoughData


def test_arrhenius_acceleration():
    # common textbook value of reliability work: 0.7 eV, 55 to 125 degC speeds up 77.6 to 78 times
    assert_allclose(1 / arrhenius_factor(125.0, 55.0, 0.7), 77.65, atol=0.01)
    assert_allclose(arrhenius_factor([0, 10, 40], 25.0, 0.3), [2.9116, 1.8563, 0.5716], atol=6e-5)


def test_reduction_finds_the_planted_activation_energy():
    t = np.array([8, 9, 11, 12, 14, 15, 17, 18.0])
    r = 1e-3 * arrhenius_factor(t, 15.0, 0.25)
    found = reduce_to_temperature(t, r, 0.005 * r, 15.0)
    assert_allclose(found.value, 1e-3, rtol=0.002)
    assert abs(found.activation - 0.25) < 0.02
    assert reduce_to_temperature([20.0], [1e-3], [1e-5], 20.0).half_width == pytest.approx(1e-5, rel=1e-6)
    with pytest.raises(NotEnoughData, match="degC"):
        reduce_to_temperature(t, r, 0.005 * r, 35.0)


def test_reduced_interval_covers():
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(500):
        t = rng.uniform(8, 18, 6)
        r = 1e-3 * arrhenius_factor(t, 18.0, rng.normal(0.30, 0.08)) * np.exp(rng.normal(0, 0.01, 6))
        found = reduce_to_temperature(t, r, 1.96 * 0.01 * r, 18.0)
        hits.append(abs(found.value - 1e-3) <= found.half_width)
    assert np.mean(hits) > 0.93


def test_bleeding():
    # Ohm's law by hand: 3.65 V over 33 ohm
    assert_allclose(bleed_current(3.65, 33), 0.110606, atol=5e-7)
    assert_allclose(bleed_hours(3.0, 3.65, 33), 27.123, atol=5e-4)


def test_pack_charge_of_two_cells():
    # Jiang and Zhang, chapter 6: 100 Ah at 75 % in series with 90 Ah at 50 %
    found = pack_charge([100, 90], [0.75, 0.50])
    assert_allclose(found[:5], [45, 25, 70, 90, 20])
    assert_allclose(found.usable / found.balanced, 0.7778, atol=5e-5)
    assert found.gain_by_replacing == 10


@pytest.mark.parametrize("ea", [0.1, 0.3, 0.7])
def test_arrhenius_laws_multiply_and_invert(ea):
    """R(a)/R(b) R(b)/R(c) = R(a)/R(c), one at the reference, and the colder the more."""
    a, b, c = -10.0, 15.0, 40.0
    assert_allclose(arrhenius_factor(a, b, ea) * arrhenius_factor(b, c, ea), arrhenius_factor(a, c, ea))
    assert arrhenius_factor(b, b, ea) == 1.0
    assert np.all(np.diff(arrhenius_factor(np.linspace(-30, 60, 50), 20.0, ea)) < 0)


def test_one_log_is_referred_by_the_usual_energy_and_its_doubt():
    """By hand: 5 K colder than asked, exp(-0.3/k (1/278.15 - 1/283.15)) of it; 0.08 eV unsure add 5.9 %."""
    found = reduce_to_temperature(5.0, 2e-3, 2e-5, 10.0)
    lever = (1 / 278.15 - 1 / 283.15) / 8.617333e-5
    assert_allclose(found.value, 2e-3 * np.exp(-0.3 * lever), rtol=1e-6)
    assert_allclose(found.half_width / found.value, np.hypot(0.01, 1.96 * 0.08 * lever), rtol=1e-3)
    assert_allclose([found.activation, found.activation_sd], [0.30, 0.08], rtol=1e-3)


def test_logs_that_disagree_widen_the_interval():
    alike = reduce_to_temperature([20.0] * 4, [1e-3] * 4, 1e-5, 20.0)
    apart = reduce_to_temperature([20.0] * 4, [0.9e-3, 1.1e-3, 0.9e-3, 1.1e-3], 1e-5, 20.0)
    assert_allclose(alike.half_width, 0.5e-5, rtol=1e-3)  # four of one width
    assert apart.half_width > 10 * alike.half_width
    # their scatter of 11.5 % (ddof 1) over four, by Student's 3.18
    assert_allclose(apart.half_width / apart.value, 3.182 * 0.1158 / 2, rtol=0.02)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e6])
def test_reduction_knows_no_unit_and_leaves_out_what_is_not_known(scale):
    t, r = np.array([8.0, 12.0, 18.0]), np.array([1.3e-3, 1.1e-3, 1.0e-3])
    one = reduce_to_temperature(t, r, 2e-5, 12.0)
    other = reduce_to_temperature(t[::-1], scale * r[::-1], scale * 2e-5, 12.0)
    assert_allclose(other[:2], scale * np.array(one[:2]))
    assert_allclose(other[2:], one[2:])
    holed = reduce_to_temperature(
        np.append(t, [np.nan, 12.0, 12.0]), np.append(r, [1e-3, np.nan, -1e-3]), np.full(6, 2e-5), 12.0
    )
    assert_allclose(holed, one)
    with pytest.raises(NotEnoughData, match="temperature"):
        reduce_to_temperature([np.nan], [1e-3], [1e-5], 20.0)


@pytest.mark.parametrize(
    ("asked", "told"), [(18.0, True), (28.0, True), (28.1, False), (-2.0, True), (-2.1, False)]
)
def test_no_further_than_ten_kelvin_beyond_the_logs(asked, told):
    t, r = np.array([8.0, 18.0]), np.array([1.2e-3, 1e-3])
    if told:
        assert reduce_to_temperature(t, r, 1e-5, asked).value > 0
    else:
        with pytest.raises(NotEnoughData, match="within 10 K"):
            reduce_to_temperature(t, r, 1e-5, asked)


def test_strings_of_equal_and_of_single_cells():
    assert_allclose(pack_charge([60.0], [0.3]), [18.0, 42.0, 60.0, 60.0, 0.0, 0.0])
    assert_allclose(pack_charge([60.0] * 4, 0.5), [30.0, 30.0, 60.0, 60.0, 0.0, 0.0])
    # in what order they stand in series is nothing to the string
    q, z = np.array([100.0, 90.0, 95.0]), np.array([0.75, 0.5, 0.6])
    assert pack_charge(q, z) == pack_charge(q[::-1], z[::-1])


def test_bleeding_for_half_of_the_time_takes_twice_as_long():
    assert_allclose(bleed_hours(3.0, 3.65, 33, duty=0.5), 2 * 27.123, atol=1e-3)
    assert_allclose(bleed_hours([0.0, 6.0], 3.65, 33), [0.0, 2 * 27.123], atol=1e-3)
