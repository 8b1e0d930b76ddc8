"""Overlay: two logs over each other, or two cells of one log."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.results import by_urgency
from bmslogs.faces.figures.overlaid import overlaid_picture
from bmslogs.faces.figures.words import short_place
from bmslogs.findings.evidence.overlaid import BY, By, Course, course, overlaid
from dashboard.address import View
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.parts import action, choose_pack, empty, graph, heading, no_logs, refused, select
from dashboard.shell import LISTED
from dashboard.units import shown

TITLE, PATH = "Overlay", "/overlay"
SAME = "same"
WAYS = {"time": "time", "charge": "charge drawn", "load": "load"}


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    lead = "Two logs over each other, or two cells of one log."
    if frame.pack is None:
        return html.Div([heading("Overlay", lead), choose_pack(frame.desk.packs(), PATH)])
    if not frame.logs:
        return html.Div([heading(f"Overlay for {frame.pack.vehicle}", lead), no_logs(frame.pack.id)])
    if frame.entry is None:
        newest = action("The newest log", frame.view.but(log="").link(PATH), main=True)
        says = "The address names a log that this pack does not have."
        return html.Div([heading("Overlay", lead), empty("There is no such log", says, newest)])
    return html.Div(
        [heading(f"Overlay for {frame.pack.vehicle}", lead), html.Div(body(frame), id="overlay-body")]
    )


def body(frame: Frame) -> list[Any]:
    """Return what follows the choice: sentence, controls, picture."""
    says, *drawn = _drawn(frame)
    return [says, _controls(frame), *drawn]


def _controls(frame: Frame) -> html.Div:
    assert frame.pack is not None and frame.entry is not None
    logs = [{"value": SAME, "label": "the same log, another cell"}]
    by_pack: dict[str, list[Any]] = {}
    for entry in reversed(frame.desk.store.logs()):
        by_pack.setdefault(entry.pack, []).append(entry)
    for pack in frame.desk.packs():
        for entry in by_pack.get(pack.id, ()):
            if entry.id != frame.entry.id:
                logs.append({"value": entry.id, "label": f"{pack.vehicle}, {frame.when(entry.start)}"})
    cells = [str(c) for c in range(1, frame.pack.cells_in_series + 1)]
    first, second = _cells(frame)
    other = frame.view.other or SAME
    parts: list[Any] = [
        select("Laid over it", {"overlay": "other"}, logs, other, w=330, allowDeselect=False, searchable=True,
               **({"limit": LISTED} if len(logs) > LISTED else {})),
        select("Cell", {"overlay": "cell"}, cells, str(first) if first else None, w=120, clearable=True,
               placeholder="median", searchable=True),
    ]  # fmt: skip
    if other == SAME:
        parts.append(
            select("Second cell", {"overlay": "second"}, cells, str(second) if second else None, w=130,
                   placeholder="median", clearable=True, searchable=True)
        )  # fmt: skip
    by = dmc.SegmentedControl(
        id={"overlay": "by"}, value=frame.view.by or "time", size="sm",
        data=[{"value": k, "label": v} for k, v in WAYS.items()], **attributes(aria_label="Laid over each other by"),
    )  # fmt: skip
    parts.append(html.Div([html.Div("Laid over each other by", className="choice-label"), by]))
    return html.Div(parts, className="controls")


def _cells(frame: Frame) -> tuple[int | None, int | None]:
    """Return the cell of the first log, and the second cell where there is no second log; None for the median.

    Where the address names neither log nor cell, the cell that the log's most urgent finding names stands in.
    """
    picked = frame.picked
    if not picked and not frame.view.other and frame.entry is not None:
        told = frame.desk.at_hand(frame.entry.id)
        picked = next((f.cells[:1] for f in by_urgency(told.findings) if f.cells), ()) if told else ()
    return (picked[0] if picked else None), (picked[1] if len(picked) > 1 else None)


def courses(frame: Frame) -> tuple[Course, Course] | None:
    """Return what is laid over each other; None where nothing is chosen yet.

    Raises
    ------
    BmsLogsError
        A log has no such cell, or is not there.
    """
    assert frame.pack is not None and frame.entry is not None
    first, second = _cells(frame)
    ground = frame.desk.ground(frame.entry.id)
    log = ground.log
    if frame.view.other:
        other = frame.desk.ground(frame.view.other)
        theirs = other.log
        entry = next((e for e in frame.desk.logs(theirs.pack.id) if e.id == frame.view.other), None)
        when = frame.when(entry.start) if entry else "another day"
        names = [
            f"{p.vehicle}, {w}" for p, w in ((log.pack, frame.when(frame.entry.start)), (theirs.pack, when))
        ]
        end = f", cell {first}" if first else ""
        return course(ground, first, "apart", names[0] + end), course(other, first, "apart", names[1] + end)
    if first is None and second is None:
        return None
    names = [short_place(log.pack, c) if c else "the median" for c in (first, second)]
    two = [course(ground, c, "voltage", name) for c, name in zip((first, second), names, strict=True)]
    # the median is the ground that a cell is laid over
    return (two[0], two[1]) if second is not None else (two[1], two[0])


def _drawn(frame: Frame) -> list[Any]:
    try:
        two = courses(frame)
        if two is None:
            says = "Choose another log to lay over this one, or a cell of it."
            return [None, html.Div([html.H2("Nothing to lay over it yet"), html.P(says)], className="empty")]
        by: By = next((w for w in BY if w == frame.view.by), "time")
        drawn = overlaid(*two, by)
    except (BmsLogsError, OSError) as error:
        return [None, refused(str(error))]
    what = " over ".join(drawn.names[::-1])
    picture = graph(overlaid_picture(drawn, look=frame.look), f"{what}, by {BY[by]}", id="overlay-figure")
    return [html.P(drawn.says, className="sentence", id="overlay-says"), html.Div(picture, className="wide")]


def chosen(frame: Frame, by: str, value: str | None) -> View:
    """Return the view after one of the controls, `by`, was set to a value."""
    first, second = _cells(frame)
    number = int(value) if value and value.isdigit() else None
    if by == "other" and value:
        return frame.view.but(other="" if value == SAME else value)
    if by == "by" and value in WAYS:
        return frame.view.but(by="" if value == "time" else value)
    if by == "cell":
        first = number
    elif by == "second":
        second = number
    cells = tuple(sorted({c for c in (first, None if frame.view.other else second) if c is not None}))
    return frame.view.but(cells=cells, module="", joint=0)


def register(app: Dash, desk: Desk) -> None:
    """Let the address follow the controls, and the page the address."""

    @app.callback(
        Output("overlay-body", "children"),
        Input("at", "search"),
        State("scheme", "data"),
        prevent_initial_call=True,
    )
    def follow(search: str, scheme: str) -> Any:
        frame = Frame.of(desk, search, scheme)
        return no_update if frame.pack is None or frame.entry is None else shown(body(frame))

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input({"overlay": ALL}, "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose(_values: list[Any], search: str) -> Any:
        frame = Frame.of(desk, search)
        if frame.pack is None or frame.entry is None or not ctx.triggered_id or len(ctx.triggered) != 1:
            return no_update
        new = chosen(frame, str(ctx.triggered_id["overlay"]), ctx.triggered[0]["value"])
        return no_update if new == frame.view else new.but(pack=frame.pack.id, log=frame.entry.id).query()
