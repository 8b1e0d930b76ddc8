"""Notes on the pages: what was noted on a log, on a moment in it, on a cell; and the form that writes a note."""

from __future__ import annotations

import datetime as dt
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from bmslogs.base.errors import BadInput, BmsLogsError
from bmslogs.base.zone import moment_of
from bmslogs.store import LogEntry, order
from bmslogs.store.order import Remark
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.order import DONE, GIVEN, done, not_done, said
from dashboard.parts import action, section

LOGBOOK = "/logbook"
AROUND = dt.timedelta(minutes=2)
"""Shown of a log to either side of a moment that was noted (choice)."""


def notes_of(frame: Frame, log: str = "") -> list[Remark]:
    """Return the notes on a log, or on the cells of the pack."""
    return order.remarks(frame.desk.store, frame.pack.id, log) if frame.pack else []


def note_items(
    frame: Frame, log: str = "", cells: tuple[int, ...] = (), *, change: bool = False
) -> list[Any]:
    """Return notes as lines, each with what it is about; with `change`, what changes it and takes it out.

    Parameters
    ----------
    cells
        Where given, only the notes on these.
    """
    found = [r for r in notes_of(frame, log) if not cells or r.cell in cells]
    return [_item(frame, r, log, change) for r in found]


def _item(frame: Frame, note: Remark, log: str, change: bool) -> html.Li:
    assert frame.pack is not None
    about: list[Any] = []
    if note.cell:
        about.append(frame.pack.place(note.cell))
    if note.at:
        when = dt.datetime.fromisoformat(note.at)
        view = View(
            pack=frame.pack.id, log=log, start=_stamp(when - AROUND), end=_stamp(when + AROUND),
            cells=(note.cell,) if note.cell else (),
        )  # fmt: skip
        about.append(dcc.Link(f"at {when.astimezone(frame.zone):%H:%M:%S}", href=view.link("/log")))
    head = [part for one in about for part in (one, " · ")]
    who = f"{note.by or 'somebody'}, {frame.when(note.when)}"
    out: list[Any] = [
        html.P([*head, html.Span(note.text, className="note-text")]), html.P(who, className="quiet")
    ]  # fmt: skip
    if change:
        view = View(pack=frame.pack.id, log=log, act="note" if log else "cell", note=note.id)
        ids = {"pack": frame.pack.id, "log": log, "note": note.id, "seen": str(note.version)}
        out.append(
            html.Div(
                [
                    action("Change", view.link(LOGBOOK)),
                    html.Button(
                        "Take out",
                        id={"order": "note-out", "at": "list", **ids},
                        className="button",
                        type="button",
                    ),
                ],
                className="actions",
            )
        )
    return html.Li(out, className="note")


def _stamp(when: dt.datetime) -> str:
    return f"{when.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%S}Z"


def of_log(frame: Frame) -> list[Any]:
    """Return the notes on the chosen log, for the page that shows it."""
    if frame.entry is None:
        return []
    items = note_items(frame, frame.entry.id)
    link = frame.here.but(act="note", note="").link(LOGBOOK)
    return [
        html.H3("Notes"),
        html.Ul(items, className="notes") if items else None,
        html.Div([action("Note something here", link)], className="actions"),
    ]


def of_cells(frame: Frame) -> list[Any]:
    """Return the notes on the picked cells."""
    if frame.pack is None or not frame.picked:
        return []
    items = note_items(frame, cells=frame.picked)
    link = View(pack=frame.pack.id, cells=frame.picked[:1], act="cell").link(LOGBOOK)
    return [
        html.H3("Notes"),
        html.Ul(items, className="notes") if items else None,
        html.Div([action(f"Note something on cell {frame.picked[0]}", link)], className="actions"),
    ]


# --- the form -----------------------------------------------------------------------------------------------------


def form(frame: Frame, name: Any) -> html.Section | None:
    """Return the form for a note on the chosen log or on a cell; None where the log is gone."""
    pack, entry = frame.pack, frame.entry if frame.view.act == "note" else None
    if pack is None or (frame.view.act == "note" and entry is None):
        return None
    log = entry.id if entry else ""
    old = next((r for r in notes_of(frame, log) if r.id == frame.view.note), None)
    title = f"Note on the log of {frame.when(entry.start)}" if entry else "Note on a cell"
    cell = old.cell if old else next(iter(frame.picked), 0)
    fields: list[Any] = [
        dmc.Textarea(
            id="order-note-text", label="Note", value=old.text if old else "", autosize=True, minRows=2,
            className="focus-first",
        )
    ]  # fmt: skip
    unasked = [dcc.Store(id="order-note-cell"), dcc.Store(id="order-note-time")]
    fields += _places(frame, entry, cell) if old is None else unasked
    return section(
        "Change a note" if old else title,
        dcc.Store(id="order-note-seen", data=old.version if old else None),
        *(
            [html.P(f"Note of {old.by or 'somebody'}, {frame.when(old.when)}.", className="quiet")]
            if old
            else []
        ),
        *fields,
        name,
        html.Div(
            [
                html.Button("Keep the note", id="order-note-keep", className="button main", type="button"),
                action("Leave it", frame.view.but(act="", note="").link(LOGBOOK)),
            ],
            className="actions",
        ),
        html.Div(id="order-note-says"),
        id="order-form",
    )


def _places(frame: Frame, entry: LogEntry | None, cell: int) -> list[Any]:
    assert frame.pack is not None
    cells = [
        {"value": str(c), "label": frame.pack.place(c)} for c in range(1, frame.pack.cells_in_series + 1)
    ]
    choice = dmc.Select(
        id="order-note-cell", label="Cell" if entry is None else "Cell, if it is about one", data=cells,
        value=str(cell) if cell else None, searchable=True, clearable=entry is not None,
        comboboxProps={"withinPortal": False},
    )  # fmt: skip
    if entry is None:
        return [choice, dcc.Store(id="order-note-time")]
    start, _ = frame.view.window()
    first = (
        f"{moment_of(start.astype('datetime64[s]')).astimezone(frame.zone):%H:%M:%S}"
        if start is not None
        else ""
    )
    begins, ends = (t.astimezone(frame.zone) for t in (entry.start, entry.end))
    time = dmc.TextInput(
        id="order-note-time", label="Moment in the log, if it is about one", value=first,
        placeholder=f"{begins:%H:%M} to {ends:%H:%M}",
    )  # fmt: skip
    return [html.Div([choice, time], className="pairs")]


def moment_in(text: str | None, entry: LogEntry, zone: dt.tzinfo | None = dt.UTC) -> dt.datetime | None:
    """Return the moment that was typed, in UTC: a time of day in the log, or a date and time; None where nothing was.

    Parameters
    ----------
    zone
        By whose clock it was typed; None for that of this machine. What ends in ``Z`` is UTC.

    Raises
    ------
    BadInput
        Neither of these.
    """
    given = (text or "").strip()
    plain, zone = given.removesuffix("Z"), dt.UTC if given.endswith("Z") else zone
    if not plain:
        return None
    try:
        if "-" in plain:
            return _by_clock(dt.datetime.fromisoformat(plain), zone)
        clock = dt.time.fromisoformat(plain.zfill(5) if plain.count(":") == 1 else plain)
    except ValueError:
        raise BadInput(repr(plain), "a time such as 09:12") from None
    day = entry.start.astimezone(zone).date()
    found = _by_clock(dt.datetime.combine(day, clock), zone)
    whole_minute = plain.count(":") == 1 and found < entry.start < found + dt.timedelta(minutes=1)
    if whole_minute:
        return entry.start
    next_day = day + dt.timedelta(days=1)
    return found if found >= entry.start else _by_clock(dt.datetime.combine(next_day, clock), zone)


def _by_clock(plain: dt.datetime, zone: dt.tzinfo | None) -> dt.datetime:
    """Return a date and time by a zone's clock in UTC; by that of this machine where none is named."""
    told = plain if plain.tzinfo or zone is None else plain.replace(tzinfo=zone)
    return told.astimezone(dt.UTC)


def register(app: Dash, desk: Desk) -> None:
    """Keep what was noted."""

    @app.callback(
        DONE,
        Output("order-note-says", "children"),
        Input("order-note-keep", "n_clicks"),
        State("order-note-text", "value"),
        State("order-note-cell", "value"),
        State("order-note-time", "value"),
        State("order-note-seen", "data"),
        GIVEN,
        prevent_initial_call=True,
    )
    def keep(
        clicks: int | None,
        text: str | None,
        cell: str | None,
        time: str | None,
        seen: int | None,
        by: str | None,
        search: str,
        revision: int,
    ) -> list[Any]:
        if not clicks:
            return [no_update] * 5
        frame = Frame.of(desk, search)
        try:
            line = kept(frame, text or "", cell, time, seen, by or "")
        except BmsLogsError as error:
            return [*[no_update] * 4, not_done(str(error))]
        view = parse(search).but(act="", note="", start="", end="")
        return [*done(desk, said(line), revision, view), None]


def kept(frame: Frame, text: str, about: str | None, time: str | None, seen: int | None, by: str) -> str:
    """Keep a note as the form has it; return what is said of that."""
    pack, view = frame.pack, frame.view
    if pack is None or (view.act == "note" and frame.entry is None):
        raise BadInput("the log is gone", "one of the list")
    log = frame.entry.id if view.act == "note" and frame.entry else ""
    if view.note:
        order.change_remark(frame.desk.store, pack.id, log, view.note, text, by=by, seen=seen)
        return "The note is changed."
    cell = int(about or 0)
    if not log and not cell:
        raise BadInput("no cell", "the cell that the note is about")
    at = moment_in(time, frame.entry, frame.zone) if log and frame.entry else None
    order.add_remark(frame.desk.store, pack.id, text, log=log, at=at, cell=cell, by=by)
    return "Noted."
