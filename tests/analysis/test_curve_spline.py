"""The open-circuit curve as a spline, against polynomials, which cubic splines hold without error."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import Polynomial
from numpy.testing import assert_allclose
from scipy.interpolate import make_interp_spline

from bmslogs.analysis.curve_spline import (
    curve_coefficients,
    curve_slope,
    curve_value,
    knot_sites,
    knots_over,
    roughness_rows,
)

# a falling cubic [V] over 0..40 Ah
CUBIC = Polynomial([4.1, -0.02, 3e-4, -6e-6])


def even_knots(step: float = 2.0, pieces: int = 20) -> np.ndarray:
    inner = step * np.arange(pieces + 1)
    return np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])


def test_a_cubic_comes_back_with_its_slope():
    # de Boor, A Practical Guide to Splines, 1978, ch. IX: the space of cubic splines holds every cubic
    q = np.linspace(0, 40, 301)
    knots = knots_over(q, CUBIC(q), 100.0)
    coef = curve_coefficients(knots, CUBIC(knot_sites(knots)))
    assert_allclose(curve_value(knots, coef, q), CUBIC(q), atol=1e-10)
    assert_allclose(curve_slope(knots, coef, q), CUBIC.deriv()(q), atol=1e-10)


def test_beyond_its_knots_the_curve_goes_on_straight():
    # by hand: value and slope at the last knot, then a line
    knots = even_knots()
    coef = curve_coefficients(knots, CUBIC(knot_sites(knots)))
    for end, at in ((40.0, np.array([41.0, 50.0])), (0.0, np.array([-1.0, -8.0]))):
        assert_allclose(
            curve_value(knots, coef, at), CUBIC(end) + CUBIC.deriv()(end) * (at - end), atol=1e-10
        )
        assert_allclose(curve_slope(knots, coef, at), CUBIC.deriv()(end), atol=1e-10)


def test_roughness_is_the_change_of_slope_from_knot_to_knot():
    # by hand: a line has none; c x^2 / 2 changes its slope by c h over a knot step h, that is c h^2 per step
    step, c = 2.0, 0.003
    knots = even_knots(step)
    rows = roughness_rows(knots)
    line, bend = Polynomial([4.0, -0.01]), Polynomial([4.0, 0.0, c / 2])
    assert_allclose(rows @ curve_coefficients(knots, line(knot_sites(knots))), 0.0, atol=1e-12)
    inside = slice(3, -3)  # away from the ends, where knots coincide
    found = rows @ curve_coefficients(knots, bend(knot_sites(knots)))
    assert_allclose(found[inside], c * step**2, rtol=1e-9)


def test_knots_are_closer_where_the_voltage_climbs():
    # a knot every 0.02 V or 2.5 Ah (choice): a knee of 0.4 V in 2 Ah holds 20 of them, 2 Ah of the flat 1
    q = np.linspace(0, 40, 2001)
    volt = 3.3 - 0.2 * np.clip(q - 38.0, 0.0, None)
    knots = knots_over(q, volt, 100.0)
    assert knots[0] < 0.0 and knots[-1] > 40.0
    assert abs(np.sum((knots > 38.0) & (knots < 40.0)) - 20) <= 2
    assert np.sum((knots > 10.0) & (knots < 12.0)) <= 1


def test_where_nothing_moved_a_curve_still_has_knots_to_stand_on():
    """One place only: rising knots about it, and a curve of one value is that value."""
    knots = knots_over(np.full(50, 3.0), np.full(50, 3.7), 100.0)
    assert np.all(np.diff(knots) >= 0) and knots[0] < 3.0 < knots[-1]
    few = even_knots(2.0, 4)
    coef = curve_coefficients(few, np.full(len(knot_sites(few)), 3.7))
    assert_allclose(curve_value(few, coef, np.linspace(-5, 15, 30)), 3.7)
    assert_allclose(curve_slope(few, coef, np.linspace(-5, 15, 30)), 0.0, atol=1e-12)


def test_knots_know_no_unit_of_charge():
    q = np.linspace(0, 40, 301)
    milli = knots_over(1e3 * q, CUBIC(q), 1e5)
    assert_allclose(milli, 1e3 * knots_over(q, CUBIC(q), 100.0))


def test_a_spline_is_scipys_natural_twin_inside_its_knots():
    """Through the values of a sine at its sites: scipy's interpolating spline of the same knots."""
    knots = even_knots(1.0, 12)
    sites = knot_sites(knots)
    coef = curve_coefficients(knots, np.sin(sites))
    other = make_interp_spline(sites, np.sin(sites), k=3, t=knots)
    x = np.linspace(0, 12, 100)
    assert_allclose(curve_value(knots, coef, x), other(x), atol=1e-10)
    assert_allclose(curve_slope(knots, coef, x), other.derivative()(x), atol=1e-9)
