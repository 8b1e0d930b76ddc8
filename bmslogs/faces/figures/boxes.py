"""The ground that a pack is drawn on: its boxes with their names, and the frames about what lies in them."""

from __future__ import annotations

import plotly.graph_objects as go

from bmslogs.faces.figures.plan import Drawing, Place
from bmslogs.faces.figures.theme import SMALL, Look
from bmslogs.faces.figures.words import safe


def ground(figure: go.Figure, drawing: Drawing, look: Look, *, named: bool = True) -> None:
    """Fit the axes to the drawing and draw its boxes, with their names where `named`."""
    figure.update_xaxes(visible=False, range=[-0.3, drawing.width + 0.2], fixedrange=True)
    figure.update_yaxes(visible=False, range=[drawing.height + 0.2, -0.2], fixedrange=True)
    for box in drawing.boxes.values():
        framed(figure, box, look.soft, fill=look.panel)
        if named:
            figure.add_annotation(
                x=box.left + 0.2,
                y=box.top + 0.1,
                xanchor="left",
                yanchor="top",
                showarrow=False,
                text=f"<b>{safe(box.name)}</b>",
                font={"size": SMALL, "color": look.ink},
                bgcolor=look.panel,  # a link from the box above may pass behind the name
            )


def framed(figure: go.Figure, place: Place, line: str, *, fill: str | None = None, away: float = 0.0) -> None:
    """Draw a frame about a place, `away` outside it, filled and behind everything where `fill` is given."""
    figure.add_shape(
        type="rect",
        x0=place.left - away,
        x1=place.left + place.width + away,
        y0=place.top - away,
        y1=place.top + place.height + away,
        line={"color": line, "width": 1.5},
        layer="below" if fill else "above",
        **({"fillcolor": fill} if fill else {}),
    )
