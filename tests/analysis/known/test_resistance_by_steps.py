"""Resistances off single steps: half widths by hand, and a planted cell through the reading of a step."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.resistance_by_steps import by_steps
from bmslogs.analysis.models.step_resistance import Readings, Step, StepFit, clean_steps, step_fit
from tests.analysis.known.hand import circumstances

CELLS = 6
SPAN = {"soc_low": 0.4, "soc_high": 0.5}
STEP = Step(slice(0, 60), slice(60, 120), 60.0, 50.0, 0.0)


def fit(ratio, steps, se=0.0):
    ratio = np.asarray(ratio, float)
    growth = 0.5 * (ratio - 1.0)
    nought = np.zeros(CELLS)
    return StepFit(1e-3 * ratio, 0.02, ratio, np.full(CELLS, se), growth, nought, [STEP] * steps, 50.0)


def test_half_widths_by_hand():
    """What steps share 2 %, the sensor 1 %, the shape 1.5 %; ratios to 0.3 % and what the steps scatter, 0.4 %."""
    found = by_steps(fit(np.ones(CELLS), 3, 0.004), circumstances(CELLS, gain_sd=0.01), SPAN, 0.001)
    ratio = 1.96 * np.hypot(0.004, 0.003)
    assert_allclose(found.half_relative, ratio)
    assert_allclose(
        found.half_ohm, 1e-3 * np.hypot(1.96 * np.sqrt(0.02**2 + 0.01**2 + 0.015**2), ratio), rtol=1e-12
    )
    assert found.conditions == {"temperature_C": None, **SPAN, "step_A": 50.0, "steps": 3}
    assert found.why == (
        "3 clean steps of 50 A take 50 mV off a cell; with readings in steps of 1 mV that tells the cells apart to "
        "+-0.98 % only"
    )


def test_one_step_is_told_as_one():
    assert by_steps(fit(np.ones(CELLS), 1), circumstances(CELLS), SPAN, 0.001).why.startswith(
        "1 clean step of 50 A takes 50 mV off a cell"
    )


def test_which_share_of_an_excess_grows():
    """By hand: 20 % more, of which the growth takes half."""
    ratio = np.where(np.arange(CELLS) == 2, 1.2, 1.0)
    found = by_steps(fit(ratio, 3), circumstances(CELLS), SPAN, 0.001)
    assert_allclose(found.scale_share[2], 0.5)
    assert np.isnan(found.scale_share[0])  # no excess, no share


def test_a_planted_cell_is_found_through_one_step():
    """Planted: 1 mohm under a step of 60 A, one cell 15 % more, 0.3 mV of noise."""
    current = np.repeat([0.0, 60.0], 120)
    seconds = np.arange(240.0)
    ratio = np.where(np.arange(CELLS) == 4, 1.15, 1.0)
    volts = 3.7 - 1e-3 * ratio * current[:, None] + np.random.default_rng(7).normal(0, 3e-4, (240, CELLS))
    steps = clean_steps(seconds, current, np.zeros(240, int), 100.0)
    readings = Readings(seconds, current, volts, 1.0, 1.0, 1e-4, np.ones(CELLS, bool))
    read = step_fit(steps, readings, np.zeros((len(steps), CELLS)))
    assert read is not None
    found = by_steps(read, circumstances(CELLS), SPAN, 1e-4)
    assert abs(found.relative[4] - 1.15) < found.half_relative[4] < 0.05
    assert (np.abs(np.delete(found.relative, 4) - 1.0) < np.delete(found.half_relative, 4)).all()


@pytest.mark.parametrize("times", [1.1, 3.0, 30.0, 1000.0])
def test_a_worse_cell_is_louder(times):
    ratio = np.where(np.arange(CELLS) == 2, times, 1.0)
    found = by_steps(fit(ratio, 3, 0.004), circumstances(CELLS), SPAN, 0.001)
    assert_allclose(found.relative, ratio)
    assert found.relative[2] - found.half_relative[2] > 1.0 + found.half_relative[0]
    assert found.ohm[2] - found.half_ohm[2] > 1.001 * found.ohm[0] or times < 1.2
    assert_allclose(found.scale_share[2], 0.5)  # planted: half of the excess grows with time


def test_near_empty_the_same_steps_say_less():
    full, empty = (
        by_steps(fit(np.ones(CELLS), 3), circumstances(CELLS, offset=np.full(CELLS, 0.01)), span, 0.001)
        for span in ({"soc_low": 0.8, "soc_high": 0.9}, {"soc_low": 0.05, "soc_high": 0.1})
    )
    assert np.all(empty.half_relative > 3 * full.half_relative)
