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
