"""What a pack is worth: by hand, covariances, and every reason for which it is not said."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.absolute_capacity import AbsoluteCapacity
from bmslogs.analysis.known.capacity import CapacityKnown, capacities
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.worth import WorthKnown, covariance_of, pack_worth
from tests.analysis.known.cells import cells, reading

PLACE = Alignment(0.5, 0.001, 100.0, 0.5, 0.5, 0.0, np.zeros((2, 2)))
MODULES = [(11, "M1"), (12, "M1"), (13, "M2"), (14, "M2")]
ALL = np.ones(4, bool)


def told(places, known=True):
    found = capacities(places, AbsoluteCapacity(100.0, 1.0, known, ""), reading(4), None, {})
    assert isinstance(found, CapacityKnown)
    return found


def asked(places, capacity=None, believed=ALL):
    return pack_worth(places, PLACE, capacity or told(places), 0.002, believed, MODULES)


def test_a_string_by_hand():
    """Three cells of 100 Ah at 50 %, one of 80 Ah at 60 %: 48 Ah of it can be drawn, 32 Ah taken in by it.

    Least drawn 48 Ah, least taken 32 Ah: 80 Ah as it is, the small cell's own; nothing to be won by balancing, 20 Ah
    by a module in its place.
    """
    found = asked(cells([0.0, 0.0, 10.0, 0.0], [0.0, 0.0, 0.25, 0.0]))
    assert isinstance(found, WorthKnown)
    for key, true in (("usable_charge", 80.0), ("gain_by_balancing", 0.0), ("gain_by_replacing", 20.0)):
        worth = found.values[key]
        assert worth.low <= true <= worth.high and abs(worth.value - true) < 1.0, key
    assert (found.weakest_cell, found.module) == (13, "M2")


def test_balancing_wins_what_one_cell_lacks():
    """Planted: equal cells, one 6 Ah emptier: 94 Ah as they are, 6 Ah by balancing."""
    found = asked(cells([0.0, -6.0, 0.0, 0.0], 0.0))
    assert isinstance(found, WorthKnown)
    assert found.values["usable_charge"].low <= 94.0 <= found.values["usable_charge"].high < 97.0
    assert found.values["gain_by_balancing"].low <= 6.0 <= found.values["gain_by_balancing"].high < 8.0


def test_an_unknown_median_capacity_widens_what_is_said():
    places = cells(np.zeros(4), 0.0)
    width = {}
    for known in (True, False):
        found = asked(places, told(places, known))
        assert isinstance(found, WorthKnown)
        usable = found.values["usable_charge"]
        width[known] = usable.high - usable.low
    assert width[False] > 3.0 * width[True]


def test_covariances_by_hand():
    """z = z0 + a / Q, C = Q / (1 + b): 0.05 Ah are 0.05 %, 0.1 % of b 0.1 Ah; the wider of two errors, cell by cell."""
    places = cells([0.0, 10.0], 0.0, slope_error=0.05)
    amounts = np.array([100.0, 100.0])
    found = covariance_of(places, amounts)
    slope = np.array([0.0, 0.05 * 10.0 / 1.96])
    assert_allclose(found[:, 0, 0], (0.05**2 + slope**2) / 100.0**2)
    assert_allclose(found[:, 1, 1], 0.1**2)
    assert_allclose(found[:, 0, 1], 0.0)
    wider = replace(places.blocks, a=np.array([1.0, 0.0]), ab=np.array([1e-3, 0.0]))
    found = covariance_of(replace(places, blocks=wider), amounts)
    assert_allclose(found[0], [[1e-4, -1e-3], [-1e-3, 0.1**2]])
    assert_allclose(found[1, 0, 0], (0.05**2 + slope[1] ** 2) / 100.0**2)


@pytest.mark.parametrize(
    ("sd_b", "believed", "why"),
    [
        (0.02, ALL, "known well enough"),
        (0.001, np.array([True, True, False, True]), "reading to be believed"),
    ],
)
def test_a_worth_needs_all_cells(sd_b, believed, why):
    found = asked(cells(np.zeros(4), 0.0, sd_b=sd_b), believed=believed)
    assert isinstance(found, Refusal) and why in found.why
