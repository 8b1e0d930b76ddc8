"""Order in the browser: what every page shares. The bar that says what was done and undoes it, pages that follow a
change made elsewhere, and what stands where a log or pack is gone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import flask
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.results import Finding
from bmslogs.store import order
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes, in_browser, server_of
from dashboard.notes import Note, latest
from dashboard.parts import action, empty, heading

STATE = "/store-state"
"""Where a page asks whether something was changed elsewhere."""
OF_A_LOG = ("/pack", "/log", "/charge", "/answers")
"""Pages that show one log."""
SAID = Output("order-said", "children", allow_duplicate=True)
DONE = [
    SAID,
    Output("revision", "data", allow_duplicate=True),
    Output("order-state", "data", allow_duplicate=True),
    Output("at", "search", allow_duplicate=True),
]
"""What an action changes: the bar, the page laid out anew, the state that this page knows of, the address."""
GIVEN = [State("order-by", "data"), State("at", "search"), State("revision", "data")]


def bar() -> html.Div:
    """Return what lies over every page: what was done last, with its undoing, and that there is something new."""
    return html.Div(
        [
            dcc.Store(id="order-state"),
            dcc.Store(id="order-by", storage_type="local"),
            html.Div(id="order-said", role="status", **attributes(aria_live="polite")),
            html.Div(
                [
                    html.P(
                        "Something on this page was changed elsewhere. What you have typed is still here."
                    ),
                    html.Button("Show it as it is now", id="order-show", className="button", type="button"),
                ],
                id="order-news",
                className="order-line",
                role="status",
                hidden=True,
            ),
        ],
        className="order-bar",
    )


def said(says: str, *undo: Any) -> html.Div:
    """Return what stands in the bar after an action."""
    close = html.Button("Close", id="order-close", className="button quiet-button", type="button")
    return html.Div([html.P(says), html.Div([*undo, close], className="actions")], className="order-line")


def not_done(says: str) -> html.Div:
    """Return what stands where an action was refused."""
    return html.Div([html.Strong("✕ Not done"), html.P(says)], className="refused", role="alert")


def undo(kind: str, text: str, **what: str) -> html.Button:
    """Return the button that undoes an action, in the bar."""
    return html.Button(text, id={"order": kind, "at": "bar", **what}, className="button main", type="button")


def done(
    desk: Desk, line: Any, revision: int, view: View | None = None, packs: tuple[str, ...] = ()
) -> list[Any]:
    """Return the values of `DONE` after an action."""
    state = desk.changed(*packs)
    return [line, (revision or 0) + 1, state, no_update if view is None else view.query()]


def refused(error: BmsLogsError) -> list[Any]:
    """Return the values of `DONE` where an action was refused."""
    return [not_done(str(error)), no_update, no_update, no_update]


def pressed() -> dict[str, str] | None:
    """Return the id of the button of many that was pressed; None where one only came onto the page."""
    if not isinstance(ctx.triggered_id, dict) or not any(t["value"] for t in ctx.triggered):
        return None
    return {str(k): str(v) for k, v in ctx.triggered_id.items()}


def without(view: View, log: str) -> View:
    """Return the view with a form closed and a log that is gone let go."""
    gone: dict[str, Any] = {"log": "", "start": "", "end": "", "finding": 0} if view.log == log else {}
    return view.but(act="", note="", **gone)


def nothing_but_aside(count: int) -> html.Div:
    """Return what stands where every finding was set aside: that there are some, and where."""
    says = (
        "The one finding of this was set aside"
        if count == 1
        else f"All {count} findings of this were set aside"
    )
    return html.Div(html.P(f"{says}: by whom, and why, stands below."), className="answer")


def aside_mark(finding: Finding, notes: Sequence[Note]) -> list[Any]:
    """Return what marks a finding in a list as set aside; nothing where it stands."""
    note = latest(notes, finding)
    if note is None or note.verdict != "set_aside":
        return []
    return [html.Span(f"set aside by {note.name}", className="quiet day")]


# --- what is gone -------------------------------------------------------------------------------------------------


def gone_page(frame: Frame, path: str | None, title: str) -> html.Div | None:
    """Return what a page shows whose address names a log or pack that is gone; None where it is there."""
    lines = gone_log(frame, path or "") if path in OF_A_LOG else None
    lines = lines or gone_pack(frame, path or "")
    return html.Div([heading(title), lines]) if lines is not None else None


def gone_log(frame: Frame, path: str) -> html.Div | None:
    """Say what became of the log that the address names; None where it is there, or nothing is known of it."""
    log = frame.view.log
    if not log or frame.entry is not None:
        return None
    newest, to_newest = "The newest log", frame.view.but(log="", act="", start="", end="").link(path)
    elsewhere = next((e for e in frame.desk.store.logs() if e.id == log), None)
    if elsewhere is not None:
        there = View(pack=elsewhere.pack, log=log).link(path)
        says = f"It is a log of {elsewhere.vehicle} ({elsewhere.pack})."
        return _gone("This log lies in another pack", says, action("Show it there", there, main=True))
    gone = order.gone(frame.desk.store, log)
    if gone is None:
        return None
    began = f" of {frame.when(gone.change.start)}" if gone.change.start else ""
    says = f"The log{began} was {frame.changed(gone.change)}."
    if gone.to and frame.desk.has(gone.to):
        entry = frame.desk.store.entry(gone.to)
        there = View(pack=entry.pack, log=entry.id).link(path)
        moved = action("Show it there", there, main=True)
        return _gone("This log was moved", says, moved, action(newest, to_newest))
    if gone.in_bin:
        back = html.Button(
            "Bring it back",
            id={"order": "back", "at": "page", "log": log},
            className="button main",
            type="button",
        )
        return _gone("This log was removed", says, back, action(newest, to_newest))
    return _gone("This log was removed", says, action(newest, to_newest, main=True))


def gone_pack(frame: Frame, path: str) -> html.Div | None:
    """Say what became of the pack that the address names; None where it is there, or nothing is known of it."""
    pack = frame.view.pack
    if not pack or frame.pack is not None:
        return None
    change = order.last_change(frame.desk.store, f"pack-{pack}")
    if change is None or change.what != "removed":
        return None
    back = html.Button(
        "Bring it back",
        id={"order": "back-pack", "at": "page", "pack": pack},
        className="button main",
        type="button",
    )
    return _gone(
        "This pack was removed", f"Pack {pack} of {change.vehicle} was {frame.changed(change)}.", back
    )


def _gone(title: str, says: str, *actions: Any) -> html.Div:
    return html.Div(empty(title, says, *actions), className="gone")


# --- actions ------------------------------------------------------------------------------------------------------


def register(app: Dash, desk: Desk) -> None:
    """Remove, bring back, move back; tell pages what was changed elsewhere."""
    _follow(app, desk)
    _of_logs(app, desk)
    _of_packs(app, desk)
    _of_notes(app, desk)


def _of_logs(app: Dash, desk: Desk) -> None:
    """Remove a log, bring it back, move it back."""

    def remove(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        item = order.remove_log(desk.store, what["log"], by=by, seen=what["seen"])
        began = Frame(desk, view).when(item.start)
        line = said(
            f"Removed: the log of {began}. It can be brought back for {order.KEPT_DAYS} days.",
            undo("back", "Undo", log=item.log),
        )
        return done(desk, line, revision, without(view, item.log), (item.pack,))

    def back(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        entry = order.bring_back(desk.store, what["log"], by=by)
        line = said(f"Brought back: the log of {Frame(desk, view).when(entry.start)}.")
        return done(desk, line, revision, None, (entry.pack,))

    def move_back(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        before = desk.store.entry(what["log"]).pack
        entry = order.move_log(desk.store, what["log"], what["to"], by=by)
        line = said(f"Moved back to {entry.vehicle} ({entry.pack}).")
        return done(desk, line, revision, without(view, what["log"]), (before, entry.pack))

    _act_on(app, desk, "remove", ("log", "seen"), remove)
    _act_on(app, desk, "back", ("log",), back)
    _act_on(app, desk, "move-back", ("log", "to"), move_back)


def _of_packs(app: Dash, desk: Desk) -> None:
    """Remove a pack, bring it back."""

    def back_pack(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        pack = order.bring_back_pack(desk.store, what["pack"], by=by)
        return done(desk, said(f"Brought back: pack {pack.id} of {pack.vehicle}."), revision)

    def remove_pack(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        pack = order.remove_pack(desk.store, what["pack"], by=by, seen=what["seen"])
        line = said(f"Removed: pack {pack.id} of {pack.vehicle}.", undo("back-pack", "Undo", pack=pack.id))
        return done(desk, line, revision, view.but(pack="", log="", act=""))

    _act_on(app, desk, "back-pack", ("pack",), back_pack)
    _act_on(app, desk, "remove-pack", ("pack", "seen"), remove_pack)


def _of_notes(app: Dash, desk: Desk) -> None:
    """Take a note out, put it back."""

    def put(what: dict[str, str], by: str, view: View, revision: int) -> list[Any]:
        out = what["order"] == "note-out"
        do = order.take_out if out else order.put_back
        note = do(desk.store, what["pack"], what["log"], what["note"], by=by, seen=int(what["seen"]))
        if not out:
            return done(desk, said("The note is back."), revision)
        again = undo(
            "note-back", "Undo", pack=what["pack"], log=what["log"], note=note.id, seen=str(note.version)
        )
        return done(desk, said("Taken out: a note.", again), revision, view.but(act="", note=""))

    _act_on(app, desk, "note-out", ("pack", "log", "note", "seen"), put)
    _act_on(app, desk, "note-back", ("pack", "log", "note", "seen"), put)


def _act_on(app: Dash, desk: Desk, kind: str, keys: tuple[str, ...], work: Callable[..., list[Any]]) -> None:
    """Let the buttons of a kind do some work, given what the button says of itself by `keys`."""
    wanted = {"order": kind, "at": ALL, **dict.fromkeys(keys, ALL)}

    @app.callback(DONE, Input(wanted, "n_clicks"), GIVEN, prevent_initial_call=True)
    def _act(_clicks: Any, by: str | None, search: str, revision: int) -> list[Any]:
        what = pressed()
        if what is None:
            return [no_update] * 4
        desk.release()
        try:
            return work(what, by or "", parse(search), revision)
        except BmsLogsError as error:
            return refused(error)


def _follow(app: Dash, desk: Desk) -> None:
    """Close the bar, serve the state, and tell the browser which one this page shows."""

    @server_of(app).get(STATE)
    def _state() -> flask.Response:
        return flask.jsonify({"state": desk.state()})

    in_browser(
        app,
        "bmslogs_order",
        "close",
        SAID,
        Input("at", "pathname"),
        prevent_initial_call=True,
    )
    in_browser(
        app,
        "bmslogs_order",
        "known",
        Output("order-news", "hidden"),
        Input("order-state", "data"),
        prevent_initial_call=True,
    )
    in_browser(
        app,
        "bmslogs_order",
        "laid",
        Output("order-news", "hidden", allow_duplicate=True),
        Input("laid-out", "data"),
        prevent_initial_call=True,
    )
    in_browser(
        app,
        "bmslogs_order",
        "show",
        Output("revision", "data", allow_duplicate=True),
        Input("order-show", "n_clicks"),
        prevent_initial_call=True,
    )
