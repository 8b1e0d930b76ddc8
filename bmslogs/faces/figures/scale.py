"""The diverging scale under a drawing of a pack, and the hatching of what is not known."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from bmslogs.faces.figures.theme import SMALL, Look
from bmslogs.faces.signs import true_minus


def scale_bar(figure: go.Figure, reach: float, title: str, look: Look) -> None:
    """Draw the scale from -reach to +reach below the picture, with its title and unit."""
    ticks = [-reach, -reach / 2, 0.0, reach / 2, reach]
    figure.add_scatter(
        x=[None],
        y=[None],
        mode="markers",
        showlegend=False,
        hoverinfo="skip",
        name="scale",
        marker={
            "color": [0],
            "cmin": -reach,
            "cmax": reach,
            "colorscale": look.scale,
            "showscale": True,
            "colorbar": {
                "orientation": "h",
                "thickness": 12,
                "len": 0.6,
                "y": -0.02,
                "yanchor": "top",
                "x": 0.5,
                "ypad": 4,
                "tickvals": ticks,
                "ticktext": [true_minus(f"{v:+.3g}") if v else "0" for v in ticks],
                "tickfont": {"size": SMALL},
                "outlinewidth": 0,
                "title": {"text": title, "side": "bottom", "font": {"size": SMALL}},
            },
        },
    )


def hatching(look: Look, size: int = 7) -> dict[str, Any]:
    """Return the pattern of what is not known."""
    return {
        "shape": "/",
        "size": size,
        "fgcolor": look.unknown,
        "bgcolor": look.panel,
        "fillmode": "replace",
        "solidity": 0.25,
    }
