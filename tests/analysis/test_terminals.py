"""Resistance outside the taps and the lag of the current, against planted values."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lfilter

from bmslogs.analysis import terminals
from bmslogs.analysis.terminals import current_lag, outside_taps
from bmslogs.base.errors import NotEnoughData

ROWS = 2400
SECONDS = np.arange(ROWS, dtype=float)
NONE = np.zeros(ROWS, dtype=np.int64)
OUTSIDE, SHIFT = 2.0e-3, 0.03


def drive(seed=3):
    """Return a current [A] of stops and pulls that holds each level for some seconds."""
    rng = np.random.default_rng(seed)
    levels = rng.choice([0.0, 0.0, 20.0, 45.0, -15.0], ROWS // 6 + 1) * rng.uniform(0.9, 1.0, ROWS // 6 + 1)
    return np.repeat(levels, 6)[:ROWS]


def cells(current, count=8):
    """Return the sum [V] of `count` cells on a flat curve: a drop at once and one that takes 40 s."""
    slow = lfilter([1 - np.exp(-1 / 40)], [1, -np.exp(-1 / 40)], current)
    return count * (3.30 - 0.8e-3 * current - 0.6e-3 * slow)


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_a_pack_voltage_in_steps_of_a_tenth_of_a_volt(noise, monkeypatch):
    """On a flat curve such a reading stands on the same few steps all along, and its rounding does not average out."""
    rng = np.random.default_rng(5)
    plain, found, halves = [], [], []
    for seed in range(12):
        current = drive(seed)
        total = cells(current) + rng.uniform(-0.05, 0.05)
        pack = np.round((total - OUTSIDE * current + SHIFT + rng.normal(0, noise, ROWS)) / 0.1) * 0.1
        ohm, half, shift = outside_taps(pack, total, current, SECONDS, NONE)
        assert_allclose(shift, SHIFT, atol=0.02)
        found.append(ohm - OUTSIDE)
        halves.append(half)
        with monkeypatch.context() as patch:
            patch.setattr(terminals, "ROUNDING_TURNS", 0)
            plain.append(outside_taps(pack, total, current, SECONDS, NONE)[0] - OUTSIDE)
    rms = np.sqrt((np.array([plain, found]) ** 2).mean(axis=1))
    assert rms[1] < 0.6 * rms[0]  # without telling the rounding from the cells
    assert (np.abs(found) < halves).sum() >= 11
    assert np.median(halves) < 0.1 * OUTSIDE


def test_a_pack_reading_of_another_scale_widens_the_interval():
    """A scale of 1 % on a flat curve cannot be told from a shift: the cells' own ohms come in with it."""
    current = drive()
    total = cells(current)
    pack = 1.01 * total - OUTSIDE * current + np.random.default_rng(1).normal(0, 0.005, ROWS)
    ohm, half, _ = outside_taps(pack, total, current, SECONDS, NONE)
    assert abs(ohm - OUTSIDE) < half
    fair = outside_taps(total - OUTSIDE * current, total, current, SECONDS, NONE)
    assert fair[1] < 0.5 * half


def test_a_current_that_holds_tells_nothing():
    with pytest.raises(NotEnoughData):
        outside_taps(np.full(ROWS, 26.0), np.full(ROWS, 26.1), np.full(ROWS, 20.0), SECONDS, NONE)


@pytest.mark.parametrize("lag", [-0.4, 0.0, 0.6])
def test_the_lag_of_a_current_that_is_read_late(lag):
    fine = np.arange(0, ROWS, 0.1)
    current = np.interp(fine, SECONDS, drive())
    volts = 3.7 - 1.5e-3 * current - 1e-5 * np.cumsum(current) * 0.1
    read = np.interp(SECONDS - lag, fine, current)
    found, half = current_lag(np.interp(SECONDS, fine, volts), read, SECONDS, NONE, (4.0, 20.0))
    assert abs(found - lag) < half < 0.5


def test_steps_wider_than_what_the_voltage_moves_are_owned_up_to():
    """Steps of 5 V under swings of half a volt: the answer, if there is one, is said to be worth little."""
    current = drive()
    total = cells(current)
    pack = np.round((total - OUTSIDE * current) / 5.0) * 5.0
    try:
        ohm, half, _ = outside_taps(pack, total, current, SECONDS, NONE)
    except NotEnoughData:
        return
    assert abs(ohm - OUTSIDE) < half and half > 0.5 * OUTSIDE
