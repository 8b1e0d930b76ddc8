"""A pack's own open-circuit table as a curve."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from bmslogs.faces.figures.theme import LIGHT, Look, blank


def ocv_picture(table: Sequence[tuple[float, float]], *, look: Look = LIGHT, height: int = 240) -> go.Figure:
    """Draw an open-circuit table.

    Parameters
    ----------
    table
        Rows (soc 0..1, voltage V).
    """
    figure = blank(look, height)
    figure.add_scatter(
        x=[100 * soc for soc, _ in table],
        y=[volt for _, volt in table],
        mode="lines+markers",
        line={"color": look.series[0], "width": 2},
        marker={"size": 6},
        hovertemplate="%{x:.4g} %: %{y:.4g} V<extra></extra>",
    )
    figure.update_xaxes(title_text="state of charge [%]")
    figure.update_yaxes(title_text="open-circuit voltage<br>of one cell [V]")
    return figure
