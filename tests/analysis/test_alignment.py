"""Where a string stands on the table, against strings that were planted on it (scipy's interpolation of the table)."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import PchipInterpolator
from scipy.optimize import approx_fprime, least_squares

from bmslogs.analysis.alignment import Alignment, _Points, align, table_sd
from bmslogs.analysis.ocv import built_in as book
from bmslogs.analysis.rests import Anchors

NOMINAL = 100.0


def built_in(chemistry):
    """Return the built-in curve as if it were measured on the very cells of the pack."""
    return replace(book(chemistry), own=True)


def true_curve(chemistry, lift=0.0, aside=0.0):
    """Return the table's curve, smoothly interpolated, a little off: upwards [V] and sideways [state of charge]."""
    table = built_in(chemistry)
    smooth = PchipInterpolator(table.soc, table.volt)

    def at(z):
        z = np.asarray(z, float)
        off = np.sin(np.pi * np.clip(z, 0, 1))
        return smooth(np.clip(z + aside * off, 0, 1)) + lift * off

    return at


@pytest.mark.parametrize(("z0", "capacity"), [(0.95, 97.0), (0.80, 104.0)])
@pytest.mark.parametrize("lift", [-0.004, 0.0, 0.004])
def test_a_curve_that_climbs_everywhere_is_placed_within_its_error(z0, capacity, lift):
    q = np.linspace(0.0, 0.6 * NOMINAL, 80)
    found = align(q, true_curve("NMC", lift)(z0 - q / capacity), built_in("NMC"), NOMINAL)
    assert abs(found.z0 - z0) < 2.5 * found.z0_se
    assert abs(found.capacity - capacity) < 2.5 * found.capacity_se
    # a table's error of 7 mV on a mean slope of 0.45 V per unit of charge is 0.016 by itself
    assert found.z0_se < 0.02 and found.capacity_se < 0.05 * NOMINAL
    for charge in (0.0, 30.0, 60.0):
        assert abs(found.soc(charge) - (z0 - charge / capacity)) < 2.5 * max(found.soc_se(charge), 0.002)


def test_a_rest_outweighs_a_curve_under_load():
    """The curve is 20 mV off and said to be doubtful by as much; an hour of rest at its end is right."""
    z0, capacity = 0.9, 100.0
    q = np.linspace(0.0, 60.0, 80)
    at = true_curve("NMC")
    rest = Anchors(np.array([60.0]), at(z0 - np.array([0.6])), np.array([0.0005]))
    without = align(q, at(z0 - q / capacity) - 0.02, built_in("NMC"), NOMINAL, under_load=np.full(80, 0.02))
    held = align(
        q, at(z0 - q / capacity) - 0.02, built_in("NMC"), NOMINAL, under_load=np.full(80, 0.02), rests=rest
    )
    assert abs(held.soc(60.0) - 0.3) < 0.5 * abs(without.soc(60.0) - 0.3)


def test_a_plateau_alone_does_not_place_a_string_and_a_leading_cell_does():
    """Charged from 45 to 97 %: the middle cell stays on the plateau, one that is 3 % fuller climbs the knee."""
    z0, capacity = 0.45, 100.0
    q = np.linspace(-52.0, 0.0, 80)
    at = true_curve("LFP", aside=0.006)
    alone = align(q, at(z0 - q / capacity), built_in("LFP"), NOMINAL)
    ahead = np.linspace(-54.9, -52.0, 8, endpoint=False)
    lead = Anchors(ahead, at(z0 - ahead / capacity), np.full(8, 0.003))
    led = align(q, at(z0 - q / capacity), built_in("LFP"), NOMINAL, lead=lead)
    full = z0 + 0.549
    assert abs(led.soc(-54.9) - full) < 0.002
    assert abs(led.soc(-54.9) - full) < max(2.5 * led.soc_se(-54.9), 0.001)
    assert led.soc_se(-54.9) < 0.5 * alone.soc_se(-54.9)
    assert_allclose(led.swing_V, alone.swing_V)


@pytest.mark.parametrize("name", ["Mohtat2020", "NCA_Kim2011", "Ecker2015", "ORegan2022"])
@pytest.mark.parametrize(("z0", "moved"), [(1.0, 0.9), (0.95, 0.6)])
def test_another_makers_curve_is_within_the_error_of_the_book(name, z0, moved):
    """Strings that follow another published set (PyBaMM's) than the one that stands for the chemistry."""
    from tests.accuracy.ocv_tables import curve_of_set

    soc = np.linspace(0.0, 1.0, 201)
    volt = curve_of_set(name, soc)
    capacity = 95.0
    q = np.linspace(0.0, moved * capacity, 80)
    found = align(q, np.interp(z0 - q / capacity, soc, volt), book("NMC"), NOMINAL)
    assert abs(found.capacity - capacity) < 2.5 * found.capacity_se


def points(z0, capacity, curve):
    """Return the points of a string from `z0` down by 40 Ah, seen to 4 mV, as the search has them."""
    q = np.linspace(0.0, 40.0, 60)
    seen = curve.beyond(z0 - q / capacity)
    n = len(q)
    return _Points(
        curve, NOMINAL, q, seen, np.full(n, 0.004), np.full(n, n**-0.5), np.ones(n, bool), np.array([-0.1, 0.5, -1e-6]),
        np.array([1.15, 1.6, 1e-6]),
    )  # fmt: skip


def test_slopes_are_those_of_scipy():
    found = points(0.8, 96.0, built_in("NMC"))
    p = np.array([0.71, 1.07, 0.0])
    assert_allclose(
        found.slopes(p), approx_fprime(p, found.left, np.sqrt(np.finfo(float).eps)), rtol=1e-5, atol=1e-4
    )


@pytest.mark.parametrize("z0", [0.45, 0.95])
@pytest.mark.parametrize("capacity", [60.0, 100.0, 130.0])
@pytest.mark.parametrize("own", [True, False])
def test_no_start_of_many_ends_lower(z0, capacity, own):
    """Descents by scipy from a wide grid of places."""
    found = points(z0, capacity, replace(book("NMC"), own=own))
    best = found.best(float(found.seen[0]))
    for start in np.linspace(0.05, 1.05, 6):
        for scale in (0.7, 1.3):
            other = least_squares(
                found.left, [start, scale, 0.0], bounds=(found.low, found.most), loss="soft_l1"
            )
            assert best.cost <= other.cost * (1 + 1e-6) + 1e-12


def test_a_place_and_its_error_by_hand():
    """80 % at the first row, 30 of 100 Ah drawn: 50 %. sd 1 % of z0 and 2 Ah of Q: hypot(0.01, 30 / 100^2 * 2)."""
    place = Alignment(0.8, 0.01, 100.0, 2.0, 0.5, 0.0, np.diag([0.01**2, 2.0**2]))
    assert_allclose(place.soc([0.0, 30.0, -20.0]), [0.8, 0.5, 1.0])
    assert_allclose([place.soc_se(0.0), place.soc_se(30.0)], [0.01, np.hypot(0.01, 0.006)])
    # errors that hang together: a fuller string of less capacity stands where it stood
    tied = replace(
        place,
        covariance=np.array([[1e-4, -1e-4 * 10_000 / 30], [-1e-4 * 10_000 / 30, (1e-2 * 10_000 / 30) ** 2]]),
    )
    assert_allclose(tied.soc_se(30.0), 0.0, atol=1e-9)


@pytest.mark.parametrize("share", [0.7, 0.9, 1.2, 1.4])
def test_a_capacity_far_from_nominal_comes_back(share):
    """The more it is off, the more is told: a curve of these very cells over 80 % of the charge (planted)."""
    curve = built_in("NMC")
    q = np.linspace(0.0, 0.8 * share * NOMINAL, 80)
    found = align(q, curve.voltage(0.95 - q / (share * NOMINAL)), curve, NOMINAL)
    assert_allclose(found.capacity, share * NOMINAL, rtol=0.02)
    assert_allclose(found.z0, 0.95, atol=0.01)
    assert abs(found.capacity - share * NOMINAL) < 3 * found.capacity_se


def test_the_unit_of_charge_is_free():
    curve = built_in("NMC")
    q = np.linspace(0.0, 60.0, 60)
    one = align(q, curve.voltage(0.9 - q / 95.0), curve, NOMINAL)
    milli = align(1e3 * q, curve.voltage(0.9 - q / 95.0), curve, 1e3 * NOMINAL)
    assert_allclose(
        [milli.z0, milli.capacity / 1e3, milli.capacity_se / 1e3],
        [one.z0, one.capacity, one.capacity_se],
        rtol=1e-4,
    )


@pytest.mark.parametrize("at", [0.02, 0.2, 0.5, 0.8, 0.98])
def test_how_far_a_table_is_off_is_least_at_its_ends(at):
    """Full and empty are what their voltages say (judgement); another maker's table is off by more in between."""
    own, other = built_in("NMC"), book("NMC")
    volt = own.voltage(np.array([at]))
    assert table_sd(own, volt)[0] <= table_sd(own, own.voltage(np.array([0.5])))[0]
    assert table_sd(other, volt)[0] >= table_sd(own, volt)[0]
    flat = book("LFP")
    assert table_sd(flat, flat.voltage(np.array([at])))[0] >= 0.004
