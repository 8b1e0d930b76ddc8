"""Units on the screen: signs for what the program says in plain letters; names, ids and readings stay."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go
import pytest
from dash import dcc, html

from dashboard.units import figure_shown, shown, written


@pytest.mark.parametrize(
    ("plain", "sign"),
    [
        ("1.2 mohm at 21 degC", "1.2 mΩ at 21 °C"),
        ("+0.4 mK per A^2 (0.1 to 0.7)", "+0.4 K per 1000 A² (0.1 to 0.7)"),
        ("33 ohm, 2 Mohm", "33 Ω, 2 MΩ"),
        ("ohmic, bohm, degCelsius", "ohmic, bohm, degCelsius"),
    ],
)
def test_words(plain: str, sign: str) -> None:
    assert written(plain) == sign


def test_a_page_is_changed_where_people_read_it() -> None:
    page = html.Div([html.P("21 degC", id="degC"), dcc.Link("mohm", href="/x?name=mohm"), ["1 ohm"]])
    made = shown(page)
    assert made.children[0].children == "21 °C" and made.children[0].id == "degC"
    assert made.children[1].children == "mΩ" and made.children[1].href == "/x?name=mohm"
    assert made.children[2] == ["1 Ω"]


def test_what_is_to_be_typed_stays_as_it_is_typed() -> None:
    page = html.Div(
        [dcc.Markdown("33 ohm\n\n```sh\nx --insulation-ohm 2\n```\nor `--ohm`"), html.Code("1 ohm")]
    )
    made = shown(page)
    assert made.children[0].children == "33 Ω\n\n```sh\nx --insulation-ohm 2\n```\nor `--ohm`"
    assert made.children[1].children == "1 ohm"


def test_a_picture_keeps_its_readings() -> None:
    figure = go.Figure(go.Scatter(x=np.arange(3), y=np.array([1.0, 2.0, 3.0]), name="R [mohm]"))
    figure.update_xaxes(title_text="warmth [degC]")
    made = figure_shown(figure)
    assert made["data"][0]["name"] == "R [mΩ]" and made["layout"]["xaxis"]["title"]["text"] == "warmth [°C]"
    before = figure.to_plotly_json()["data"][0]
    assert {k: made["data"][0][k] for k in "xy"} == {k: before[k] for k in "xy"}
