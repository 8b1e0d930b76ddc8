"""Other charge, other capacity or a shifted reading: planted, and what looks like it."""

import numpy as np
import pytest

from bmslogs.analysis.models.lone_cell import StringCurve
from bmslogs.analysis.shifted_reading import ODDS, shifted_singly, weigh_shifts

CAPACITY, OHM, NOISE, CELLS, ROWS = 100.0, 1e-3, 5e-4, 10, 480


def curve(q: np.ndarray) -> np.ndarray:
    z = 1.0 - np.asarray(q) / CAPACITY
    return 3.4 + 0.5 * z + 0.25 * np.exp(-z / 0.06) * -1.0 + 0.08 * np.tanh((z - 0.6) / 0.08)


def slope(q: np.ndarray) -> np.ndarray:
    return (curve(np.asarray(q) + 0.05) - curve(np.asarray(q) - 0.05)) / 0.1


def weighed(a=None, b=None, shift=None, table_error_V: float = 0.0, seed: int = 1):
    """A string discharged from full to 10 %; a curve off by `table_error_V` stands for what the model does not know."""
    rng = np.random.default_rng(seed)
    a = rng.normal(0, 0.2, CELLS) + (0.0 if a is None else a)
    b = rng.normal(0, 0.008, CELLS) + (0.0 if b is None else b)
    q = np.repeat(np.linspace(1.0, 90.0, ROWS)[:, None], CELLS, 1)
    current = 33.0 * (1 + 0.5 * np.sin(np.arange(ROWS) / 7.0))
    polarisation = -OHM * current
    volts = curve(q * (1 + b) - a) + polarisation[:, None] + rng.normal(0, NOISE, q.shape)
    volts += 0.0 if shift is None else shift

    def assumed(x):
        return curve(x) + table_error_V * np.sin(np.asarray(x) / 15.0)

    def assumed_slope(x):
        return (assumed(np.asarray(x) + 0.05) - assumed(np.asarray(x) - 0.05)) / 0.1

    string = StringCurve(assumed, assumed_slope, 1.0, 90.0, polarisation, polarisation, current)
    block = (np.arange(ROWS) * 8 // ROWS).astype(np.int64)
    values = np.stack([a - np.median(a), b - np.median(b), np.zeros(CELLS), np.zeros(CELLS)])
    return weigh_shifts(
        volts,
        q,
        string,
        values,
        block,
        np.full(ROWS, 0.2),
        capacity=CAPACITY,
        resistance=OHM,
        noise=NOISE,
        shape=0.06,
    )


def one(cell: int, size: float) -> np.ndarray:
    out = np.zeros(CELLS)
    out[cell] = size
    return out


@pytest.mark.parametrize("volts", [0.008, -0.03, 0.15])
def test_a_planted_shift_is_told_as_one_and_sized(volts: float):
    free = weighed(shift=one(4, volts))
    assert free.odds[4] > ODDS
    assert abs(free.shift[4] - volts) < max(4 * free.se[4], 0.002)
    assert list(
        np.flatnonzero(
            shifted_singly(free.shift, free.se, free.odds, np.full(CELLS, 0.0035), np.ones(CELLS, bool))
        )
    ) == [4]


@pytest.mark.parametrize("planted", [{"b": one(4, 0.05)}, {"a": one(4, -4.0)}, {"b": one(4, 0.15)}])
def test_a_small_or_emptier_cell_is_no_shifted_reading(planted: dict):
    found = weighed(**planted)
    assert found.odds[4] < ODDS


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("table_error_V", [0.0, 0.004, 0.012])
def test_a_curve_that_is_off_for_all_accuses_no_sound_cell(table_error_V: float, seed: int):
    """The error of the model is the same for all cells; none stands out against the others."""
    found = weighed(table_error_V=table_error_V, seed=seed)
    named = shifted_singly(found.shift, found.se, found.odds, np.full(CELLS, 0.0035), np.ones(CELLS, bool))
    assert not named.any()


def test_cells_that_are_honestly_apart_hide_no_shifted_reading():
    """Charges 1.5 % and capacities 2 % apart, one reading 35 mV high (planted): the others' charge is no scatter."""
    a, b = np.linspace(-1.5, 1.5, CELLS), 0.02 * np.array([1, -1, 1, -1, 0, 1, -1, 1, -1, 0.5])
    found = weighed(a=a, b=b, shift=one(4, 0.035))
    named = shifted_singly(found.shift, found.se, found.odds, np.full(CELLS, 0.0035), np.ones(CELLS, bool))
    assert list(np.flatnonzero(named)) == [4]
    assert abs(found.shift[4] - 0.035) < 0.004
