"""Readings beyond a bound: by hand, row by row."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.analysis.signals.excursions import (
    Excursion,
    alike,
    excursions,
    in_succession,
    passed,
    row_lengths,
)

STEP, NOISE = 0.001, 0.0005
T = np.arange(10.0)


def over(*values):
    return np.array(values, float)[:, None]


def test_by_hand():
    """Beyond by 2, 5 and 3 mV in rows 3 to 5: two together by 5 at least once with 3, three rows of a second.

    Clearly (a step and three noises, 2.5 mV, together with one beside it): rows 4 and 5.
    """
    (one,) = excursions(over(-9, -9, -9, 0.002, 0.005, 0.003, -9, -9, -9, -9), np.array([7]), T, STEP, NOISE)
    assert one == Excursion(7, pytest.approx(0.003), 3.0, 2.0, 3)


def test_one_row_alone_is_a_glitch_however_far():
    assert (
        excursions(over(-1, -1, 9.0, -1, -1, 9.0, np.nan, 9.0, -1, -1), np.array([0]), T, STEP, NOISE) == []
    )
    assert not passed(over(-1, 5.0, -1), STEP).any()


def test_half_a_step_is_rounding():
    assert excursions(over(*[0.0004] * 10), np.array([0]), T, STEP, NOISE) == []
    assert len(excursions(over(*[0.0006] * 10), np.array([0]), T, STEP, NOISE)) == 1


@pytest.mark.parametrize("factor", [2.0, 1e3, 1e9])
def test_further_beyond_is_never_told_as_less(factor):
    base = over(-1, 0.002, 0.004, 0.004, -1, -1, -1, -1, -1, -1)
    (one,) = excursions(base, np.array([0]), T, STEP, NOISE)
    (more,) = excursions(np.where(base > 0, factor * base, base), np.array([0]), T, STEP, NOISE)
    assert more.worst == pytest.approx(factor * one.worst)
    assert more.seconds >= one.seconds and more.clear_seconds >= one.clear_seconds


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-5, 5), st.just(float("nan"))), min_size=2, max_size=12))
def test_in_succession_is_the_better_of_two_pairs(values):
    """The slow twin: each row with the one before or after, by the lesser of the two."""
    known = [-np.inf if np.isnan(v) else v for v in values]
    pairs = [min(a, b) for a, b in itertools.pairwise(known)]
    slow = [max([*pairs[max(k - 1, 0) : k + 1]]) for k in range(len(known))]
    assert in_succession(over(*values))[:, 0].tolist() == slow


def test_a_pause_after_a_row_is_no_time_beyond():
    """Rows each second, a night between two: it counts as ten seconds, ten usual intervals (by hand)."""
    seconds = np.array([0.0, 1, 2, 3, 30_003, 30_004, 30_005])
    assert row_lengths(seconds).tolist() == [1, 1, 1, 10, 1, 1, 0]
    (one,) = excursions(over(-1, -1, 1, 1, 1, -1, -1), np.array([0]), seconds, STEP, NOISE)
    assert one.seconds == 12.0
    assert row_lengths(np.array([5.0])).tolist() == [0.0]


def test_channels_answer_by_their_own_numbers():
    many = np.full((10, 4), -1.0)
    many[2:5, 1], many[6:9, 3] = 0.01, 0.02
    found = excursions(many, np.array([10, 11, 12, 13]), T, STEP, NOISE)
    assert [(e.column, e.first) for e in found] == [(11, 2), (13, 6)]
    turned = excursions(many[:, ::-1], np.array([13, 12, 11, 10]), T, STEP, NOISE)
    assert sorted(turned, key=lambda e: e.column) == found


def one_of(worst, seconds, column=0):
    return Excursion(column, worst, seconds, seconds, 0)


def test_one_far_beyond_for_an_hour_is_not_told_with_seven_that_touched_it():
    far = one_of(0.3, 3600.0)
    touched = [one_of(0.01, 20.0 + k, k + 1) for k in range(7)]
    assert alike([*touched, far]) == [[far], touched[::-1]]


def test_alike_in_size_but_not_in_length_stand_apart():
    """Factors of 2.5 in size and 4 in time are the borders (choice)."""
    assert len(alike([one_of(1.0, 10.0), one_of(0.5, 39.0)])) == 1
    assert len(alike([one_of(1.0, 10.0), one_of(0.5, 41.0)])) == 2
    assert len(alike([one_of(1.0, 10.0), one_of(0.39, 10.0)])) == 2


def test_of_many_groups_the_smaller_stand_together_and_none_is_lost():
    every = [one_of(10.0**-k, 10.0, k) for k in range(7)]
    groups = alike(every)
    assert [len(g) for g in groups] == [1, 1, 1, 4]
    assert sorted(e.column for g in groups for e in g) == list(range(7))
    assert alike([]) == []
