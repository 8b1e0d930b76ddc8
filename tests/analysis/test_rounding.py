"""Rounding of a steady voltage, against readings rounded by numpy (planted voltage and noise)."""

import numpy as np
import pytest

from bmslogs.analysis.rounding import lasting_error


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
