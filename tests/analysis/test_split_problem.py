"""The least-squares problem of the split, against covariance matrices written out and scipy's own solver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import BSpline
from scipy.optimize import least_squares

from bmslogs.analysis.curve_spline import curve_coefficients, curve_value, knot_sites, roughness_rows
from bmslogs.analysis.split_problem import (
    FREE_BEND_SD_V,
    GAUGE,
    LEVEL_LOAD_SHARE,
    LOAD_SHARE,
    USUAL_SD,
    Point,
    Problem,
    cell_priors,
    damped_turn,
    normal_equations,
)

CELLS, ROWS, CAPACITY, DROP = 4, 60, 50.0, np.array([0.002])
ONES = np.ones(4)


def problem(shape: float = 0.0, seed: int = 1) -> tuple[Problem, Point]:
    """Invent a small problem; returned with a point that is not its answer."""
    rng = np.random.default_rng(seed)
    t = np.arange(ROWS)
    current = 40 * np.sin(t / 5) + 20
    q = np.cumsum(current) * 0.01
    charge = np.repeat(q[:, None], CELLS, 1)
    inner = np.linspace(q.min() - 2, q.max() + 2, 6)
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    sites = knot_sites(knots)
    coef = curve_coefficients(knots, 3.9 - 0.02 * sites - 0.0015 * sites**2)
    polar = -current[:, None] / np.sqrt((current**2).mean())
    scale = np.repeat(np.array([[0.2 * CAPACITY], [0.1], [0.15], [5e-5]]), CELLS, axis=1)
    truth = Point(coef, np.array([0.03]), rng.normal(0, 0.1, (4, CELLS)))
    made = Problem(
        np.zeros((ROWS, CELLS)), charge, polar, current, np.ones(polar.shape[1]), knots, scale,
        np.broadcast_to(np.eye(4), (CELLS, 4, 4)).copy(), np.zeros((CELLS, 4)),
        0.002, 0.0015, shape, rng.uniform(0.2, 0.8, ROWS), np.zeros(len(coef)), False,
        np.full(len(coef) - 2, FREE_BEND_SD_V),
    )  # fmt: skip
    volts = model(made, truth) + rng.normal(0, 0.002, (ROWS, CELLS))
    start = Point(coef + rng.normal(0, 0.002, len(coef)), np.array([0.02]), np.zeros((4, CELLS)))
    return replace(made, volts=volts), start


def model(p: Problem, at: Point) -> np.ndarray:
    """The formula of the module's docstring, written again: U(q (1 + b) - a) + P (1 + r) - rho I."""
    a, b, r, rho = at.cells * p.scale
    x = p.charge * (1 + b) - a
    return (
        curve_value(p.knots, at.coef, x) + (p.polar @ at.common)[:, None] * (1 + r) - rho * p.current[:, None]
    )


def pack(at: Point) -> np.ndarray:
    return np.concatenate([at.coef, at.common, at.cells.ravel()])


def unpack(p: Problem, flat: np.ndarray) -> Point:
    n = len(p.knots) - 4
    return Point(flat[:n], flat[n : n + 1], flat[n + 1 :].reshape(4, CELLS))


def covariance(p: Problem, slope: np.ndarray, drop: np.ndarray) -> np.ndarray:
    """(rows, cells, cells) of one row's readings: white and sideways errors, and one part that all cells share."""
    count = p.count[:, None]
    own = (p.noise**2 + (slope * p.shape) ** 2 + (LOAD_SHARE * drop[:, None]) ** 2) / count
    shared = (p.level**2 + (LEVEL_LOAD_SHARE * drop) ** 2) / p.count
    return own[:, :, None] * np.eye(CELLS) + shared[:, None, None]


@pytest.mark.parametrize(("shape", "sure"), [(0.0, False), (0.05, False), (0.05, True)])
def test_normal_equations_are_those_of_the_covariance_written_out(shape: float, sure: bool):
    # generalised least squares (Aitken 1936): J' V^-1 J and J' V^-1 e, V inverted as it stands, J by differences
    p, at = problem(shape)
    p = replace(p, sure=sure)
    at = replace(at, cells=np.random.default_rng(4).normal(0, 0.05, (4, CELLS)))
    flat = pack(at)
    steps = 1e-6 * np.eye(len(flat))
    jacobian = np.stack(
        [(model(p, unpack(p, flat + s)) - model(p, unpack(p, flat - s))) / 2e-6 for s in steps], axis=-1
    )
    a, b = (at.cells * p.scale)[:2]
    slope = BSpline(p.knots, at.coef, 3).derivative()(
        np.clip(p.charge * (1 + b) - a, p.knots[0], p.knots[-1])
    )
    drop = p.polar @ at.common * sure
    inverse = np.linalg.inv(covariance(p, slope, drop))
    system, right = normal_equations(p, at, DROP, ONES, rows=np.ones(ROWS, dtype=bool))
    expected = np.einsum("rci,rcd,rdj->ij", jacobian, inverse, jacobian)
    size = np.sqrt(np.diag(expected))
    assert_allclose(system / np.outer(size, size), expected / np.outer(size, size), atol=2e-6)
    moment = np.einsum("rci,rcd,rd->i", jacobian, inverse, p.volts - model(p, at))
    assert_allclose(right / size, moment / size, atol=1e-5 * np.abs(moment / size).max())


def test_turns_lead_to_where_scipy_finds_the_least():
    p, at = problem()
    whiten = np.linalg.inv(np.linalg.cholesky(covariance(p, np.zeros((ROWS, CELLS)), np.zeros(ROWS))))
    rough = roughness_rows(p.knots) / FREE_BEND_SD_V

    def left(flat: np.ndarray) -> np.ndarray:
        here = unpack(p, flat)
        rows = np.einsum("rcd,rd->rc", whiten, p.volts - model(p, here)).ravel()
        held = np.sqrt(GAUGE) * here.cells.mean(axis=1)
        return np.concatenate([rows, rough @ here.coef, here.common / DROP, held, here.cells.ravel()])

    expected = least_squares(left, pack(at), x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-12)
    damping = 1e-3
    for _ in range(30):
        at, damping, _ = damped_turn(p, at, DROP, ONES, damping)
    assert_allclose((left(pack(at)) ** 2).sum(), 2 * expected.cost, rtol=1e-6)
    found = unpack(p, expected.x)
    assert_allclose(at.cells, found.cells, atol=2e-3)
    assert_allclose(model(p, at), model(p, found), atol=2e-5)


def test_what_is_known_of_the_resistance_narrows_the_prior():
    # by algebra of Gaussian conditioning: 1 / (1 / prior + 1 / known) for the variance of r + rho / R
    scale = np.repeat(np.array([[10.0], [0.1], [0.15], [5e-5]]), 2, axis=1)
    resistance, known = 1e-3, (np.array([0.12, np.nan]), np.array([0.02, 0.02]))
    prior, pull = cell_priors(scale, resistance, known)
    both = np.array([0.0, 0.0, 0.15, 5e-5 / resistance])
    # neither the cell's excess nor the link's is thought to go far beyond what is known of both together
    most = USUAL_SD + 0.12
    before = min(0.15, most) ** 2 + min(5e-5 / resistance, most) ** 2
    expected = 1 / (1 / before + 1 / 0.02**2)
    inverse = np.linalg.inv(prior)
    assert_allclose(both @ inverse[0] @ both, expected, rtol=1e-9)
    assert_allclose(both @ inverse[0] @ pull[0], 0.12 * expected / 0.02**2, rtol=1e-9)
    assert_allclose(prior[1], np.eye(4), atol=1e-12)
    assert_allclose(pull[1], 0.0)


def test_a_curve_that_rises_as_charge_is_drawn_tells_no_place():
    p, at = problem()
    rising = replace(at, coef=curve_coefficients(p.knots, 3.9 + 0.004 * knot_sites(p.knots)))
    place = np.arange(len(at.coef) + 1, len(at.coef) + 1 + 2 * CELLS)
    gauge = GAUGE / CELLS**2
    for point, told in ((at, True), (rising, False)):
        system, _ = normal_equations(p, point, DROP, ONES)
        own = np.diag(system)[place] - gauge - 1.0  # less gauge and prior
        assert ((own > 1.0) == told).all()
