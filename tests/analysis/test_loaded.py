"""Rows under load and changes of a load, counted by hand."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from bmslogs.analysis.signals.loaded import load_changes, loaded_rows
from bmslogs.analysis.stretches import Stretch


def at_a_minute(rows=60):
    return 60.0 * np.arange(rows)


def test_a_quarter_of_an_hour_of_rest_belongs_to_the_load():
    """A drive to row 19, a row a minute: 15 minutes of the rest after it are rows 20 to 33, row 34 is the 15th."""
    rest, section = np.arange(60) > 19, np.zeros(60, int)
    parts = [Stretch("charge", 0, 4), Stretch("drive", 10, 19), Stretch("rest", 20, 59)]
    assert_array_equal(
        np.flatnonzero(loaded_rows(parts, "drive", at_a_minute(), rest, section)), np.arange(10, 34)
    )
    assert_array_equal(
        np.flatnonzero(loaded_rows(parts, "charge", at_a_minute(), rest, section)), np.arange(5)
    )


def test_a_pause_or_a_current_ends_that_rest():
    parts = [Stretch("drive", 10, 19)]
    rest, section = np.arange(60) > 19, (np.arange(60) > 24).astype(int)
    assert_array_equal(
        np.flatnonzero(loaded_rows(parts, "drive", at_a_minute(), rest, section)), np.arange(10, 25)
    )
    rest = rest & (np.arange(60) != 22)
    section = np.zeros(60, int)
    assert_array_equal(
        np.flatnonzero(loaded_rows(parts, "drive", at_a_minute(), rest, section)), np.arange(10, 22)
    )


@pytest.mark.parametrize(
    ("current", "changes"),
    [
        (np.repeat([0.0, 100.0, 0.0], [100, 300, 100]), 2),  # on and off
        (np.repeat([0.0, 100.0, 0.0], [100, 5, 100]), 2),  # a pull of five seconds
        (
            np.concatenate([np.zeros(100), np.linspace(0, 100, 60), np.zeros(100)]),
            2,
        ),  # rises all the while, then ends
        (np.repeat([0.0, 100.0, 50.0, 100.0, 0.0], 100), 4),
        (np.interp(np.arange(8000), [0, 3600, 7200], [0.0, 100.0, 0.0]), 0),  # 0.28 A in ten seconds
        (np.repeat([0.0, 0.4, 0.0], [100, 300, 100]), 0),  # faint
        (np.repeat([0.0, 100.0, 95.0, 100.0, 0.0], 100), 2),  # 5 % of the largest is no change
    ],
)
def test_changes_of_a_load_are_counted(current, changes):
    """At a row a second, faint below half an ampere."""
    assert load_changes(current, np.arange(len(current), dtype=float), 1.0, 0.5) == changes
