"""Logbook: all logs of a pack with what was noted; removed, moved, noted on; vehicle and pack put right."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from bmslogs.base.errors import BadInput, BmsLogsError
from bmslogs.faces.signs import grouped
from bmslogs.store import LogEntry, order
from dashboard import order_notes
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes, in_browser
from dashboard.order import DONE, GIVEN, done, gone_log, gone_pack, not_done, said, undo
from dashboard.parts import action, choose_pack, heading, no_logs, section

TITLE, PATH = "Logbook", "/logbook"
SHOWN = 40
"""Logs in one part of the list (choice)."""
FILTERS = {
    "all": "All",
    "noted": "With notes",
    "mended": "Mended on the way in",
    "open": "Not weighed yet",
}


@dataclass(frozen=True)
class Listed:
    """The logs that the list shows.

    Attributes
    ----------
    frame
        What is asked for.
    """

    frame: Frame

    @cached_property
    def noted(self) -> set[str]:
        """Ids of the logs with notes; a log whose notes were all taken out may be among them."""
        return order.noted(self.frame.desk.store, self.frame.pack.id) if self.frame.pack else set()

    @cached_property
    def fitting(self) -> list[LogEntry]:
        """The logs that filter and search leave, newest first."""
        words = self.frame.view.find.lower().split()
        return [e for e in self.frame.logs if self._kind(e) and all(w in self._text(e) for w in words)]

    @property
    def part(self) -> int:
        """Number of the part that is shown, from 1."""
        return min(max(self.frame.view.part, 1), self.parts)

    @property
    def parts(self) -> int:
        """How many parts there are."""
        return max(1, -(-len(self.fitting) // SHOWN))

    @property
    def shown(self) -> list[LogEntry]:
        """The logs of the part that is shown."""
        return self.fitting[(self.part - 1) * SHOWN : self.part * SHOWN]

    def _kind(self, entry: LogEntry) -> bool:
        only = self.frame.view.only
        if only == "noted":
            return entry.id in self.noted and bool(order_notes.notes_of(self.frame, entry.id))
        if only == "mended":
            return bool(entry.repairs)
        if only == "open":
            return not self.frame.desk.store.has_answer(entry)
        return True

    def _text(self, entry: LogEntry) -> str:
        """Return everything that a search looks into."""
        notes = order_notes.notes_of(self.frame, entry.id) if entry.id in self.noted else []
        day = f"{self.frame.when(entry.start)} {entry.start:%Y-%m-%d}"
        return " ".join([day, entry.source, *(f"{n.text} {n.by}" for n in notes)]).lower()


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    removed = _bin(frame)
    if frame.pack is None:
        gone = gone_pack(frame, PATH)
        return html.Div([heading(TITLE), gone or choose_pack(frame.desk.packs(), PATH), removed])
    lead = "Logs and notes, kept in order: noted on, moved, removed and brought back."
    head = heading(f"Logbook of {frame.pack.vehicle}", lead, answer=_answer(frame), chapter="order")
    name, form = _name(), None
    if frame.view.act in ("note", "cell"):
        form = order_notes.form(frame, name)
    if frame.view.act == "move":
        form = _move(frame, name)
    beside = None if form is not None else name
    logs = _logs(frame, beside) if frame.logs else [no_logs(frame.pack.id), beside]
    parts = [head, gone_log(frame, PATH), form, *logs, _cells(frame), _pack(frame), removed]
    return html.Div(parts, className="logbook")


def _answer(frame: Frame) -> str:
    logs = frame.logs
    if not logs:
        return "No log of this pack is in the store."
    days = " to ".join(dict.fromkeys(frame.when(e.start, time=False) for e in (logs[-1], logs[0])))
    noted = sum(bool(order_notes.notes_of(frame, i)) for i in Listed(frame).noted & {e.id for e in logs})
    notes = f"; {noted} with notes" if noted else ""
    return f"{len(logs)} log{'s' if len(logs) != 1 else ''}, {days}{notes}."


def _name() -> dmc.TextInput:
    return dmc.TextInput(
        id="order-name",
        label="Your name",
        placeholder="told to the next",
        persistence="order-name",
        persistence_type="local",
    )


def _logs(frame: Frame, name: Any) -> list[Any]:
    controls = html.Div(
        [
            dmc.TextInput(
                id="logbook-find", label="Search", value=frame.view.find, debounce=400,
                placeholder="day, file, words of a note",
            ),
            dmc.Select(
                id="logbook-only", label="Show", value=frame.view.only or "all", allowDeselect=False,
                data=[{"value": k, "label": v} for k, v in FILTERS.items()], comboboxProps={"withinPortal": False},
            ),
            name,
        ],
        className="controls",
    )  # fmt: skip
    return [
        section(
            "The logs", controls, html.Div(listed(frame), id="logbook-list", **attributes(aria_live="polite"))
        )
    ]


def listed(frame: Frame) -> list[Any]:
    """Return the list, as filter, search and part leave it."""
    every = Listed(frame)
    if not every.fitting:
        return [html.P("No log of this pack fits. Take words out of the search, or show all.")]
    rows = [_row(frame, e, every) for e in every.shown]
    titles = ("Began", "File", "Notes", "What to do with it")
    head = html.Thead(html.Tr([html.Th(t, scope="col") for t in titles]))
    table = html.Table([head, html.Tbody(rows)], className="stacked logs")
    return [table, _parts(frame, every)]


def _parts(frame: Frame, every: Listed) -> html.Div:
    first, last = (every.part - 1) * SHOWN + 1, min(every.part * SHOWN, len(every.fitting))
    says = f"{first} to {last} of {len(every.fitting)}"
    links = []
    if every.part > 1:
        links.append(action("Newer", frame.view.but(part=every.part - 1).link(PATH)))
    if every.part < every.parts:
        links.append(action("Older", frame.view.but(part=every.part + 1).link(PATH)))
    return html.Div([html.Span(says, className="quiet"), *links], className="actions")


def _row(frame: Frame, entry: LogEntry, every: Listed) -> html.Tr:
    assert frame.pack is not None
    here = View(pack=frame.pack.id, log=entry.id)
    form = here.but(find=frame.view.find, only=frame.view.only, part=frame.view.part)
    notes = order_notes.note_items(frame, entry.id, change=True) if entry.id in every.noted else []
    began = frame.when(entry.start)
    length = _length(entry.end - entry.start)
    mended = f" · {len(entry.repairs)} mended" if entry.repairs else ""
    ids = {"log": entry.id, "seen": order.log_version(entry)}
    buttons = html.Div(
        [
            action("Note", form.but(act="note").link(PATH)),
            action("Move", form.but(act="move").link(PATH)),
            html.Button(
                "Remove", id={"order": "remove", "at": "list", **ids}, className="button", type="button",
                **attributes(aria_label=f"Remove the log of {began}"),
            ),
        ],
        className="actions",
    )  # fmt: skip
    return html.Tr(
        [
            html.Td([dcc.Link(began, href=here.link("/log")), html.Small(length, className="quiet")]),
            html.Td(
                [
                    html.Span(entry.source),
                    html.Small(f"{grouped(entry.rows)} rows{mended}", className="quiet"),
                ]
            ),
            html.Td(html.Ul(notes, className="notes") if notes else None),
            html.Td(buttons),
        ],
        id=f"log-{entry.id}",
    )


def _length(span: dt.timedelta) -> str:
    minutes = round(span.total_seconds() / 60)
    if minutes < 60:
        return f"{minutes} min" if minutes else f"{span.total_seconds():.0f} s"
    hours = span.total_seconds() / 3600
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


# --- forms --------------------------------------------------------------------------------------------------------


def _move(frame: Frame, name: Any) -> html.Section | None:
    pack, entry = frame.pack, frame.entry
    if pack is None or entry is None or not frame.view.log:
        return None
    others = [p for p in frame.desk.packs() if p.id != pack.id]
    title = f"Move the log of {frame.when(entry.start)}"
    leave = action("Leave it", frame.view.but(act="").link(PATH))
    if not others:
        says = "There is no other pack to move it to. Describe the pack that was logged first."
        links = [action("Describe a pack", "/describe"), leave]
        return section(title, html.P(says), html.Div(links, className="actions"))
    choice = dmc.Select(
        id="order-move-to", label="To which pack?", className="focus-first", comboboxProps={"withinPortal": False},
        data=[{"value": p.id, "label": f"{p.vehicle}: {p.id}, {p.cells_in_series} cells"} for p in others],
        placeholder="the pack that was logged in truth",
    )  # fmt: skip
    return section(
        title,
        html.P(
            f"It lies with {pack.vehicle} ({pack.id}, {pack.cells_in_series} cells). Its notes go with it."
        ),
        dcc.Store(id="order-move-seen", data=order.log_version(entry)),
        choice,
        name,
        html.Div(
            [html.Button("Move it", id="order-move", className="button main", type="button"), leave],
            className="actions",
        ),
        html.Div(id="order-move-says"),
        id="order-form",
    )


def _cells(frame: Frame) -> html.Section:
    assert frame.pack is not None
    items = order_notes.note_items(frame, change=True)
    says = "None yet. A cell's notes stay with it over all logs."
    return section(
        "Notes on cells",
        html.Ul(items, className="notes") if items else html.P(says, className="quiet"),
        html.Div(
            [action("Note something on a cell", View(pack=frame.pack.id, act="cell").link(PATH))],
            className="actions",
        ),
    )


def _pack(frame: Frame) -> html.Section:
    pack = frame.pack
    assert pack is not None
    change = order.last_change(frame.desk.store, f"pack-{pack.id}")
    rename = frame.view.act == "rename"
    field = html.Div(
        [
            dcc.Store(id="order-vehicle-seen", data=order.vehicle_version(frame.desk.store, pack.vehicle)),
            dmc.TextInput(
                id="order-vehicle", label=f"New name of {pack.vehicle}", value=pack.vehicle,
                className="focus-first" if rename else "",
            ),
            html.Button("Rename the vehicle", id="order-rename", className="button", type="button"),
        ],
        className="controls",
    )  # fmt: skip
    return section(
        "Vehicle and pack",
        html.P(f"Pack {pack.id} was {frame.changed(change)}.", className="quiet") if change else None,
        field,
        html.Div(id="order-rename-says"),
        html.Div(
            [
                action("Change the pack's description", f"/describe?edit={pack.id}"),
                html.Button(
                    "Remove this pack",
                    id={"order": "remove-pack", "at": "list", "pack": pack.id, "seen": order.pack_version(pack)},
                    className="button", type="button", disabled=bool(frame.logs),
                ),
            ],
            className="actions",
        ),
        html.P("A pack can be removed when it has no logs.", className="quiet") if frame.logs else None,
    )  # fmt: skip


def _bin(frame: Frame) -> html.Section | None:
    """Return what can be brought back, of this pack first; None where nothing was removed."""
    items, packs = order.in_bin(frame.desk.store), order.packs_in_bin(frame.desk.store)
    if not items and not packs:
        return None
    mine = frame.pack.id if frame.pack else ""
    lines = [_removed(frame, i) for i in sorted(items, key=lambda i: i.pack != mine)]
    for pack, when, by in packs:
        back = html.Button(
            "Bring it back",
            id={"order": "back-pack", "at": "bin", "pack": pack.id},
            className="button",
            type="button",
        )
        says = f"Pack {pack.id} of {pack.vehicle}, removed by {by or 'somebody'} on {frame.when(when)}"
        lines.append(html.Li([html.P(says), back], className="removed"))
    return section("Removed", html.Ul(lines, className="notes"), id="removed")


def _removed(frame: Frame, item: order.Removed) -> html.Li:
    until = item.until()
    ends = f"; it can be brought back until {frame.when(until)}" if until else ""
    says = f"{item.vehicle} ({item.pack}): {item.source}. Removed by {item.by or 'somebody'}{ends}."
    ids = {"order": "back", "at": "bin", "log": item.log}
    return html.Li(
        [
            html.P([html.Strong(f"Log of {frame.when(item.start)}"), html.Br(), says]),
            html.Button("Bring it back", id=ids, className="button", type="button"),
        ],
        className="removed",
    )


# --- what the page does -------------------------------------------------------------------------------------------


def register(app: Dash, desk: Desk) -> None:
    """Let the list follow the address; move and rename."""
    order_notes.register(app, desk)
    _follow(app, desk)
    _on_move(app, desk)
    _on_rename(app, desk)

    in_browser(
        app,
        "bmslogs_order",
        "name",
        Output("order-by", "data"),
        Input("order-name", "value"),
        prevent_initial_call=True,
    )


def _follow(app: Dash, desk: Desk) -> None:
    """Let the list follow the address, and the address its controls."""

    @app.callback(
        Output("logbook-list", "children"),
        Input("at", "search"),
        State("scheme", "data"),
        State("at", "pathname"),
        prevent_initial_call=True,
    )
    def follow(search: str, scheme: str, path: str) -> Any:
        frame = Frame.of(desk, search, scheme)
        return listed(frame) if path == PATH and frame.pack is not None and frame.logs else no_update

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("logbook-find", "value"),
        Input("logbook-only", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose(find: str | None, only: str | None, search: str) -> Any:
        view = parse(search)
        wanted = "" if only in (None, "all") else only
        new = view.but(find=(find or "").strip()[:80], only=wanted)
        return no_update if (new.find, new.only) == (view.find, view.only) else new.but(part=0).query()


def _on_move(app: Dash, desk: Desk) -> None:
    """Move a log to another pack."""

    @app.callback(
        DONE,
        Output("order-move-says", "children"),
        Input("order-move", "n_clicks"),
        State("order-move-to", "value"),
        State("order-move-seen", "data"),
        GIVEN,
        prevent_initial_call=True,
    )
    def move(
        clicks: int | None, to: str | None, seen: str, by: str | None, search: str, revision: int
    ) -> list[Any]:
        if not clicks:
            return [no_update] * 5
        view = parse(search)
        try:
            desk.release()
            if not to:
                raise BadInput("no pack chosen", "the pack that was logged in truth")
            entry = order.move_log(desk.store, view.log, to, by=by or "", seen=seen)
        except BmsLogsError as error:
            return [*[no_update] * 4, not_done(str(error))]
        again = undo("move-back", "Move it back", log=entry.id, to=view.pack)
        line = said(f"Moved to {entry.vehicle} ({entry.pack}).", again)
        return [*done(desk, line, revision, view.but(act="", log=""), (view.pack, entry.pack)), None]


def _on_rename(app: Dash, desk: Desk) -> None:
    """Rename a vehicle."""

    @app.callback(
        DONE,
        Output("order-rename-says", "children"),
        Input("order-rename", "n_clicks"),
        State("order-vehicle", "value"),
        State("order-vehicle-seen", "data"),
        GIVEN,
        prevent_initial_call=True,
    )
    def rename(
        clicks: int | None, name: str | None, seen: str, by: str | None, search: str, revision: int
    ) -> list[Any]:
        pack = Frame.of(desk, search).pack
        if not clicks or pack is None:
            return [no_update] * 5
        desk.release()
        try:
            count = order.rename_vehicle(desk.store, pack.vehicle, name or "", by=by or "", seen=seen)
        except BmsLogsError as error:
            return [*[no_update] * 4, not_done(str(error))]
        logs = f"{count} log{'s' if count != 1 else ''}"
        packs = tuple(p.id for p in desk.packs() if p.vehicle == (name or "").strip())
        return [
            *done(desk, said(f"{pack.vehicle} is now called {name}, in {logs}."), revision, None, packs),
            None,
        ]
