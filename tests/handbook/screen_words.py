"""The words that stand on the dashboard's screens as labels: what a reader may have to look up."""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.faces.figures.words import LEVEL_WORDS
from bmslogs.findings.registry import CAUSES
from bmslogs.store import Store
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.jobs import Jobs
from dashboard.pages import PAGES, bring
from dashboard.zones import zone_names

LABELS = ("H1", "H2", "H3", "H4", "Th", "Label", "Summary", "Strong", "Button", "Link", "A")
"""Elements whose text is a label; sentences elsewhere explain themselves."""
PROPERTIES = ("label", "title", "headerName", "placeholder")
MONTHS = {name.lower() for name in calendar.month_abbr}
WORD = re.compile(r"[A-Za-z][A-Za-z-]*[A-Za-z]")


def labels(root: Path) -> dict[str, str]:
    """Return every word of a label on any page over a store, each with a label that it stands in."""
    desk, jobs = Desk(root), Jobs()
    views = ["", "?packs=heron-main,plover-main", "?pack=heron-main&whole=1"]
    views += [f"?pack={e.pack}&log={e.id}" for e in Store(root).logs()]
    said: list[str] = [q.title for q in QUANTITIES.values()] + [c.title for c in CAUSES.values()]
    said += [q.shown_unit for q in QUANTITIES.values()] + [*LEVEL_WORDS.values()] + [p.TITLE for p in PAGES]
    for page in PAGES:
        if page.PATH == "/handbook":
            continue  # it is the explanation
        for view in views:
            frame = Frame.of(desk, view)
            said += _labels(bring.layout(frame, jobs) if page is bring else page.layout(frame))
    names = _names(desk)
    words: dict[str, str] = {}
    zones = {name.replace("_", " ") for name in zone_names(None)}  # names, as those of people's vehicles
    for text in said:
        if text in zones:
            continue
        for word in WORD.findall(text):
            if word.lower() not in names | MONTHS:
                words.setdefault(word.lower(), text)
    return words


def _names(desk: Desk) -> set[str]:
    """Return the words of vehicles, packs and files: people gave them, nobody looks them up."""
    named = [
        text for p in desk.packs() for text in (p.id, p.vehicle, p.design or "", *(b.name for b in p.boxes))
    ]
    named += [e.source for p in desk.packs() for e in desk.logs(p.id)]
    return {word.lower() for text in named for word in WORD.findall(text)}


def _labels(node: Any) -> Iterator[str]:
    """Go through a layout and give the text of its labels and of the axes and legends of its figures."""
    if isinstance(node, list | tuple):
        for one in node:
            yield from _labels(one)
        return
    if isinstance(node, dict):
        yield from (str(node[k]) for k in PROPERTIES if isinstance(node.get(k), str))
        for one in node.values():
            if isinstance(one, list | dict):
                yield from _labels(one)
        return
    if not hasattr(node, "to_plotly_json"):
        return
    told = node.to_plotly_json()
    properties, kind = told["props"], told["type"]
    if kind in LABELS:
        yield from _texts(properties.get("children"))
    if kind == "Graph":
        yield from _drawn(properties.get("figure"))
        return
    yield from (str(properties[k]) for k in PROPERTIES if isinstance(properties.get(k), str))
    for key in ("data", "columnDefs"):
        if isinstance(properties.get(key), list):
            yield from _labels(properties[key])
    yield from _labels(properties.get("children"))


def _texts(node: Any) -> Iterator[str]:
    if isinstance(node, str):
        yield node
    elif isinstance(node, list | tuple):
        for one in node:
            yield from _texts(one)
    elif hasattr(node, "to_plotly_json"):
        yield from _texts(node.to_plotly_json()["props"].get("children"))


def _drawn(figure: Any) -> Iterator[str]:
    """Give axis titles and legend names of a figure, without marks of HTML."""
    told = figure.to_dict() if hasattr(figure, "to_dict") else figure
    if not isinstance(told, dict):
        return
    for key, axis in told.get("layout", {}).items():
        if "axis" in key and isinstance(axis, dict):
            title = axis.get("title")
            text = title.get("text") if isinstance(title, dict) else title
            if text:
                yield re.sub(r"<[^>]+>", " ", str(text))
    for trace in told.get("data", []):
        if isinstance(trace, dict) and trace.get("showlegend", True) is not False and trace.get("name"):
            yield re.sub(r"<[^>]+>", " ", str(trace["name"]))
