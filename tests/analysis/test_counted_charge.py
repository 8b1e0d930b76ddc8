"""Charge that is counted, against hand calculations."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bmslogs.analysis.models.counted_charge import bled_charge, longest_count, settling_rows
from bmslogs.analysis.stretches import Stretch


def test_a_resistor_takes_what_ohms_law_says():
    """By hand: 4 V over 40 ohm are 0.1 A, 0.1 Ah in an hour; 9 V are none of a cell, 5 V over 40 ohm are 0.125 A."""
    volts = np.array([[4.0, 9.0], [4.0, np.nan], [4.0, 9.0], [4.0, 4.0]])
    flags = np.array([[True, True], [False, True], [True, False], [True, True]])
    seconds, section = np.array([0.0, 3600.0, 7200.0, 10_800.0]), np.zeros(4, int)
    found = bled_charge(volts, flags, seconds, section, 40.0)
    assert_allclose(found, [[0, 0], [0.1, 0.125], [0.1, 0.125], [0.2, 0.125]], rtol=1e-12)


def test_nothing_is_bled_over_a_pause():
    volts, flags = np.full((3, 1), 4.0), np.ones((3, 1), bool)
    found = bled_charge(volts, flags, np.array([0.0, 3600.0, 90_000.0]), np.array([0, 0, 1]), 40.0)
    assert_allclose(found[:, 0], [0.0, 0.1, 0.1], rtol=1e-12)  # by hand, as above: one hour counts


@pytest.mark.parametrize(
    ("at_rest", "parked", "kept"),
    [
        ([2, 3], [], [0, 1, 2, 3, 4, 5]),  # a pause between two rests breaks nothing
        ([2], [], [3, 4, 5]),  # current after the pause: 4 Ah after it are more than 2 Ah before
        ([3], [], [3, 4, 5]),
        (
            [2, 3],
            [3],
            [0, 1, 2],
        ),  # what is parked is left out, and the count begins anew after it: 2 Ah against 1
    ],
)
def test_charge_is_counted_where_most_moved_without_a_break(at_rest, parked, kept):
    charge, section = np.array([0.0, 1, 2, 2, 5, 6]), np.array([0, 0, 0, 1, 1, 1])
    rest, away = np.isin(np.arange(6), at_rest), np.isin(np.arange(6), parked)
    assert_array_equal(longest_count(charge, section, rest, away), kept)


def test_no_sample_counts_while_all_is_parked():
    ones = np.ones(4, bool)
    assert len(longest_count(np.arange(4.0), np.zeros(4, int), ones, ones)) == 0


def test_the_near_end_of_a_long_rest_tells_its_level():
    """Ten hours at a row a minute: eight of them are 480 minutes, which end, or begin, with the rest."""
    seconds = 60.0 * np.arange(700)
    rest = Stretch("rest", 50, 650)
    assert_array_equal(settling_rows(rest, seconds, before=True), np.arange(170, 651))
    assert_array_equal(settling_rows(rest, seconds, before=False), np.arange(50, 531))
    assert (
        len(settling_rows(Stretch("rest", 50, 53), seconds, before=True)) == 0
    )  # three minutes settle nothing
    assert len(settling_rows(Stretch("rest", 50, 54), seconds, before=True)) == 5
    assert len(settling_rows(Stretch("drive", 50, 650), seconds, before=True)) == 0
