"""The dashboard as a whole: the application, its routes, and what follows the address."""

from __future__ import annotations

import datetime as dt
import importlib
import logging
from pathlib import Path
from types import ModuleType
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from bmslogs.base.errors import BmsLogsError
from dashboard import live, order, safety
from dashboard.address import parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes, in_browser, server_of
from dashboard.jobs import Jobs
from dashboard.junk import refuse_junk
from dashboard.pages import PAGES, bring
from dashboard.parts import action, empty, refused
from dashboard.shell import clock, pickers, shell
from dashboard.units import shown
from dashboard.uploads import MOST_UPLOAD_BYTES, Inbox, serve_uploads
from dashboard.watched import Watched

PAGE = """<!DOCTYPE html>
<html lang="en">
<head>{%metas%}<title>{%title%}</title>{%favicon%}{%css%}</head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body>
</html>"""
BY_PATH: dict[str, ModuleType] = {p.PATH: p for p in PAGES}


def create_app(
    store_root: Path,
    *,
    password: str | None = None,
    most_upload_bytes: int = MOST_UPLOAD_BYTES,
    zone: dt.tzinfo | None = None,
) -> Dash:
    """Make the dashboard over a store.

    Parameters
    ----------
    store_root
        Folder of the store; it need not exist yet.
    password
        Asked for from every visitor where given; needed where others can reach the page.
    most_upload_bytes
        Largest file that may be sent.
    zone
        The workshop's time zone, where a pack names none; None for that of this machine.

    Returns
    -------
    The application; ``.server`` is the WSGI application to serve.
    """
    # imported before any thread starts: figures look at a half imported pandas otherwise
    importlib.import_module("pandas")
    desk, jobs, inbox = Desk(store_root, zone), Jobs(), Inbox()
    watched = Watched(desk)
    app = Dash(
        "dashboard",
        assets_folder=str(Path(__file__).parent / "assets"),
        title="bmslogs",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        index_string=PAGE,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.layout = shell(PAGES)
    _register(app, desk, jobs, watched)
    order.register(app, desk)
    live.register(app, desk)
    for page in PAGES:
        if page is bring:
            bring.register(app, desk, jobs, watched)
        else:
            page.register(app, desk)
    policy: list[str] = []

    def page_policy() -> str:
        if not policy:
            policy.append(safety.policy(app.csp_hashes()))
        return policy[0]

    safety.guard(app.server, password, page_policy)
    serve_uploads(app.server, jobs, inbox, most_upload_bytes)
    refuse_junk(app)

    @server_of(app).errorhandler(413)
    def _too_large(_error: Exception) -> tuple[dict[str, str], int]:
        return {"error": "More was sent than this page takes."}, 413

    app.server.extensions["bmslogs"] = {"desk": desk, "jobs": jobs, "inbox": inbox, "watched": watched}
    return app


def content(frame: Frame, path: str | None, jobs: Jobs, watched: Watched | None = None) -> Any:
    """Return what a page shows; an error that a user can mend is shown where the page would be."""
    page = BY_PATH.get(path or "/")
    if page is None:
        return empty(
            "There is no such page", "The address leads nowhere.", action("Vehicles", "/", main=True)
        )
    try:
        gone = order.gone_page(frame, path, page.TITLE)
        if gone is not None:
            return gone
        return bring.layout(frame, jobs, watched) if page is bring else page.layout(frame)
    except BmsLogsError as error:
        return html.Div([html.H1(page.TITLE), refused(str(error), action("Vehicles", "/"))])
    except Exception as error:  # a defect in one page must not leave the reader before the last one
        logging.getLogger("dashboard").exception("page %s failed", path)
        says = f"This page failed ({type(error).__name__}); what it says here is a defect of the program."
        return html.Div([html.H1(page.TITLE), refused(says, action("Vehicles", "/"))])


def picked_view(search: str | None, point: Any) -> str | None:
    """Return the address after a click on a figure: ``["cell", 5]``, ``["joint", 5]`` or ``["module", "F2"]``."""
    if not isinstance(point, list) or len(point) != 2:
        return None
    view, (kind, what) = parse(search), point
    if kind == "cell" and isinstance(what, int):
        return view.picked(what).query()
    if kind == "joint" and isinstance(what, int):
        same = view.joint == what
        return view.but(joint=0 if same else what, module="", cells=() if same else (what - 1, what)).query()
    if kind == "module":
        name = str(what)
        return view.but(module="" if view.module == name else name, joint=0, cells=()).query()
    return None


def _register(app: Dash, desk: Desk, jobs: Jobs, watched: Watched) -> None:
    """What is not of one page: laying pages out, pickers, links, colours, picking."""
    _lay_out(app, desk, jobs, watched)
    _pickers(app, desk)
    _in_browser(app)


def _lay_out(app: Dash, desk: Desk, jobs: Jobs, watched: Watched) -> None:
    """Lay the page out that the address names."""

    @app.callback(
        Output("page-content", "children"),
        Output("laid-out", "data"),
        Output("pickers", "children"),
        Output("clock", "children"),
        Input("at", "pathname"),
        Input("at", "search"),
        Input("scheme", "data"),
        Input("revision", "data"),
        State("laid-out", "data"),
    )
    def lay_out(path: str, search: str, scheme: str, revision: int, before: Any) -> Any:
        if scheme is None:
            return (no_update,) * 4
        frame = Frame.of(desk, search, scheme)
        now = [path, repr(frame.view.hard()), scheme, revision]
        if before == now:
            return (no_update,) * 4
        page = html.Div(shown(content(frame, path, jobs, watched)), **attributes(data_path=path or "/"))
        return page, now, pickers(frame), clock(frame)


def _pickers(app: Dash, desk: Desk) -> None:
    """Put the chosen pack and log, and a picked cell, into the address."""

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("pack-picker", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose_pack(pack_id: str | None, search: str) -> Any:
        frame = Frame.of(desk, search)
        if not pack_id or (frame.pack and frame.pack.id == pack_id):
            return no_update
        return parse("").but(pack=pack_id, quantity=frame.view.quantity).query()

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("log-picker", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose_log(log_id: str | None, search: str) -> Any:
        frame = Frame.of(desk, search)
        if not log_id or (frame.entry and frame.entry.id == log_id):
            return no_update
        return frame.here.but(log=log_id, start="", end="", finding=0).query()

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Output({"pick": ALL}, "clickData"),
        Input({"pick": ALL}, "clickData"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def pick(clicks: list[Any], search: str) -> Any:
        kept = [None] * len(clicks)
        click = next((t["value"] for t in ctx.triggered if t["value"]), None)
        point = click["points"][0].get("customdata") if click and click.get("points") else None
        new = picked_view(search, point)
        return (no_update if new is None else new), kept


def _in_browser(app: Dash) -> None:
    """Colours and links, which the browser sets by itself."""

    in_browser(
        app,
        "bmslogs",
        "scheme",
        Output("scheme", "data"),
        Output("colours", "forceColorScheme"),
        Output("scheme-button", "children"),
        Input("scheme-button", "n_clicks"),
        State("scheme", "data"),
    )
    in_browser(
        app,
        "bmslogs",
        "links",
        Output({"nav": ALL}, "href"),
        Output({"nav": ALL}, "className"),
        Input("at", "search"),
        Input("at", "pathname"),
        State({"nav": ALL}, "id"),
    )
