"""The parts of a parked stretch's answer, each by hand: settling, places on the curve, pauses, bleeding."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis import parked
from bmslogs.analysis.ocv import OcvCurve, built_in
from bmslogs.analysis.parked import Drift
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.errors import NotEnoughData

HOURS = np.arange(0.0, 8 * 24.0)
SECONDS = HOURS * 3600.0
EVERY = np.ones(8, bool)


def drifts(slope, level=None, common=0.0, hours=100.0, straight=0.0):
    slope = np.asarray(slope, float)
    level = np.zeros(len(slope)) if level is None else np.asarray(level, float)
    return Drift(slope, np.full(len(slope), 1e-7), 8, hours, level, np.zeros(len(slope)), common, straight)


def noisy(slopes, seed=1, cells=8):
    """Cells that fall by their own slopes [V/h] about 3.8 V, noise of 0.3 mV. Origin: planted."""
    rng = np.random.default_rng(seed)
    return 3.8 + HOURS[:, None] * np.asarray(slopes) + rng.normal(0, 3e-4, (len(HOURS), cells))


@pytest.mark.parametrize("leak", [-1e-5, -1e-4, -1e-2])
def test_slopes_answer_by_cell_and_grow_with_the_leak(leak):
    slopes = np.where(np.arange(8) == 5, leak, 0.0)
    volts = noisy(slopes)
    found = parked.drift(volts, SECONDS, None, EVERY)
    assert found.slope[5] == pytest.approx(leak, abs=4e-6)
    turn = np.random.default_rng(2).permutation(8)
    turned = parked.drift(volts[:, turn], SECONDS, None, EVERY)
    assert_allclose(turned.slope, found.slope[turn], atol=1e-12)
    assert_allclose(turned.se, found.se[turn], atol=1e-12)


@pytest.mark.parametrize("common", [-1e-3, 0.0, 5e-4])
def test_what_all_cells_do_alike_is_no_leak_of_any(common):
    volts = noisy(np.zeros(8))
    alone = parked.drift(volts, SECONDS, None, EVERY)
    together = parked.drift(volts + common * HOURS[:, None], SECONDS, None, EVERY)
    assert_allclose(together.slope, alone.slope, atol=1e-12)
    assert together.common == pytest.approx(alone.common + common, abs=1e-9)


def test_the_swing_of_the_days_is_taken_out_where_a_sensor_tells_it():
    """Cells that follow the warmth by +-0.3 mV/K: a swing that ends on another side than it began looks like a leak."""
    warm = 20.0 + 8.0 * np.sin(2 * np.pi * HOURS / 24.0) + 0.03 * HOURS
    follows = np.linspace(-3e-4, 3e-4, 8)
    volts = noisy(np.zeros(8)) + (warm - 20.0)[:, None] * follows
    blind = parked.drift(volts, SECONDS, None, EVERY)
    told = parked.drift(volts, SECONDS, warm, EVERY)
    assert np.abs(told.slope).max() < 0.5 * np.abs(blind.slope).max()
    # of a sensor that gives no reading now and then nothing is asked
    warm[50] = np.nan
    assert_allclose(parked.drift(volts, SECONDS, warm, EVERY).slope, blind.slope)


def test_intervals_hold_sound_cells():
    """Planted: 40 strings of eight that do not leak; 95 % intervals of blocks, and what rounding adds."""
    holds = []
    for seed in range(40):
        volts = np.round(noisy(np.zeros(8), seed), 3)
        found = parked.drift(volts, SECONDS, None, EVERY, 1e-3)
        holds.append(np.abs(found.slope) <= parked.half_width(found.se, found.blocks))
    assert np.mean(holds) > 0.92


@pytest.mark.parametrize(("hours", "every_min"), [(7.0, 5), (1.0, 5), (30.0, 600)])
def test_too_short_or_too_seldom_is_refused(hours, every_min):
    t = np.arange(0.0, hours * 3600.0, every_min * 60.0)
    with pytest.raises(NotEnoughData, match="parked for"):
        parked.drift(np.full((len(t), 8), 3.8), t, None, EVERY)


def test_students_half_width():
    assert_allclose(parked.half_width(np.array([1.0, 2.0]), 8), stats.t.ppf(0.975, 7) * np.array([1.0, 2.0]))


@pytest.mark.parametrize(("hours", "first"), [(200.0, 12), (40.0, 10), (8.0, 2)])
def test_settling_ends_after_half_a_day_or_a_quarter_of_the_time(hours, first):
    t = np.arange(0.0, hours + 1.0)
    assert int(np.argmax(parked.settled_rows(t))) == first


def test_what_settling_leaves_by_hand():
    """1 mV that dies with 12 h, over the hours: 1 mV e^-1 / 12 h = 30.7 uV/h, and next to nothing after a week."""
    assert parked.settling(12.0) == pytest.approx(1e-3 * np.exp(-1) / 12)
    assert parked.settling(168.0) < 1e-11
    values = [parked.settling(h) for h in (1.0, 5.0, 20.0, 80.0)]
    assert values == sorted(values, reverse=True)


# ---- places on the curve --------------------------------------------------------------------------------------------


def test_cells_that_drift_by_where_they_stand_lie_on_a_line():
    """Six cells whose drifts are -0.5 % an hour of how far they stand from the middle: the line is theirs (by hand);
    one that leaks besides does not bend it (Theil and Sen), nor is it led beyond the others."""
    level = np.array([-0.02, -0.012, -0.004, 0.004, 0.012, 0.020])
    slope = -0.005 * level
    trend, scatter = parked.by_level(drifts(slope, level), np.ones(6, bool))
    inside = slice(1, 5)
    assert_allclose(trend[inside], slope[inside], atol=1e-12)
    assert_allclose(trend[[0, 5]], slope[[1, 4]], atol=1e-12)  # an end is led no further than its neighbour
    slope[2] -= 1.0
    bent, _ = parked.by_level(drifts(slope, level), np.ones(6, bool))
    assert_allclose(bent[inside], trend[inside], atol=1e-12)
    assert scatter < 1e-4
    none, wide = parked.by_level(drifts(slope, level), np.arange(6) < 5)
    assert not none.any() and wide == np.inf


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.floats(1e-3, 1e3))
def test_lines_through_drifts_know_no_unit_and_no_order(seed, scale):
    rng = np.random.default_rng(seed)
    slope, level, turn = rng.normal(0, 1e-5, 9), rng.normal(0, 0.01, 9), rng.permutation(9)
    one, scatter = parked.by_level(drifts(slope, level), np.ones(9, bool))
    two, other = parked.by_level(drifts(scale * slope[turn], level[turn]), np.ones(9, bool))
    assert_allclose(two, scale * one[turn], rtol=1e-9, atol=1e-15 * scale)
    assert other == pytest.approx(scale * scatter, rel=1e-9, abs=1e-15 * scale)


def test_a_sound_cell_may_drift_by_its_own_slope_and_no_further_than_the_others_show():
    """10 % of the common fall beside the others, up to 46 % a kink away (by hand: hypot(0.1, 0.45)); of few cells."""
    few = np.ones(4, bool)
    found = drifts(np.zeros(4), [0.0, 0.0, 0.0, -0.2], common=-1e-4)
    assert_allclose(
        parked.unlike_slopes(found, few), 1e-4 * np.array([0.1, 0.1, 0.1, np.hypot(0.1, 0.45)]), rtol=1e-6
    )
    eight = drifts(np.zeros(8), np.linspace(-0.002, 0.002, 8), common=-1e-4)
    assert np.all(parked.unlike_slopes(eight, EVERY) <= 1.1e-6 + 1e-5)
    still = drifts(np.zeros(8), np.linspace(-0.1, 0.1, 8), common=0.0)
    assert_allclose(parked.unlike_slopes(still, EVERY), 0.0, atol=1e-12)


def test_the_usual_slope_of_a_line_and_of_a_flat_curve():
    """A line of 1.2 V tells itself. On a flat curve slopes of 0.1 and 0.4 V may both be true: the leaks of a drift are
    as 10 to 2.5, the middle of them 6.25, that is 0.16 V with 60 % to either side (by hand)."""
    line = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.2]), False, "a line")
    assert parked.usual_slope(line, 0.4) == pytest.approx((1.2, 0.0))
    soc = np.linspace(0, 1, 2001)
    kinked = OcvCurve(soc, 3.3 + np.where(soc < 0.5, 0.1 * (soc - 0.5), 0.4 * (soc - 0.5)), True, "two lines")
    slope, half = parked.usual_slope(kinked, 0.5)
    assert (slope, half) == pytest.approx((0.16, 0.6), rel=0.01)


def test_a_cell_that_empties_is_told_by_the_way_it_went():
    """From 3.9 V at rest by -1 mV/h for 100 h: the mean slope of the table there, two per cent beyond."""
    curve = built_in("NMC")
    found = drifts([0.0, 0.0, -1e-3, 0.0], hours=100.0)
    passed = parked.slope_passed(found, 3.9, curve, 0.77)
    z = curve.inverse(np.array([3.8, 3.9]))
    by_hand = np.diff(curve.voltage(z + np.array([-0.02, 0.02])))[0] / (z[1] - z[0] + 0.04)
    assert_allclose(passed, [0.77, 0.77, by_hand, 0.77])
    assert_allclose(parked.slope_passed(drifts([-1e-3] * 3, straight=0.9), 3.9, curve, 0.77), 0.77)


# ---- a string that walked down --------------------------------------------------------------------------------------


def test_a_string_that_stands_or_climbs_is_left_as_it_is():
    assert parked.straightened(noisy(np.zeros(8)), SECONDS, EVERY) is None
    assert parked.straightened(noisy(np.full(8, 1e-3)), SECONDS, EVERY) is None


def test_the_slope_of_the_way_is_the_table_s_over_it():
    curve = built_in("NMC")
    soc = np.linspace(0.8, 0.5, 1000)
    volts = np.tile(curve.voltage(soc)[:, None], (1, 4))
    by_hand = (curve.voltage(0.8) - curve.voltage(0.5)) / 0.3
    assert parked.slope_of_walk(volts, np.ones(4, bool), curve) == pytest.approx(float(by_hand), rel=0.02)


# ---- pauses and bleeding --------------------------------------------------------------------------------------------


def test_the_longest_time_without_bleeding_tells_of_all_cells():
    """Bled in the third hour alone: the 13 h behind it tell of all; bled every second hour, of cells never bled."""
    t = np.arange(0, 17) * 3600.0
    flags = np.zeros((17, 3), bool)
    flags[2, 1] = True
    rows, cells = parked.without_bleeding(flags, t)
    assert np.flatnonzero(rows).tolist() == list(range(3, 17)) and cells.all()
    flags[::2, 1] = True
    rows, cells = parked.without_bleeding(flags, t)
    assert np.flatnonzero(rows).tolist() == list(range(1, 17, 2))
    assert cells.tolist() == [True, False, True]
    rows, cells = parked.without_bleeding(np.ones((17, 3), bool), t)
    assert not rows.any() and not cells.any()
    rows, cells = parked.without_bleeding(np.zeros((17, 3), bool), t)
    assert rows.all() and cells.all()


def parts(*kinds, rows=20):
    return [Stretch(kind, k * rows, (k + 1) * rows - 1) for k, kind in enumerate(kinds)]


def test_times_parked_are_joined_over_a_pause_only_where_the_string_stood():
    t = np.arange(60) * 3600.0
    level = np.full((60, 4), 3.8)
    joined = parked.bridged(parts("parked", "rest", "parked"), t, level, np.ones(4, bool))
    assert [(p.kind, p.first, p.last) for p in joined] == [("parked", 0, 59)]
    used = level.copy()
    used[20:] -= 0.05
    apart = parked.bridged(parts("parked", "rest", "parked"), t, used, np.ones(4, bool))
    assert [(p.first, p.last) for p in apart] == [(0, 19), (20, 59)]


def test_a_drive_parts_and_a_house_load_does_not():
    t = np.arange(60) * 3600.0
    level = np.full((60, 4), 3.8)
    driven = parked.bridged(parts("parked", "drive", "parked"), t, level, np.ones(4, bool))
    assert [(p.first, p.last) for p in driven] == [(0, 19), (40, 59)]
    light = np.ones(60, bool)
    through = parked.bridged(
        parts("parked", "drive", "parked"), t, level - t[:, None] * 1e-7, np.ones(4, bool), light
    )
    assert [(p.first, p.last) for p in through] == [(0, 59)]
    light[25:30] = False
    assert len(parked.bridged(parts("parked", "drive", "parked"), t, level, np.ones(4, bool), light)) == 2


def test_a_cell_that_falls_in_the_pauses_alone_is_told_as_it_was_seen():
    """Eight pieces of a day; between two of them cell 3 loses 5 mV, and nothing while it is seen (planted)."""
    piece = (HOURS // 24).astype(int)
    volts = noisy(np.where(np.arange(8) == 6, -2e-5, 0.0))
    volts[:, 3] -= 0.005 * piece
    whole = parked.drift(volts, SECONDS, None, EVERY)
    assert whole.slope[3] < -1e-4
    seen = parked.as_seen(whole, volts, SECONDS, piece, EVERY)
    assert abs(seen.slope[3]) < 3e-5
    assert seen.slope[6] == pytest.approx(whole.slope[6])  # one that leaks all the while stays told
    assert parked.as_seen(whole, volts, SECONDS, np.zeros(len(HOURS), int), EVERY) is whole
