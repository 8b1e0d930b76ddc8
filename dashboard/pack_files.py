"""The pack file and its open-circuit table: taken from a file, drawn as typed, given away to keep."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import flask
from dash import Dash, Input, Output, State, html, no_update

from bmslogs.base.errors import BadPack, BmsLogsError, printable
from bmslogs.base.pack import Pack, dump_ocv_table, dump_pack
from bmslogs.faces.figures import ocv_picture
from dashboard.desk import Desk
from dashboard.form import ocv_of
from dashboard.frame import Frame
from dashboard.framework import server_of
from dashboard.parts import graph
from dashboard.uploads import plain_name

FILES = "/pack-file"


def table_text(read: Mapping[str, str | None]) -> str:
    """Return the text of a file as the browser read it (``name``, ``text``).

    Raises
    ------
    BadPack
        Too large to be such a table, or not text.
    """
    text = read.get("text")
    if text is None:
        raise BadPack("the file is larger than 200 kB", "a CSV table soc,voltage_V")
    if "\ufffd" in text or "\0" in text:
        raise BadPack("the file is not text", "a CSV table soc,voltage_V in UTF-8")
    return text.lstrip("\ufeff")


def curve(text: str, frame: Frame) -> Any:
    """Draw the open-circuit table that is typed, nothing where it is none."""
    try:
        table = ocv_of(text)
    except BmsLogsError:
        return None  # what is wrong with it is said beside the drawing of the pack
    return graph(ocv_picture(table, look=frame.look), "the open-circuit table as typed") if table else None


def files(pack: Pack) -> html.Details:
    """Return the pack file to read and to take away, with its open-circuit table beside it."""
    parts: list[Any] = [html.Summary("The pack file"), html.Pre(dump_pack(pack))]
    links = [html.A("Save the pack file", href=f"{FILES}?pack={pack.id}", className="button")]
    if pack.ocv:
        parts += [html.P(f"Beside it, {pack.ocv_table}:"), html.Pre(dump_ocv_table(pack.ocv))]
        links.append(html.A("Save the table", href=f"{FILES}?pack={pack.id}&table=1", className="button"))
    return html.Details([*parts, html.Div(links, className="actions")])


def register_files(app: Dash, desk: Desk) -> None:
    """Take an open-circuit table from a file, draw it, and serve pack file and table to take away."""

    @app.callback(
        Output({"field": "ocv"}, "value"),
        Output("ocv-says", "children"),
        Input("ocv-file", "data"),
        prevent_initial_call=True,
    )
    def take(read: dict[str, str | None] | None) -> Any:
        if not read:
            return no_update, no_update
        name = printable(str(read.get("name")), 80)
        try:
            return table_text(read), f"Taken from {name}."
        except BmsLogsError as error:
            return no_update, html.P(f"✕ {name}: {error}", className="bad")

    @app.callback(
        Output("ocv-drawn", "children"),
        Input({"field": "ocv"}, "value"),
        State("scheme", "data"),
        State("at", "search"),
    )
    def draw_curve(text: str | None, scheme: str | None, search: str) -> Any:
        return curve(text or "", Frame.of(desk, search, scheme))

    @server_of(app).get(FILES)
    def _pack_file() -> flask.Response:
        pack = desk.pack(flask.request.args.get("pack", ""))
        table = bool(flask.request.args.get("table"))
        if pack is None or (table and not pack.ocv):
            return flask.Response("There is no such file.", 404, mimetype="text/plain")
        text, name = dump_pack(pack), f"{pack.id}.toml"
        if table and pack.ocv:
            text, name = dump_ocv_table(pack.ocv), plain_name(pack.ocv_table or "ocv.csv")
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return flask.Response(text, 200, headers, mimetype="text/csv" if table else "application/toml")
