"""Units as people write them: what the program says in plain letters, the screen shows with the trade's signs."""

from __future__ import annotations

import re
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from bmslogs.faces.signs import outside_code, written

__all__ = ["figure_shown", "shown", "written"]

SPOKEN = (
    "children", "label", "title", "placeholder", "description", "error", "alt", "aria-label", "data-label",
    "headerName", "headerTooltip", "figure", "columnDefs", "rowData",
)  # fmt: skip
"""Parts of a page that people read; ids, addresses and what was typed stay as they are."""
DRAWN = ("name", "text", "title", "hovertext", "hovertemplate", "ticktext", "colorbar", "marker")
LAID = ("annotations", "title", "ticktext")


def shown(part: Any) -> Any:
    """Return part of a page, changed in place, with units as people write them."""
    if isinstance(part, str):
        return written(part)
    if isinstance(part, list | tuple):
        return [shown(p) for p in part]
    if isinstance(part, dict):
        return {k: shown(v) if k in SPOKEN or str(k).endswith("_text") else v for k, v in part.items()}
    if isinstance(part, dcc.Markdown):
        part.children = outside_code(part.children)
        return part
    if isinstance(part, html.Code | html.Pre):
        return part
    if isinstance(part, Component):
        _spoken(part)
    return part


def _spoken(part: Component) -> None:
    """Change what a component shows or says, and what lies in it."""
    for name in getattr(part, "available_properties", ()):
        if name == "figure" and hasattr(part, "figure"):
            part.figure = figure_shown(part.figure)
        elif name in SPOKEN and hasattr(part, name):
            setattr(part, name, shown(getattr(part, name)))
    for name in ("aria-label", "data-label"):
        if hasattr(part, name):
            setattr(part, name, shown(getattr(part, name)))


def figure_shown(figure: Any) -> Any:
    """Return a picture with units as people write them; its readings are not looked at."""
    drawn = figure.to_plotly_json() if hasattr(figure, "to_plotly_json") else figure
    if not isinstance(drawn, dict) or "layout" not in drawn:
        return figure
    data = [{k: _deep(v) if k in DRAWN else v for k, v in t.items()} for t in drawn["data"]]
    layout = {
        k: _deep(v) if k in LAID or re.fullmatch(r"[xy]axis\d*", k) else v for k, v in drawn["layout"].items()
    }
    return {**drawn, "data": data, "layout": layout}


def _deep(value: Any) -> Any:
    """Return words within words; arrays of numbers as they are."""
    if isinstance(value, str):
        return written(value)
    if isinstance(value, dict):
        return {k: _deep(v) if k not in ("color", "size", "line") else v for k, v in value.items()}
    if isinstance(value, list | tuple) and value and isinstance(value[0], str | dict):
        return [_deep(v) for v in value]
    return value
