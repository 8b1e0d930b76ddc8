"""Pictures of cells under load: who drops more, and whether it is the cell or a joint."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.analysis.polarisation import charge_drawn, low_pass
from bmslogs.analysis.sampling import sections
from bmslogs.faces.figures.cells import per_cell
from bmslogs.faces.figures.scene import Scene, below_legend, cloud, guide, remark
from bmslogs.faces.figures.series import deviation, spread_rows, steady_current
from bmslogs.faces.figures.theme import blank, nothing, series
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
TIMES_S = (1.0, 10.0, 60.0)  # a joint adds the same at each, an aged cell more at the later ones
TAUS_S = (3.0, 45.0)  # filters of the regression; need not be the cell's own
MOST_ROWS = 6000
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


def drop_over_time(log: Log) -> Floats | None:
    """Fit the drop per ampere of every cell 1, 10 and 60 s into a load.

    Voltage is regressed on the charge drawn (to the third power), the current, its two filters and its rate of
    change, all cells in one factorisation.

    Returns
    -------
    (times, cells) [ohm]; None where the log has no current or too few rows with load.
    """
    current = steady_current(log)
    if current is None or log.rows < 200 or np.std(current) == 0:
        return None
    seconds, part = log.seconds, sections(log.seconds)
    q = charge_drawn(current, seconds, part) / log.pack.nominal_capacity_Ah
    filters = [low_pass(current, seconds, part, tau) for tau in TAUS_S]
    rate = np.gradient(current, seconds)
    design = np.column_stack([np.ones_like(q), q, q**2, q**3, current, *filters, rate])
    rows = slice(None, None, max(1, log.rows // MOST_ROWS))
    x, y = design[rows], log.cell_voltage[rows]
    good = np.isfinite(x).all(axis=1) & np.isfinite(y).all(axis=1)
    if log.bleed is not None:
        good &= ~log.bleed[rows].any(axis=1)
    if good.sum() < 120:
        return None
    scale = np.maximum(np.abs(x[good]).max(axis=0), 1e-12)
    fit = np.linalg.lstsq(x[good] / scale, y[good], rcond=None)[0] / scale[:, None]
    ohmic, slow = -fit[4], -fit[5:7]
    shares = np.array([[1 - np.exp(-t / tau) for tau in TAUS_S] for t in TIMES_S])
    return np.asarray(ohmic + shares @ slow, float)


def cell_or_joint(scene: Scene) -> go.Figure:
    """Drop per ampere at 1, 10 and 60 s: a joint lifts the whole line, an aged cell stretches it."""
    drops = drop_over_time(scene.log)
    if drops is None or not scene.cells:
        return resistance(scene)
    look, mohm = scene.look, drops * 1e3
    others = [i for i, c in enumerate(scene.log.cells) if c not in scene.finding.cells]
    if not others:
        return resistance(scene)
    figure = blank(look, scene.height)
    x = list(TIMES_S)
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
        column = mohm[:, scene.log.cells.index(cell)]
        figure.add_scatter(
            x=x,
            y=column,
            mode="lines+markers",
            name=scene.name(cell),
            line=series(look, i),
            marker={"size": 9},
            hovertemplate="%{y:.3f} mohm at %{x} s<extra></extra>",
        )
    first = mohm[:, scene.log.cells.index(scene.cells[0])]
    guide(figure, x, list(band[1] + first[1] - band[1][1]), "a joint: the middle lifted", look, "dash")
    guide(figure, x, list(band[1] * first[1] / band[1][1]), "an aged cell: the middle stretched", look, "dot")
    figure.update_xaxes(
        type="log",
        tickvals=x,
        ticktext=[f"{t:g}" for t in x],
        range=[-0.1, 1.9],
        title_text="time into the load [s]",
    )
    figure.update_yaxes(title_text="drop per ampere [mohm]", rangemode="normal")
    remark(figure, "Guides meet the first named cell at 10 s; see which one it follows at 1 and 60 s.", look)
    return below_legend(figure, 110)


def bursts(scene: Scene) -> go.Figure:
    """The named cell less the middle one over the current: a contact that opens leaves the line of the others."""
    current = steady_current(scene.log)
    if current is None or not scene.cells:
        return resistance(scene)
    look, log, cell = scene.look, scene.log, scene.cells[0]
    away = deviation(log, cell)
    far = np.abs(away - np.nanmedian(away))
    # the moments that the finding is about must not be thinned away
    rows = np.union1d(
        np.arange(log.rows)[spread_rows(log.rows)], np.argsort(np.nan_to_num(far))[-MOST_BURST_ROWS:]
    )
    figure = blank(look, scene.height)
    other = next((c for c in log.cells if c not in scene.cells), None)
    if other is not None:
        cloud(figure, current[rows], deviation(log, other)[rows], scene.name(other), look.soft, "x", 5)
    cloud(figure, current[rows], away[rows], scene.name(cell), look.series[0], size=6)
    if scene.finding.size:
        ends = [float(np.nanmin(current)), float(np.nanmax(current))]
        guide(figure, ends, [-scene.finding.size * 1e3 * i for i in ends], "while it is open", look)
    figure.update_xaxes(title_text="current [A], discharge positive")
    figure.update_yaxes(title_text="cell less the mean [mV]")
    remark(figure, "Points along the slanted line: the contact was open for the moment.", look)
    return below_legend(figure)
