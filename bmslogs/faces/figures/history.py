"""One quantity over all logs of a pack: a faint line a cell, picked and drifting ones strong, dated work, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.faces.figures.lanes import clock
from bmslogs.faces.figures.theme import LIGHT, SMALL, TIME_AXIS, Look, blank, nothing, series
from bmslogs.faces.figures.words import safe
from bmslogs.faces.history_sheet import Sheet, thinned
from bmslogs.findings.history.gathered import Column

MOST_STRONG = 6  # as many as colours and dashes tell apart
EVENT_ROWS = 3
SYMBOLS = ("circle", "diamond", "square", "triangle-up", "cross", "star")
GAP_LANE = 0.07  # of the height, where there are gaps
WRAP = 46  # letters of a reason on one line of the pointer's box


def history_picture(
    sheet: Sheet | None,
    *,
    picked: Sequence[Column] = (),
    look: Look = LIGHT,
    height: int = 480,
    title: str = "",
) -> go.Figure:
    """Draw a topic over the logs.

    Parameters
    ----------
    sheet
        What is drawn; None where no log tells it.
    picked
        Cells or sensors drawn strong; without any, those that drift.
    """
    if sheet is None:
        return nothing(f"{title or 'This quantity'}: none of this pack's logs tells it.", look)
    figure = blank(look, height)
    strong = sheet.strong(picked, MOST_STRONG)
    single = len(sheet.columns) <= 2
    if single:
        strong = list(range(len(sheet.columns)))
    _faint(figure, sheet, [i for i in range(len(sheet.columns)) if i not in strong], look)
    _ground(figure, sheet, look)
    for n, i in enumerate(strong):
        _strong(figure, sheet, i, n, look)
    rows = _events(figure, sheet, look)
    _gaps(figure, sheet, look)
    _axes(figure, sheet, look)
    return figure.update_layout(
        showlegend=True, legend={"y": -0.2, "yanchor": "top", "x": 0}, clickmode="event",
        margin={"l": 90, "r": 14, "t": 20 + 15 * rows, "b": 112},
    )  # fmt: skip


def module_picture(
    sheet: Sheet, cells: Sequence[int], name: str, reach: tuple[float, float], *, look: Look = LIGHT
) -> go.Figure:
    """Draw the cells of one module, at the same height of axis as all others (`reach`, shown unit)."""
    figure = blank(look, 240)
    _ground(figure, sheet, look, legend=False)
    for n, cell in enumerate(c for c in cells if c in sheet.columns):
        i = sheet.columns.index(cell)
        _line(figure, sheet, i, {**series(look, n), "width": 3 if sheet.drift[i] else 1.6}, f"cell {cell}")
    _events(figure, sheet, look, words=False)
    figure.update_yaxes(range=list(reach), nticks=6)
    figure.update_xaxes(type="date", nticks=5)
    return figure.update_layout(
        title={"text": safe(name), "font": {"size": SMALL + 1}, "x": 0, "xref": "paper", "y": 0.97},
        showlegend=True, legend={"y": -0.2, "yanchor": "top", "x": 0}, margin={"l": 66, "r": 8, "t": 30, "b": 64},
        clickmode="event",
    )  # fmt: skip


def reach_of(sheet: Sheet) -> tuple[float, float]:
    """Return the ends of an axis that holds every line, and nought where the pack's middle lies there."""
    known = sheet.y[np.isfinite(sheet.y)]
    if sheet.ground is not None:
        known = np.concatenate([known, sheet.ground[np.isfinite(sheet.ground)]])
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    room = 0.06 * ((high - low) or abs(high) or 1.0)
    return low - room, high + room


def _line(figure: go.Figure, sheet: Sheet, i: int, line: dict[str, Any], name: str) -> None:
    times, y = thinned(sheet, i)
    figure.add_scatter(
        x=stamps(times), y=y, mode="lines" if len(y) > 1 else "markers", name=name, line=line,
        customdata=line_numbers(len(y), i),
        hovertemplate=f"{safe(sheet.names[i])}: %{{y:.3~g}} {safe(sheet.unit)}<br>%{{x|%d %b %Y}}<extra></extra>",
    )  # fmt: skip


def stamps(times: npt.NDArray[np.datetime64]) -> npt.NDArray[np.str_]:
    """Return times as text; an array, not a list, which plotly would look at word by word."""
    return np.array(clock(times), dtype=str)


def line_numbers(count: int, index: int) -> npt.NDArray[np.str_]:
    """Return the number of a line for each of its points: as text, since clicks do not unpack arrays of numbers."""
    return np.full(count, str(index))


def _faint(figure: go.Figure, sheet: Sheet, lines: Sequence[int], look: Look) -> None:
    """Draw many lines as one trace, parted by gaps."""
    if not lines:
        return
    kind = "sensor" if sheet.topic.per == "sensor" else "cell"
    x: list[str] = []
    y: list[npt.NDArray[np.float64]] = []
    of: list[npt.NDArray[np.intp]] = []
    for i in lines:
        times, values = thinned(sheet, i)
        when = clock(times)
        x += [*when, *when[-1:]]
        gap = np.full(min(len(values), 1), np.nan)
        y += [values, gap]
        of.append(np.full(len(values) + len(gap), i))
    place = np.concatenate(of)
    names = {i: safe(sheet.names[i]) for i in lines}
    few = max((np.isfinite(sheet.y[:, i]).sum() for i in lines), default=0) <= 1
    figure.add_scatter(
        x=np.array(x), y=np.concatenate(y), mode="markers" if few else "lines", customdata=place.astype(str),
        text=np.array([names[int(i)] for i in place]),
        name=f"each other {kind}" if len(lines) < len(sheet.columns) else f"each {kind}", opacity=0.45,
        line={"color": look.unknown, "width": 1}, marker={"color": look.unknown, "size": 6},
        hovertemplate=f"%{{text}}: %{{y:.3~g}} {safe(sheet.unit)}<br>%{{x|%d %b %Y}}<extra></extra>",
    )  # fmt: skip


def _ground(figure: go.Figure, sheet: Sheet, look: Look, *, legend: bool = True) -> None:
    if sheet.ground is None:
        return
    known = np.flatnonzero(np.isfinite(sheet.ground))
    figure.add_scatter(
        x=stamps(sheet.times[known]), y=sheet.ground[known], mode="lines", name=sheet.ground_name, showlegend=legend,
        line={"color": look.ink, "width": 2.5}, hoverinfo="skip",
    )  # fmt: skip


def _strong(figure: go.Figure, sheet: Sheet, i: int, n: int, look: Look) -> None:
    """Draw one line with the interval of each log, and its slope."""
    known = np.flatnonzero(np.isfinite(sheet.y[:, i]))
    y = sheet.y[known, i]
    line = series(look, n)
    bars = np.isfinite(sheet.high[known, i])
    figure.add_scatter(
        x=stamps(sheet.times[known]), y=y, name=safe(sheet.names[i]) + (" (drifts)" if sheet.drift[i] else ""),
        mode="lines+markers" if len(known) <= 150 else "markers", line={**line, "width": 2},
        marker={"size": 8 if len(known) <= 150 else 4, "symbol": SYMBOLS[n % len(SYMBOLS)], "color": line["color"]},
        customdata=line_numbers(len(known), i),
        error_y={
            "type": "data", "symmetric": False, "thickness": 1.1, "width": 2, "color": line["color"],
            "array": np.where(bars, sheet.high[known, i] - y, 0.0),
            "arrayminus": np.where(bars, y - sheet.low[known, i], 0.0),
        } if bars.any() and len(known) <= 400 else None,
        hovertemplate=(
            f"{safe(sheet.names[i])}: %{{y:.3~g}} {safe(sheet.unit)}<br>%{{x|%d %b %Y %H:%M}}, a click leads to the log"
            "<extra></extra>"
        ),
    )  # fmt: skip
    told = np.flatnonzero(np.isfinite(sheet.trend[:, i]))
    if len(told) > 1:
        ends = told[[0, -1]]
        figure.add_scatter(
            x=stamps(sheet.times[ends]), y=sheet.trend[ends, i], mode="lines", showlegend=False, hoverinfo="skip",
            line={"color": line["color"], "width": 4, "dash": "solid"}, opacity=0.35,
        )  # fmt: skip


def _events(figure: go.Figure, sheet: Sheet, look: Look, *, words: bool = True) -> int:
    """Draw dated work as upright lines, their names above; return how many rows of names there are."""
    for n, event in enumerate(sheet.marks):
        dash = "dash" if event.restarts else "dot"
        figure.add_vline(x=event.date, line={"color": look.accent, "dash": dash, "width": 1.5})
        if words:
            where = f", {event.where}" if event.where else ""
            figure.add_annotation(
                x=event.date, y=1, yref="paper", yanchor="bottom", yshift=15 * (n % EVENT_ROWS), showarrow=False,
                text=safe(f"{event.kind}{where}"), font={"size": SMALL, "color": look.soft},
            )  # fmt: skip
    return min(len(sheet.marks), EVENT_ROWS) if words else 0


def _gaps(figure: go.Figure, sheet: Sheet, look: Look) -> None:
    """Mark the logs that could not tell on a lane of their own below the plot, the reason at the pointer."""
    if not sheet.gaps:
        return
    rows = [k for k, _ in sheet.gaps]
    folded = {why: _folded(why) for _, why in sheet.gaps}
    figure.add_scatter(
        x=stamps(sheet.times[rows]), y=np.zeros(len(rows)), yaxis="y2", mode="markers",
        name="a log that could not tell",
        marker={"symbol": "x-thin", "size": 8, "line": {"width": 1.5, "color": look.unknown}},
        customdata=line_numbers(len(rows), -1),
        hovertext=np.array([folded[why] for _, why in sheet.gaps]),
        hovertemplate="%{x|%d %b %Y}: not told<br>%{hovertext}<extra></extra>",
    )  # fmt: skip


def _folded(text: str) -> str:
    lines, line = [], ""
    for word in safe(text).split():
        if line and len(line) + len(word) >= WRAP:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return "<br>".join([*lines, line])


def _axes(figure: go.Figure, sheet: Sheet, look: Look) -> None:
    lane = GAP_LANE if sheet.gaps else 0.0
    zone = TIME_AXIS.rpartition(" ")[2]
    figure.update_layout(
        xaxis={"type": "date", "title": {"text": f"date of the log, {zone}"}, "anchor": "y2" if lane else "y"},
        yaxis={
            "title": {"text": safe(sheet.axis).replace(" against", "<br>against", 1)},
            "domain": [lane + 0.02 if lane else 0, 1],
        },
    )  # fmt: skip
    if lane:
        figure.update_layout(
            yaxis2={
                "domain": [0, lane], "range": [-1, 1], "showticklabels": False, "ticks": "", "showgrid": False,
                "fixedrange": True, "showline": False,
            }
        )  # fmt: skip
