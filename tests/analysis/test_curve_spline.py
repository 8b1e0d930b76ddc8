"""The open-circuit curve as a spline, against polynomials, which cubic splines hold without error."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import Polynomial
from numpy.testing import assert_allclose

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
