"""What a proof picture is given, and the small strokes that several of them share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.faces.figures.series import thin
from bmslogs.faces.figures.theme import LIGHT, SMALL, Look, series
from bmslogs.faces.figures.words import safe, short_place
from bmslogs.findings.evidence.source import known
from bmslogs.log import Log

MOST_LINES = 6  # as many as colours and dashes tell apart


@dataclass(frozen=True)
class Scene:
    """One finding with all that its picture may need.

    Attributes
    ----------
    finding, diagnosis
        The finding and the diagnosis that it stands in.
    log
        The log that was diagnosed.
    look
        Colours.
    height
        Of the picture [px].
    """

    finding: Finding
    diagnosis: Diagnosis
    log: Log
    look: Look = LIGHT
    height: int = 340

    @property
    def pack(self) -> Pack:
        """The pack as it was described when the log was brought in."""
        return self.log.pack

    @property
    def known(self) -> Knowledge:
        """What the analysis knows of the log."""
        return known(self.log)

    @property
    def study(self) -> Study:
        """The log as the analysis made it ready."""
        return self.known.study

    def column(self, cell: int) -> int:
        """Return the column of a cell of the log."""
        return self.log.cells.index(cell)

    @property
    def cells(self) -> list[int]:
        """The named cells that the log holds, few enough to draw."""
        return [c for c in self.finding.cells if c in self.log.cells][:MOST_LINES]

    def name(self, cell: int) -> str:
        """Short escaped place of a cell, for legends."""
        return safe(short_place(self.pack, cell))

    @property
    def times(self) -> npt.NDArray[np.datetime64]:
        """Times of the rows, UTC."""
        return self.log.time


def line(
    figure: go.Figure,
    x: npt.NDArray[np.generic],
    y: npt.NDArray[np.float64],
    name: str,
    look: Look,
    index: int,
    **more: object,
) -> None:
    """Add one thinned line in the series' colour and dash."""
    kept_x, kept_y = thin(x, y)
    figure.add_scatter(x=kept_x, y=kept_y, mode="lines", name=name, line=series(look, index), **more)


def cloud(
    figure: go.Figure,
    x: npt.NDArray[np.float64],
    y: npt.NDArray[np.float64],
    name: str,
    colour: str,
    symbol: str = "circle",
    size: int = 5,
) -> None:
    """Add a cloud of points."""
    figure.add_scatter(
        x=x,
        y=y,
        mode="markers",
        name=name,
        hoverinfo="skip",
        marker={"size": size, "color": colour, "symbol": symbol, "opacity": 0.65},
    )


def guide(
    figure: go.Figure, x: list[float], y: list[float], name: str, look: Look, dash: str = "dash"
) -> None:
    """Add a thin line that says what one would see if .."""
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        name=name,
        hoverinfo="skip",
        line={"color": look.ink, "width": 1.5, "dash": dash},
    )


def below_legend(figure: go.Figure, bottom: int = 100, *, dated: bool = False) -> go.Figure:
    """Put the legend under the picture, where long names do not meet the title.

    With `dated` it lies a line lower: below an axis of time, the day stands between ticks and title.
    """
    y, bottom = (-0.32, bottom + 22) if dated else (-0.2, bottom)
    figure.update_layout(showlegend=True, legend={"y": y, "yanchor": "top"}, margin={"b": bottom, "t": 24})
    return figure


def remark(figure: go.Figure, text: str, look: Look) -> None:
    """Write one quiet line into the upper left corner."""
    figure.add_annotation(
        x=0,
        y=1.0,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        text=safe(text),
        showarrow=False,
        font={"size": SMALL, "color": look.soft},
    )
