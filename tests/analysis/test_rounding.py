"""Rounding of a steady voltage, against readings rounded by numpy (planted voltage and noise)."""

import numpy as np
import pytest

from bmslogs.analysis.rounding import (
    lasting_error,
    mean_error,
    middle_error,
    share_of_news,
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
