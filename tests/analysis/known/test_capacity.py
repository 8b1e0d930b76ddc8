"""Capacities over the median and in ampere-hours: by hand, and every reason for which one is not told."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.absolute_capacity import (
    AbsoluteCapacity,
    Counted,
    absolute_capacity,
    apart_from_table,
    unknown,
)
from bmslogs.analysis.known.capacity import CapacityKnown, capacities
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.ocv import OcvCurve
from tests.analysis.known.cells import cells, reading

OWN = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")
PLACE = Alignment(0.9, 0.005, 98.0, 0.5, 0.6, 0.0, np.zeros((2, 2)))
COUNTED = Counted(60.0, 100.0, 0.01)


def test_capacities_by_hand():
    """b of 0.25 is four fifths of the capacity: of 0.1 % error in b 0.64 parts remain, and 98 Ah make 78.4 Ah.

    Beside it 0.13 % by which no two cells follow one curve.
    """
    found = capacities(
        cells(0.0, [0.0, 0.25, 0.0]), AbsoluteCapacity(98.0, 2.0, True, ""), reading(3), None, {}
    )
    assert isinstance(found, CapacityKnown)
    assert_allclose(found.relative, [1.0, 0.8, 1.0])
    half = 1.96 * np.hypot(1e-3 * np.array([1.0, 0.64, 1.0]), 1.3e-3)
    assert_allclose(found.half_relative, half)
    assert_allclose(found.ampere_hours, [98.0, 78.4, 98.0])
    assert_allclose(found.half_ampere_hours[1], np.hypot(half[1] * 98.0, 2.0 * 0.8))


@pytest.mark.parametrize(("seen", "doubt"), [(1.3, 0.0), (1.0, 0.0), (0.5, 0.015), (0.25, 0.045)])
def test_one_end_of_a_flat_curve_tells_capacities_badly(seen, doubt):
    """Stages lie 1.5 % of the charge elsewhere: of the half unseen that is 1.5 %, of three quarters 4.5 %."""
    found = capacities(cells(0.0, [0.0, 0.0, 0.0]), unknown(100.0, "not asked"), reading(3), seen, {})
    assert isinstance(found, CapacityKnown)
    assert_allclose(found.half_relative, 1.96 * np.hypot(np.hypot(1e-3, 1.3e-3), doubt))
    assert not found.absolute_known and found.why_absolute == "not asked"


def test_a_planted_small_cell_is_found():
    """Planted: a lot of 1 % spread with one cell 12 % smaller, b read with 0.3 % of error.

    Of 14 cells that hold at 95 % one would miss in every other draw: all are held to 2.5 standard deviations.
    """
    rng = np.random.default_rng(2)
    true = 1.0 + rng.normal(0, 0.01, 14)
    true[9] = 0.88
    read = cells(0.0, 1.0 / true - 1.0 + rng.normal(0, 0.003, 14), sd_b=0.003)
    found = capacities(read, unknown(100.0, ""), reading(14), None, {})
    assert isinstance(found, CapacityKnown)
    assert (np.abs(found.relative - true / np.median(true)) < 1.3 * found.half_relative).all()
    assert abs(found.relative[9] - 0.88 / np.median(true)) < found.half_relative[9] < 0.01


def test_a_voltage_that_hardly_moved_tells_no_capacity():
    found = capacities(cells(0.0, [0.0, 0.0]), unknown(100.0, ""), reading(2, swing_V=0.049), None, {})
    assert isinstance(found, Refusal)
    assert found.why == (
        "the open-circuit voltage moved 49 mV over the charge covered, and 1 mV is 0.1 % of charge here: too little to "
        "tell a capacity"
    )


def test_ampere_hours_by_hand():
    """98 Ah known to 0.5 Ah, the sensor to 1 %: 1.96 hypot(0.5, 0.98) Ah."""
    found = absolute_capacity(PLACE, OWN, 0.001, COUNTED)
    assert found.known and found.why == "" and found.value == 98.0
    assert_allclose(found.half, 1.96 * np.hypot(0.5, 0.98))


@pytest.mark.parametrize(
    ("place", "curve", "apart_V", "counted", "why", "half"),
    [
        (
            {},
            {"flat": True, "own": False},
            0.0,
            {},
            "flat table are not those of these cells",
            1.96 * 0.15 * 98.0,
        ),
        ({}, {}, 0.0, {"doubtful_A": -0.45, "doubtful_Ah": 2.0}, "whether the -0.45 A", 98.0),
        ({}, {}, 0.009, {}, "parts from the curve of the string by 9 mV", None),
        ({}, {}, 0.0, {"moved": 24.0}, "only 24 % of the capacity was moved; 25 % are needed", None),
        ({"capacity_se": 3.1}, {}, 0.0, {}, "does not fix both ends", None),
    ],
)
def test_why_ampere_hours_are_not_known(place, curve, apart_V, counted, why, half):
    found = absolute_capacity(
        replace(PLACE, **place), replace(OWN, **curve), apart_V, replace(COUNTED, **counted)
    )
    assert not found.known and why in found.why
    if half is not None:
        assert_allclose(found.half, half)


def test_a_book_table_may_part_from_the_string():
    """How far a chemistry's table lies from these cells is in the error of its place already."""
    assert absolute_capacity(PLACE, replace(OWN, own=False), 0.05, COUNTED).known


def test_how_far_a_string_is_from_its_table():
    """On the table but for 4 mV up and down: 4 mV rms; a shift of all is the branch of the hysteresis (by hand)."""
    q = np.linspace(0.0, 60.0, 80)
    on_it = OWN.voltage(0.9 - q / 98.0)
    wave = np.where(np.arange(80) % 2 == 0, 0.004, -0.004)
    assert_allclose(apart_from_table(q, on_it + wave, PLACE, OWN), 0.004)
    assert_allclose(apart_from_table(q, on_it + 0.007, replace(PLACE, shift_V=0.007), OWN), 0.0, atol=1e-12)
