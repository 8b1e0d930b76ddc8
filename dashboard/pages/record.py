"""Record: the hand-over or service record of a pack, on paper or as one file, from the same pictures."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
from typing import Any
from urllib.parse import quote

import dash_mantine_components as dmc
import flask
from dash import Dash, Input, Output, State, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.results import Diagnosis
from bmslogs.faces.answers import pack_answer
from bmslogs.faces.headlines import record_says
from bmslogs.faces.spreadsheet import diagnosis_csv
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import server_of
from dashboard.parts import choose_pack, heading, no_logs, table_response

TITLE, PATH = "Record", "/record"
SHEET = "/sheet.html"
TABLE = "/estimates.csv"
SHEET_POLICY = (
    "sandbox allow-scripts allow-modals allow-downloads; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data: blob:; font-src data:; frame-ancestors 'self'"
)
"""The record carries its own scripts; the sandbox keeps it apart from the dashboard."""


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    if frame.pack is None:
        return html.Div([heading("Record"), choose_pack(frame.desk.packs(), PATH)])
    head = heading(
        f"Record of {frame.pack.vehicle}",
        "What was known, found and not tested, to print and sign. A4 and Letter.",
        answer=record_says(_standing(frame), len(frame.logs)),
    )
    if not frame.logs:
        return html.Div([head, no_logs(frame.pack.id)])
    sheet = sheet_address(frame.pack.id)
    return html.Div(
        [
            head,
            html.Div(
                [
                    dmc.NumberInput(
                        id="insulation", label="Insulation measured [Ω]", min=0, w=220, hideControls=True
                    ),
                    dmc.TextInput(id="instrument", label="With which instrument", w=240),
                    dmc.TextInput(id="remark", label="A line to print", w=360),
                    html.Button("Put into the record", id="record-fill", className="button", type="button"),
                ],
                className="controls",
            ),
            html.Div(
                [
                    html.A(
                        "Open to print",
                        href=sheet,
                        target="_blank",
                        id="record-open",
                        className="button main",
                    ),
                    html.A(
                        "Save as one file",
                        href=f"{sheet}&save=1",
                        id="record-save",
                        className="button",
                        download=f"{frame.pack.id}-record.html",
                    ),
                    html.A(
                        "Save as a table",
                        href=f"{TABLE}?pack={quote(frame.pack.id)}",
                        id="record-table",
                        className="button",
                        download=f"{frame.pack.id}.csv",
                    ),
                ],
                className="actions",
            ),
            html.Iframe(src=sheet, id="record-sheet", title="The record as it prints", className="sheet"),
        ]
    )


def _standing(frame: Frame) -> Diagnosis | None:
    """Return what the weighed logs say together; one that no diagnosis can be made of leaves the rest to speak."""
    return frame.desk.standing(frame.pack.id)[0] if frame.pack else None


def sheet_address(
    pack_id: str, insulation: float | None = None, instrument: str = "", remark: str = ""
) -> str:
    """Return the address of the record itself."""
    parts = [f"pack={quote(pack_id)}"]
    parts += [f"insulation={insulation:g}"] if insulation else []
    parts += [f"instrument={quote(instrument)}"] if instrument else []
    parts += [f"remark={quote(remark)}"] if remark else []
    return f"{SHEET}?{'&'.join(parts)}"


def whole(desk: Desk, pack_id: str) -> Diagnosis:
    """Return the diagnosis that weighs all logs of a pack: the one at hand where that has all of them.

    Raises
    ------
    BmsLogsError
        One line: the pack has no log, or there is one that no diagnosis can be made of.
    """
    standing, waiting = desk.standing(pack_id)
    if standing is not None and not waiting and not desk.not_weighed(pack_id):
        return standing
    return pack_answer(desk.store, pack_id)


def sheet(desk: Desk, pack_id: str, insulation: float | None, instrument: str, remark: str) -> str:
    """Return the record of a pack as one HTML page."""
    from bmslogs.faces.record import Typed, baselines, contents, record_page

    diagnosis = whole(desk, pack_id)
    known = baselines(desk.root, pack_id)
    typed = Typed(insulation, instrument or None, (remark,) if remark else ())
    pack, baseline = desk.store.pack(pack_id), known[-1] if known else None
    now = dt.datetime.now(dt.UTC).replace(second=0, microsecond=0)

    def make() -> str:
        made = contents(pack, diagnosis, typed=typed, baseline=baseline, made=now)
        return record_page(made, {str(log["id"]): desk.log(str(log["id"])) for log in made.logs})

    return desk.drawn.get((pack, diagnosis), ("record", repr(typed), repr(baseline), now), make)


HOW_LONG = """
new ResizeObserver(function () {
  parent.postMessage({sheet: Math.ceil(document.documentElement.getBoundingClientRect().height) + 8}, "*");
}).observe(document.documentElement);
"""
"""Tells the page that shows the record how long it is; the saved file has no use for it."""
CLOSED = "default-src 'none'"


def telling(page: str) -> str:
    """Return the record with what tells its length; nothing but this script may run in it."""
    known = base64.b64encode(hashlib.sha256(HOW_LONG.encode()).digest()).decode()
    page = page.replace(CLOSED, f"{CLOSED}; script-src 'sha256-{known}'", 1)
    return page.replace("</body>", f"<script>{HOW_LONG}</script></body>")


def _sheet_of_now(desk: Desk, pack_id: str, insulation: float | None, instrument: str, remark: str) -> str:
    """Return the record; made once more where another process took a log away since the store was looked at."""
    try:
        return sheet(desk, pack_id, insulation, instrument, remark)
    except BmsLogsError:
        desk.store.look_again()
        return sheet(desk, pack_id, insulation, instrument, remark)


def register(app: Dash, desk: Desk) -> None:
    """Serve the record, and fill it with what was typed in."""

    @server_of(app).get(SHEET)
    def _sheet() -> flask.Response:
        given = flask.request.args
        headers = {"Content-Security-Policy": SHEET_POLICY}
        pack_id = given.get("pack", "")
        try:
            if desk.pack(pack_id) is None:
                return flask.Response("There is no such pack.", 404, headers, mimetype="text/plain")
            typed = (given.get("insulation", type=float), given.get("instrument", "")[:80])
            page = _sheet_of_now(desk, pack_id, *typed, given.get("remark", "")[:300])
        except BmsLogsError as error:
            return flask.Response(str(error), 400, headers, mimetype="text/plain")
        if not given.get("save"):
            page = telling(page)
        else:
            headers["Content-Disposition"] = f'attachment; filename="{pack_id}-record.html"'
        return flask.Response(page, 200, headers, mimetype="text/html")

    @server_of(app).get(TABLE)
    def _estimates_table() -> flask.Response:
        pack_id = flask.request.args.get("pack", "")
        try:
            if desk.pack(pack_id) is None:
                return flask.Response("There is no such pack.", 404, mimetype="text/plain")
            table = diagnosis_csv(whole(desk, pack_id))
        except BmsLogsError as error:
            return flask.Response(str(error), 400, mimetype="text/plain")
        return table_response(table, f"{pack_id}.csv")

    @app.callback(
        Output("record-sheet", "src"),
        Output("record-open", "href"),
        Output("record-save", "href"),
        Input("record-fill", "n_clicks"),
        State("insulation", "value"),
        State("instrument", "value"),
        State("remark", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def fill(
        clicks: int | None, insulation: Any, instrument: str | None, remark: str | None, search: str
    ) -> Any:
        frame = Frame.of(desk, search)
        if not clicks or frame.pack is None:
            return (no_update,) * 3
        value = float(insulation) if isinstance(insulation, int | float) else None
        address = sheet_address(frame.pack.id, value, instrument or "", remark or "")
        return address, address, f"{address}&save=1"
