"""What of a history is shown: its topic, its lines, the box or module, and what a control or a click makes of it."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import numpy as np
from dash import no_update

from bmslogs.base.pack import Pack
from bmslogs.faces.history_sheet import Sheet, sheet_of
from bmslogs.findings.history.building import Weighed
from bmslogs.findings.history.gathered import Column
from bmslogs.findings.history.topics import TOPICS
from dashboard.address import View
from dashboard.desk import Desk
from dashboard.frame import Frame

PLOT_TABLE = "/history-plot.csv"
ALSO = {"resistance_10s_relative": "resistance_10s", "capacity_relative": "capacity"}
"""Quantities that other pages name, and the topic that tells them."""
EVERYWHERE = "all"
NO_SHIFT = dt.timedelta(0)


def topic_in(view: View, w: Weighed) -> str:
    """Return the topic that the address asks for; else that of the largest drift, else the first that is told."""
    asked = ALSO.get(view.quantity, view.quantity)
    if asked in TOPICS:
        return asked
    return (drifting(w) or w.told() or list(TOPICS))[0]


def drifting(w: Weighed) -> list[str]:
    """Return the topics in which something drifts."""
    return [k for k in w.told() if any(s.drift.any() for s in w.strands[k])]


def box_words(name: str) -> str:
    """Return a box as it is called."""
    return name if "box" in name.lower() else f"{name} box"


def place_in(frame: Frame, pack: Pack) -> str:
    """Return the box or module that is shown, as the control has it."""
    if frame.view.module:
        return f"module {frame.view.module}"
    for box in pack.boxes:
        if set(frame.picked) == set(_cells_of(pack, f"box {box.name}")):
            return f"box {box.name}"
    return EVERYWHERE


def _cells_of(pack: Pack, place: str) -> tuple[int, ...]:
    kind, _, name = place.partition(" ")
    modules = {m.name: tuple(m.cells) for m in pack.modules}
    if kind == "module":
        return modules.get(name, ())
    box = next((b for b in pack.boxes if b.name == name), None)
    return tuple(c for m in (box.modules if box else ()) for c in modules[m])


def picked_columns(frame: Frame, sheet: Sheet) -> tuple[Column, ...]:
    """Return the picked lines: cells, or the sensors that sit nearest to picked cells.

    Where nothing is picked and nothing drifts, the cells that the findings of the chosen log name stand in.
    """
    cells = frame.picked or (() if sheet.drift.any() else _named(frame))
    if sheet.topic.per != "sensor":
        return cells
    near = {s.name for s in sheet.pack.temperature_sensors if set(s.cells) & set(cells)}
    return tuple(c for c in sheet.columns if c in near)


def _named(frame: Frame) -> tuple[int, ...]:
    """Return the cells that the findings of the chosen log name."""
    told = frame.desk.at_hand(frame.entry.id) if frame.entry else None
    return tuple(sorted({c for f in told.findings for c in f.cells})) if told else ()


def plot_address(view: View, pack: Pack, key: str) -> str:
    """Return the address of what the plot shows as a table: its window, and the picked lines where there are any."""
    wanted = View(
        pack=pack.id, quantity=key, start=view.start, end=view.end, cells=view.cells, module=view.module,
        measured=view.measured,
    )  # fmt: skip
    return wanted.link(PLOT_TABLE)


def shown_key(view: View) -> str:
    """Return what tells one laid out page from the next."""
    return repr((view.quantity, view.cells, view.module, view.log))


def chosen(frame: Frame, by: str, value: Any) -> View:
    """Return the view after one of the controls, `by`, was set to a value."""
    view, pack = frame.view, frame.pack
    assert pack is not None
    if by == "topic" and value in TOPICS:
        return view.but(quantity=value)
    if by == "cells":
        wanted = tuple(sorted(int(c) for c in value or [] if str(c).isdigit()))
        return view if wanted == frame.picked else view.but(cells=wanted, module="", joint=0)
    if by == "place" and value and value != place_in(frame, pack):
        if value.startswith("module "):
            return view.but(module=value.removeprefix("module "), cells=(), joint=0)
        return view.but(cells=_cells_of(pack, value) if value != EVERYWHERE else (), module="", joint=0)
    if by == "apart":
        return view.but(apart=value == "apart")
    if by == "measured":
        return view.but(measured=value == "measured")
    return view


def clicked(desk: Desk, click: Any, search: str) -> Any:
    """Return the address after a click on a point: its log chosen by its time, its cell picked by its line."""
    points = (click or {}).get("points") or [{}]
    frame = Frame.of(desk, search)
    named, x = str(points[0].get("customdata")), points[0].get("x")
    if not re.fullmatch(r"-1|\d{1,4}", named) or not isinstance(x, str) or frame.pack is None:
        return no_update
    line = int(named)
    w, _ = desk.history(frame.pack)
    sheet = sheet_of(w, topic_in(frame.view, w), measured=frame.view.measured)
    if sheet is None:
        return no_update
    log_id = log_at(w, x, frame.shift(sheet.times[0]))
    if log_id is None or line >= len(sheet.columns):
        return no_update
    view = frame.view.but(log=log_id, finding=0)
    column = sheet.columns[line] if line >= 0 else None
    if isinstance(column, int) and column not in frame.picked:
        view = view.but(cells=tuple(sorted({*frame.picked, column})), module="")
    elif isinstance(column, str):
        near = next((s.cells for s in frame.pack.temperature_sensors if s.name == column), None)
        view = view.but(cells=tuple(near), module="") if near else view
    return no_update if view == frame.view else view.query()


def log_at(w: Weighed, x: str, shift: dt.timedelta = NO_SHIFT) -> str | None:
    """Return the log that began at a time of the axis, None where none did; its clock is `shift` ahead of UTC."""
    try:
        when = np.datetime64(x.replace(" ", "T"), "us") - np.timedelta64(shift)
    except ValueError:
        return None
    g = w.gathered
    if not len(g.ids):
        return None
    k = int(np.argmin(np.abs(g.start - when)))
    return g.ids[k] if abs(g.start[k] - when) < np.timedelta64(2, "s") else None
