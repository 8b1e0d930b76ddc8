"""Log: current, all cells, deviations, temperatures and bleed on one time axis."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
import numpy as np
from dash import Dash, Input, Output, State, ctx, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.faces.figures.fitting import fitted
from bmslogs.faces.figures.window import log_drawing
from bmslogs.faces.figures.words import LEVEL_WORDS, plain_words
from bmslogs.faces.headlines import findings_says
from bmslogs.faces.signs import grouped
from bmslogs.faces.unknown import nothing_found
from dashboard import order_notes
from dashboard.address import View
from dashboard.desk import Desk
from dashboard.evidence import marks
from dashboard.frame import Frame
from dashboard.framework import attributes, in_browser
from dashboard.light_json import light
from dashboard.open_log import OpenLog
from dashboard.order import aside_mark
from dashboard.parts import (
    action,
    choices,
    choose_pack,
    empty,
    explained,
    finding_line,
    graph,
    heading,
    no_logs,
    refused,
)
from dashboard.sighting import marked, says_of, strip_reader, view_in, windowed
from dashboard.units import figure_shown, shown

TITLE, PATH = "Log", "/log"
NAMED = 4  # cells of findings that are drawn as lines where none is picked


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    if frame.pack is None:
        return html.Div([heading("Log"), choose_pack(frame.desk.packs(), PATH)])
    if not frame.logs:
        return html.Div([heading(f"Log of {frame.pack.vehicle}"), no_logs(frame.pack.id)])
    if frame.entry is None:
        return html.Div(
            [
                heading(f"Log of {frame.pack.vehicle}"),
                empty(
                    "There is no such log",
                    "The address names a log that this pack does not have.",
                    action("The newest log", frame.view.but(log="").link(PATH), main=True),
                ),
            ]
        )
    try:
        opened = frame.desk.open(frame.entry.id)
    except (BmsLogsError, OSError, ValueError) as error:
        return html.Div(
            [heading(f"Log of {frame.pack.vehicle}"), refused(f"The log cannot be read: {error}")]
        )
    readings = opened.rows * len(opened.cells)
    says = (
        f"{frame.span(frame.entry.start, frame.entry.end)}, {grouped(opened.rows)} rows, "
        f"{grouped(readings)} cell readings."
    )
    return html.Div(
        [
            heading(
                f"Log of {frame.pack.vehicle}",
                says,
                answer=findings_says(frame.diagnosis, why=frame.no_diagnosis),
            ),
            html.Div(says_of(frame), id="log-sight", role="status"),
            _controls(frame, opened),
            html.Div(
                [
                    html.Div(
                        [
                            graph(
                                drawing(frame),
                                "current, cells, deviations, temperatures and bleed over time",
                                id="log-figure",
                            ),
                            strip_reader(),
                        ],
                        className="wide",
                    ),
                    html.Aside(id="log-side", children=side(frame), className="side"),
                ],
                className="columns",
            ),
        ]
    )


def _controls(frame: Frame, opened: OpenLog) -> Any:
    return choices(
        frame.look,
        dmc.MultiSelect(
            id="log-cells",
            label="Cells as lines",
            data=[str(c) for c in opened.cells],
            searchable=True,
            clearable=True,
            value=[str(c) for c in lines_of(frame) if c in opened.cells],
            w=320,
            placeholder=None if lines_of(frame) else "pick cells",
            comboboxProps={"withinPortal": False},
        ),
        html.Div(
            [
                html.Button("Whole log", id={"step": "all"}, className="button", type="button"),
                html.Button("◀ Earlier", id={"step": "back"}, className="button", type="button"),
                html.Button("Later ▶", id={"step": "on"}, className="button", type="button"),
                html.Button("Closer", id={"step": "in"}, className="button", type="button"),
                html.Button("Wider", id={"step": "out"}, className="button", type="button"),
            ],
            className="steps",
            role="group",
            **attributes(aria_label="Window of time"),
        ),
        html.P(
            "Drag over the picture to look closer, double-click for the whole log.",
            className="quiet hint",
        ),
        what="Cells as lines, window of time",
    )


def lines_of(frame: Frame) -> tuple[int, ...]:
    """Return the cells drawn as lines: the picked ones, else those of the most urgent findings."""
    if frame.picked:
        return frame.picked[:12]
    return tuple(dict.fromkeys(c for f in frame.findings for c in f.cells))[:NAMED]


def drawing(frame: Frame) -> dict[str, Any]:
    """Draw the window that the address asks for."""
    assert frame.entry is not None and frame.pack is not None
    opened = frame.desk.open(frame.entry.id)
    rows = marked(frame, marks(frame.findings, opened))
    drawn = log_drawing(view_in(frame, opened, lines_of(frame)), opened.pack, marks=rows, look=frame.look)
    drawn = frame.timed(drawn, frame.entry.start)
    at = windowed(frame).view
    drawn["layout"]["uirevision"] = f"{frame.entry.id} {at.start} {at.end} {at.finding}"
    drawn["layout"].setdefault("xaxis", {})["autorange"] = True
    template = drawn["layout"].pop("template")  # holds no arrays: nothing in it to make light
    small: dict[str, Any] = light(drawn)
    small["layout"]["template"] = template
    return small


def side(frame: Frame) -> list[Any]:
    """Say what was found in this log, each line leading to the cells that show it."""
    if frame.diagnosis is None:
        return [html.H2("No diagnosis"), html.P(frame.no_diagnosis), *order_notes.of_log(frame)]
    notes = frame.judgements
    here = frame.here.but(sight=True, start="", end="", module="", joint=0)
    lines = [
        finding_line(f, here.but(finding=i, cells=f.cells).link(PATH), *aside_mark(f, notes))
        for i, f in enumerate(frame.findings, 1)
    ]
    out: list[Any] = [
        html.H2("Found in this log"),
        html.Ul(lines, className="findings")
        if lines
        else html.Div([html.P(line) for line in nothing_found(frame.diagnosis.estimates)]),
    ]
    if lines:
        out.append(
            html.P(
                "Above the current, thick: the readings show it there; thin: the answer rests on these stretches.",
                className="quiet",
            )
        )
    if frame.finding is not None:
        out += [
            html.H3([f"{LEVEL_WORDS[frame.finding.level]}: ", explained(frame.finding.cause)]),
            html.Ul([html.Li(plain_words(b)) for b in frame.finding.because]),
            action("Its proof and the next step", frame.here.link("/answers"), main=True),
        ]
    out.append(html.Div(action("Lay another log over it", frame.here.link("/overlay")), className="actions"))
    repairs = frame.diagnosis.repairs
    out += [
        html.H3("Mended on the way in"),
        html.Ul([html.Li(r) for r in repairs]) if repairs else html.P("nothing"),
        *order_notes.of_log(frame),
    ]
    return out


def stepped(view: View, step: str, first: np.datetime64, last: np.datetime64) -> View:
    """Return the view with its window moved: ``all``, ``back``, ``on``, ``in`` or ``out``."""
    if step == "all":
        return view.but(start="", end="", sight=False)
    start, end = view.window()
    a, b = start or first, end or last
    width = b - a
    moves = {
        "back": (-width // 2, -width // 2),
        "on": (width // 2, width // 2),
        "in": (width // 4, -(width // 4)),
        "out": (-width // 2, width // 2),
    }
    a, b = a + moves[step][0], b + moves[step][1]
    a, b = max(a, first), min(b, last)
    if b - a < np.timedelta64(1, "s") or (a <= first and b >= last):
        return view.but(start="", end="", sight=False) if a <= first and b >= last else view
    return view.but(start=f"{a.astype('datetime64[ms]')}Z", end=f"{b.astype('datetime64[ms]')}Z")


def register(app: Dash, desk: Desk) -> None:
    """Let the page follow the address, and the address follow the page."""
    in_browser(
        app,
        "bmslogs",
        "zoom",
        Output("at", "search", allow_duplicate=True),
        Input("log-figure", "relayoutData"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    _follow(app, desk)
    _step(app, desk)
    _pick(app, desk)


def _follow(app: Dash, desk: Desk) -> None:
    """Draw the window and the cells that the address names."""

    @app.callback(
        Output("log-figure", "figure"),
        Output("log-side", "children"),
        Output("log-cells", "value"),
        Output("log-sight", "children"),
        Input("at", "search"),
        State("scheme", "data"),
        prevent_initial_call=True,
    )
    def follow(search: str, scheme: str) -> tuple[Any, ...]:
        frame = Frame.of(desk, search, scheme)
        if frame.pack is None or frame.entry is None:
            return (no_update,) * 4
        drawn = figure_shown(fitted(drawing(frame)))
        return drawn, shown(side(frame)), [str(c) for c in lines_of(frame)], shown(says_of(frame))


def _step(app: Dash, desk: Desk) -> None:
    """Put chosen cells and steps of the window into the address."""

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("log-cells", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def pick(cells: list[str], search: str) -> Any:
        frame = Frame.of(desk, search)
        wanted = tuple(sorted(int(c) for c in cells or []))
        return (
            no_update
            if wanted == tuple(sorted(lines_of(frame)))
            else frame.view.but(cells=wanted, module="", joint=0).query()
        )

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        [Input({"step": s}, "n_clicks") for s in ("all", "back", "on", "in", "out")],
        State("at", "search"),
        prevent_initial_call=True,
    )
    def step(*clicks: Any) -> Any:
        search = clicks[-1]
        if not any(clicks[:-1]) or not ctx.triggered_id:
            return no_update
        frame = Frame.of(desk, search)
        if frame.entry is None:
            return no_update
        time = desk.open(frame.entry.id).time
        return stepped(windowed(frame).view, ctx.triggered_id["step"], time[0], time[-1]).query()


def _pick(app: Dash, desk: Desk) -> None:
    """Put what was clicked in the picture into the address."""

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Output("log-figure", "clickData"),
        Input("log-figure", "clickData"),
        State("at", "search"),
        State("log-figure", "figure"),
        prevent_initial_call=True,
    )
    def pick_row(click: dict[str, Any] | None, search: str, figure: dict[str, Any]) -> Any:
        point = (click or {}).get("points", [{}])[0]
        curve = figure["data"][point["curveNumber"]] if "curveNumber" in point else {}
        frame = Frame.of(desk, search)
        of = point.get("customdata")
        if isinstance(of, list) and of[:1] == ["finding"] and 0 < of[1] <= len(frame.findings):
            cells = frame.findings[of[1] - 1].cells
            there = frame.view.but(finding=of[1], sight=True, start="", end="", cells=cells, module="")
            return there.query(), None
        if curve.get("type") != "heatmap" or frame.entry is None:
            return no_update, no_update
        cells, y = desk.open(frame.entry.id).cells, int(point["y"])
        cell = y if y in cells else cells[min(max(y, 1), len(cells)) - 1]
        view = frame.view if frame.picked else frame.view.but(cells=lines_of(frame))
        return view.picked(cell).query(), None
