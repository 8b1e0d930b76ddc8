"""An aged cell is told from a joint by what its excess does: by hand, and planted under scatter."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.excess import change_share, scale_share
from tests.analysis.known.hand import TAU_S, load_fit

CELLS, AGED, JOINT = 12, 3, 8
ALL = np.ones(CELLS, bool)
RATIO = np.ones(CELLS)
RATIO[[AGED, JOINT]] = 1.2


def string(scatter=0.0):
    """Series and pair of 0.5 mohm each; 20 % aged, or a joint that makes the drop at 10 s 20 % larger."""
    series, pair = np.full(CELLS, 5e-4), np.full(CELLS, 5e-4)
    series[AGED], pair[AGED] = 6e-4, 6e-4
    series[JOINT] += 0.2 * (5e-4 + 5e-4 * (1.0 - np.exp(-10.0 / TAU_S)))
    return load_fit(series, pair, scatter=scatter)


def test_an_aged_cell_grows_with_time_and_a_joint_does_not():
    """By hand: growth from 2 s to 60 s is the pair's alone, 1.2 times in the aged cell, as ever in the joint."""
    share, half = scale_share(string(), RATIO, ALL)
    assert_allclose(share[[AGED, JOINT]], [1.0, 0.0], atol=1e-9)
    assert_allclose(half[[AGED, JOINT]], 0.02 / 0.2)
    assert not np.isfinite(half[0])  # a sound cell has no excess to share


def test_the_same_under_scatter():
    share, half = scale_share(string(scatter=3e-6), RATIO, ALL)
    assert abs(share[AGED] - 1.0) < half[AGED] < 0.6 and abs(share[JOINT]) < half[JOINT] < 0.6


def changing(scatter, string_falls=1e-4):
    """Fits whose resistance falls with load and charge: the aged cell's by 1.2 times, the joint's as any (planted)."""
    rng = np.random.default_rng(6)
    due = np.where(np.arange(CELLS) == AGED, 1.2, 1.0)
    falls = np.array([-string_falls * due, -0.5 * string_falls * due]) + rng.normal(0, scatter, (2, CELLS))
    return load_fit(np.full(CELLS, 5e-4), np.full(CELLS, 5e-4), falls, scatter, drifts=1, rms_A=60.0)


def test_an_aged_cell_changes_with_the_load_and_a_joint_does_not():
    found = change_share(changing(scatter=4e-7), RATIO, ALL)
    assert found is not None
    for share, half in (found[:2], found[2:]):
        assert abs(share[AGED] - 1.0) < half[AGED] < 0.4
        assert abs(share[JOINT]) < half[JOINT] < 0.4


def test_a_string_that_does_not_change_tells_nothing():
    """Where the string's own change drowns in scatter the width is larger than the question, nought against one."""
    found = change_share(changing(scatter=4e-5), RATIO, ALL)
    assert found is not None and found[1][AGED] > 1.0


def test_what_cannot_be_asked_has_no_answer():
    assert change_share(string(), RATIO, ALL) is None  # no column for what the resistance follows
    assert change_share(changing(4e-7), RATIO, np.arange(CELLS) < 3) is None


@pytest.mark.parametrize("times", [1.05, 1.5, 4.0, 50.0])
def test_cell_and_joint_are_told_apart_at_any_size(times):
    """By hand, whatever the excess: an aged cell's grows with it (share one), a joint's not at all (share nought)."""
    series, pair = np.full(CELLS, 5e-4), np.full(CELLS, 5e-4)
    at_10 = 5e-4 + 5e-4 * (1.0 - np.exp(-10.0 / TAU_S))
    series[AGED], pair[AGED] = times * 5e-4, times * 5e-4
    series[JOINT] += (times - 1.0) * at_10
    ratio = np.where(np.isin(np.arange(CELLS), [AGED, JOINT]), times, 1.0)
    share, half = scale_share(load_fit(series, pair), ratio, ALL)
    assert_allclose(share[[AGED, JOINT]], [1.0, 0.0], atol=1e-9)
    assert_allclose(half[[AGED, JOINT]], 0.02 / (times - 1.0))  # and the surer the larger it is


def test_half_a_joint_and_half_a_cell_is_half_a_share():
    series, pair = np.full(CELLS, 5e-4), np.full(CELLS, 5e-4)
    at_10 = 5e-4 + 5e-4 * (1.0 - np.exp(-10.0 / TAU_S))
    series[AGED], pair[AGED] = 1.1 * 5e-4 + 0.1 * at_10, 1.1 * 5e-4
    share, _ = scale_share(load_fit(series, pair), np.where(np.arange(CELLS) == AGED, 1.2, 1.0), ALL)
    assert_allclose(share[AGED], 0.5)


def test_a_slow_logger_asks_from_two_readings_on():
    """Readings 10 s apart: the growth from 20 s to a minute is the pair's e^-1 - e^-3 of it, in the same share."""
    share, _ = scale_share(load_fit(np.full(CELLS, 5e-4), 5e-4 * RATIO, period_s=10.0), RATIO, ALL)
    assert_allclose(share[[AGED, JOINT]], [1.0, 1.0], atol=1e-9)


def test_cells_that_are_not_trusted_set_no_median():
    """Half of the string is another lot that grows twice as much: of the trusted half alone the share is told."""
    series, pair = np.full(CELLS, 5e-4), np.full(CELLS, 5e-4)
    trusted = np.arange(CELLS) < 7
    pair[~trusted] *= 2.0
    series[AGED], pair[AGED] = 6e-4, 6e-4
    share, _ = scale_share(load_fit(series, pair), RATIO, trusted)
    assert_allclose(share[AGED], 1.0, atol=1e-9)


def test_changes_answer_by_cell():
    made, turn = changing(scatter=4e-7), np.random.default_rng(7).permutation(CELLS)
    fit = replace(made.fit, coef=made.fit.coef[:, turn], without=made.fit.without[:, :, turn])
    one, two = change_share(made, RATIO, ALL), change_share(replace(made, fit=fit), RATIO[turn], ALL)
    for a, b in zip(one, two, strict=True):
        assert_allclose(b, a[turn], rtol=1e-6)
