"""The parts of a history by hand: middles, what all cells share, references, sums, times ahead, words."""

from __future__ import annotations

import datetime as dt
import math
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.findings.history.claims import holm, time_to
from bmslogs.findings.history.conditions import at_reference, outside, reference_of
from bmslogs.findings.history.counting import counted
from bmslogs.findings.history.derived import bled_weekly, counted_up, heating_share, offset_at_full
from bmslogs.findings.history.gathered import Told, middle, row_median
from bmslogs.findings.history.ground import against_the_pack, common_part
from bmslogs.findings.history.topics import TOPICS
from bmslogs.findings.history.words import _time, day_words, place_of
from tests.findings.by_hand import a_pack
from tests.findings.history.columns import NAN, gathered, told

# ---- medians ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", [0, 1])
def test_the_middle_is_numpy_s_nanmedian(axis: int) -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1, (7, 6))
    x[rng.random(x.shape) < 0.4] = NAN
    x[3] = NAN
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a row without any value
        right = np.nanmedian(x, axis=axis)
    assert_allclose(middle(x, axis), right)
    assert np.isnan(row_median(np.zeros((3, 0)))).all()


# ---- what all cells share -----------------------------------------------------------------------------------------

ONE = np.zeros((4, 4), np.intp)


def test_what_moves_all_cells_moves_none_of_them() -> None:
    """Levels 1, 2, 3, 4 and a share of 0, 5, -2, 1 in four logs, by hand."""
    level, share = np.array([1.0, 2.0, 3.0, 4.0]), np.array([0.0, 5.0, -2.0, 1.0])
    y = level + share[:, None]
    assert_allclose(common_part(y, ONE) - common_part(y, ONE)[0], share)
    rest = against_the_pack(y, ONE)
    assert_allclose(rest - rest[0], 0.0, atol=1e-12)
    assert_allclose(np.diff(rest[0]), 1.0)
    assert_allclose(middle(rest[:1], 1), 0.0, atol=1e-12)


def test_a_cell_that_is_missing_from_a_log_moves_no_other() -> None:
    level, share = np.array([1.0, 2.0, 3.0, 9.0]), np.array([0.0, 5.0, -2.0, 1.0])
    y = level + share[:, None]
    y[2, 3] = NAN
    rest = against_the_pack(y, ONE)
    assert_allclose(rest[:, :3] - rest[0, :3], 0.0, atol=1e-12)


def test_a_new_cell_begins_at_a_level_of_its_own() -> None:
    """Cell 2 is swapped before the third log and stands 3 lower since: the others stay where they are."""
    y = np.array([1.0, 2.0, 3.0, 4.0]) + np.zeros((4, 1))
    y[2:, 1] -= 3.0
    part = ONE.copy()
    part[2:, 1] = 1
    rest = against_the_pack(y, part)
    assert_allclose(rest[:, [0, 2, 3]] - rest[0, [0, 2, 3]], 0.0, atol=1e-12)
    assert_allclose(rest[2, 1] - rest[1, 1], -3.0)


def test_of_two_cells_none_is_told_from_the_middle() -> None:
    assert np.isnan(against_the_pack(np.ones((4, 2)), ONE[:, :2])).all()
    few = np.full((4, 12), NAN)
    few[:, :3] = 1.0  # a quarter of the cells: another middle than the pack's
    assert np.isnan(common_part(few, np.zeros((4, 12), np.intp))).all()


# ---- references ---------------------------------------------------------------------------------------------------


def resistances(warm: Sequence[float], **at: Any) -> Told:
    t = told(np.ones((len(warm), 3)), **at)
    t.temperature[:] = np.array(warm)[:, None]
    return t


@pytest.mark.parametrize(
    ("warm", "reference"),
    [((18.0, 22.0, 24.0), 20.0), ((24.0, 25.0, 26.0), 20.0), ((26.0, 27.0, 40.0), 27.0)],
)
def test_logs_are_compared_at_twenty_degrees_where_their_middle_is_near(
    warm: Sequence[float], reference: float
) -> None:
    assert reference_of("resistance_10s", resistances(warm)).temperature_C == reference


def test_a_quantity_that_no_warmth_changes_has_no_reference_temperature() -> None:
    assert np.isnan(reference_of("bleed_done", resistances((5.0, 35.0))).temperature_C)


def test_a_log_outside_the_reference_says_by_what() -> None:
    t = resistances((20.0, 20.0, 33.0, 20.0, 20.0), soc_low=[0.5, 0.5, 0.5, 0.0, 0.5],
                    soc_high=[0.8, 0.8, 0.8, 0.2, 0.8], current_A=[60.0, 60.0, 60.0, 60.0, 150.0])  # fmt: skip
    why = outside("resistance_10s", t, reference_of("resistance_10s", t))
    assert why[:2] == ["", ""]
    assert why[2] == "taken at 33 degC, more than 10 K from the 20 degC at which all are compared"
    assert why[3] == "taken at 0 to 20 % charge; the others lie about 50 to 80 %"
    assert why[4] == "taken at a load of 150 A; the others lie about 60 A"


def test_a_resistance_at_ten_degrees_is_brought_to_twenty_five() -> None:
    """R(10) / R(25) = 1.8563 at 0.3 eV (METHODS C16): the factor undoes it."""
    t = resistances((10.0, 25.0))
    factor, half = at_reference(t, reference_of("resistance_10s", resistances((25.5, 25.5, 25.0))))
    assert factor[1, 0] / factor[0, 0] == pytest.approx(1.8563, rel=1e-3)
    assert (half >= 0).all()


# ---- what is added up ---------------------------------------------------------------------------------------------


def test_charge_is_added_up_by_its_direction_and_not_through_pauses() -> None:
    """36 A for 100 s are 1 Ah; -18 A for 100 s half of it; ten minutes of nothing seen count nothing."""
    seconds = np.r_[np.arange(0.0, 200.0), 800.0 + np.arange(0.0, 101.0)]
    current = np.r_[np.full(100, 36.0), np.full(100, -18.0), np.zeros(101)]
    got, _ = counted(seconds, current, np.full(301, 40.0), np.full((301, 1), 20.0))
    assert got["drawn_Ah"] == pytest.approx(1.0)
    assert got["charged_Ah"] == pytest.approx(0.5, abs=0.006)  # its last second falls into the pause
    assert got["drawn_kWh"] == pytest.approx(0.04)
    assert got["hours"] == pytest.approx(299.0 / 3600.0)
    assert math.isnan(got["spread_K"])  # of one sensor none is the warmest


def test_counters_run_on_over_the_logs_and_are_silent_in_those_without() -> None:
    g = gathered(
        (0, 5, 9), counters={"drawn_Ah": np.array([10.0, NAN, 5.0]), "charged_Ah": np.array([1.0, NAN, 2.0])}
    )
    drawn, charged = counted_up(g, "drawn_Ah", "charged_Ah")
    assert_allclose(drawn, [10.0, NAN, 15.0])
    assert_allclose(charged, [1.0, NAN, 3.0])


def test_bleeding_a_week_is_that_of_four_weeks() -> None:
    """0.4, 0.4 and 0.2 Ah in four weeks are 0.25 Ah a week; 1.96 times the root of their squares, 0.6, over four."""
    g = gathered((0, 7, 20, 35, 60), bleed_done=told([[0.4], [0.4], [0.2], [0.8], [0.0]], columns=[6]))
    weekly = bled_weekly(g)
    assert weekly is not None
    assert_allclose(weekly.value[:, 0], [NAN, NAN, 0.25, 0.2, NAN])
    assert weekly.high[2, 0] - weekly.value[2, 0] == pytest.approx(1.96 * 0.6 / 4.0)


def test_heating_is_told_as_a_share_of_the_pack_s_middle() -> None:
    """1 mK/A^2 more than a middle of 2: half as much again; a log without a middle tells none."""
    share = heating_share(gathered((0, 5), heating=told([[1e-3], [1e-3]], 1e-4, ["TF2"], middle=[2e-3, NAN])))
    assert share is not None
    assert_allclose(share.value[:, 0], [0.5, NAN])
    assert_allclose(share.high[0, 0] - share.value[0, 0], 0.05)


def test_a_small_cell_at_half_charge_lags_at_full_by_its_size() -> None:
    """100 Ah; half charged, cell 1 is level with the others and holds 10 % less: at full it lacks nothing of its own
    and holds 5 Ah more of what is left to charge: level x (1 - 0.1) + 0.1 x 0.5 = +0.05 of charge."""
    g = gathered(
        (0,),
        ("charge",),
        soc_offset=told([[0.0, 0.0, 0.0]], soc_low=0.5, soc_high=0.9),
        capacity_relative=told([[0.9, 1.0, 1.0]]),
    )
    at_full = offset_at_full(g)
    assert at_full is not None
    assert_allclose(at_full.value[0], [5.0, 0.0, 0.0], atol=1e-9)


def test_what_is_to_be_bled_is_the_offset_where_a_charge_went_to_its_end() -> None:
    """5, 2 and 0 Ah to be bled: 3 Ah fuller than the middle, level, 2 Ah emptier."""
    at_full = offset_at_full(gathered((0,), ("charge",), bleed_needed=told([[5.0, 2.0, 0.0]])))
    assert at_full is not None
    assert_allclose(at_full.value[0], [3.0, 0.0, -2.0])


# ---- times ahead --------------------------------------------------------------------------------------------------


def test_a_line_comes_to_its_level_in_what_is_left_over_the_slope() -> None:
    """From 1.04 to 1.10 at 0.01 a month, 0.008 to 0.012: 6 months, 5 to 7.5."""
    ahead = time_to(1.04, 1.10, 0.01, 0.008, 0.012, 24.0)
    assert ahead is not None
    assert (ahead.months, ahead.soonest, ahead.latest) == pytest.approx((6.0, 5.0, 7.5))


@pytest.mark.parametrize(
    ("slope", "low", "high", "most"),
    [
        (0.01, -0.002, 0.022, 24.0),  # it may go the other way
        (0.01, 0.004, 0.016, 24.0),  # 3.75 to 15 months: more than threefold
        (0.001, 0.0008, 0.0012, 24.0),  # five years, of logs of two
    ],
)
def test_a_time_that_cannot_be_told_is_not(slope: float, low: float, high: float, most: float) -> None:
    assert time_to(1.04, 1.10, slope, low, high, most) is None


def test_a_falling_line_comes_down_to_its_level_and_a_past_one_is_there() -> None:
    ahead = time_to(0.99, 0.97, -0.005, -0.006, -0.004, 12.0)
    assert ahead is not None and ahead.months == pytest.approx(4.0)
    gone = time_to(0.96, 0.97, -0.005, -0.006, -0.004, 12.0)
    assert gone is not None and gone.months == 0.0


def test_holm_stops_at_the_first_that_stands() -> None:
    """0.05 over 3, 2, 1 = 0.0167, 0.025, 0.05: 0.01 falls, 0.03 stands, and so does 0.04 behind it."""
    assert holm(np.array([0.04, 0.01, NAN, 0.03]), 0.05).tolist() == [False, True, False, False]


# ---- words --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("months", "soonest", "latest", "words"),
    [
        (0.2, 0.15, 0.3, "about 1 week (0 to 2)"),  # 0.87 weeks, 0.65 to 1.3
        (3.0, 2.0, 4.5, "about 13 weeks (8 to 20)"),  # 4.348 weeks a month
        (9.0, 7.0, 12.5, "about 9 months (7 to 13)"),
    ],
)
def test_a_time_ahead_in_weeks_up_to_half_a_year(
    months: float, soonest: float, latest: float, words: str
) -> None:
    assert _time(months, soonest, latest) == words


def test_days_and_places_as_people_write_them() -> None:
    assert day_words("2026-05-03T09:00:00Z") == "3 May 2026"
    assert day_words(dt.date(2026, 12, 24)) == "24 Dec 2026"
    assert place_of(a_pack(), 6) == "front box, module F2, cell 6"
    assert place_of(a_pack(), None) == "the pack's middle" and place_of(a_pack(), "TF2") == "sensor TF2"


def test_every_topic_that_is_sloped_has_a_size_that_matters_and_a_unit_for_its_rate() -> None:
    for topic in TOPICS.values():
        assert (topic.size(100.0) < math.inf) is topic.sloped
        assert not topic.sloped or topic.rate_unit
        assert topic.reaches is None or topic.sloped
    assert TOPICS["soc_offset"].size(100.0) == pytest.approx(1.0)  # 1 % of 100 Ah
    assert TOPICS["leak_current_relative"].size(100.0) == pytest.approx(1.4e-3)  # 1 Ah over 720 h
