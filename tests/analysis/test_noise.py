"""Noise of readings, planted and recovered, and the uniform law."""

import numpy as np
import pytest

from bmslogs.analysis.signals.noise import noise_by_changes, rounding_sd


def test_noise_is_told_beside_a_slow_course_and_a_jump():
    rng = np.random.default_rng(5)
    slow = 3.7 + np.linspace(0.0, 0.3, 4000)[:, None] + np.where(np.arange(4000) > 2000, 0.5, 0.0)[:, None]
    assert noise_by_changes(slow + rng.normal(0, 1e-3, (4000, 6))) == pytest.approx(1e-3, rel=0.03)


def test_rounding_of_uniform_values_scatters_as_the_uniform_law_says():
    values = np.random.default_rng(6).uniform(0.0, 1.0, 200_000)
    assert rounding_sd(0.01) == pytest.approx(float(np.std(values - np.round(values, 2))), rel=0.01)
