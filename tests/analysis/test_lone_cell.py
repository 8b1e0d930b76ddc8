"""A cell far from the others laid onto their curve by itself: planted places come back, errors hold them."""

import numpy as np
import pytest

from bmslogs.analysis.models.lone_cell import StringCurve, lone_cell

CAPACITY, OHM, NOISE = 100.0, 1e-3, 5e-4


def curve(q: np.ndarray) -> np.ndarray:
    """A made curve with a steep end either way: 3.9 V in the middle, knees near empty and full."""
    z = 1.0 - np.asarray(q) / CAPACITY
    return 3.5 + 0.5 * z + 0.1 * np.tanh((z - 0.85) / 0.05) - 0.25 * np.exp(-np.maximum(z + 0.02, 0.0) / 0.04)


def slope(q: np.ndarray) -> np.ndarray:
    return (curve(np.asarray(q) + 0.05) - curve(np.asarray(q) - 0.05)) / 0.1


def drawn(a: float, b: float, r: float = 0.0, seed: int = 3):
    """Readings of one cell over a discharge from 2 to 80 Ah drawn at 33 A, and the string's own course."""
    rng = np.random.default_rng(seed)
    q = np.linspace(2.0, 80.0, 400)
    current = np.full(400, 33.0)
    current[:40] = 0.0
    polarisation = -OHM * current
    volts = curve(q * (1 + b) - a) + polarisation * (1 + r) + rng.normal(0, NOISE, 400)
    string = StringCurve(curve, slope, 2.0, 80.0, polarisation, polarisation, current)
    block = (np.arange(400) // 50).astype(np.int64)
    return lone_cell(
        volts,
        q,
        string,
        block,
        np.full(400, 0.2),
        capacity=CAPACITY,
        noise=NOISE,
        shape=0.06,
        resistance=OHM,
        excess=(r, 0.02),
    )


@pytest.mark.parametrize("lack", [0.12, 0.25, 0.5, 0.9])
def test_a_small_cell_is_found_however_small(lack: float):
    """Planted: 11 to 47 % smaller; the curve is the same, so b comes back within its error or a hundredth."""
    found = drawn(0.0, lack)
    error = np.sqrt(max(found.formal[1, 1], found.cluster[1, 1]))
    assert abs(found.values[1] - lack) < max(3 * error, 0.01)
    assert error < 0.2 * lack


@pytest.mark.parametrize("offset", [-45.0, -20.0, 15.0])
def test_an_emptier_or_fuller_cell_is_found_however_far(offset: float):
    """Planted: up to 45 Ah of 100 apart; the knees are out of sight from the flat and found by the grid."""
    found = drawn(offset, 0.0)
    error = np.sqrt(max(found.formal[0, 0], found.cluster[0, 0]))
    assert abs(found.values[0] - offset) < max(3 * error, 0.6)
    assert found.misfit < 2.0


def test_what_lies_beyond_the_string_is_less_sure():
    """The same cell, once inside what the string covered and once beyond its end: the second is known less well."""
    inside, beyond = drawn(2.0, 0.0), drawn(-15.0, 0.35)
    assert beyond.formal[1, 1] > inside.formal[1, 1]


def test_a_resistance_that_is_known_is_not_taken_for_charge():
    """Three times the string's polarisation in a cell of the others' charge: a stays nought, r is what it is."""
    found = drawn(0.0, 0.0, r=2.0)
    assert abs(found.values[0]) < 0.5 and abs(found.values[1]) < 0.02
    assert found.values[2] + found.values[3] / OHM == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_offsets_grow_with_what_is_planted(sign: float):
    found = [drawn(sign * a, 0.0).values[0] for a in (2.0, 8.0, 20.0, 40.0)]
    assert np.all(np.diff(np.abs(found)) > 0) and np.all(np.sign(found) == sign)


def test_a_cell_on_the_string_itself_is_the_string():
    found = drawn(0.0, 0.0)
    for value, sd in zip(
        found.values, np.sqrt(np.diag(np.maximum(found.formal, found.cluster))), strict=True
    ):
        assert abs(value) < max(4 * sd, 1e-6)
    assert found.span == pytest.approx([2.0, 80.0], abs=0.5)
    assert 0.7 < found.misfit < 1.3
    assert np.all(np.linalg.eigvalsh(found.formal) >= 0)
