"""A bigger fault is louder: what is known of a cell grows with what is planted, and is never silenced by its size."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bmslogs.analysis import parked
from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.absolute_capacity import AbsoluteCapacity
from bmslogs.analysis.known.capacity import CapacityKnown, capacities
from bmslogs.analysis.known.cell_places import Spread, sharpened
from bmslogs.analysis.known.charge_end import ChargeEnd
from bmslogs.analysis.known.leak import LeakKnown, leaks
from bmslogs.analysis.known.offset import FirstRest, by_rest, by_split
from bmslogs.analysis.known.remaining import at_full
from bmslogs.analysis.known.top import charge_to_full
from bmslogs.analysis.ocv import OcvCurve, built_in
from tests.analysis.known.cells import cells, reading

ODD = np.arange(8) == 5
EVERY = np.ones(8, bool)
HOURS = np.arange(8 * 24.0)
STRAIGHT = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")
PLACE = Alignment(0.5, 0.0, 100.0, 0.0, 0.5, 0.0, np.zeros((2, 2)))


def rising(values):
    return all(b > a for a, b in itertools.pairwise(values))


def test_leaks():
    """Planted on 100 Ah of NMC at 70 % for eight days, from 1 mA to one that empties the cell."""
    told = []
    for leak in (0.001, 0.004, 0.015, 0.06, 0.2, 0.34):
        soc = 0.70 - np.where(ODD, leak, 0.0) * HOURS[:, None] / 100.0
        volts = built_in("NMC").voltage(soc) + np.random.default_rng(4).normal(0, 2e-4, soc.shape)
        drift = parked.drift(volts, HOURS * 3600.0, None, EVERY)
        found = leaks(drift, float(np.median(volts)), built_in("NMC"), 100.0, EVERY, None)
        assert isinstance(found, LeakKnown)
        assert abs(found.amps[5] - leak) < found.half[5] < 0.7 * leak
        assert np.all(np.abs(found.amps[~ODD]) < found.half[~ODD])
        told.append(found.amps[5])
    assert rising(told)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_offsets_at_rest(sign):
    """At half charge, up to 45 % fuller or emptier; the width grows with the value, and never to it."""
    told = []
    for off in (0.005, 0.02, 0.1, 0.3, 0.45):
        volts = np.where(ODD, STRAIGHT.voltage(0.5 + sign * off), STRAIGHT.voltage(0.5))
        found = by_rest(FirstRest(volts, np.zeros(8), 10.0), STRAIGHT, 1e-4, reading(8))
        assert found.value[5] == pytest.approx(sign * off, abs=1e-9)
        assert found.half[5] < off
        told.append(abs(found.value[5]))
    assert rising(told)


def test_offsets_and_what_remains_of_them_by_the_split():
    told, left, lack = [], [], []
    for off in (0.5, 3.0, 10.0, 40.0):
        places = cells(np.where(ODD, -off, 0.0), np.zeros(8), slope_error=0.1)
        found = by_split(places, reading(8), {})
        remains = at_full(places, 0.6)
        end = ChargeEnd(-45.0, np.zeros(8), 3.95, np.zeros(8, bool))
        top = charge_to_full(end, places, PLACE, STRAIGHT, 100.0, reading(8), {})
        assert found.value[5] + found.half[5] < 0 and remains.value[5] + remains.half[5] < 0
        assert top.missing[5] - top.half_missing[5] > 0
        assert np.all(top.needed[~ODD] - top.half_needed[~ODD] > 0)  # all others are to be bled to it
        told.append(-found.value[5])
        left.append(-remains.value[5])
        lack.append(top.missing[5])
    assert rising(told) and rising(left) and rising(lack)
    assert_allclose(np.diff(lack), np.diff([0.5, 3.0, 10.0, 40.0]))


def test_lacks_of_capacity():
    """From 2 % to 90 % smaller: 1 / (1 + b), its interval ever further from the others'."""
    told = []
    for small in (0.02, 0.1, 0.4, 0.9):
        places = cells(np.zeros(8), np.where(ODD, small / (1 - small), 0.0), sd_b=0.002)
        found = capacities(places, AbsoluteCapacity(100.0, 2.0, True, ""), reading(8), None, {})
        assert isinstance(found, CapacityKnown)
        assert found.relative[5] == pytest.approx(1 - small)
        assert found.relative[5] + found.half_relative[5] < 1.0
        assert found.half_relative[5] <= found.half_relative[0]  # a small cell's share is known no worse
        told.append(1 - found.relative[5])
    assert rising(told)


@settings(max_examples=60, deadline=None)
@given(st.floats(1e-7, 1e-1), st.floats(0.0, 2.0), st.floats(0.0, 2.0), st.floats(-0.9, 0.9))
def test_the_join_with_a_lot_keeps_order_and_never_widens(variance, b, more, correlation):
    """However little is known of capacities: the smaller of two cells stays the smaller, no error grows by the join."""
    cov = correlation * np.sqrt(variance * 0.25)
    e = Spread(np.full(2, 0.25), np.full(2, variance), np.full(2, cov))
    _, after, sharp = sharpened(np.zeros(2), np.array([b, b + more]), e)
    assert after[1] >= after[0] >= 0.0
    assert np.all(sharp.b <= e.b + 1e-15) and np.all(sharp.a <= e.a + 1e-12) and np.all(sharp.a >= 0)


def test_cells_answer_by_their_place():
    """Whatever order the cells stand in: offsets, lacks and what is missing go with them."""
    rng = np.random.default_rng(9)
    a, b, turn = rng.normal(0, 2, 8), rng.normal(0, 0.02, 8), rng.permutation(8)
    end = ChargeEnd(-45.0, rng.uniform(0, 0.2, 8), 3.95, np.zeros(8, bool))
    moved = replace(end, bled=end.bled[turn])
    one = charge_to_full(end, cells(a, b), PLACE, STRAIGHT, 100.0, reading(8), {})
    two = charge_to_full(moved, cells(a[turn], b[turn]), PLACE, STRAIGHT, 100.0, reading(8), {})
    for name in ("missing", "half_missing", "needed", "half_needed"):
        assert_allclose(getattr(two, name), getattr(one, name)[turn])
    assert_allclose(at_full(cells(a[turn], b[turn]), 0.4).value, at_full(cells(a, b), 0.4).value[turn])


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_shares_know_no_unit_of_charge(scale):
    """A pack of another size whose cells differ by the same shares: the same shares are told, in proportion the Ah."""
    a, b = np.where(ODD, -3.0, 0.0), np.where(ODD, 0.1, 0.0)
    places = cells(scale * a, b, sd_Ah=scale * 0.05, capacity=scale * 100.0)
    usual = cells(a, b)
    assert_allclose(by_split(places, reading(8), {}).value, by_split(usual, reading(8), {}).value)
    assert_allclose(by_split(places, reading(8), {}).half, by_split(usual, reading(8), {}).half)
    assert_allclose(at_full(places, 0.7).half, at_full(usual, 0.7).half)
    end = ChargeEnd(-45.0 * scale, np.zeros(8), 3.95, np.zeros(8, bool))
    place = replace(PLACE, capacity=scale * 100.0)
    large = charge_to_full(end, places, place, STRAIGHT, scale * 100.0, reading(8), {})
    small = charge_to_full(replace(end, drawn=-45.0), usual, PLACE, STRAIGHT, 100.0, reading(8), {})
    assert_allclose(large.missing, scale * small.missing)
    assert_allclose(large.half_missing, scale * small.half_missing)
