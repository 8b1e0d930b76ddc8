"""Pictures laid out for small screens: what stood beside the plot goes above and below, the data stay."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest

from bmslogs.faces.figures import LIGHT, pack_picture, per_cell
from bmslogs.faces.figures.fitting import LINE, fitted
from bmslogs.faces.figures.theme import LOOKS, PHONE, TABLET
from tests.dashboard import invent

SMALL = LOOKS[f"light {PHONE}"]
PACK = invent.pack()


def picture(look: object = SMALL) -> go.Figure:
    """A quantity over the cells."""
    key = "resistance_10s_relative"
    return per_cell(PACK, invent.estimates(PACK, key), key, named=[6], look=look)


def test_a_picture_for_a_wide_screen_stays_what_it_was() -> None:
    drawn = picture(LIGHT)
    assert fitted(drawn) is drawn


def test_looks_for_small_screens_differ_in_the_room_alone() -> None:
    assert {PHONE, TABLET} == {look.room for look in LOOKS.values()} - {0}
    for name, look in LOOKS.items():
        assert replace(look, room=0) == LOOKS[name.split()[0]]


def test_the_upright_title_is_above_the_plot_and_the_legend_below() -> None:
    before = picture().to_plotly_json()
    after = fitted(picture())
    assert not after["layout"]["yaxis"]["title"]["text"]
    told = [a["text"].replace("<br>", " ") for a in after["layout"]["annotations"]]
    assert before["layout"]["yaxis"]["title"]["text"].replace("<br>", " ") in told
    legend = after["layout"]["legend"]
    assert (legend["yref"], legend["y"], legend["yanchor"]) == ("container", 0, "bottom")
    assert after["layout"]["margin"]["l"] <= 8  # what the numbers need is added by the drawing library


def test_the_plot_itself_keeps_its_height() -> None:
    def inner(layout: dict) -> float:
        margin = layout["margin"]
        return layout["height"] - margin["t"] - margin["b"]

    before = picture().to_plotly_json()["layout"]
    assert inner(fitted(picture())["layout"]) == pytest.approx(inner(before))


def test_no_reading_is_changed() -> None:
    before, after = picture().to_plotly_json()["data"], fitted(picture())["data"]
    for a, b in zip(before, after, strict=True):
        for axis in ("x", "y"):
            np.testing.assert_array_equal(np.asarray(a[axis]), np.asarray(b[axis]))


def test_numbers_along_the_axis_are_thinned_until_they_fit() -> None:
    many = invent.pack(24, 8)
    key = "resistance_10s_relative"
    before = per_cell(many, invent.estimates(many, key), key, look=SMALL)
    after = fitted(before)["layout"]["xaxis"]
    kept = after["ticktext"]
    assert 1 < len(kept) * 26 <= PHONE + 26 and len(kept) == len(after["tickvals"])
    assert set(kept) <= set(before.layout.xaxis.ticktext)


def test_every_entry_of_the_legend_has_room() -> None:
    figure = go.Figure(layout={"meta": {"room": PHONE}, "height": 300, "showlegend": True})
    for n in range(7):
        figure.add_scatter(x=[1], y=[1], name=f"a rather long name of a line, number {n}")
    assert fitted(figure)["layout"]["margin"]["b"] >= 7 * LINE


def test_plain_layouts_and_drawings_without_axes_are_taken() -> None:
    plain = fitted({"data": [], "layout": {"meta": {"room": PHONE}, "height": 200}})
    assert plain["layout"]["height"] > 0
    drawn = fitted(pack_picture(PACK, look=SMALL))
    assert json.loads(go.Figure(drawn).to_json())["layout"]["xaxis"]["visible"] is False


def test_two_upright_titles_stand_one_above_the_other() -> None:
    figure = go.Figure(layout={"meta": {"room": PHONE}, "height": 300})
    right = {"title": "right [h]", "overlaying": "y", "side": "right"}
    figure.update_layout(yaxis={"title": "left [Ah]"}, yaxis2=right)
    left, right = fitted(figure)["layout"]["annotations"]
    assert right["yshift"] - left["yshift"] == LINE and (left["xanchor"], right["xanchor"]) == (
        "left",
        "right",
    )


def test_a_scale_of_colours_lies_under_the_plot_on_a_phone() -> None:
    figure = go.Figure(go.Heatmap(z=[[1.0]], colorbar={"title": {"text": "mV"}}))
    figure.update_layout(meta={"room": PHONE}, height=300)
    drawn = fitted(figure)
    assert drawn["data"][0]["colorbar"]["orientation"] == "h" and drawn["layout"]["margin"]["r"] == 10
    figure.update_layout(meta={"room": TABLET})
    assert fitted(figure)["data"][0]["colorbar"].get("orientation") != "h"
