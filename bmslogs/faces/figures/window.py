"""The log over time: current, all cells as a band with the chosen ones as lines, deviations, temperatures, bleed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.base.pack import Pack
from bmslogs.faces.figures.against import Against, cell_lines, gap_strip, labels, sensor_line
from bmslogs.faces.figures.lanes import Drawn, Mark, clock, mark_shades, mark_strip, stretch_names
from bmslogs.faces.figures.theme import LIGHT, SMALL, TIME_AXIS, Look, series, template
from bmslogs.faces.figures.words import safe, short_place
from bmslogs.faces.signs import true_minus

Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]
ROOM = {
    "findings": 0.0,
    "current": 0.19,
    "cells": 0.32,
    "apart": 0.17,
    "deviation": 0.25,
    "temperature": 0.17,
    "bleed": 0.12,
}
"""Share of the height that each strip takes, before the absent ones are left out; findings take a row each."""
SPACE = 0.025
ROW = 0.026
"""Share of the height that one row of marks takes."""
NUMBERS, NUMBER_ROOM = 10, 12.0
"""Size of the cell numbers beside a strip, and the height that each takes [px]."""
MORE_PX = 140  # by which the figure grows for the strip of differences, so that no other shrinks
ABOVE, BELOW, BESIDE = 44, 66, 90
"""Room about the strips [px]: what their axes take, so that the browser need not draw all twice to find it."""
MARGINS = float(ABOVE + BELOW)
Room = tuple[float, float, float]
"""Bottom and top of a strip as shares of the height, and its height [px]."""
LIKELY_REACH_MV = (
    2.0  # [mV] a strip of deviations is never stretched further than this: that is noise (choice)
)


@dataclass(frozen=True)
class LogView:
    """One window of a log, reduced to what a screen can show.

    Attributes
    ----------
    time
        (bins,) start of each bin, UTC.
    low, mean, high
        (bins,) lowest, mean and highest cell [V].
    deviation
        (bins, cells) mean of each cell less the median of these means [mV], NaN where missing.
    cells
        Cell numbers of the columns of `deviation`.
    lines
        Chosen cell -> (times, voltage [V]), extremes kept.
    current
        (times, current [A]), extremes kept; None where the logger has none.
    temperatures
        Sensor name -> (times, degC).
    bleed
        (bins, cells) share of each bin in which the cell was bled; None where the logger does not say.
    stretches
        (kind, start, end).
    rows
        Rows of the log in the window.
    against
        The finding that is pointed at: its worst cell against the median of the rest; None where none is.
    """

    time: Times
    low: Floats
    mean: Floats
    high: Floats
    deviation: Floats
    cells: tuple[int, ...]
    lines: dict[int, tuple[Times, Floats]]
    current: tuple[Times, Floats] | None
    temperatures: dict[str, tuple[Times, Floats]]
    bleed: Floats | None
    stretches: tuple[tuple[str, np.datetime64, np.datetime64], ...]
    rows: int
    against: Against | None = None

    @cached_property
    def bins(self) -> list[str]:
        """Starts of the bins as the figure takes them; several strips share them."""
        return clock(self.time)


def log_picture(
    view: LogView,
    pack: Pack,
    *,
    marks: Sequence[Mark] = (),
    strips: Iterable[str] = tuple(ROOM),
    look: Look = LIGHT,
    height: int = 774,
) -> go.Figure:
    """Draw one window of a log on one time axis; see `log_drawing`."""
    drawing = log_drawing(view, pack, marks=marks, strips=strips, look=look, height=height)
    return go.Figure(drawing)


def log_drawing(
    view: LogView,
    pack: Pack,
    *,
    marks: Sequence[Mark] = (),
    strips: Iterable[str] = tuple(ROOM),
    look: Look = LIGHT,
    height: int = 774,
) -> dict[str, Any]:
    """Return the picture of one window of a log as plain data and layout: made anew at every zoom, so it is light.

    Parameters
    ----------
    marks
        Where findings show in time, one row each.
    strips
        Which strips to draw; those that the log lacks are left out.
    """
    have = [s for s in ROOM if s in set(strips) and _has(view, s)]
    height += MORE_PX if "apart" in have else 0
    rooms = ROOM | {"findings": ROW * len(marks)}
    if marks and "findings" in strips and len(view.time) > 1:
        have = ["findings", *have]
    scale = (1 - SPACE * (len(have) - 1)) / sum(rooms[s] for s in have)
    top = 1.0
    layout: dict[str, object] = {}
    traces: list[dict[str, object]] = []
    named: list[dict[str, object]] = []
    for number, strip in enumerate(have, 1):
        suffix = "" if number == 1 else str(number)
        bottom = top - rooms[strip] * scale
        if strip == "findings":
            drawn, title, extra = mark_strip(marks, view.time[0], view.time[-1], look)
        else:
            room = (max(bottom, 0.0), top, (top - bottom) * (height - MARGINS))
            drawn, title, extra = _STRIPS[strip](view, pack, look, room)
        last = number == len(have)
        layout[f"yaxis{suffix}"] = {
            "domain": [max(bottom, 0.0), top],
            "anchor": f"x{suffix}",
            "title": {"text": title},
            "fixedrange": True,
            **extra,
        }
        layout[f"xaxis{suffix}"] = _time_axis(suffix, look, last=last)
        traces += [{**t, "xaxis": f"x{suffix}", "yaxis": f"y{suffix}"} for t in drawn]
        layout[f"legend{suffix}"] = _legend(top)
        traces[-len(drawn) :] = [{**t, "legend": f"legend{suffix}"} for t in traces[-len(drawn) :]]
        if view.against is not None and strip in ("cells", "temperature"):
            named += labels(view.against, pack, look, strip, suffix, view.temperatures)
        top = bottom - SPACE
    shapes, notes = (
        stretch_names(view.stretches, view.time[0], view.time[-1], look) if len(view.time) > 1 else ([], [])
    )
    layout |= {
        "margin": {"l": BESIDE, "r": 150, "t": ABOVE, "b": BELOW},
        "hoversubplots": "axis",
        "shapes": shapes + mark_shades(marks, look),
        "annotations": notes + named,
        "hovermode": "x",
        "showlegend": True,
        "uirevision": "log",
    }
    layout |= {"template": _template(look), "height": height}
    if look.room:
        layout["meta"] = {"room": look.room}
    return {"data": traces, "layout": layout}


def _time_axis(suffix: str, look: Look, *, last: bool) -> dict[str, object]:
    """Return the axis of time of a strip; it is written below the last one alone."""
    return {
        "anchor": f"y{suffix}",
        "type": "date",
        "showticklabels": last,
        "ticks": "outside" if last else "",
        "showspikes": True,
        "spikemode": "across",
        "spikethickness": 1,
        "spikecolor": look.soft,
        "spikedash": "dot",
        **({"matches": "x"} if suffix else {}),
        **({"title": {"text": TIME_AXIS}} if last else {}),
    }


def _legend(top: float) -> dict[str, object]:
    """Return the legend of a strip, beside it."""
    return {
        "x": 1.01,
        "xanchor": "left",
        "y": top,
        "yanchor": "top",
        "orientation": "v",
        "traceorder": "normal",
        "font": {"size": SMALL},
        "itemwidth": 30,
    }


@cache
def _template(look: Look) -> dict[str, Any]:
    return dict(template(look).to_plotly_json())


def _has(view: LogView, strip: str) -> bool:
    if strip == "findings":
        return False  # where there are marks, they come first
    if strip == "current":
        return view.current is not None
    if strip == "temperature":
        return bool(view.temperatures)
    if strip == "apart":
        return view.against is not None and bool(view.against.gaps)
    if strip == "bleed":
        return view.bleed is not None and bool(view.bleed.any())
    return len(view.time) > 0


def _current(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    assert view.current is not None
    x, y = view.current
    line = {
        "type": "scatter",
        "mode": "lines",
        "x": clock(x),
        "y": y.astype(np.float32),
        "name": "current",
        "showlegend": False,
        "line": {"color": look.series[0], "width": 1.3},
        "hovertemplate": "%{y:.1f} A<extra>current</extra>",
    }
    return [line], "current [A]<br>discharge +", {"zeroline": True, "zerolinecolor": look.soft}


def _cells(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    traces: list[dict[str, object]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "x": view.bins,
            "y": view.high,
            "line": {"width": 0},
            "showlegend": False,
            "hoverinfo": "skip",
            "name": "highest",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": view.bins,
            "y": view.low,
            "line": {"width": 0},
            "fill": "tonexty",
            "fillcolor": look.band,
            "name": "lowest to highest cell",
            "hoverinfo": "skip",
        },
    ]
    if view.against is not None and view.against.rest is not None:
        return [*traces, *cell_lines(view.against, pack, look)], "cells [V]", {}
    traces.append(
        {
            "type": "scatter",
            "mode": "lines",
            "x": view.bins,
            "y": view.mean,
            "name": "mean",
            "line": {"color": look.soft, "width": 1.5},
            "hovertemplate": "%{y:.3f} V<extra>mean</extra>",
        }
    )
    for n, (cell, (x, y)) in enumerate(view.lines.items()):
        name = safe(short_place(pack, cell))
        style = {**series(look, n), "width": 1.6}
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": clock(x),
                "y": y.astype(np.float32),
                "name": name,
                "line": style,
                "hovertemplate": f"%{{y:.3f}} V<extra>{name}</extra>",
            }
        )
    return traces, "cells [V]", {}


def _deviation(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    finite = np.abs(view.deviation[np.isfinite(view.deviation)])
    reach = max(float(np.percentile(finite, 99.5)) if len(finite) else 0.0, LIKELY_REACH_MV)
    z = np.clip(view.deviation.T, -reach, reach).astype(np.float32)
    end = float(f"{0.9 * reach:.0e}")  # one digit, well inside the scale
    ticks = [-end, 0.0, end]
    rows, word = _row_numbers(view)
    heat = {
        "type": "heatmap",
        "x": view.bins,
        "y": rows,
        "z": z,
        "zmin": -reach,
        "zmax": reach,
        "colorscale": look.scale,
        "hoverongaps": False,
        "name": "deviation",
        "showlegend": False,
        "hovertemplate": f"{word} %{{y}}: %{{z:.1f}} mV<extra></extra>",
        "colorbar": {
            "title": {"text": "mV", "font": {"size": SMALL}},
            "thickness": 10,
            "len": span[1] - span[0],
            "y": (span[0] + span[1]) / 2,
            "x": 1.01,
            "tickfont": {"size": SMALL},
            "outlinewidth": 0,
            "tickvals": ticks,
            "ticktext": [true_minus(f"{t:+g}") if t else "0" for t in ticks],
        },
    }
    return [heat], "deviation<br>by cell", _cell_rows(view, pack, span[2])


def _row_numbers(view: LogView) -> tuple[npt.NDArray[np.int32], str]:
    """Return where the rows of a strip lie: at the cell numbers, or counted where some cells were not logged."""
    cells = np.array(view.cells, np.int32)
    whole = len(cells) > 0 and bool(np.all(np.diff(cells) == 1))
    return (cells, "cell") if whole else (np.arange(1, len(cells) + 1, dtype=np.int32), "row")


def _cell_rows(view: LogView, pack: Pack, room_px: float) -> dict[str, object]:
    """Return the y axis of a strip with one row a cell: cell numbers, a module's first with the module's name."""
    index = dict(zip(view.cells, _row_numbers(view)[0].tolist(), strict=True))
    firsts = {min(inside): m.name for m in pack.modules if (inside := [c for c in m.cells if c in index])}
    most = max(1, int(room_px / NUMBER_ROOM))
    wanted = sorted(index) if len(index) <= most or not firsts else sorted(firsts)
    wanted = wanted[:: -(-len(wanted) // most)]
    texts = [f"{safe(firsts[c])[:9]}  {c}" if c in firsts else str(c) for c in wanted]
    return {
        "tickvals": [index[c] for c in wanted],
        "ticktext": texts,
        "tickfont": {"size": NUMBERS},
        "autorange": "reversed",
        "showgrid": False,
        "ticks": "",
    }


def _temperature(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    traces: list[dict[str, object]] = []
    many = len(view.temperatures) > 6
    own = view.against.sight.sensor if view.against is not None else None
    for n, (name, (x, y)) in enumerate(view.temperatures.items()):
        style = {"color": look.soft, "width": 1} if many or own else {**series(look, n), "width": 1.5}
        if name == own:
            style = {"color": look.accent, "width": 2.6}
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": clock(x),
                "y": y.astype(np.float32),
                "name": safe(name),
                "line": style,
                "showlegend": not many,
                "hovertemplate": f"%{{y:.1f}} degC<extra>{safe(name)}</extra>",
            }
        )
    if view.against is not None:
        traces += sensor_line(view.against, look)
    return traces, "temperature<br>[degC]", {}


def _bleed(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    assert view.bleed is not None
    z = np.where(view.bleed > 0, view.bleed, np.nan).T.astype(np.float32)
    rows, word = _row_numbers(view)
    heat = {
        "type": "heatmap",
        "x": view.bins,
        "y": rows,
        "z": z,
        "zmin": 0,
        "zmax": 1,
        "colorscale": [[0, look.panel], [1, look.series[0]]],
        "showscale": False,
        "hoverongaps": False,
        "name": "bleed",
        "hovertemplate": f"{word} %{{y}} bled %{{z:.0%}} of the time<extra></extra>",
    }
    return [heat], "bleed on<br>by cell", _cell_rows(view, pack, span[2])


def _apart(view: LogView, pack: Pack, look: Look, span: Room) -> Drawn:
    assert view.against is not None
    return gap_strip(view.against, pack, look)


_STRIPS = {
    "current": _current,
    "cells": _cells,
    "apart": _apart,
    "deviation": _deviation,
    "temperature": _temperature,
    "bleed": _bleed,
}
