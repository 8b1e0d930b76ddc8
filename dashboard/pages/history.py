"""History: one quantity over all logs of a pack, a line a cell, dated work, gaps, and slopes that are claims."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import dash_mantine_components as dmc
import flask
import numpy as np
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from bmslogs.base.cautions import HIGH_VOLTAGE
from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.faces.figures.history import history_picture, module_picture, reach_of
from bmslogs.faces.history_sheet import MEASURED, Sheet, rows_of, sheet_of, value_text
from bmslogs.faces.history_text import history_csv, shown_csv
from bmslogs.findings.history.building import Weighed
from bmslogs.findings.history.topics import TOPICS
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import in_browser, server_of
from dashboard.history_choice import (
    ALSO,
    EVERYWHERE,
    PLOT_TABLE,
    box_words,
    chosen,
    clicked,
    drifting,
    picked_columns,
    place_in,
    plot_address,
    shown_key,
    topic_in,
)
from dashboard.history_slopes import beside, counter_sentence, folded, method_text, table, table_rows
from dashboard.parts import (
    action,
    caution,
    choices,
    choose_pack,
    empty,
    graph,
    heading,
    no_logs,
    section,
    select,
    table_response,
)
from dashboard.units import shown

TITLE, PATH = "History", "/history"
TABLE = "/history.csv"


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    pack = frame.pack
    if pack is None:
        return html.Div([heading("History"), choose_pack(frame.desk.packs(), PATH)])
    if not frame.logs:
        return html.Div([heading(f"History of {pack.vehicle}"), no_logs(pack.id)])
    w, waiting = frame.desk.history(pack)
    return html.Div(
        [
            heading(f"History of {pack.vehicle}"),
            _waiting(len(frame.logs), waiting),
            html.Div(id="history-body", children=body(frame, w)),
            dcc.Store(id="history-shown", data=shown_key(frame.view)),
        ]
    )


def _lead(frame: Frame, w: Weighed) -> html.P:
    """Say which logs the sentence above rests on."""
    g = w.gathered
    span = " to ".join(dict.fromkeys(frame.when(t, time=False) for t in (g.start[0], g.start[-1])))
    return html.P(f"{len(g.ids)} log{'s' if len(g.ids) != 1 else ''}, {span}.", className="lead")


def _waiting(logs: int, waiting: int) -> html.Div:
    says = None
    if waiting:
        says = html.P(
            f"{waiting} of {logs} logs are still being read or weighed; this page follows by itself.",
            className="quiet", role="status",
        )  # fmt: skip
    return html.Div(
        [
            says,
            dcc.Store(id="history-waiting", data=waiting),
            dcc.Interval(id="history-turn", interval=1500, disabled=not waiting),
        ]
    )


def _others(frame: Frame, others: list[tuple[str, str]]) -> html.Div | None:
    """Return what drifts in other quantities, each a way there."""
    if not others:
        return None
    links = [html.Li(dcc.Link(s, href=frame.view.but(quantity=k).link(PATH))) for k, s in others]
    return html.Div([html.P("Drifts in other quantities:"), html.Ul(links)])


def body(frame: Frame, w: Weighed) -> list[Any]:
    """Return what follows quantity and picked cells: sentence, controls, plot, table."""
    if not w.gathered.ids:
        unweighed = "The logs of this pack are being weighed: what they tell comes as they are done."
        return [html.P(unweighed, className="sentence")]
    key = topic_in(frame.view, w)
    sheet = sheet_of(w, key, measured=frame.view.measured)
    controls = _controls(frame, w, key)
    if sheet is None:
        unsaid = f"No log tells this of {w.gathered.pack.vehicle}."
        head = html.P(unsaid, className="sentence", id="history-says")
        return [head, _lead(frame, w), controls, _untold(frame, w, key)]
    says = w.says([key])
    others = [(k, s) for k in drifting(w) if k != key for s in w.says([k])]
    drifts = any(s.drift.any() for s in w.strands[key])
    return [
        html.P(says[0] if says else counter_sentence(w, key), className="sentence", id="history-says"),
        *[html.P(x) for x in says[1:]],
        _lead(frame, w),
        _others(frame, others),
        caution(HIGH_VOLTAGE, title="Before a box is opened for it") if drifts else None,
        controls,
        html.Div(_pictures(frame, w, sheet), className="wide"),
        _point(frame, sheet),
        _files(frame, w.gathered.pack, key),
        section("Slopes" if TOPICS[key].sloped else "In figures", *table(w, key), id="slopes"),
        beside(sheet),
    ]  # fmt: skip


def _controls(frame: Frame, w: Weighed, key: str) -> Any:
    pack = w.gathered.pack
    told = set(w.told())
    topics = [
        {"value": k, "label": t.title + ("" if k in told else " (not told)")} for k, t in TOPICS.items()
    ]
    picked = [str(c) for c in frame.picked]
    parts: list[Any] = [
        select("Quantity", {"history-control": "topic"}, topics, key, w=330, allowDeselect=False),
        dmc.MultiSelect(
            id={"history-control": "cells"}, label="Cells as lines", value=picked, searchable=True, clearable=True,
            w=260, data=[str(c) for c in range(1, pack.cells_in_series + 1)], comboboxProps={"withinPortal": False},
            placeholder=None if picked else "named or drifting",
        ),
    ]  # fmt: skip
    if pack.modules:
        places = [{"value": EVERYWHERE, "label": "the whole pack"}]
        places += [{"value": f"box {b.name}", "label": box_words(b.name)} for b in pack.boxes]
        places += [{"value": f"module {m.name}", "label": f"module {m.name}"} for m in pack.modules]
        parts.append(
            select("Box or module", {"history-control": "place"}, places, place_in(frame, pack), w=180)
        )
    shows = [{"value": "", "label": "all in one"}]
    if pack.modules and TOPICS[key].per == "cell":
        shows.append({"value": "apart", "label": "by module"})
    parts.append(_choice("apart", "Plot", shows, "apart" if frame.view.apart and len(shows) > 1 else ""))
    if key in MEASURED and len(w.strands.get(key, ())) > 1:
        values = [{"value": "", "label": "against the middle"}, {"value": "measured", "label": "as measured"}]
        parts.append(_choice("measured", "Values", values, "measured" if frame.view.measured else ""))
    return choices(frame.look, *parts, what="Quantity, cells and plot")


def _choice(id: str, label: str, data: list[dict[str, str]], value: str) -> html.Div:
    if len(data) < 2:
        return html.Div(style={"display": "none"})
    control = dmc.SegmentedControl(id={"history-control": id}, data=data, value=value, size="sm")
    return html.Div([html.Div(label, className="choice-label"), control])


def _pictures(frame: Frame, w: Weighed, sheet: Sheet) -> Any:
    title = f"{sheet.topic.title} over the logs"
    pack = sheet.pack
    if frame.view.apart and sheet.topic.per == "cell" and pack.modules:
        wanted = {pack.module_of(c) for c in frame.picked}
        modules = [m for m in pack.modules if not wanted or m.name in wanted]
        reach = reach_of(sheet)
        figures = []
        for m in modules:
            box = pack.box_of(m.name)
            name = f"{f'{box_words(box)}, ' if box else ''}module {m.name}"
            figure = _windowed(module_picture(sheet, m.cells, name, reach, look=frame.look), frame.view)
            figure = frame.timed(figure, sheet.times[0])
            figures.append(
                graph(figure, f"{title}, module {m.name}", id={"history-module": m.name}, values=False)
            )
        return [html.P(sheet.axis, className="quiet"), html.Div(figures, className="multiples")]
    picked = picked_columns(frame, sheet)

    def make() -> Any:
        figure = history_picture(sheet, picked=picked, look=frame.look)
        return frame.timed(_windowed(figure, frame.view), sheet.times[0])

    view = frame.view
    how = (
        "history",
        sheet.topic.key,
        view.measured,
        picked,
        view.start,
        view.end,
        frame.clock_words(sheet.times[0]),
    )
    drawn = frame.desk.drawn.get((w,), (*how, frame.look), make)
    out = [graph(drawn, title, id="history-figure", values=False)]
    notes = ["A point that is picked leads to its log."]
    if sheet.at:
        notes.append(f"Compared {sheet.at}.")
    if len(frame.picked) > 6:
        notes.append("The first six picked cells are drawn strong; by module all are.")
    if any(not np.isnan(sheet.trend[:, i]).all() for i in sheet.strong(picked_columns(frame, sheet), 6)):
        notes.append("The broad straight line is the slope.")
    return [*out, html.P(" ".join(notes), className="quiet")]


def _windowed(figure: Any, view: View) -> Any:
    start, end = view.window()
    if start is not None and end is not None and end > start:
        figure.update_xaxes(range=[str(start), str(end)])
    return figure


def _untold(frame: Frame, w: Weighed, key: str) -> html.Div:
    why = w.why_untold(key)
    why = f"{why[:1].upper()}{why[1:]}." if why else "None of its logs holds what this takes."
    return empty(
        f"{TOPICS[key].title}: nothing to draw",
        [why, html.Br(), "Bring in a log that holds it, or choose another quantity above."],
        action("Bring logs in", f"/bring?pack={frame.pack.id if frame.pack else ''}", main=True),
    )


def _point(frame: Frame, sheet: Sheet) -> html.Div:
    """Return what the log that was clicked told, with the way to it."""
    if not frame.view.log or frame.view.log not in sheet.ids or frame.entry is None:
        return html.Div(id="history-point")
    k = sheet.ids.index(frame.view.log)
    lines = []
    signed = sheet.ground is not None and not frame.view.measured
    few = range(len(sheet.columns)) if len(sheet.columns) < 3 else range(0)
    for i in sheet.strong(picked_columns(frame, sheet), 6) or few:
        if np.isfinite(sheet.y[k, i]):
            value, low, high = (float(x[k, i]) for x in (sheet.y, sheet.low, sheet.high))
            text = value_text(value, low, high, sheet.unit, sign=signed)
            lines.append(html.Li([html.Strong(sheet.names[i]), f": {text}"]))
    why = dict(sheet.gaps).get(k)
    if why:
        lines.append(html.Li(f"Not told: {why}."))
    there = frame.here.but(start="", end="", apart=False, measured=False, quantity="")
    return html.Div(
        [
            html.H3(f"Log of {frame.when(frame.entry.start)}"),
            html.Ul(lines) if lines else None,
            html.Div(
                [
                    action("Open this log", there.link("/log"), main=True),
                    action("Its answers", there.but(whole=False).link("/answers")),
                    action("Let it go", frame.view.but(log="").link(PATH)),
                ],
                className="actions",
            ),
        ],
        id="history-point", className="answer",
    )  # fmt: skip


def _files(frame: Frame, pack: Pack, key: str) -> html.Div:
    name = f"{pack.id}-{key}"
    return html.Div(
        [
            html.A(
                "All logs (CSV)", href=f"{TABLE}?pack={quote(pack.id)}&quantity={key}", id="history-table",
                className="button", download=f"{name}.csv",
            ),
            html.A(
                "What the plot shows (CSV)", href=plot_address(frame.view, pack, key), id="history-plot-table",
                className="button", download=f"{name}-plot.csv",
            ),
        ],
        className="actions",
    )  # fmt: skip


def register(app: Dash, desk: Desk) -> None:
    """Let the page follow the address, the address the page, and serve the tables."""
    _serve_tables(app, desk)

    in_browser(
        app,
        "bmslogs",
        "zoom",
        Output("at", "search", allow_duplicate=True),
        Input("history-figure", "relayoutData"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    _follow(app, desk)
    _choose(app, desk)
    _turn(app, desk)


def _serve_tables(app: Dash, desk: Desk) -> None:
    """Serve the table of a topic and that of its plot."""

    @server_of(app).get(TABLE)
    def _history_table() -> flask.Response:
        return _served(lambda w, key, _view: history_csv(w, [key]), "history")

    @server_of(app).get(PLOT_TABLE)
    def _plot_table() -> flask.Response:
        def made(w: Weighed, key: str, view: View) -> str:
            sheet = sheet_of(w, key, measured=view.measured)
            if sheet is None:
                raise BmsLogsError(f"{TOPICS[key].title}: no log tells it")
            frame = Frame(desk, view)
            start, end = view.window()
            return shown_csv(sheet, start, end, picked_columns(frame, sheet))

        return _served(made, "history-plot")

    def _served(make: Any, name: str) -> flask.Response:
        view = parse(flask.request.query_string.decode("ascii", "ignore"))
        pack = desk.pack(view.pack)
        key = ALSO.get(view.quantity, view.quantity)
        if pack is None or key not in TOPICS:
            return flask.Response("No such pack or quantity.", 404, mimetype="text/plain")
        try:
            table = make(desk.history(pack)[0], key, view)
        except BmsLogsError as error:
            return flask.Response(str(error), 400, mimetype="text/plain")
        return table_response(table, f"{pack.id}-{key}-{name}.csv")


def _follow(app: Dash, desk: Desk) -> None:
    """Draw what the address asks for, and say where its table lies."""

    @app.callback(
        Output("history-body", "children"),
        Output("history-shown", "data"),
        Input("at", "search"),
        State("scheme", "data"),
        State("history-shown", "data"),
        prevent_initial_call=True,
    )
    def follow(search: str, scheme: str, before: str) -> Any:
        frame = Frame.of(desk, search, scheme)
        key = shown_key(frame.view)
        if frame.pack is None or not frame.logs or key == before:
            return no_update, no_update
        return shown(body(frame, desk.history(frame.pack)[0])), key

    @app.callback(
        Output("history-rest", "children"),
        Input("history-unfold", "n_clicks"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def unfold(clicks: int, search: str) -> Any:
        frame = Frame.of(desk, search)
        if clicks != 1 or frame.pack is None:
            return no_update
        w = desk.history(frame.pack)[0]
        key = topic_in(frame.view, w)
        return table_rows(folded(rows_of(w, key))[1], key)

    @app.callback(
        Output("history-method", "children"),
        Input("history-how", "n_clicks"),
        prevent_initial_call=True,
    )
    def method(clicks: int) -> Any:
        return dcc.Markdown(method_text()) if clicks == 1 else no_update

    @app.callback(
        Output("history-plot-table", "href"),
        Input("at", "search"),
        prevent_initial_call=True,
    )
    def window(search: str) -> Any:
        frame = Frame.of(desk, search)
        if frame.pack is None:
            return no_update
        return plot_address(frame.view, frame.pack, topic_in(frame.view, desk.history(frame.pack)[0]))


def _choose(app: Dash, desk: Desk) -> None:
    """Put what is set or clicked into the address."""

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input({"history-control": ALL}, "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose(_values: list[Any], search: str) -> Any:
        frame = Frame.of(desk, search)
        by = ctx.triggered_id
        if frame.pack is None or by is None or len(ctx.triggered) != 1:
            return no_update
        new = chosen(frame, str(by["history-control"]), ctx.triggered[0]["value"])
        return no_update if new == frame.view else new.query()

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("history-figure", "clickData"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def point(click: Any, search: str) -> Any:
        return clicked(desk, click, search)

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input({"history-module": ALL}, "clickData"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def module_point(_clicks: Any, search: str) -> Any:
        return clicked(desk, next((t["value"] for t in ctx.triggered if t["value"]), None), search)


def _turn(app: Dash, desk: Desk) -> None:
    """Lay the page out anew once logs that were waiting are gathered."""

    @app.callback(
        Output("revision", "data", allow_duplicate=True),
        Input("history-turn", "n_intervals"),
        State("history-waiting", "data"),
        State("at", "search"),
        State("revision", "data"),
        prevent_initial_call=True,
    )
    def turn(_n: int, before: int, search: str, revision: int) -> Any:
        pack = Frame.of(desk, search).pack
        if pack is None:
            return no_update
        return no_update if desk.history(pack)[1] == before else revision + 1
