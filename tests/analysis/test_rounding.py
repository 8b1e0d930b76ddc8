"""Rounding of a steady voltage, against readings rounded by numpy (planted voltage and noise)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.analysis.rounding import (
    lasting_error,
    mean_error,
    middle_error,
    share_of_news,
    step_of,
    weighted_error,
)


@pytest.mark.parametrize("noise", [0.0002, 0.0005, 0.001, 0.002])
@pytest.mark.parametrize("step", [0.001, 0.002, 0.005])
def test_the_error_that_a_mean_keeps(noise, step):
    rng = np.random.default_rng(1)
    true = 3.7 + rng.uniform(0, step, 400)
    read = np.round((true + rng.normal(0, noise, (4000, 400))) / step) * step
    of_the_sample = read.var(axis=0).mean() / len(read)
    kept = np.sqrt(max(((read.mean(axis=0) - true) ** 2).mean() - of_the_sample, 0.0))
    found = lasting_error(float(np.sqrt(read.var(axis=0).mean())), step)
    assert found == pytest.approx(kept, rel=0.3, abs=0.03e-3)  # higher harmonics are left out


def test_without_noise_the_whole_rounding_stays():
    # step / (sqrt(2) pi) is the first harmonic of step / sqrt(12)
    assert lasting_error(0.0, 0.005) == pytest.approx(0.005 / np.sqrt(12), rel=0.25)


@pytest.mark.parametrize("noise", [0.0, 0.0003, 0.003])
def test_a_sum_of_rounded_readings(noise):
    """The slope of a line through rounded readings of many cells: the spread found among them against the one told."""
    rng, step, rows = np.random.default_rng(2), 0.002, 120
    true = 3.7 + rng.uniform(0, step, 400) + np.linspace(0, 1, rows)[:, None] * rng.uniform(-1, 1, 400) * step
    read = np.round((true + rng.normal(0, noise, (rows, 400))) / step) * step
    t = np.arange(rows) - (rows - 1) / 2
    weight = t / (t**2).sum()
    kept = float(np.sqrt(((weight @ (read - true)) ** 2).mean()))
    told = float(np.median([weighted_error(weight, one, step) for one in read.T]))
    assert 0.7 * kept < told < 2.0 * kept if noise < step / 2 else told < 1.2 * kept


def test_the_middle_of_cells_that_stand_in_one_step_is_rounded_with_them():
    step = 0.005
    own = np.full(50, 1.4e-3)
    assert middle_error(own, np.full(50, 3.7), step) > 1.3e-3
    assert middle_error(own, 3.7 + np.linspace(0, 0.05, 50), step) < 0.4e-3


@pytest.mark.parametrize("noise", [0.0, 0.001])
def test_means_of_single_cells(noise):
    rng, step = np.random.default_rng(4), 0.005
    true = 3.7 + rng.uniform(0, step, 300)
    read = np.round((true + rng.normal(0, noise, (200, 300))) / step) * step
    told = np.median(mean_error(read, step))
    assert told == pytest.approx(np.sqrt(((read.mean(axis=0) - true) ** 2).mean()), rel=0.5)


def test_a_rest_that_repeats_its_rounding_tells_little_and_a_noisy_one_all():
    """By hand: step / (sqrt(2) pi) = 1.1254 mV of 5 mV stay; 60 times (1.1254 / 1.0)^2 are 75.99: one part in 76.99."""
    still = np.full((200, 4), 3.7)
    assert share_of_news(still, 60.0, 0.005, 0.001) == pytest.approx(1 / 76.99, rel=1e-3)
    assert share_of_news(still, 0.0, 0.005, 0.001) == 1.0
    noisy = still + np.random.default_rng(3).normal(0.0, 0.01, still.shape)
    assert share_of_news(noisy, 60.0, 0.005, 0.001) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(("noise_in_steps", "left"), [(0.0, 1.0), (0.25, 0.2912), (0.5, 0.00719)])
def test_what_noise_leaves_of_rounding(noise_in_steps, left):
    """Widrow and Kollar (from memory): exp(-2 pi^2 s^2 / D^2) of it; e^-1.2337 = 0.2912 at a quarter step.

    Readings scatter by the noise and what of the rounding it stirs: variance s^2 + D^2 / 12 (1 - left^2).
    """
    step = 0.004
    seen = np.hypot(noise_in_steps * step, step / np.sqrt(12) * np.sqrt(1 - left**2))
    assert lasting_error(seen, step) == pytest.approx(left * step / (np.sqrt(2) * np.pi), rel=0.02, abs=1e-7)


def test_more_noise_never_leaves_more():
    left = [lasting_error(s, 0.005) for s in np.linspace(0, 0.02, 60)]
    assert np.all(np.diff(left) <= 1e-15) and left[-1] < 1e-6 * left[0]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(1e-3, 1e3))
def test_rounding_knows_no_unit_and_no_order_of_cells(seed, scale):
    rng = np.random.default_rng(seed)
    read = np.round(3.7 + rng.normal(0, 0.002, (80, 5)), 3)
    one = mean_error(read, 0.001)
    assert np.allclose(mean_error(scale * read[:, ::-1], scale * 0.001), scale * one[::-1], rtol=1e-6)
    assert mean_error(read, 0.0).tolist() == [0.0] * 5


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        ([3.700, 3.701, 3.705], 0.001),
        ([3.70, 3.75, 3.75], 0.05),
        ([[3.70, 3.72], [3.71, 3.70]], 0.01),
        ([3.7, 3.7], np.inf),
        ([3.70000001, 3.7], np.inf),  # a digit of a float is no step
        ([0.0, 2e-6], 1e-4),  # and none is finer than a tenth of a millivolt
    ],
)
def test_the_step_of_readings(readings, step):
    assert step_of(np.array(readings)) == pytest.approx(step)


def test_a_reading_that_stands_still_shares_its_error():
    """A hundred rows of equal weight: all moving 1 / sqrt(1200) of a step's; none moving, halves of 1 / sqrt(24)."""
    equal = np.full(100, 0.01)
    moving = 3.7 + 0.01 * np.arange(100)
    assert weighted_error(equal, moving, 0.01) == pytest.approx(0.01 / np.sqrt(12) / 10)
    assert weighted_error(equal, np.full(100, 3.7), 0.01) == pytest.approx(0.01 / np.sqrt(12) * np.sqrt(0.5))
    # weights that sum to nought over a reading that stands have nothing to err by, but for its two halves
    line = np.linspace(-1, 1, 100)
    assert weighted_error(line, np.full(100, 3.7), 0.01) > weighted_error(line, moving, 0.01)


@pytest.mark.parametrize(("own", "expected"), [([], np.nan), ([0.002] * 5, 0.002)])
def test_the_middle_of_none_and_of_cells_in_one_step(own, expected):
    found = middle_error(np.array(own), np.full(len(own), 3.7), 0.005)
    assert found == pytest.approx(expected * np.hypot(1.0, 1.25 / np.sqrt(max(len(own), 1))), nan_ok=True)
    assert middle_error(np.array(own), np.full(len(own), 3.7), 0.0) == 0.0
