"""Lines, clouds and columns of a screen: thinned by hand-counted rules, with no reading changed and no extreme lost."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from numpy.testing import assert_allclose

from bmslogs.base.results import Estimate
from bmslogs.faces.figures.lanes import Mark, clock, mark_shades, mark_strip, stretch_names
from bmslogs.faces.figures.local_time import by_clock
from bmslogs.faces.figures.reduce import BINS, coarser, columns_of, log_view, reduce_rows
from bmslogs.faces.figures.series import box_mean, few_means, spread_rows, thin
from bmslogs.faces.figures.shades import differences, round_up
from bmslogs.faces.figures.theme import LIGHT
from bmslogs.faces.record.axes import Axis, numbers, spanned
from tests.findings.by_hand import a_pack, city, rest, run, string

NAN = np.nan
T0 = np.datetime64("2026-05-04T08:00:00", "ms")


def at(*seconds: float) -> np.ndarray:
    return T0 + (np.array(seconds) * 1000).astype("timedelta64[ms]")


# ---- one line -----------------------------------------------------------------------------------------------------


def test_a_short_line_is_drawn_as_it_is_with_a_break_where_readings_are_missing() -> None:
    x, y = np.arange(8.0), np.array([1.0, 2.0, NAN, NAN, 5.0, 6.0, NAN, 8.0])
    kept_x, kept_y = thin(x, y)
    assert_allclose(kept_x, [0, 1, 2, 4, 5, 6, 7])  # of two missing in a row one breaks the line
    assert_allclose(kept_y, [1, 2, NAN, 5, 6, NAN, 8])


def test_a_long_line_keeps_its_spikes_and_only_readings() -> None:
    rng = np.random.default_rng(3)
    y = rng.normal(0, 1, 60_000)
    y[[123, 45_678]] = 40.0, -40.0
    kept_x, kept_y = thin(np.arange(60_000.0), y, 500)
    assert len(kept_x) <= 510 and kept_y.max() == 40.0 and kept_y.min() == -40.0
    assert_allclose(kept_y, y[kept_x.astype(int)])
    assert (np.diff(kept_x) > 0).all() and kept_x[0] == 0 and kept_x[-1] == 59_999


def test_a_line_of_nothing_is_one_break() -> None:
    kept_x, kept_y = thin(np.arange(4.0), np.full(4, NAN))
    assert len(kept_x) == 1 and np.isnan(kept_y).all()
    assert len(thin(np.zeros(0), np.zeros(0))[0]) == 0


def test_rows_of_a_cloud_are_spread_evenly() -> None:
    assert spread_rows(10, 100) == slice(None, None, 1)
    assert len(np.arange(9000)[spread_rows(9000, 1500)]) == 1500


def test_means_over_equal_parts_of_x() -> None:
    """0 to 8 in two parts: 0, 1, 2, 3 with 1, 3, 5, 7 and 5, 6, 7, 8 with 2; a lone point makes no mean."""
    x = np.array([0.0, 1, 2, 3, 5, 6, 7, 8])
    y = np.array([1.0, 3, 5, 7, 2, 2, 2, 2])
    middle, mean = box_mean(x, y, 2)
    assert_allclose(middle, [2.0, 6.0])
    assert_allclose(mean, [4.0, 2.0])
    _, mean = box_mean(np.append(x, 80.0), np.append(y, 99.0), 2)
    assert_allclose(mean, [3.0])
    one_x, one_y = box_mean(np.array([1.0, 1.0, NAN]), np.array([2.0, 3.0, 4.0]))
    assert_allclose((one_x, one_y), [(1.0, 1.0), (2.0, 3.0)])


def test_means_over_equal_shares_of_the_points() -> None:
    x, y = few_means(np.arange(6.0), np.array([0.0, 2.0, NAN, 4.0, 6.0, NAN]), 2)
    assert_allclose(x, [0.5, 3.5])
    assert_allclose(y, [1.0, 5.0])


# ---- columns of a screen -------------------------------------------------------------------------------------------


def test_columns_begin_at_rows_evenly_spread_and_never_more_than_the_screen_has() -> None:
    assert columns_of(5).tolist() == [0, 1, 2, 3, 4]
    starts = columns_of(10 * BINS)
    assert len(starts) == BINS and (np.diff(starts) == 10).all()


def test_a_column_holds_lowest_mean_and_highest_of_what_was_read() -> None:
    block = np.array([[1, 2, 6, 4, NAN, 8], [NAN, NAN, 3, 3, 3, 3]], np.float32)
    flags = np.array([[0, 1, 1, 0, 0, 0], [0, 0, 0, 0, 0, 1]], bool)
    got = reduce_rows(block, flags, np.array([0, 2, 4]))
    assert_allclose(got.low, [[1, 4, 8], [NAN, 3, 3]])
    assert_allclose(got.mean, [[1.5, 5, 8], [NAN, 3, 3]])
    assert_allclose(got.high, [[2, 6, 8], [NAN, 3, 3]])
    assert got.bleed is not None
    assert_allclose(got.bleed, [[0.5, 0.5, 0], [0, 0, 0.5]])


def test_columns_made_coarser_keep_their_extremes() -> None:
    rng = np.random.default_rng(4)
    block = rng.normal(3700, 5, (2, 20 * BINS)).astype(np.float32)
    block[0, 777], block[1, 4242] = 4000.0, 3000.0
    fine = reduce_rows(block, None, np.arange(0, 20 * BINS, 4))
    got = coarser(fine)
    assert got.low.shape[1] == BINS and got.bleed is None
    assert got.high[0].max() == 4000.0 and got.low[1].min() == 3000.0
    assert_allclose(got.mean.mean(axis=1), block.mean(axis=1), rtol=1e-5)
    assert_allclose(got.start, np.arange(0, 20 * BINS, 20))


def test_a_window_of_a_log_is_that_window() -> None:
    log = run(string(), np.r_[rest(3), city(10), rest(5)])
    view = log_view(log, log.time[200], log.time[300], cells=(6, 99))
    assert view.rows == 101 and view.time[0] == log.time[200] and set(view.lines) == {6}
    inside = log.cell_voltage[200:301]
    assert_allclose(view.low, inside.min(axis=1), atol=1e-6)
    assert_allclose(view.high, inside.max(axis=1), atol=1e-6)
    # less the median of the cells [mV]
    assert_allclose(view.deviation, 1e3 * (inside - np.median(inside, axis=1)[:, None]), atol=1e-3)
    assert view.current is not None and log.current is not None
    assert_allclose(view.current[1], log.current[200:301])
    assert set(view.temperatures) == {"TF1", "TF2", "TR3"}
    assert all(kind in ("drive", "rest", "charge", "parked") for kind, _, _ in view.stretches)


def test_an_empty_window_shows_two_rows_all_the_same() -> None:
    log = run(string(), rest(5))
    for start, end in ((log.time[-1], None), (None, log.time[0]), (log.time[9], log.time[3])):
        assert log_view(log, start, end).rows >= 2


# ---- marks and stretches -------------------------------------------------------------------------------------------


def test_times_are_text_of_utc() -> None:
    assert clock(at(0, 61)) == ["2026-05-04 08:00:00", "2026-05-04 08:01:01"]
    assert clock(at(0, 0.25)) == ["2026-05-04 08:00:00.000", "2026-05-04 08:00:00.250"]


def test_a_mark_is_cut_to_the_window_and_broken_between_its_spans() -> None:
    a, b, c, d = at(0, 10, 50, 200)
    mark = Mark(1, "one", "it", ((a, b), (c, d)), exact=True)
    (trace,), _, _ = mark_strip([mark], at(5)[0], at(100)[0], LIGHT)
    x: Any = trace["x"]
    assert x[0].startswith("2026-05-04 08:00:05")
    gap = x.index(None)
    assert x[gap - 1].startswith("2026-05-04 08:00:10") and x[gap + 1].startswith("2026-05-04 08:00:50")
    assert x[-1] is None and x[-2].startswith("2026-05-04 08:01:40")
    assert trace["y"] == [0] * len(x)
    outside = Mark(2, "two", "it", ((c, d),))
    (empty,), _, _ = mark_strip([outside], a, b, LIGHT)
    assert empty["x"] == [None] and empty["y"] == [None]


def test_only_what_the_readings_show_shades_the_strips() -> None:
    span = ((at(0)[0], at(10)[0]),)
    marks = [
        Mark(1, "a", "a", span, exact=True),
        Mark(2, "b", "b", span),
        Mark(3, "c", "c", span, True, shaded=False),
    ]
    (shade,) = mark_shades(marks, LIGHT)
    assert (shade["x0"], shade["x1"]) == ("2026-05-04T08:00:00.000", "2026-05-04T08:00:10.000")


def test_stretches_are_named_where_there_is_room() -> None:
    parts = [
        ("rest", *at(0, 50)),
        ("drive", *at(50, 53)),
        ("charge", *at(53, 53.1)),
        ("parked", *at(90, 500)),
    ]
    shapes, notes = stretch_names(parts, *at(0, 100), LIGHT)
    assert [n["text"] for n in notes] == ["rest", "parked"]
    assert len(shapes) == 3  # a tenth of a second in a hundred is no stroke
    assert shapes[-1]["x1"] == "2026-05-04T08:01:40.000"


# ---- the workshop's clock -------------------------------------------------------------------------------------------


def test_a_picture_is_moved_by_the_clock_and_what_is_fixed_to_the_paper_is_not() -> None:
    figure = go.Figure(go.Scatter(x=["2026-05-04T23:30:00", None], y=[1, 2]))
    figure.update_xaxes(title="time, UTC", range=["2026-05-04T23:00:00", "2026-05-05T00:00:00"])
    figure.add_shape(type="line", xref="paper", x0=0, x1=1, y0=0, y1=1)
    figure.add_shape(type="line", x0="2026-05-04T23:30:00", x1="2026-05-04T23:45:00", y0=0, y1=1)
    figure.add_annotation(x="2026-05-04T23:30:00", y=1, text="here")
    moved = by_clock(figure, dt.timedelta(hours=-3, minutes=-30), "UTC\u22123:30")
    assert isinstance(moved, dict)
    assert moved["data"][0]["x"][0].startswith("2026-05-04 20:00:00") and moved["data"][0]["x"][1] is None
    layout = moved["layout"]
    assert layout["xaxis"]["title"]["text"] == "time, UTC\u22123:30"
    assert layout["xaxis"]["range"][0].startswith("2026-05-04T19:30")
    assert (layout["shapes"][0]["x0"], layout["shapes"][0]["x1"]) == (0, 1)
    assert layout["shapes"][1]["x1"].startswith("2026-05-04T20:15")
    assert (
        layout["annotations"][0]["x"].startswith("2026-05-04T20:00") and layout["meta"]["shift_min"] == -210
    )
    assert figure.layout.xaxis.title.text == "time, UTC"  # the picture given is left as it was


# ---- colours of a pack -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "end"),
    [
        (0.9, 1.0),
        (1.0, 1.0),
        (1.01, 2.0),
        (2.5, 3.0),
        (3.1, 5.0),
        (5.5, 10.0),
        (0.034, 0.05),
        (0, 1),
        (NAN, 1),
    ],
)
def test_a_scale_ends_in_a_plain_number(value: float, end: float) -> None:
    assert round_up(value) == pytest.approx(end)


def ratios(values: list[float], half: float = 0.01) -> list[Estimate]:
    return [
        Estimate("resistance_10s_relative", "ratio", cell=c, value=v, low=v - half, high=v + half)
        for c, v in enumerate(values, 1)
    ]


def test_colours_are_of_the_difference_from_one_and_reach_as_far_as_the_furthest_cell() -> None:
    values, reach = differences(a_pack(), ratios([1.0, 0.9, 1.7]), "resistance_10s_relative", ())
    assert {c: v for c, (v, _) in values.items()} == pytest.approx({1: 0.0, 2: -10.0, 3: 70.0})
    assert values[3][1] == pytest.approx(1.0) and reach == 100.0


def test_against_a_baseline_cells_are_held_against_themselves() -> None:
    """Cell 2 was 20 % above and is 25 % above: 5 %, with both half widths in squares; a new cell is not told."""
    values, _ = differences(
        a_pack(), ratios([1.0, 1.25, 1.1]), "resistance_10s_relative", ratios([1.0, 1.20], 0.02)
    )
    assert set(values) == {1, 2}
    assert values[2][0] == pytest.approx(5.0) and values[2][1] == pytest.approx(np.hypot(1.0, 2.0))


def test_ohms_are_told_from_their_median() -> None:
    ohms = [
        Estimate("resistance_10s", "ohm", cell=c, value=v, low=v, high=v)
        for c, v in enumerate((1e-3, 1.1e-3, 1.5e-3), 1)
    ]
    values, _ = differences(a_pack(), ohms, "resistance_10s", ())
    assert {c: v for c, (v, _) in values.items()} == pytest.approx({1: -0.1, 2: 0.0, 3: 0.4})
    assert differences(a_pack(), [], "resistance_10s", ()) == ({}, 1.0)


# ---- axes on paper ---------------------------------------------------------------------------------------------------


def test_places_on_paper_lie_between_the_ends() -> None:
    axis = Axis(0.0, 10.0, 100.0, 300.0)
    assert_allclose(axis.place([0, 5, 10, None]), [100, 200, 300, NAN])
    assert_allclose(Axis(10.0, 0.0, 100.0, 300.0).place([0, 10]), [300, 100])
    assert_allclose(Axis(0.0, 2.0, 0.0, 100.0, log=True).place([1, 10, 100]), [0, 50, 100])
    assert_allclose(Axis(1.0, 1.0, 0.0, 100.0).place([1.0]), [0.0])


def test_ticks_are_plain_numbers_inside_the_axis() -> None:
    assert [t for _, t in Axis(0.0, 10.0, 0.0, 1.0).ticks(5)] == ["0", "2", "4", "6", "8", "10"]
    assert [t for _, t in Axis(-0.03, 0.05, 0.0, 1.0).ticks(5)] == ["\u22120.02", "0.00", "0.02", "0.04"]
    assert [t for _, t in Axis(0.0, 3.0, 0.0, 1.0, log=True).ticks(5)] == ["1", "10", "100", "1000"]


def test_days_and_hours_stand_under_an_axis_of_time() -> None:
    low, high = (float(x) for x in numbers(["2026-05-04T22:00:00Z", "2026-05-05T04:00:00Z"]))
    assert [t for _, t in Axis(low, high, 0.0, 1.0, date=True).ticks(6)] == [
        "22:00", "23:00", "5 May", "01:00", "02:00", "03:00", "04:00"
    ]  # fmt: skip
    low, high = (float(x) for x in numbers(["2026-05-01", "2026-05-11"]))
    assert [t for _, t in Axis(low, high, 0.0, 1.0, date=True).ticks(5)][:2] == ["1 May", "3 May"]


@pytest.mark.parametrize(
    ("value", "number"),
    [
        ("1970-01-02", 24.0),
        ("1970-01-01T06:00:00Z", 6.0),
        ("1970-01-01 06:00:00", 6.0),
        (np.datetime64("1970-01-01T12:00"), 12.0),
        (dt.datetime(1970, 1, 1, 3), 3.0),
        ("2.5", 2.5),
        ("1e-05", 1e-5),
        ("-12.5", -12.5),
        (None, NAN),
        ("F-2, cell 5", NAN),
        ("front-left", NAN),
        ("cell 5", NAN),
    ],
)
def test_times_are_hours_and_names_are_no_numbers(value: Any, number: float) -> None:
    assert_allclose(numbers([value, "x"])[0], number)


def test_an_axis_leaves_room_about_what_is_drawn_and_obeys_what_it_is_asked() -> None:
    parts = [np.array([0.0, NAN, 10.0]), np.array([20.0])]
    assert (spanned({}, parts, 0, 1).low, spanned({}, parts, 0, 1).high) == (-1.0, 21.0)
    assert spanned({"rangemode": "tozero"}, [np.array([5.0, 6.0])], 0, 1).low == 0.0
    assert (
        spanned({"range": [3, 4]}, parts, 0, 1).low,
        spanned({"autorange": "reversed"}, parts, 0, 1).low,
    ) == (3, 21.0)
    flat = spanned({}, [np.array([7.0, 7.0])], 0, 1)
    assert flat.low < 7.0 < flat.high
    nothing = spanned({}, [], 0, 1)
    assert np.isfinite([nothing.low, nothing.high]).all() and nothing.low < nothing.high
