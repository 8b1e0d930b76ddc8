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


@pytest.mark.parametrize("ohm", [0.0, 0.5e-3, 5e-3, 0.1, 2.0])
def test_a_resistance_outside_the_taps_is_told_however_large(ohm):
    """Half a milliohm to two ohms of a burnt contactor (planted), a pack voltage in steps of 10 mV."""
    current = drive()
    total = cells(current)
    pack = np.round(total - ohm * current + SHIFT, 2)
    found, half, shift = outside_taps(pack, total, current, SECONDS, NONE)
    assert abs(found - ohm) < half
    assert half < 0.15 * ohm + 0.2e-3
    assert_allclose(shift, SHIFT, atol=0.01)


def test_a_current_the_other_way_round_turns_the_sign_and_nothing_else():
    current = drive()
    total = cells(current)
    pack = np.round(total - OUTSIDE * current, 3)
    one = outside_taps(pack, total, current, SECONDS, NONE)
    two = outside_taps(pack, total, -current, SECONDS, NONE)
    assert_allclose([two[0], two[2]], [-one[0], one[2]], rtol=1e-6, atol=1e-9)


def test_a_long_log_is_asked_for_its_lag_where_it_is_busy(monkeypatch):
    """An hour of rest before ten minutes of drive: the drive alone is looked at, and tells the same."""
    monkeypatch.setattr(terminals, "LAG_ROWS", 1200)
    current = np.concatenate([np.zeros(3600), drive()[:1200]])
    t = np.arange(4800.0)
    volts = 3.7 - 1.5e-3 * np.interp(t + 0.4, t, current) - np.cumsum(current) * 1e-7
    found, half = current_lag(volts, current, t, np.zeros(4800, np.int64), (4.0, 20.0))
    assert abs(found - 0.4) < half + 0.15


@pytest.mark.parametrize(
    ("every_s", "current", "why"),
    [(5.0, drive(), "apart"), (1.0, np.full(ROWS, 20.0), "few steps"), (1.0, drive() * 1e-3, "few steps")],
)
def test_what_tells_no_lag_is_refused(every_s, current, why):
    with pytest.raises(NotEnoughData, match=why):
        current_lag(3.7 - 1e-3 * current, current, every_s * SECONDS, NONE, (4.0,))
