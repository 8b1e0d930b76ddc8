"""The log over time: current, all cells as a band with the chosen ones as lines, deviations, temperatures, bleed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.base.pack import Pack
from bmslogs.faces.figures.theme import LIGHT, SMALL, Look, series, template
from bmslogs.faces.figures.words import safe, short_place

Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]
KIND_MARKS = {"drive": "drive", "charge": "charge", "rest": "rest", "parked": "parked"}
ROOM = {"current": 0.19, "cells": 0.32, "deviation": 0.25, "temperature": 0.17, "bleed": 0.12}
"""Share of the height that each strip takes, before the absent ones are left out."""
SPACE = 0.025
LIKELY_REACH_MV = (
    2.0  # [mV] a strip of deviations is never stretched further than this: that is noise (choice)
)


@dataclass(frozen=True)
class LogView:
    """One window of a log, reduced to what a screen can show.

    Attributes
    ----------
    time
        (bins,) start of each bin, wall-clock time of `zone`.
    zone
        Name of that zone.
    low, mean, high
        (bins,) lowest, mean and highest cell [V].
    deviation
        (bins, cells) mean deviation of each cell from the mean of all [mV], NaN where missing.
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
        (kind, start, end) in wall-clock time.
    rows
        Rows of the log in the window.
    offset
        How far the wall-clock times are ahead of UTC.
    reader_in_zone
        Whether the browser that shows the figure is in this zone: times may then go as plain numbers.
    """

    time: Times
    zone: str
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
    offset: np.timedelta64 = field(default_factory=lambda: np.timedelta64(0, "us"))
    reader_in_zone: bool = False


def log_picture(
    view: LogView,
    pack: Pack,
    *,
    marks: Sequence[tuple[str, np.datetime64, np.datetime64]] = (),
    strips: Iterable[str] = tuple(ROOM),
    look: Look = LIGHT,
    height: int = 760,
) -> go.Figure:
    """Draw one window of a log on one time axis; see `log_drawing`."""
    drawing = log_drawing(view, pack, marks=marks, strips=strips, look=look, height=height)
    return go.Figure(drawing)


def log_drawing(
    view: LogView,
    pack: Pack,
    *,
    marks: Sequence[tuple[str, np.datetime64, np.datetime64]] = (),
    strips: Iterable[str] = tuple(ROOM),
    look: Look = LIGHT,
    height: int = 760,
) -> dict[str, Any]:
    """Return the picture of one window of a log as plain data and layout: made anew at every zoom, so it is light.

    Parameters
    ----------
    marks
        (words, start, end) of findings, in the view's wall-clock time.
    strips
        Which strips to draw; those that the log lacks are left out.
    """
    have = [s for s in ROOM if s in set(strips) and _has(view, s)]
    scale = (1 - SPACE * (len(have) - 1)) / sum(ROOM[s] for s in have)
    top = 1.0
    layout: dict[str, object] = {}
    traces: list[dict[str, object]] = []
    for number, strip in enumerate(have, 1):
        suffix = "" if number == 1 else str(number)
        bottom = top - ROOM[strip] * scale
        drawn, title, extra = _STRIPS[strip](view, pack, look, (max(bottom, 0.0), top))
        last = number == len(have)
        layout[f"yaxis{suffix}"] = {
            "domain": [max(bottom, 0.0), top],
            "anchor": f"x{suffix}",
            "title": {"text": title},
            "fixedrange": True,
            **extra,
        }
        layout[f"xaxis{suffix}"] = {
            "anchor": f"y{suffix}",
            "type": "date",
            "showticklabels": last,
            "ticks": "outside" if last else "",
            "showspikes": True,
            "spikemode": "across",
            "spikethickness": 1,
            "spikecolor": look.soft,
            "spikedash": "dot",
            **({} if number == 1 else {"matches": "x"}),
            **({"title": {"text": f"time, {view.zone}"}} if last else {}),
        }
        traces += [{**t, "xaxis": f"x{suffix}", "yaxis": f"y{suffix}"} for t in drawn]
        legend = {
            "x": 1.01,
            "xanchor": "left",
            "y": top,
            "yanchor": "top",
            "orientation": "v",
            "traceorder": "normal",
            "font": {"size": SMALL},
            "itemwidth": 30,
        }
        layout[f"legend{suffix}"] = legend
        traces[-len(drawn) :] = [{**t, "legend": f"legend{suffix}"} for t in traces[-len(drawn) :]]
        top = bottom - SPACE
    shapes, notes = _stretch_names(view, look)
    more_shapes, more_notes = _marks(view, marks, look)
    layout |= {
        "margin": {"l": 66, "r": 150, "t": 44, "b": 52},
        "hoversubplots": "axis",
        "shapes": shapes + more_shapes,
        "annotations": notes + more_notes,
        "hovermode": "x",
        "showlegend": True,
        "uirevision": "log",
    }
    layout |= {"template": _template(look), "height": height}
    return {"data": traces, "layout": layout}


@cache
def _template(look: Look) -> dict[str, Any]:
    return dict(template(look).to_plotly_json())


def clock(view: LogView, times: Times) -> npt.NDArray[Any]:
    """Return times as the figure's date axis takes them: as they are, or fast for a reader in the view's zone.

    plotly reads numbers on a date axis as milliseconds since 1970, UTC, and shows them in the zone of the browser.
    """
    if not view.reader_in_zone:
        return times
    return np.asarray((times - view.offset).astype("datetime64[us]").astype(np.int64) / 1e3, float)


def moment(view: LogView, time: np.datetime64) -> object:
    """Return one time in the same way, for shapes and words."""
    return float(clock(view, np.array([time]))[0]) if view.reader_in_zone else str(time)


def _has(view: LogView, strip: str) -> bool:
    if strip == "current":
        return view.current is not None
    if strip == "temperature":
        return bool(view.temperatures)
    if strip == "bleed":
        return view.bleed is not None and bool(view.bleed.any())
    return len(view.time) > 0


Above = tuple[list[dict[str, object]], list[dict[str, object]]]
Drawn = tuple[list[dict[str, object]], str, dict[str, object]]


def _current(view: LogView, pack: Pack, look: Look, span: tuple[float, float]) -> Drawn:
    assert view.current is not None
    x, y = view.current
    line = {
        "type": "scatter",
        "mode": "lines",
        "x": clock(view, x),
        "y": y.astype(np.float32),
        "name": "current",
        "showlegend": False,
        "line": {"color": look.series[0], "width": 1.3},
        "hovertemplate": "%{y:.1f} A<extra>current</extra>",
    }
    return [line], "current [A]<br>discharge +", {"zeroline": True, "zerolinecolor": look.soft}


def _cells(view: LogView, pack: Pack, look: Look, span: tuple[float, float]) -> Drawn:
    traces: list[dict[str, object]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "x": clock(view, view.time),
            "y": view.high,
            "line": {"width": 0},
            "showlegend": False,
            "hoverinfo": "skip",
            "name": "highest",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": clock(view, view.time),
            "y": view.low,
            "line": {"width": 0},
            "fill": "tonexty",
            "fillcolor": look.band,
            "name": "lowest to highest cell",
            "hoverinfo": "skip",
        },
        {
            "type": "scatter",
            "mode": "lines",
            "x": clock(view, view.time),
            "y": view.mean,
            "name": "mean",
            "line": {"color": look.soft, "width": 1.5},
            "hovertemplate": "%{y:.3f} V<extra>mean</extra>",
        },
    ]
    for n, (cell, (x, y)) in enumerate(view.lines.items()):
        name = safe(short_place(pack, cell))
        style = {**series(look, n), "width": 1.6}
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": clock(view, x),
                "y": y.astype(np.float32),
                "name": name,
                "line": style,
                "hovertemplate": f"%{{y:.3f}} V<extra>{name}</extra>",
            }
        )
    return traces, "cells [V]", {}


def _deviation(view: LogView, pack: Pack, look: Look, span: tuple[float, float]) -> Drawn:
    finite = np.abs(view.deviation[np.isfinite(view.deviation)])
    reach = max(float(np.percentile(finite, 99.5)) if len(finite) else 0.0, LIKELY_REACH_MV)
    z = np.clip(view.deviation.T, -reach, reach).astype(np.float32)
    rows, word = _row_numbers(view)
    heat = {
        "type": "heatmap",
        "x": clock(view, view.time),
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
            "nticks": 4,
        },
    }
    return [heat], "deviation<br>by cell", _cell_rows(view, pack, look)


def _row_numbers(view: LogView) -> tuple[npt.NDArray[np.int32], str]:
    """Return where the rows of a strip lie: at the cell numbers, or counted where some cells were not logged."""
    cells = np.array(view.cells, np.int32)
    whole = len(cells) > 0 and bool(np.all(np.diff(cells) == 1))
    return (cells, "cell") if whole else (np.arange(1, len(cells) + 1, dtype=np.int32), "row")


def _cell_rows(view: LogView, pack: Pack, look: Look) -> dict[str, object]:
    """Return the y axis of a strip with one row a cell: labelled by module where there are any, else by number."""
    index = dict(zip(view.cells, _row_numbers(view)[0].tolist(), strict=True))
    rows: list[tuple[float, str]] = []
    for module in pack.modules:
        inside = [index[c] for c in module.cells if c in index]
        if inside:
            rows.append((sum(inside) / len(inside), module.name))
    if not rows:
        rows = [(float(i), str(c)) for c, i in index.items()]
    rows = rows[:: max(1, -(-len(rows) // 8))]
    return {
        "tickvals": [p for p, _ in rows],
        "ticktext": [safe(n)[:9] for _, n in rows],
        "autorange": "reversed",
        "showgrid": False,
        "ticks": "",
    }


def _temperature(view: LogView, pack: Pack, look: Look, span: tuple[float, float]) -> Drawn:
    traces: list[dict[str, object]] = []
    many = len(view.temperatures) > 6
    for n, (name, (x, y)) in enumerate(view.temperatures.items()):
        style = {"color": look.soft, "width": 1} if many else {**series(look, n), "width": 1.5}
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": clock(view, x),
                "y": y.astype(np.float32),
                "name": safe(name),
                "line": style,
                "showlegend": not many,
                "hovertemplate": f"%{{y:.1f}} degC<extra>{safe(name)}</extra>",
            }
        )
    return traces, "temperature<br>[degC]", {}


def _bleed(view: LogView, pack: Pack, look: Look, span: tuple[float, float]) -> Drawn:
    assert view.bleed is not None
    z = np.where(view.bleed > 0, view.bleed, np.nan).T.astype(np.float32)
    rows, word = _row_numbers(view)
    heat = {
        "type": "heatmap",
        "x": clock(view, view.time),
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
    return [heat], "bleed on<br>by cell", _cell_rows(view, pack, look)


_STRIPS = {
    "current": _current,
    "cells": _cells,
    "deviation": _deviation,
    "temperature": _temperature,
    "bleed": _bleed,
}


def _stretch_names(view: LogView, look: Look) -> Above:
    """Name the stretches in a lane above the strips; short ones get their colour only."""
    if not view.stretches or len(view.time) < 2:
        return [], []
    first, last = view.time[0], view.time[-1]
    whole = float((last - first) / np.timedelta64(1, "us")) or 1.0
    fills = {"drive": look.series[0], "charge": look.series[1], "rest": look.soft, "parked": look.grid}
    shapes: list[dict[str, object]] = []
    notes: list[dict[str, object]] = []
    for kind, start, end in view.stretches:
        a, b = max(start, first), min(end, last)
        if a >= b:
            continue
        share = float((b - a) / np.timedelta64(1, "us")) / whole
        if share < 0.002:
            continue
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": moment(view, a),
                "x1": moment(view, b),
                "y0": 1.012,
                "y1": 1.022,
                "fillcolor": fills.get(kind, look.soft),
                "line": {"width": 0},
            }
        )
        if share > 0.055:
            notes.append(
                {
                    "x": moment(view, a + (b - a) // 2),
                    "y": 1.022,
                    "yref": "paper",
                    "yanchor": "bottom",
                    "text": KIND_MARKS.get(kind, kind),
                    "showarrow": False,
                    "font": {"size": SMALL, "color": look.soft},
                }
            )
    return shapes, notes


def _marks(view: LogView, marks: Sequence[tuple[str, np.datetime64, np.datetime64]], look: Look) -> Above:
    shapes: list[dict[str, object]] = []
    notes: list[dict[str, object]] = []
    for words, start, end in marks:
        shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": moment(view, start),
                "x1": moment(view, end),
                "y0": 0,
                "y1": 1,
                "fillcolor": look.accent,
                "opacity": 0.13,
                "line": {"width": 1, "color": look.accent},
            }
        )
        notes.append(
            {
                "x": moment(view, start),
                "y": 1.0,
                "yref": "paper",
                "yanchor": "top",
                "xanchor": "left",
                "text": safe(words),
                "showarrow": False,
                "font": {"size": SMALL, "color": look.accent},
            }
        )
    return shapes, notes
