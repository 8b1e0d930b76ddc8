"""Charge: who is full first, what bleeding did and still has to do; before the first charge, the sense loom."""

from __future__ import annotations

from itertools import islice
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, html, no_update

from bmslogs.analysis.loom import LoomReport
from bmslogs.base.cautions import COLD_CHARGE, DAMAGED_CELLS, HIGH_VOLTAGE
from bmslogs.faces.figures import bleed_figure, to_full
from bmslogs.faces.figures.words import shown
from bmslogs.faces.headlines import charge_says, findings_says
from dashboard import loom, units
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.parts import (
    NO_LOG,
    action,
    caution,
    choose_pack,
    empty,
    estimate_rows,
    facts,
    graph,
    heading,
    no_logs,
    section,
)

TITLE, PATH = "Charge", "/charge"
LOOKED_BACK = 40
"""Logs, the newest first, among which a charge is looked for where this log is none (choice)."""
PACK_ROWS = ("balancing_time", "usable_charge", "gain_by_balancing", "gain_by_replacing")


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    if frame.pack is None:
        return html.Div([heading("Charge"), choose_pack(frame.desk.packs(), PATH)])
    answer = NO_LOG
    if frame.logs:
        weighed = frame.diagnosis
        answer = charge_says(weighed, frame.pack) if weighed else findings_says(None, why=frame.no_diagnosis)
    head = heading(
        f"Charge of {frame.pack.vehicle}",
        "Who is full first, how far the others are behind, and whether bleeding can mend it.",
        answer=answer,
        chapter="first-charge",
    )
    if not frame.logs:
        return html.Div([head, no_logs(frame.pack.id)])
    return html.Div(
        [head, *_charge(frame), section("Before the first charge: the sense loom", *_loom(), id="loom")]
    )


def _charge(frame: Frame) -> list[Any]:
    diagnosis, pack = frame.diagnosis, frame.pack
    assert pack is not None
    if diagnosis is None:
        return [empty("No diagnosis of this log", frame.no_diagnosis)]
    known = [e for e in diagnosis.of("charge_to_full") if shown(e)]
    if not known:
        why = next((e for e in diagnosis.of("charge_to_full") if e.why), None)
        others = (
            e
            for e in frame.logs[:LOOKED_BACK]
            if frame.entry and e.id != frame.entry.id and _has_charge(frame, e.id)
        )
        return [
            empty(
                "What would tell who is full first",
                _sentence(why.settle_by or "") if why else "Log a charge to its end.",
                *[
                    action(
                        f"The charge of {frame.when(e.start)}",
                        frame.here.but(log=e.id).link(PATH),
                        main=True,
                    )
                    for e in islice(others, 2)
                ],
            )
        ]
    return [
        section(
            "Charge missing to full, and bleed still needed",
            graph(
                to_full(pack, diagnosis, named=_named(frame), picked=frame.picked, look=frame.look),
                "charge missing to full for each cell",
                id={"pick": "charge"},
            ),
        ),
        html.Div(
            [
                section(
                    "For the pack as a whole",
                    facts(estimate_rows([e for e in diagnosis.estimates if e.quantity in PACK_ROWS]))
                    if any(e.quantity in PACK_ROWS for e in diagnosis.estimates)
                    else html.P("Nothing determined."),
                ),
                section(
                    "Does bleeding work?",
                    graph(_bleed(frame), "what each cell lost against what was bled", id={"pick": "bleed"}),
                ),
            ],
            className="halves",
        ),
    ]


def _sentence(text: str | None) -> str:
    """Return a reason as a sentence of its own."""
    words = (text or "").strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".")


def _named(frame: Frame) -> tuple[int, ...]:
    return tuple(
        {c for f in frame.findings if f.cause.startswith(("soc_offset", "capacity")) for c in f.cells}
    )


def _has_charge(frame: Frame, log_id: str) -> bool:
    found = frame.desk.diagnosis_or_reason(log_id)
    return not isinstance(found, str) and any(shown(e) for e in found.of("charge_to_full"))


def _bleed(frame: Frame) -> Any:
    assert frame.entry is not None and frame.diagnosis is not None
    named = tuple({c for f in frame.findings if f.cause.startswith("bleed") for c in f.cells})
    return bleed_figure(frame.desk.log(frame.entry.id), named=named, look=frame.look)


def _loom() -> list[Any]:
    return [
        html.P(
            "Count, order, window and sum of the readings against a meter, before the contactors close. A log never "
            "proves the wiring; it can only raise objections."
        ),
        caution(
            HIGH_VOLTAGE,
            COLD_CHARGE,
            DAMAGED_CELLS,
            title="Before the meter touches a tap, and while charging",
        ),
        html.Div(
            [
                dmc.NumberInput(
                    id="meter",
                    label="Pack voltage on the meter [V]",
                    min=0,
                    decimalScale=2,
                    w=220,
                    placeholder="as read",
                    hideControls=True,
                ),
                dmc.NumberInput(
                    id="ambient", label="Air temperature [°C]", decimalScale=1, w=200, hideControls=True
                ),
                html.Button("Check the loom", id="loom-check", className="button main", type="button"),
            ],
            className="controls",
        ),
        html.Div(id="loom-result", **attributes(aria_live="polite")),
    ]


def register(app: Dash, desk: Desk) -> None:
    """Check the loom when asked."""

    @app.callback(
        Output("loom-result", "children"),
        Input("loom-check", "n_clicks"),
        State("meter", "value"),
        State("ambient", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def check(clicks: int | None, meter: float | str | None, ambient: float | str | None, search: str) -> Any:
        frame = Frame.of(desk, search)
        if not clicks or frame.entry is None:
            return no_update
        return units.shown(_result(loom.check(desk.log(frame.entry.id), _number(meter), _number(ambient))))


def _result(report: LoomReport) -> html.Div:
    lines = [html.Li([html.Strong(o.says), f": {o.reason}. Next: {o.next}."]) for o in report.objections]
    return html.Div(
        [
            html.P(
                html.Strong(("▲ " if lines else "") + report.verdict[:1].upper() + report.verdict[1:] + ".")
            ),
            html.Ul(lines)
            if lines
            else html.P("This is no clearance: the meter and the touch test prove the wiring."),
            html.Div(
                [
                    html.Div([html.H3("Looked at"), html.Ul([html.Li(line) for line in report.checked])]),
                    html.Div(
                        [html.H3("Not looked at"), html.Ul([html.Li(line) for line in report.not_checked])]
                    ),
                ],
                className="halves",
            ),
            html.Details(
                [
                    html.Summary("The touch test, step by step"),
                    html.Ol([html.Li(t) for t in report.touch_test]),
                ]
            ),
        ],
        className="answer",
    )


def _number(value: float | str | None) -> float | None:
    return float(value) if isinstance(value, int | float) else None
