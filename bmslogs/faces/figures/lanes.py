"""What lies along the time axis of a log: the stretches by name, and where findings show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from bmslogs.faces.figures.theme import SMALL, Look

Times = npt.NDArray[np.datetime64]
Span = tuple[np.datetime64, np.datetime64]
Above = tuple[list[dict[str, object]], list[dict[str, object]]]
Drawn = tuple[list[dict[str, object]], str, dict[str, object]]
STEPS = (
    150  # points of a mark that spans the whole window, so that it answers to the pointer everywhere (choice)
)


MOST_SHADES = 60


@dataclass(frozen=True)
class Mark:
    """Where one finding, or several of one cause, show in time.

    Attributes
    ----------
    number
        Of the (first) finding, in order of urgency, counted from 1.
    name
        Of its row, escaped.
    says
        One line for the pointer, escaped.
    spans
        (start, end), UTC.
    exact
        Whether the readings themselves show it there; else these are the stretches that it rests on.
    numbers
        Of all findings that share the row.
    faint
        Whether another finding is pointed at, so that this one steps back.
    shaded
        Whether its spans, where exact, shade the strips below.
    """

    number: int
    name: str
    says: str
    spans: tuple[Span, ...]
    exact: bool = False
    numbers: tuple[int, ...] = ()
    faint: bool = False
    shaded: bool = True


def clock(times: Times) -> list[str]:
    """Return times as text: plotly reads numbers on a date axis as of the browser's own zone."""
    milli = times.astype("datetime64[ms]")
    whole = not (milli.astype(np.int64) % 1000).any()
    text = pa.array(milli.astype("datetime64[s]") if whole else milli).cast(pa.string())
    return list(text.to_pylist())  # some times as fast as numpy's own text


def moment(time: np.datetime64) -> str:
    """Return one time in the same way, for shapes and words."""
    return str(np.datetime_as_string(time, unit="ms"))


def mark_strip(marks: Sequence[Mark], first: np.datetime64, last: np.datetime64, look: Look) -> Drawn:
    """Return one row a mark: thick where the readings show it, thin over the stretches that it rests on."""
    step = max((last - first) // STEPS, np.timedelta64(1, "us"))
    traces: list[dict[str, object]] = []
    for row, mark in enumerate(marks):
        x: list[str | None] = []
        for start, end in mark.spans:
            a, b = max(start, first), min(end, last)
            if a <= b:
                points = np.append(np.arange(a, b, step), b)
                x += [*clock(points), None]
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers" if mark.exact else "lines",
                "x": x or [None],
                "y": [row] * len(x) or [None],
                "name": mark.name,
                "line": {"color": _mark_colour(mark, look), "width": 9 if mark.exact else 3},
                "opacity": 0.5 if mark.faint else 1.0,
                "marker": {"symbol": "line-ns", "size": 9, "line": {"width": 2, "color": look.accent}},
                "customdata": [["finding", mark.number]] * max(len(x), 1),
                "hovertemplate": f"{mark.says}<extra></extra>",
            }
        )
    axis: dict[str, object] = {
        "range": [len(marks) - 0.4, -0.6],
        "tickvals": [(len(marks) - 1) / 2],
        "ticktext": ["found"],
        "ticks": "",
        "showgrid": False,
    }
    return traces, "", axis


def _mark_colour(mark: Mark, look: Look) -> str:
    return look.accent if mark.exact else (look.soft if mark.faint else look.ink)


def mark_shades(marks: Sequence[Mark], look: Look) -> list[dict[str, object]]:
    """Return a light ground over all strips where the readings themselves show a finding."""
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": moment(start),
            "x1": moment(end),
            "y0": 0,
            "y1": 1,
            "fillcolor": look.accent,
            "opacity": 0.1,
            "line": {"width": 0},
            "layer": "below",
        }
        for mark in marks
        if mark.exact and mark.shaded
        for start, end in mark.spans[:MOST_SHADES]
    ]


def stretch_names(
    stretches: Sequence[tuple[str, np.datetime64, np.datetime64]],
    first: np.datetime64,
    last: np.datetime64,
    look: Look,
) -> Above:
    """Name the stretches in a lane above the strips; short ones get their colour only."""
    whole = float((last - first) / np.timedelta64(1, "us")) or 1.0
    fills = {"drive": look.series[0], "charge": look.series[1], "rest": look.soft, "parked": look.grid}
    shapes: list[dict[str, object]] = []
    notes: list[dict[str, object]] = []
    for kind, start, end in stretches:
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
                "x0": moment(a),
                "x1": moment(b),
                "y0": 1.012,
                "y1": 1.022,
                "fillcolor": fills.get(kind, look.soft),
                "line": {"width": 0},
            }
        )
        if share > 0.055:
            notes.append(
                {
                    "x": moment(a + (b - a) // 2),
                    "y": 1.022,
                    "yref": "paper",
                    "yanchor": "bottom",
                    "text": kind,
                    "showarrow": False,
                    "font": {"size": SMALL, "color": look.soft},
                }
            )
    return shapes, notes
