"""What a history says of slopes that are worked out by hand: size, since when, what it comes to, and what it lacks."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Sequence

import jsonschema
import numpy as np
import pytest

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.pack import Event, Pack
from bmslogs.base.schema import schema_of
from bmslogs.faces.history_sheet import sheet_of, value_text
from bmslogs.faces.history_text import history_csv, history_text
from bmslogs.findings.history.building import Weighed, history_of, weigh
from bmslogs.findings.history.shape import History, Series
from bmslogs.findings.history.topics import TOPICS
from tests.findings.by_hand import a_pack
from tests.findings.history.columns import NAN, gathered, told

DAYS = tuple(range(0, 300, 25))
MONTH = 365.25 / 12
NAMES = tuple({*TOPICS, "resistance_10s_relative", "capacity_relative"})


def offsets(
    cell_6_a_month: float, days: Sequence[int] = DAYS, pack: Pack | None = None, swap_at: int | None = None
) -> Weighed:
    """Return charges in which 3 Ah are to be bled from each cell; of cell 6 so much more, or less, month by month."""
    rng = np.random.default_rng(2)
    day = np.array(days, float)
    left = 3.0 + rng.normal(0, 0.02, (len(days), 12))
    away = day if swap_at is None else np.where(day < swap_at, day, day - swap_at)
    left[:, 5] += cell_6_a_month * away / MONTH
    return weigh(gathered(days, ("charge",) * len(days), pack=pack, bleed_needed=told(left, 0.05)))


def line_of(w: Weighed, cell: int, topic: str = "soc_offset") -> Series:
    return next(s for s in history_of(w, [topic]).series if s.cell == cell)


@pytest.mark.parametrize("a_month", [0.4, -0.4, 0.15])
def test_a_slope_is_what_was_planted_and_the_others_have_none(a_month: float) -> None:
    w = offsets(a_month)
    one = line_of(w, 6)
    assert one.drift and one.low is not None and one.high is not None
    assert one.low <= a_month <= one.high and one.since == "2026-01-01" and len(one.points) == len(DAYS)
    assert not any(line_of(w, c).drift for c in range(1, 13) if c != 6)
    (says,) = w.says(["soc_offset"])
    way = "gains" if a_month > 0 else "loses"
    assert says.startswith(f"Front box, module F2, cell 6 {way} ") and "since 1 Jan 2026" in says
    size = float(says.split(f"{way} ")[1].split(" Ah a month")[0])
    assert size == pytest.approx(abs(a_month), rel=0.05)


def test_what_a_slope_comes_to_is_told_in_weeks() -> None:
    """0.09 Ah a month: of the 1 Ah that wants balancing 0.81 are there after nine months, and 0.19 take two more.

    Less than 1 Ah in a year is no drift that matters: a pack that gains 0.07 a month has none.
    """
    (says,) = offsets(0.09).says(["soc_offset"])
    assert "it will want balancing in about" in says
    weeks = float(says.split("in about ")[1].split(" weeks")[0])
    assert weeks == pytest.approx((1.0 - 0.09 * 275 / MONTH) / 0.09 * MONTH / 7.0, rel=0.3)
    assert offsets(0.07).says(["soc_offset"])[0].startswith("No cell drifts")
    assert "it wants balancing now" in offsets(0.4).says(["soc_offset"])[0]


def test_a_pack_in_which_nothing_drifts_says_how_much_could_go_unseen() -> None:
    (says,) = offsets(0.0).says(["soc_offset"])
    assert says.startswith(
        "No cell drifts in the charge at full as far as these logs tell: none by more than"
    )
    most = float(says.split("more than ")[1].split(" Ah")[0])
    assert 0.001 < most < 0.05


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (
            (0, 30, 60),
            "3 dates tell the charge at full so far: 1 more, the last on 28 Mar 2026 or later, would do.",
        ),
        (
            (0, 10, 20, 30),
            "4 dates tell the charge at full so far: one more, the last on 28 Mar 2026 or later, would do.",
        ),
        (
            (0,),
            "one date tells the charge at full so far: 3 more, the last on 28 Mar 2026 or later, would do.",
        ),
        ((0, 40, 120), "3 dates tell the charge at full so far: 1 more would do."),
    ],
)
def test_below_the_least_data_it_says_which_logs_are_missing(days: tuple[int, ...], words: str) -> None:
    """Four dates over three months, of which some days may be short: 1 January and 86 days are 28 March."""
    w = offsets(0.4, days)
    one = line_of(w, 6)
    assert one.slope_per_month is None and one.why_no_slope is not None
    assert one.why_no_slope == f"A slope takes 4 dates over 3 months; {words}"


def with_work(kind: str, where: str | None) -> Pack:
    event = Event(date=dt.date(2026, 5, 31), kind=kind, where=where)  # day 150
    return a_pack().model_copy(update={"events": (event,)})


def test_a_slope_begins_anew_at_work_and_says_so() -> None:
    w = offsets(0.4, pack=with_work("bench charged", "F2"), swap_at=150)
    one = line_of(w, 6)
    assert one.since == "2026-05-31" and one.drift and one.low is not None and one.high is not None
    assert one.low <= 0.4 <= one.high
    assert "since the work of 31 May 2026 (bench charged)" in w.says(["soc_offset"])[0]
    assert line_of(w, 1).since == "2026-01-01"  # elsewhere nothing was done
    (event,) = history_of(w, ["soc_offset"]).events
    assert event.cells == (5, 6, 7, 8) and event.restarts


@pytest.mark.parametrize(
    ("kind", "where"), [("joint remade", "F2"), ("bench charged", "R3"), ("bench charged", "the lid")]
)
def test_work_of_another_kind_or_place_leaves_a_slope_alone(kind: str, where: str) -> None:
    w = offsets(0.4, pack=with_work(kind, where))
    assert line_of(w, 6).since == "2026-01-01"


def test_a_log_that_does_not_tell_is_a_gap_with_its_reason() -> None:
    left = 3.0 + np.zeros((6, 12))
    left[2] = NAN
    w = weigh(gathered((0, 20, 40, 60, 80, 100), ("charge",) * 6, bleed_needed=told(left, 0.05)))
    (gap,) = line_of(w, 6).gaps
    assert gap.log == "log-40" and gap.why == "no drive"
    assert [p.log for p in line_of(w, 6).points] == ["log-0", "log-20", "log-60", "log-80", "log-100"]


@pytest.mark.parametrize("days", [DAYS, (0,), (0, 30)])
def test_the_published_form_holds_every_point_and_fits_its_schema(days: tuple[int, ...]) -> None:
    w = offsets(-0.4, days)
    document = history_of(w, ["soc_offset"]).to_json()
    jsonschema.validate(document, schema_of(History, quantity=NAMES))
    assert len(document["series"]) == 12 and document["cautions"] == list(CAUTIONS)
    assert all(len(s["points"]) == len(days) for s in document["series"])


def test_a_history_of_no_log_says_nothing_and_fits_its_schema() -> None:
    empty = history_of(weigh(gathered(())))
    jsonschema.validate(empty.to_json(), schema_of(History, quantity=NAMES))
    assert empty.series == () and empty.says == () and empty.first is None


# ---- on the terminal and in a table -------------------------------------------------------------------------------


def test_the_terminal_lists_drifts_first_with_their_interval() -> None:
    text = " ".join(
        history_text(offsets(-0.4, pack=with_work("other", "F1")), ["soc_offset"], width=400).split()
    )
    assert "History of Wren: 12 logs from 2026-01-01 to 2026-10-03" in text
    first = text.split("drifts: ")[1]
    assert first.startswith("Front box, module F2, cell 6: \u2212") and "Ah a month (\u2212" in first
    assert text.count("drifts: ") == 1 and "more with smaller slopes; --csv FILE lists all" in text
    assert "2026-05-31: other, F1" in text and CAUTIONS[0].split(":")[0] in text


def test_the_table_holds_slopes_points_work_sentences_and_cautions() -> None:
    w = offsets(0.4, pack=with_work("bench charged", "F2"), swap_at=150)
    rows = list(csv.DictReader(io.StringIO(history_csv(w, ["soc_offset"]))))
    slopes = {int(r["cell"]): r for r in rows if r["kind"] == "slope"}
    one = line_of(w, 6)
    assert float(slopes[6]["value"]) == pytest.approx(one.slope_per_month, rel=1e-5)
    assert (slopes[6]["verdict"], slopes[1]["verdict"]) == ("drifts", "no drift beyond chance")
    assert slopes[6]["place"] == "front box, module F2, cell 6" and slopes[6]["unit"] == "Ah a month"
    points = [r for r in rows if r["kind"] == "point" and r["cell"] == "6"]
    assert [float(r["value"]) for r in points] == pytest.approx([p.value for p in one.points], rel=1e-5)
    assert [r["says"] for r in rows if r["kind"] == "sentence"] == list(w.says(["soc_offset"]))
    assert [(r["time"], r["place"]) for r in rows if r["kind"] == "work"] == [("2026-05-31", "F2")]
    assert [r["says"] for r in rows if r["kind"] == "caution"] == list(CAUTIONS)


def test_the_plot_draws_the_told_values_and_the_line_through_them() -> None:
    w = offsets(0.4)
    sheet = sheet_of(w, "soc_offset")
    assert sheet is not None and sheet.unit == "Ah" and sheet.drift.tolist() == [c == 6 for c in range(1, 13)]
    one = line_of(w, 6)
    assert sheet.y[:, 5] == pytest.approx([p.value for p in one.points])
    slope = np.polyfit(np.array(DAYS) / MONTH, sheet.trend[:, 5], 1)[0]
    assert slope == pytest.approx(one.slope_per_month, rel=1e-3)
    assert np.abs(sheet.trend[:, 5] - sheet.y[:, 5]).max() < 0.1
    assert sheet.strong([], 3) == [5] and sheet.strong([2], 3) == [1]
    assert sheet_of(w, "capacity") is None


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (-0.25, -0.30, -0.20, "\u22120.250 Ah (\u22120.300 to \u22120.200)"),
        (12.3456, 12.0, 12.7, "+12.35 Ah (+12.00 to +12.70)"),
        (123.456, NAN, NAN, "+123 Ah"),
        (-0.001, NAN, NAN, "+0.00 Ah"),
    ],
)
def test_a_value_has_the_digits_that_its_interval_allows(
    value: float, low: float, high: float, text: str
) -> None:
    assert value_text(value, low, high, "Ah", sign=True) == text
