"""The reading at rest: hand cases, a planted zero, and what is refused."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.zero import zero_at_rest
from bmslogs.analysis.models.standing_load import Standing


def test_a_steady_reading_is_told_to_what_the_pack_draws_itself():
    """By hand: no scatter and no step leave 12 mA of 100 Ah (common practice, no source)."""
    found = zero_at_rest(np.full(100, 0.30), 600.0, 0.30, 100.0, None)
    assert not isinstance(found, Refusal)
    assert_allclose(found, (0.30, 0.012, 600.0), rtol=1e-12)


def test_a_planted_zero_is_found():
    """Planted: a sensor that reads 0.25 A too little, with 0.2 A of noise."""
    readings = -0.25 + np.random.default_rng(3).normal(0, 0.2, 600)
    found = zero_at_rest(readings, 600.0, float(np.median(readings)), 40.0, None)
    assert not isinstance(found, Refusal)
    assert abs(found.amps + 0.25) < found.half < 0.05


def test_a_coarse_step_hides_what_lies_under_it():
    """Planted 0.1 A read in steps of 0.5 A: all but one reading are nought.

    By hand: a step D errs by D / (sqrt(2) pi) rms where no noise moves the reading (Widrow and Kollar, from memory).
    """
    readings = np.zeros(400)
    readings[200] = 0.5
    found = zero_at_rest(readings, 400.0, 0.0, 40.0, None)
    assert not isinstance(found, Refusal)
    assert 0.1 < found.half < 1.96 * 0.5 / (np.sqrt(2.0) * np.pi) * 1.05


@pytest.mark.parametrize(("readings", "rest_s"), [(100, 59.0), (9, 600.0)])
def test_a_short_rest_tells_no_zero(readings, rest_s):
    found = zero_at_rest(np.zeros(readings), rest_s, 0.0, 40.0, None)
    assert isinstance(found, Refusal) and "less than a minute" in found.why


def test_a_log_without_rest_says_what_stood_in_it():
    nothing = zero_at_rest(np.zeros(0), 0.0, 0.0, 40.0, None)
    assert isinstance(nothing, Refusal) and nothing.why == "the pack never rests in this log"
    load = Standing("load", 14.9, 1.0, 0.1, 5.0, 2.0, 0.050, 0.048)
    stood = zero_at_rest(np.zeros(0), 0.0, 0.0, 40.0, load)
    assert isinstance(stood, Refusal)
    assert stood.why.startswith(
        "the pack never rests in this log: +14.90 A stand for long, and flow: over 2.0 h"
    )
