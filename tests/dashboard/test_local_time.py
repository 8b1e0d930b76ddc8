"""Pictures by the workshop's clock: every time moved alike, data and picked windows kept."""

from __future__ import annotations

import datetime as dt

import numpy as np
import plotly.graph_objects as go

from bmslogs.base.zone import zone_named
from bmslogs.faces.figures import log_picture
from bmslogs.faces.figures.lanes import Mark
from bmslogs.faces.figures.local_time import by_clock
from bmslogs.faces.figures.reduce import log_view
from dashboard.address import View
from dashboard.desk import Desk
from dashboard.frame import Frame
from tests.dashboard import invent

TWO = dt.timedelta(hours=2)


def test_every_time_of_a_log_moves_by_the_clock_and_the_axis_names_it() -> None:
    pack = invent.pack()
    log = invent.drive(pack)
    mark = Mark(1, "one", "it", ((log.time[10], log.time[40]), (log.time[60], log.time[90])), exact=True)
    before = log_picture(log_view(log, cells=(6,)), pack, marks=[mark]).to_plotly_json()
    after = by_clock(before, TWO, "Europe/Oslo (UTC+2)")
    for a, b in zip(before["data"], after["data"], strict=True):
        was, now = (np.array([np.datetime64(x or "NaT") for x in t["x"]], "datetime64[ms]") for t in (a, b))
        moved = (now - was)[~np.isnat(was)]
        assert (moved == np.timedelta64(2, "h")).all() and np.isnat(was).sum() == np.isnat(now).sum()
    for a, b in zip(before["layout"]["shapes"], after["layout"]["shapes"], strict=True):
        assert np.datetime64(b["x0"]) - np.datetime64(a["x0"]) == np.timedelta64(2, "h")
    titles = [
        v["title"]["text"] for k, v in after["layout"].items() if k.startswith("xaxis") and "title" in v
    ]
    assert titles == ["time, Europe/Oslo (UTC+2)"]
    assert after["layout"]["meta"]["shift_min"] == 120


def test_a_picture_without_times_stays_what_it_was() -> None:
    figure = go.Figure(go.Scatter(x=[1, 2], y=[3, 4]))
    assert by_clock(figure, TWO, "x") is figure


def test_moments_are_told_by_the_clock_and_dates_stay_dates(tmp_path) -> None:
    frame = Frame(Desk(tmp_path, zone_named("Europe/Oslo")), View())
    assert frame.when("2026-05-31T23:30:00Z") == "1 Jun 2026, 01:30"
    assert frame.when("2026-05-31") == "31 May 2026"
    assert frame.clock_words("2026-01-01T00:00:00Z") == "Europe/Oslo (UTC+1)"
