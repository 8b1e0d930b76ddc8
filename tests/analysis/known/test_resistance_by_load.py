"""Resistances off a load fit: half widths by hand, a planted cell, and a log that disagrees with itself."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.resistance import ResistanceKnown
from bmslogs.analysis.known.resistance_by_load import by_load
from bmslogs.analysis.resistance import relative_of_both
from tests.analysis.known.hand import TAU_S, circumstances, load_fit

CELLS = 8
AT_10_S = 5e-4 + 5e-4 * (1.0 - np.exp(-10.0 / TAU_S))


def told(load, under, conditions=None):
    return by_load(load, load, relative_of_both(load, load, under.trusted), under, 50.0, conditions or {})


def even(**other):
    return load_fit(np.full(CELLS, 5e-4), np.full(CELLS, 5e-4), **other)


def test_half_widths_by_hand():
    """No scatter: ratios to 0.3 %, ohms to 1.5 % and a sensor's 1 % beside, 1.96 of each."""
    found = told(even(), circumstances(CELLS, gain_sd=0.01), {"soc_low": 0.2})
    assert isinstance(found, ResistanceKnown)
    assert_allclose(found.ohm, AT_10_S)
    assert_allclose(found.half_relative, 1.96 * 0.003)
    assert_allclose(found.half_ohm, AT_10_S * 1.96 * np.sqrt(0.003**2 + 0.015**2 + 0.01**2))
    assert found.conditions == {"soc_low": 0.2} and found.changes is None
    assert found.why == (
        f"the load takes {50.0 * AT_10_S * 1e3:.0f} mV off a cell (rms), and parts of the log tell the cells apart to "
        "+-0.59 % only"
    )


@pytest.mark.parametrize(
    ("fit", "under", "sd"),
    [
        ({"period_s": 3.0}, {}, 0.015 * 2.0),  # two seconds beyond one, half as much more for each
        ({}, {"drove": False}, 0.06),
        ({}, {"degc": 10.0}, 0.015 * np.e),
    ],
)
def test_what_makes_ohms_less_sure(fit, under, sd):
    """By the judgements of the module, in squares with the ratio's own."""
    found = told(even(**fit), circumstances(CELLS, **under))
    assert isinstance(found, ResistanceKnown)
    drop_V = 50.0 * AT_10_S
    ratio = 0.003 if under.get("drove", True) else np.hypot(0.01, 0.0003 / drop_V)
    assert_allclose(found.half_ohm / found.ohm, 1.96 * np.hypot(sd, ratio), rtol=1e-9)


@pytest.mark.parametrize(("flat", "share"), [(False, 0.1), (True, 0.3)])
def test_a_fall_with_the_load_is_known_in_part(flat, share):
    """A bend of -0.2 mohm on R: a tenth of it is unsure, on a flat curve three tenths (judgement)."""
    load = even(extra=[np.full(CELLS, -2e-4)], rms_A=60.0)
    linear = even()
    under = circumstances(CELLS, flat=flat)
    found = by_load(load, linear, (np.ones(CELLS), np.zeros(CELLS)), under, 50.0, {})
    assert isinstance(found, ResistanceKnown)
    bend = share * 2e-4 / (AT_10_S - 2e-4)
    assert_allclose(found.half_ohm / found.ohm, 1.96 * np.sqrt(0.015**2 + bend**2 + 0.003**2), rtol=1e-9)


def test_a_planted_cell_is_found():
    """Planted: a cell of 8 % more resistance, blocks that scatter by 1 %."""
    series = np.full(CELLS, 5e-4)
    series[5] += 0.08 * AT_10_S
    found = told(load_fit(series, np.full(CELLS, 5e-4), scatter=0.01 * AT_10_S), circumstances(CELLS))
    assert isinstance(found, ResistanceKnown)
    assert abs(found.relative[5] - 1.08) < found.half_relative[5] < 0.06
    assert abs(found.ohm[5] - 1.08 * AT_10_S) < found.half_ohm[5]


def test_parts_that_disagree_on_the_sign_tell_no_resistance():
    load = even(scatter=20.0 * AT_10_S)
    ratio = np.ones(CELLS), np.zeros(CELLS)
    found = by_load(load, load, ratio, circumstances(CELLS), 50.0, {})
    assert isinstance(found, Refusal) and "disagree even on its sign" in found.why


@pytest.mark.parametrize("times", [1.1, 3.0, 30.0, 1000.0])
def test_a_worse_cell_is_louder(times):
    """Its ohms and its ratio grow with it, and its interval never reaches back to the others'."""
    scale = np.where(np.arange(CELLS) == 5, times, 1.0)
    found = told(load_fit(5e-4 * scale, 5e-4 * scale), circumstances(CELLS))
    assert isinstance(found, ResistanceKnown)
    assert_allclose(found.relative, scale)
    assert_allclose(found.ohm, AT_10_S * scale)
    assert found.relative[5] - found.half_relative[5] > 1.0
    assert found.half_relative[5] < 0.1 * times


def test_cells_answer_by_their_place():
    scale, turn = np.linspace(0.8, 1.5, CELLS), np.random.default_rng(3).permutation(CELLS)
    one = told(load_fit(5e-4 * scale, 5e-4 * scale), circumstances(CELLS))
    two = told(load_fit(5e-4 * scale[turn], 5e-4 * scale[turn]), circumstances(CELLS))
    for name in ("ohm", "half_ohm", "relative", "half_relative"):
        assert_allclose(getattr(two, name), getattr(one, name)[turn])
    assert two.middle == one.middle
