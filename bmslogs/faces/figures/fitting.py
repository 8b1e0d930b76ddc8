"""A picture laid out for a small screen: the plot as wide as the screen, what stood beside it above and below."""

from __future__ import annotations

import re
import textwrap
from typing import Any

import plotly.graph_objects as go

from bmslogs.faces.figures.theme import PHONE, SMALL

LETTER, KEY, LINE = 6.6, 46, 20
"""Width of a letter, width of a legend's key, height of a line [px], of the small type."""
TICKS = 46  # [px] below a plot, for the ticks and the title of its axis
TICK_ROOM = 26  # [px] that a number on the axis over the cells takes
COLOURS_BESIDE = 38  # [px] for a scale of colours at the right
COLOURS_BELOW = 52  # [px] for one that lies under the plot, with its numbers and its unit


def fitted(figure: go.Figure | dict[str, Any]) -> go.Figure | dict[str, Any]:
    """Return a picture as it is, or laid out anew where it was drawn for a small screen.

    Titles of upright axes go above their plot, the legend below it, numbers on the axis are thinned out; the data stay.

    Parameters
    ----------
    figure
        Figure, or data and layout as plain dictionaries. Its ``meta`` says how much room there is.
    """
    room = _room(figure["layout"])
    if not room:
        return figure
    drawn: dict[str, Any] = figure.to_plotly_json() if isinstance(figure, go.Figure) else {**figure}
    layout: dict[str, Any] = {**drawn["layout"]}
    traces: list[dict[str, Any]] = [{**t} for t in drawn["data"]]
    margin = {"l": 56, "r": 20, "t": 36, "b": 48, **layout.get("margin", {})}
    before = margin["t"] + margin["b"]
    height = layout.get("height", 340)
    _legend_below(layout, traces, margin, room)
    _titles_above(layout, margin, room)
    _axes_below(layout, margin, room)
    beside = [t for t in traces if t.get("colorbar", {"orientation": "h"}).get("orientation") != "h"]
    below = margin["b"] if room <= PHONE else 0
    for trace in beside:
        trace["colorbar"] = {**trace["colorbar"], "thickness": 6, "xpad": 2}
    margin["b"] += COLOURS_BELOW if beside and below else 0
    margin |= {"l": min(margin["l"], 8), "r": COLOURS_BESIDE if beside and not below else 10}
    layout |= {"margin": margin, "height": height + margin["t"] + margin["b"] - before}
    for trace in beside if below else ():
        trace["colorbar"] = _lying(trace["colorbar"], (below - TICKS) / layout["height"])
    return {**drawn, "data": traces, "layout": layout}


def _lying(bar: dict[str, Any], y: float) -> dict[str, Any]:
    """Return a scale of colours that lies between axis and legend, its lower edge at `y` of the picture's height."""
    title = bar.get("title") or {}
    title = {"text": title} if isinstance(title, str) else title
    return {
        **bar, "orientation": "h", "x": 0.5, "xanchor": "center", "xref": "paper", "len": 0.6, "lenmode": "fraction",
        "y": y, "yanchor": "bottom", "yref": "container", "ypad": 4, "title": {**title, "side": "top"},
    }  # fmt: skip


def _room(layout: Any) -> int:
    try:
        return int((layout["meta"] or {}).get("room", 0))
    except KeyError:
        return 0


def _legend_below(
    layout: dict[str, Any], traces: list[dict[str, Any]], margin: dict[str, Any], room: int
) -> None:
    """Put one legend along the lower edge, as high as its entries take."""
    names = [str(t.get("name", "")) for t in traces if t.get("showlegend") is not False]
    if not layout.get("showlegend", len(names) > 1):
        names = []
    for key in [k for k in layout if re.fullmatch(r"legend\d*", k)]:
        if layout[key].get("y", 0) >= 1 and key == "legend" and "x" not in layout[key]:
            margin["t"] = min(margin["t"], 12)  # it stood above
        del layout[key]
    for trace in traces:
        trace.pop("legend", None)
    widest = max((KEY + LETTER * len(n) for n in names), default=1.0)
    columns = max(1, int(room // widest))
    scale = any(t.get("marker", {}).get("colorbar", {}).get("orientation") == "h" for t in traces)
    axis = (
        0 if all(layout[k].get("visible") is False for k in layout if re.fullmatch(r"xaxis\d*", k)) else TICKS
    )
    margin["b"] = (64 if scale else axis) + 8 + LINE * -(-len(names) // columns)
    layout["legend"] = {
        "orientation": "h", "x": 0, "xanchor": "left", "y": 0, "yref": "container", "yanchor": "bottom",
        "font": {"size": SMALL}, "itemsizing": "trace", "traceorder": "normal",
    }  # fmt: skip


def _titles_above(layout: dict[str, Any], margin: dict[str, Any], room: int) -> None:
    """Write the titles of upright axes in a line above their plots: turned round they take the width of the plot."""
    notes = list(layout.get("annotations", ()))
    lifted = 0
    written: dict[float, int] = {}  # lines that stand over a plot already, by its upper edge
    for key in sorted(k for k in layout if re.fullmatch(r"yaxis\d*", k)):
        lines = _lines(layout[key], room)
        if not lines:
            continue
        layout[key] = {**layout[key], "title": {"text": ""}}
        top = (layout[key].get("domain") or (0, 1))[1]
        highest = top >= 0.999
        side = "right" if layout[key].get("side") == "right" else "left"
        notes.append(
            {
                "text": "<br>".join(lines), "showarrow": False, "align": side, "font": {"size": SMALL},
                "x": 0 if side == "left" else 1, "xref": "paper", "xanchor": side,
                "y": top, "yref": "paper", "yanchor": "bottom",
                "yshift": (margin["t"] - 4 if highest else 0) + LINE * written.get(top, 0),
            }
        )  # fmt: skip
        written[top] = written.get(top, 0) + len(lines)
        lifted = max(lifted, written[top] if highest else 0)
    layout["annotations"] = notes
    margin["t"] += LINE * lifted


def _lines(axis: dict[str, Any], room: int) -> list[str]:
    """Return the title of an axis in lines that fit beside its numbers."""
    text = str((axis.get("title") or {}).get("text") or "").replace("<br>", " ")
    return textwrap.wrap(text, int((room - TICKS) / LETTER))


def _axes_below(layout: dict[str, Any], margin: dict[str, Any], room: int) -> None:
    """Leave out numbers along the lower axis that would lie on each other, and break its title."""
    most = 1
    for key in [k for k in layout if re.fullmatch(r"xaxis\d*", k)]:
        axis = {**layout[key]}
        values, texts = axis.get("tickvals"), axis.get("ticktext")
        if values is not None and texts is not None and len(values) * TICK_ROOM > room:
            step = -(-len(values) * TICK_ROOM // room)
            axis |= {"tickvals": list(values)[::step], "ticktext": list(texts)[::step]}
        if axis.get("type") == "date":
            axis |= {"nticks": 4 if room <= PHONE else 8, "tickangle": 0}
        lines = _lines(axis, room)
        if lines:
            axis["title"] = {**axis["title"], "text": "<br>".join(lines)}
            most = max(most, len(lines))
        layout[key] = axis
    margin["b"] += LINE * (most - 1)
