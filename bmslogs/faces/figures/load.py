"""Pictures of cells under load: who drops more, and whether it is the cell or a joint."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from bmslogs.analysis.resistance import PULSE_S
from bmslogs.base.errors import NotEnoughData
from bmslogs.faces.figures.cells import per_cell
from bmslogs.faces.figures.scene import Scene, below_legend, cloud, guide, remark
from bmslogs.faces.figures.series import spread_rows
from bmslogs.faces.figures.theme import blank, nothing, series
from bmslogs.findings.evidence.bursts import bursts as bursts_of
from bmslogs.findings.evidence.load_drop import drop_course

MOST_BURST_ROWS = 600


def resistance(scene: Scene) -> go.Figure:
    """Resistance per cell in pack order with whiskers, the named cells heavy."""
    for key in ("resistance_10s_relative", "resistance_10s"):
        if scene.diagnosis.of(key):
            return per_cell(
                scene.pack,
                scene.diagnosis.of(key),
                key,
                named=scene.finding.cells,
                look=scene.look,
                height=scene.height,
            )
    return nothing("The log gives no resistance.", scene.look)


def cell_or_joint(scene: Scene) -> go.Figure:
    """Drop per ampere early, at 10 s and late: a joint lifts the whole line, an aged cell stretches it."""
    try:
        drops = drop_course(scene.study)
    except NotEnoughData:
        return resistance(scene)
    look, mohm = scene.look, drops.ohm * 1e3
    trusted = scene.study.harness.trusted
    others = [i for i in np.flatnonzero(trusted) if scene.log.cells[i] not in scene.finding.cells]
    if not others or not scene.cells:
        return resistance(scene)
    figure = blank(look, scene.height)
    x = list(drops.seconds)
    band = np.percentile(mohm[:, others], [0, 50, 100], axis=1)
    figure.add_scatter(
        x=x + x[::-1],
        y=[*band[2], *band[0][::-1]],
        fill="toself",
        mode="none",
        fillcolor=look.band,
        name="all other cells",
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=x, y=band[1], mode="lines", name="their middle", line={"color": look.soft, "width": 2}
    )
    for i, cell in enumerate(scene.cells):
        column = mohm[:, scene.column(cell)]
        figure.add_scatter(
            x=x,
            y=column,
            mode="lines+markers",
            name=scene.name(cell),
            line=series(look, i),
            marker={"size": 9},
            hovertemplate="%{y:.3f} mohm at %{x} s<extra></extra>",
        )
    first = mohm[:, scene.column(scene.cells[0])]
    at = x.index(PULSE_S)
    guide(figure, x, list(band[1] + first[at] - band[1][at]), "a joint: the middle lifted", look, "dash")
    guide(
        figure, x, list(band[1] * first[at] / band[1][at]), "an aged cell: the middle stretched", look, "dot"
    )
    figure.update_xaxes(
        type="log",
        tickvals=x,
        ticktext=[f"{t:g}" for t in x],
        range=[-0.1, 1.9],
        title_text="time into the load [s]",
    )
    figure.update_yaxes(title_text="drop per ampere [mohm]", rangemode="normal")
    remark(
        figure, "Guides meet the first named cell at 10 s; see which one it follows earlier and later.", look
    )
    return below_legend(figure, 110)


def bursts(scene: Scene) -> go.Figure:
    """What no load explains of the named cell, over the current: a contact that opens leaves the line of the others."""
    try:
        found = bursts_of(scene.study)
    except NotEnoughData:
        return resistance(scene)
    if not scene.cells:
        return resistance(scene)
    look, log, cell = scene.look, scene.log, scene.cells[0]
    current, left = found.current, found.left * 1e3
    away = left[:, scene.column(cell)]
    # the moments that the finding is about must not be thinned away
    rows = np.union1d(
        np.arange(len(away))[spread_rows(len(away))],
        np.argsort(np.abs(np.nan_to_num(away)))[-MOST_BURST_ROWS:],
    )
    figure = blank(look, scene.height)
    trusted = scene.study.harness.trusted
    other = next((c for c in log.cells if c not in scene.cells and trusted[scene.column(c)]), None)
    if other is not None:
        cloud(figure, current[rows], left[rows, scene.column(other)], scene.name(other), look.soft, "x", 5)
    cloud(figure, current[rows], away[rows], scene.name(cell), look.series[0], size=6)
    if scene.finding.size and len(current):
        ends = [float(current.min()), float(current.max())]
        guide(figure, ends, [-scene.finding.size * 1e3 * i for i in ends], "while it is open", look)
    figure.update_xaxes(title_text="current [A], discharge positive")
    figure.update_yaxes(
        title_text="what no load explains [mV]" if found.explained else "cell less the median [mV]"
    )
    remark(figure, "Points along the slanted line: the contact was open for the moment.", look)
    return below_legend(figure)
