"""The finding that is pointed at, as the log page shows it: its window, its lines, its own bar, its sentence."""

from __future__ import annotations

import dataclasses
import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import Any

import numpy as np
from dash import html

from bmslogs.analysis.sampling import row_medians
from bmslogs.base.results import Finding
from bmslogs.faces.figures.against import against, told_apart
from bmslogs.faces.figures.lanes import Mark
from bmslogs.faces.figures.window import LogView
from bmslogs.faces.sight import Sight, sight_of
from dashboard.frame import Frame
from dashboard.open_log import OpenLog

KEPT = 60  # sights held in memory (choice)
_KEPT: OrderedDict[tuple[str, Finding], Sight] = OrderedDict()
_LOCK = threading.Lock()


def sight_in(frame: Frame) -> Sight | None:
    """Return where the finding that is pointed at is plainest; None where none is pointed at."""
    if frame.finding is None or frame.entry is None:
        return None
    key = (str(frame.desk.open(frame.entry.id).path), frame.finding)
    with _LOCK:
        held = _KEPT.get(key)
    if held is None:
        held = sight_of(frame.finding, frame.desk.log(frame.entry.id))
        with _LOCK:
            _KEPT[key] = held
            while len(_KEPT) > KEPT:
                _KEPT.popitem(last=False)
    return held


def windowed(frame: Frame) -> Frame:
    """Return the frame with the window that is shown: the chosen one, else where the finding is plainest."""
    start, end = frame.view.window()
    sight = sight_in(frame) if frame.view.sight and start is None and end is None else None
    if sight is None:
        return frame
    view = frame.view.but(start=_text(sight.start), end=_text(sight.end))
    return dataclasses.replace(frame, view=view)


def view_in(frame: Frame, opened: OpenLog, cells: Sequence[int]) -> LogView:
    """Return the window of the log to draw, with the finding's lines where one is pointed at.

    Parameters
    ----------
    cells
        Cells drawn as lines where no finding is pointed at.
    """
    start, end = windowed(frame).view.window()
    view = opened.window(start, end, cells=cells)
    sight = sight_in(frame)
    if sight is None:
        return view
    extra = [c for c in cells if c not in sight.cells]
    sight = dataclasses.replace(sight, named=(*sight.named, *extra[:4]))
    time, block, rows, _ = opened.readings(start, end)
    sensors = None
    others = [opened.temperatures[n][rows] for n in sight.others if n in opened.temperatures]
    if sight.sensor is not None and others:
        sensors = (opened.time[rows], row_medians(np.column_stack(others)))
    return dataclasses.replace(
        view, against=against(sight, time, block * np.float32(1e-3), opened.cells, sensors)
    )


def marked(frame: Frame, rows: list[Mark]) -> list[Mark]:
    """Return the rows of marks; the bar of the finding that is pointed at is told from the others."""
    sight = sight_in(frame)
    return rows if sight is None else told_apart(rows, sight, frame.view.finding)


def says_of(frame: Frame) -> Any:
    """Return the sentence of the finding that is pointed at."""
    sight = sight_in(frame)
    return None if sight is None else html.P(sight.says, className="sentence")


def strip_reader() -> html.Div:
    """Return the line that says what lies under pointer, finger or keyboard in the strip of deviations."""
    return html.Div(
        [
            html.Button(
                "Read the strip by keys", id="log-strip", type="button", className="button quiet-button by-keys",
                title="Arrow keys move over cells and time, Enter picks the cell",
            ),
            html.Span("Point at a cell's row, or tap it.", id="log-reading", className="reading", role="status"),
        ],
        className="strip-reader",
    )  # fmt: skip


def _text(time: np.datetime64) -> str:
    return f"{time.astype('datetime64[us]')}Z"
