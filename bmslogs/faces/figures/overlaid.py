"""Two courses over each other, and under them how far they part."""

from __future__ import annotations

import plotly.graph_objects as go

from bmslogs.faces.figures.theme import LIGHT, Look, blank
from bmslogs.faces.figures.words import safe
from bmslogs.findings.evidence.overlaid import Overlaid


def overlaid_picture(drawn: Overlaid, *, look: Look = LIGHT, height: int = 560) -> go.Figure:
    """Draw both courses, and second less first below."""
    figure = blank(look, height)
    styles = ({"color": look.series[0], "width": 2.2}, {"color": look.accent, "width": 2.2, "dash": "dash"})
    digits = ".1f" if drawn.unit == "mV" else ".3f"
    for name, y, style in zip(drawn.names, (drawn.first, drawn.second), styles, strict=True):
        figure.add_scatter(
            x=drawn.x, y=y, mode="lines", name=safe(name), line=style, connectgaps=False,
            hovertemplate=f"%{{y:{digits}}} {drawn.unit}<extra>{safe(name)}</extra>",
        )  # fmt: skip
    figure.add_scatter(
        x=drawn.x, y=drawn.gap, mode="lines", name="second less first", yaxis="y2", showlegend=False,
        line={"color": look.ink, "width": 1.6}, fill="tozeroy", fillcolor=look.band,
        hovertemplate="%{y:+.1f} mV<extra>second less first</extra>",
    )  # fmt: skip
    title = "cell [V]" if drawn.unit == "V" else "less the median<br>of the rest [mV]"
    figure.update_layout(
        xaxis={"title": {"text": drawn.axis}, "anchor": "y2"},
        yaxis={"title": {"text": title}, "domain": [0.36, 1.0], "zeroline": drawn.unit == "mV",
               "zerolinecolor": look.soft},
        yaxis2={"title": {"text": "second less<br>first [mV]"}, "domain": [0.0, 0.29], "zeroline": True,
                "zerolinecolor": look.soft, "anchor": "x"},
        hovermode="x unified", showlegend=True,
        legend={"y": -0.16, "yanchor": "top", "x": 0, "orientation": "h"}, margin={"t": 20, "b": 110, "r": 16},
    )  # fmt: skip
    return figure
