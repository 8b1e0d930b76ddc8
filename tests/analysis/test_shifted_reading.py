"""Other charge, other capacity or a shifted reading: planted, and what looks like it."""

import numpy as np
import pytest

from bmslogs.analysis.models.lone_cell import StringCurve
from bmslogs.analysis.shifted_reading import (
    ODDS,
    AsCharge,
    _agreed,
    either,
    shift_of_board,
    shifted_singly,
    shifts_as_charge,
    unlike_the_others,
    weigh_shifts,
)

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


@pytest.mark.parametrize("size", [0.04, 0.2, 1.0, -0.2])
def test_the_larger_a_shift_the_surer(size: float):
    found = weighed(shift=one(4, size))
    assert found.odds[4] > ODDS
    assert found.shift[4] == pytest.approx(size, rel=0.1)
    assert np.abs(np.delete(found.shift, 4)).max() < 0.01


@pytest.mark.parametrize(
    ("told", "se", "expected"),
    [
        # weights 1 / se^2 by hand: (10 / 1 + 12 / 4) / (1 / 1 + 1 / 4) = 10.4
        ((0.010, 0.012), (0.001, 0.002), 0.0104),
        ((0.010, 0.030), (0.001, 0.001), np.nan),  # they disagree
        ((0.010, -0.010), (0.001, 0.001), np.nan),  # even on the sign
        ((0.010, 0.002), (0.001, 0.001), np.nan),  # the second is not sure
        ((-0.010, -0.010), (0.001, 0.001), -0.010),
    ],
)
def test_what_charge_and_capacity_agree_on(told, se, expected):
    shift, error = _agreed(np.array(told), np.array(se), 3.0, 2.0)
    assert shift == pytest.approx(expected, nan_ok=True)
    if np.isfinite(expected):
        least = 1.0 / np.sqrt(sum(1.0 / np.array(se) ** 2))
        assert error == pytest.approx(np.hypot(least, 0.075 * abs(expected)))


def test_a_board_s_one_shift_by_hand():
    """Offsets of 2 Ah and lacks of 0.02 on a board; 20 mV would look like both: 100 Ah and 1.0 a volt."""
    rng = np.random.default_rng(7)
    here = np.arange(16) < 8
    cells = AsCharge(
        np.where(here, 2.0, 0.0) + rng.normal(0, 0.02, 16),
        np.where(here, 0.02, 0.0) + rng.normal(0, 2e-4, 16),
        np.array([100.0, 1.0]),
    )
    every = np.ones(16, bool)
    shift, se = shift_of_board(cells, here, every)
    assert shift == pytest.approx(0.020, abs=5e-4) and se < 0.002
    # the other half stands as far on the other side
    other = shift_of_board(cells, ~here, every)
    assert other is not None and other[0] == pytest.approx(-shift)
    # modules of another lot: smaller, and not emptier by as much
    lot = AsCharge(cells.offset, -cells.lack, cells.looks_like)
    assert shift_of_board(lot, here, every) is None
    assert shift_of_board(cells, here, every & (np.arange(16) > 5)) is None  # of two cells nothing is said
    assert shift_of_board(AsCharge(cells.offset, cells.lack, np.array([np.nan, 1.0])), here, every) is None


def test_single_cells_whose_charge_and_capacity_say_one_shift():
    rng = np.random.default_rng(8)
    offset, lack = rng.normal(0, 0.05, 12), rng.normal(0, 5e-4, 12)
    offset[3] += 3.0
    lack[3] += 0.03
    offset[8] += 3.0  # emptier alone
    cells, se = AsCharge(offset, lack, np.array([100.0, 1.0])), (np.full(12, 0.1), np.full(12, 1e-3))
    found = shifts_as_charge(cells, se, 0.01, np.ones(12, bool))
    assert np.flatnonzero(np.isfinite(found)).tolist() == [3]
    assert found[3] == pytest.approx(0.030, abs=0.003)
    assert np.isnan(shifts_as_charge(cells, se, 0.05, np.ones(12, bool))).all()
    assert np.isnan(shifts_as_charge(cells, se, 0.01, np.arange(12) < 5)).all()


def test_either_is_what_no_odds_decide():
    every, se = np.ones(4, bool), np.full(4, 0.001)
    found = either(
        np.array([0.02, 0.02, 0.02, 0.001]), se, np.array([0.5, 4.0, -4.0, 0.5]), 0.01 * np.ones(4), every
    )
    assert found.tolist() == [True, False, False, False]


def test_shifts_that_belong_to_the_others_are_none():
    """Ten shifts that scatter by 4 mV: the one of 50 mV is none of them; of five all may be."""
    rng = np.random.default_rng(9)
    shift, se = rng.normal(0, 0.004, 10), np.full(10, 0.001)
    shift[6] = 0.05
    assert np.flatnonzero(unlike_the_others(shift, se, np.ones(10, bool))).tolist() == [6]
    assert unlike_the_others(shift, se, np.arange(10) < 5).tolist() == [True] * 5 + [False] * 5
