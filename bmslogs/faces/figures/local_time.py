"""Pictures over time by the workshop's clock: drawn in UTC, shown by one clock from end to end.

The clock is that of the picture's first moment. It goes on through a change to or from summer time, so that no hour is
missing on the axis or stands there twice; the axis says how far it is ahead of UTC.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import numpy as np
import plotly.graph_objects as go

from bmslogs.faces.figures.lanes import clock


def by_clock(
    figure: go.Figure | dict[str, Any], shift: dt.timedelta, words: str
) -> go.Figure | dict[str, Any]:
    """Return a picture with its times `shift` later and its axis named by `words`; one without times as it is.

    Parameters
    ----------
    figure
        Figure, or data and layout as plain dictionaries. An axis of time says ``UTC`` in its title.
    shift
        How far the clock is ahead of UTC.
    words
        The clock for people, such as ``Europe/Oslo (UTC+2)``.
    """
    drawn: dict[str, Any] = figure.to_plotly_json() if isinstance(figure, go.Figure) else figure
    layout: dict[str, Any] = {**drawn["layout"]}
    axes = [k for k in layout if re.fullmatch(r"xaxis\d*", k)]
    titled = [k for k in axes if "UTC" in str((layout[k].get("title") or {}).get("text") or "")]
    if not titled:
        return figure
    ahead = np.timedelta64(round(shift.total_seconds() * 1000), "ms")
    for key in axes:
        axis = {**layout[key]}
        if axis.get("range") is not None:
            axis["range"] = [_later(x, ahead) for x in axis["range"]]
        if key in titled:
            axis["title"] = {**axis["title"], "text": axis["title"]["text"].replace("UTC", words)}
        layout[key] = axis
    for parts, ends in (("shapes", ("x0", "x1")), ("annotations", ("x",))):
        if layout.get(parts):
            layout[parts] = [_moved(p, ends, ahead) for p in layout[parts]]
    data = [{**t, "x": _all_later(t["x"], ahead)} if t.get("x") is not None else t for t in drawn["data"]]
    layout["meta"] = {**(layout.get("meta") or {}), "shift_min": round(shift.total_seconds() / 60)}
    return {**drawn, "data": data, "layout": layout}


def _moved(part: dict[str, Any], ends: tuple[str, ...], ahead: np.timedelta64) -> dict[str, Any]:
    if str(part.get("xref", "x")).split(" ")[0] == "paper":
        return part
    return {**part, **{k: _later(part[k], ahead) for k in ends if part.get(k) is not None}}


def _later(moment: object, ahead: np.timedelta64) -> str:
    text = str(moment).replace(" ", "T").removesuffix("Z")
    return str(np.datetime_as_string(np.datetime64(text, "ms") + ahead, unit="ms"))


def _all_later(moments: Any, ahead: np.timedelta64) -> list[str]:
    values = np.array([np.datetime64("NaT") if m is None else m for m in moments], "datetime64[ms]")
    moved = np.asarray(values + ahead, "datetime64[ms]")
    return clock(moved)
