"""Errors of offsets and lacks, and doubt of a slope: straight curves by hand."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.slope_doubt import slope_doubt
from bmslogs.analysis.known.split_errors import most_drop, split_errors
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import t_factor

TABLE = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")
PLACE = Alignment(0.5, 0.0, 100.0, 0.0, 0.4, 0.0, np.zeros((2, 2)))
"""On 100 Ah: 0.01 V for each Ah."""


@dataclass
class Straight:
    """A split of two cells over -20 to 20 Ah whose curve falls evenly, under an even polarisation."""

    slope_V: float = 0.01
    drop_V: float = 0.0
    formal_a: float = 0.0
    r: tuple[float, ...] = (0.0, 0.0)
    misfit: tuple[float, ...] = (1.0, 1.0)
    far: tuple[bool, ...] = (False, False)
    q_low: float = -20.0
    q_high: float = 20.0

    def __post_init__(self):
        self.charge = np.linspace(self.q_low, self.q_high, 41)
        self.formal = np.zeros((2, 4, 4))
        self.formal[:, 0, 0] = self.formal_a
        self.cluster = self.formal
        self.r, self.misfit, self.far = np.array(self.r), np.array(self.misfit), np.array(self.far)

    def curve(self, q):
        return 3.5 - self.slope_V * np.asarray(q)

    def slope(self, q):
        return np.full(np.shape(q), -self.slope_V)

    def mean_polarisation(self, q):
        return np.full(np.shape(q), -self.drop_V)


def errors(split, reading_sd_V=0.0, most_drop_V=np.inf, flat=False, doubt=1.0, most_excess=None):
    return split_errors(split, reading_sd_V, most_drop_V, flat, doubt, most_excess)


def test_a_reading_error_that_lasts_is_an_offset_by_the_slope():
    """1 mV on 10 mV/Ah is 0.1 Ah; half a millivolt that grows over 20 Ah is 0.0025 of capacity (by hand)."""
    for spread in errors(Straight(), reading_sd_V=0.001):
        assert_allclose(np.sqrt(spread.a), 0.1, rtol=1e-6)
        assert_allclose(np.sqrt(spread.b), 0.05 / 20.0, rtol=1e-6)
        assert_allclose(spread.ab, 0.0, atol=1e-12)


def test_blocks_count_by_students_t():
    model, blocks = errors(Straight(formal_a=0.04))
    assert_allclose(model.a, 0.04)
    assert_allclose(blocks.a, 0.04 * (t_factor(8) / 1.96) ** 2)


@pytest.mark.parametrize(
    ("misfit", "far", "times"), [(0.5, False, 1.0), (1.2, False, 1.2), (9.0, False, 1.5), (9.0, True, 3.0)]
)
def test_a_cell_that_does_not_fit_is_less_sure(misfit, far, times):
    """In proportion to its misfit, up to 1.5, or 3 where it was fitted by itself (judgement)."""
    model, _ = errors(Straight(formal_a=0.04, misfit=(1.0, misfit), far=(False, far)))
    assert_allclose(np.sqrt(model.a), 0.2 * np.array([1.0, times]))


def test_an_aged_cell_follows_the_polarisation_less_closely():
    """50 mV of drop: 3 % for all, 1.5 mV; of a cell with 25 % more, 20 % of 40 % of it, 4 mV, beside (by hand)."""
    model, _ = errors(Straight(drop_V=0.05, r=(0.0, 0.25)))
    assert_allclose(np.sqrt(model.a) * 0.01, [0.0015, np.hypot(0.0015, 0.004)], rtol=1e-6)
    bounded, _ = errors(Straight(drop_V=0.05), most_drop_V=0.02, flat=True)
    assert_allclose(np.sqrt(bounded.a) * 0.01, 0.02 * 0.02, rtol=1e-6)


def test_a_resistance_that_the_steps_rule_out_makes_no_cell_less_sure():
    """What a charge of one current calls a resistance of 31 % is 15 % at most where a step tells so: 10 % of 40 %."""
    for r in (-0.31, 0.31):
        free, _ = errors(Straight(drop_V=0.05, r=(0.0, r)))
        told, _ = errors(Straight(drop_V=0.05, r=(0.0, r)), most_excess=np.array([0.02, 0.15]))
        assert_allclose(np.sqrt(free.a) * 0.01, [0.0015, np.hypot(0.0015, 0.0052)], rtol=1e-6)
        assert_allclose(np.sqrt(told.a) * 0.01, [0.0015, np.hypot(0.0015, 0.002)], rtol=1e-6)


def test_a_doubted_slope_widens_everything():
    once, twice = (errors(Straight(formal_a=0.04), 0.001, doubt=d)[0] for d in (1.0, 2.0))
    assert_allclose(twice.a, 4.0 * once.a)
    assert_allclose(twice.b, 4.0 * once.b)


def test_what_loads_take_at_most():
    """50 A on 1 mohm, half as much again: 75 mV; what does not flow does not count."""
    current = np.array([0.0, 0.5, np.nan, 50.0, -50.0])
    assert_allclose(most_drop(current, 1e-3, 100.0), 0.075)
    assert most_drop(current[:3], 1e-3, 100.0) == np.inf


@pytest.mark.parametrize(("times", "doubt"), [(1.0, 1.0), (1.3, 1.0), (2.6, 2.0)])
def test_a_curve_steeper_than_the_table_is_doubted(times, doubt):
    """1.3 times is believed; 2.6 times, where drift may have made all of it, counts as twice too steep (by hand)."""
    split = Straight(slope_V=0.01 * times, drop_V=20.0)
    assert_allclose(slope_doubt(split, PLACE, TABLE, 100.0), doubt, rtol=1e-9)


def test_no_drift_can_make_a_long_climb():
    """Under no load 4 mV at most are no curve: 1.04 V of climb are 1.036 V at least (by hand)."""
    split = Straight(slope_V=0.026)
    assert_allclose(slope_doubt(split, PLACE, TABLE, 100.0), 1.04 / 1.036, rtol=1e-9)


@pytest.mark.parametrize("steeper", [1.0, 1.3, 2.0, 5.0, 100.0])
def test_a_curve_that_came_out_steeper_is_doubted_by_as_much(steeper):
    """By hand: beyond 1.3 times the table in proportion; at most by what relaxes may have made of it."""
    split = Straight(slope_V=0.01 * steeper, drop_V=0.0)
    climbed = 0.4 * steeper
    most = climbed / (climbed - 0.004)  # without a load 4 mV may be no climb
    assert slope_doubt(split, PLACE, TABLE, 100.0) == pytest.approx(
        min(max(steeper / 1.3, 1.0), max(most, 1.0))
    )


def test_errors_never_shrink_as_more_is_in_doubt():
    base = errors(Straight(formal_a=0.01), reading_sd_V=0.001)
    for more in (
        errors(Straight(formal_a=0.01), reading_sd_V=0.002),
        errors(Straight(formal_a=0.01), reading_sd_V=0.001, doubt=1.5),
        errors(Straight(formal_a=0.01, drop_V=0.05), reading_sd_V=0.001),
        errors(Straight(formal_a=0.01, drop_V=0.05, r=(0.0, 2.0)), reading_sd_V=0.001),
        errors(Straight(formal_a=0.01, misfit=(1.0, 50.0)), reading_sd_V=0.001),
    ):
        for wide, usual in zip(more, base, strict=True):
            assert np.all(wide.a >= usual.a - 1e-15) and np.all(wide.b >= usual.b - 1e-15)


def test_what_the_loads_take_off_by_hand():
    """80 A and -60 A of 100 Ah on 1 mohm: 1.5 times the rms of 70.7 A; up to 2 A nothing flows."""
    current = np.array([80.0, -60.0, 1.9, np.nan, 0.0])
    assert most_drop(current, 1e-3, 100.0) == pytest.approx(1.5e-3 * np.sqrt((80.0**2 + 60.0**2) / 2))
    assert most_drop(np.array([1.9, np.nan]), 1e-3, 100.0) == np.inf
