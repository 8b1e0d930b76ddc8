"""The parts by which temperature sensors are told of, each by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bmslogs.analysis.models import warm_place
from bmslogs.analysis.models.cell_warmth import per_kelvin
from bmslogs.analysis.thermal import (
    SensorFault,
    furthest,
    lone_share,
    reading_step,
    rise_share,
    sensor_faults,
    settled_by_cells,
)

T = np.arange(0.0, 7200.0, 10.0)


def rising(shares, start=15.0, rise=20.0, seed=1):
    """Places that warm by `shares` of 20 K over two hours, with noise of 0.05 K. Origin: planted."""
    course = rise * (1 - np.exp(-T / 3000.0))
    return (
        start
        + course[:, None] * np.asarray(shares)
        + np.random.default_rng(seed).normal(0, 0.05, (720, len(shares)))
    )


@pytest.mark.parametrize("share", [0.5, 1.0, 1.3, 3.0, 10.0])
def test_the_share_of_a_rise_comes_back_and_grows_with_the_heat(share):
    found, half = rise_share(rising([1.0, 1.0, share, 1.0]))
    assert abs(found[2] - share) < half[2]
    assert found[2] == pytest.approx(share, rel=0.03)
    assert_allclose(found[[0, 1, 3]], 1.0, atol=0.05)


def test_a_pack_that_does_not_warm_tells_no_shares():
    found, half = rise_share(rising([1.0] * 4, rise=0.0))
    assert np.isnan(found).all() and np.isinf(half).all()


def test_where_places_stood_apart_at_first_a_share_is_less_sure():
    level = rising([1.0, 1.0, 1.0])
    level[:, 1] += 3.0
    assert rise_share(level)[1][1] > 0.1 > rise_share(rising([1.0, 1.0, 1.0]))[1][1]


@pytest.mark.parametrize(
    ("away", "lone"),
    [
        ([0.0, 0.0, 6.0, 0.0, 0.0], 1.0),  # alone
        ([0.0, 3.0, 6.0, 3.0, 0.0], 0.5),  # neighbours half as far out
        ([1.0, 6.0, 6.0, 1.0, 0.0], 0.0),  # a neighbour as far
        ([0.0, 8.0, 6.0, 0.0, 0.0], 0.0),
        ([0.0, -6.0, 6.0, -6.0, 0.0], 1.0),  # on the other side they lead nowhere
    ],
)
def test_what_neighbours_do_not_lead_up_to(away, lone):
    assert lone_share(np.array(away))[2] == pytest.approx(lone)


def test_an_end_is_led_by_the_line_through_the_two_next_to_it():
    """8, 5, 2, 0 K from the one end: the line 2, 5 reaches 8, nothing is left; 9 leaves a ninth (by hand)."""
    assert lone_share(np.array([8.0, 5.0, 2.0, 0.0]))[0] == pytest.approx(0.0)
    assert lone_share(np.array([0.0, 2.0, 5.0, 9.0]))[3] == pytest.approx(1.0 / 9.0)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-10, 10), min_size=3, max_size=8), st.floats(1e-3, 1e3))
def test_lone_shares_know_no_unit_no_sign_and_no_end(away, scale):
    away = np.round(np.array(away), 6)
    one = lone_share(away)
    assert np.all((one >= 0) & (one <= 1))
    assert_allclose(lone_share(-away), one, atol=1e-9)
    assert_allclose(lone_share(scale * away), one, atol=1e-6)
    assert_allclose(lone_share(away[::-1]), one[::-1], atol=1e-9)


def test_the_others_are_looked_at_where_a_sensor_stands_furthest():
    """A sensor that turns stands at the middle half of the time; its neighbours count where it does not (by hand)."""
    away = np.zeros((8, 3))
    away[4:, 1] = 5.0
    away[4:, 2] = 2.0
    assert furthest(away, 1).tolist() == [0.0, 5.0, 2.0]
    assert furthest(-away, 1).tolist() == [0.0, -5.0, -2.0]


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_the_step_of_readings(step):
    read = np.round(rising([1.0, 1.1, 0.9]) / step) * step
    assert reading_step(read) == pytest.approx(step, rel=1e-6)
    assert reading_step(np.full((50, 2), 20.0)) == 0.1
    read[::3] = np.nan
    assert reading_step(read) == pytest.approx(step, rel=0.2) or step < 0.2


def fault(size, doubt="air"):
    return SensorFault(0, "offset", size, 0.5, "it reads apart", doubt)


AT = [np.arange(8) < 4, np.arange(8) >= 4]


def ratio_if(real_K, seed=1):
    """Resistances of cells that are `real_K` warmer at the first sensor, by Arrhenius' law, 1 % apart of themselves."""
    colder = np.where(AT[0], -real_K, 0.0)
    return np.exp(per_kelvin(20.0) * colder) * (1 + 0.01 * np.random.default_rng(seed).standard_normal(8))


@pytest.mark.parametrize("size", [-12.0, -6.0, 6.0, 12.0])
def test_cells_that_drop_as_the_sensor_says_clear_it_and_others_convict_it(size):
    """6 K are 23 % of resistance at 20 degC and 0.3 eV: either the cells show them, or the sensor made them up."""
    assert settled_by_cells([fault(size)], ratio_if(size), AT, 20.0) == []
    (told,) = settled_by_cells([fault(size)], ratio_if(0.0), AT, 20.0)
    assert told.doubt is None and "the cells there drop" in told.evidence


@pytest.mark.parametrize("weak", [1.1, 1.3, 2.0, 10.0])
def test_a_weak_module_clears_no_sensor_that_reads_too_warm(weak):
    """Cells that drop more are no proof that they are 8 K warmer, the less the weaker they are (look-alike)."""
    weak_there = ratio_if(0.0) * np.where(AT[0], weak, 1.0)
    (told,) = settled_by_cells([fault(8.0)], weak_there, AT, 20.0)
    assert told.doubt is None
    better = ratio_if(0.0) * np.where(AT[0], 1 / weak, 1.0)
    (told,) = settled_by_cells([fault(-8.0)], better, AT, 20.0)
    assert told.doubt is None


def test_what_the_cells_cannot_say_is_left_as_it_was():
    unknown = np.full(8, np.nan)
    one = fault(6.0)
    assert settled_by_cells([one], unknown, AT, 20.0) == [one]
    small = fault(1.0)
    assert settled_by_cells([small], ratio_if(0.0), AT, 20.0)[0].doubt == "air"  # 4 % may be the cells' own
    stuck = SensorFault(1, "stuck", 3.0, None, "it stands")
    assert settled_by_cells([stuck], ratio_if(3.0), AT, 20.0) == [stuck]


@pytest.mark.parametrize(("off", "named"), [(0.0, []), (5.0, [2]), (12.0, [2]), (60.0, [2]), (-45.0, [2])])
def test_a_shift_is_named_however_large_and_by_its_place(off, named):
    """Six places that soak for an hour and warm together; one reads apart all along (planted)."""
    amps = np.where(T > 3600.0, 80.0, 0.0)
    level = 20.0 + 10.0 * (1 - np.exp(-np.clip(T - 3600.0, 0, None) / 2500.0))
    read = level[:, None] * np.ones(6) + np.random.default_rng(2).normal(0, 0.1, (720, 6))
    read[:, 2] += off
    found = sensor_faults(np.round(read, 1), T, T < 3600.0, amps)
    assert [f.column for f in found] == named
    assert [f.column for f in sensor_faults(np.round(read[:, ::-1], 1), T, T < 3600.0, amps)] == [
        5 - k for k in named
    ]
    for one in found:
        assert one.kind in ("offset", "open")
        if one.kind == "offset":
            assert one.size_C == pytest.approx(off, abs=1.0)


def test_blocks_and_their_means_by_hand():
    seconds = np.arange(100.0)
    start = warm_place.blocks_of(seconds, 4)
    assert start.tolist() == [0, 25, 50, 75]
    values = np.stack([seconds, np.where(seconds < 50, np.nan, 1.0)], axis=1)
    assert_allclose(warm_place.block_means(values, start), [[12, np.nan], [37, np.nan], [62, 1], [87, 1]])
    assert len(warm_place.blocks_of(np.array([0.0, 1.0, 1e6]), 48)) <= 3


def test_warmth_outlasts_short_pauses():
    seconds = np.array([0.0, 10, 20, 615, 1216, 1220])
    assert warm_place.warm_sections(seconds).tolist() == [0, 0, 0, 0, 1, 1]


@pytest.mark.parametrize(
    ("fall_K_h", "seconds", "soaked"),
    [
        (0.0, 1200, True),
        (-0.5, 1200, True),
        (-3.0, 1200, False),
        (2.0, 1200, True),
        (0.0, 60, False),
        (-3.0, 15_000, True),
    ],
)
def test_a_soak_holds_still_or_has_lasted(fall_K_h, seconds, soaked):
    """Less than 0.7 K an hour over two minutes or more, or four hours whatever it does (judgement)."""
    t = np.arange(0.0, seconds, 10.0)
    assert warm_place.soak_shown(20.0 + fall_K_h * t / 3600.0, t, np.ones(len(t), bool)) is soaked
    assert not warm_place.soak_shown(np.full(len(t), 20.0), t, np.zeros(len(t), bool))


def test_a_turned_reading_is_right_at_25_degrees():
    """By hand: a turn of the logarithm's slope leaves 25 degC alone, and pulls 0 degC by 25 * 273 / 298 K a unit."""
    assert_allclose(warm_place.turned(np.array([25.0, 0.0])), [0.0, -25.0 * 273.15 / 298.15])
