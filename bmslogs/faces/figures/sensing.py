"""Pictures of readings that are wrong: wires off, swapped or resistive, channels stuck or shifted, current zero."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from bmslogs.faces.figures.cells import cell_axis, module_names
from bmslogs.faces.figures.scene import Scene, below_legend, cloud, guide, line, remark
from bmslogs.faces.figures.series import deviation, mean_cell, spread_rows, stretches_of
from bmslogs.faces.figures.theme import TIME_AXIS, blank, nothing


def mirror(scene: Scene) -> go.Figure:
    """One deviation against its neighbour's: a line through minus one where the wire between them is off."""
    cells = sorted(scene.cells)
    if len(cells) < 2:
        return stuck(scene)
    look, log = scene.look, scene.log
    a, b = cells[0], cells[1]
    rows = spread_rows(log.rows)
    x, y = deviation(log, a)[rows], deviation(log, b)[rows]
    figure = blank(look, scene.height)
    other = next(
        ((p, q) for p, q in zip(log.cells, log.cells[1:], strict=False) if not {p, q} & set(cells)), None
    )
    if other:
        cloud(
            figure,
            deviation(log, other[0])[rows],
            deviation(log, other[1])[rows],
            f"cells {other[0]} and {other[1]}, for comparison",
            look.soft,
            "x",
            5,
        )
    cloud(figure, x, y, f"cells {a} and {b}", look.series[0], size=6)
    reach = 1.08 * float(np.nanmax(np.abs([x, y]))) if np.isfinite([x, y]).any() else 1.0
    guide(figure, [-reach, reach], [reach, -reach], "mirror: through minus one", look)
    figure.update_xaxes(title_text=f"cell {a} less the mean [mV]", range=[-reach, reach])
    figure.update_yaxes(title_text=f"cell {b} less the mean [mV]", range=[-reach, reach])
    return below_legend(figure)


def swapped(scene: Scene) -> go.Figure:
    """Median reading per cell as logged, and as it would be with the two wires put back."""
    log, look = scene.log, scene.look
    figure = blank(look, scene.height)
    place = cell_axis(figure, scene.pack, look)
    reading = dict(zip(log.cells, np.nanmedian(log.cell_voltage, axis=0).tolist(), strict=True))
    named = [c for c in scene.finding.cells if c in reading]
    figure.add_scatter(
        x=[place[c] for c in reading],
        y=list(reading.values()),
        mode="markers",
        name="as logged",
        marker={"size": 8, "color": look.series[0]},
    )
    figure.add_scatter(
        x=[place[c] for c in named],
        y=[reading[c] for c in named],
        mode="markers",
        name="named in the finding",
        marker={"size": 13, "color": look.accent, "symbol": "diamond"},
    )
    back = put_back(reading)
    if back:
        figure.add_scatter(
            x=[place[c] for c in back],
            y=list(back.values()),
            mode="markers",
            name="with the two wires put back",
            marker={"size": 12, "symbol": "circle-open", "color": look.ink, "line": {"width": 2}},
        )
    figure.add_hline(y=0, line={"color": look.soft, "width": 1, "dash": "dash"})
    figure.update_yaxes(title_text="median reading [V]")
    module_names(figure, scene.pack, look, place)
    return below_legend(figure)


def put_back(reading: dict[int, float]) -> dict[int, float]:
    """Undo a swap of two neighbouring taps: readings [a+b, -b, b+c] become [a, b, c].

    Returns the three cells around the first negative reading; empty where there is none with two neighbours.
    """
    for cell, value in reading.items():
        if value < 0 and cell - 1 in reading and cell + 1 in reading:
            return {cell - 1: reading[cell - 1] + value, cell: -value, cell + 1: reading[cell + 1] + value}
    return {}


def stuck(scene: Scene) -> go.Figure:
    """The channel against the mean of the others: flat is stuck, beside the line is shifted."""
    log, look = scene.log, scene.look
    if not scene.cells:
        return nothing("The finding names no cell.", look)
    rows = spread_rows(log.rows)
    figure = blank(look, scene.height)
    named = [log.cells.index(c) for c in scene.finding.cells if c in log.cells]
    others = np.delete(log.cell_voltage, named, axis=1) if len(named) < len(log.cells) else log.cell_voltage
    mean = np.nanmean(others, axis=1)[rows] if others.shape[1] else mean_cell(log)[rows]
    symbols = ("circle", "x", "square", "triangle-up", "cross", "diamond")
    for i, cell in enumerate(scene.cells):
        cloud(
            figure,
            mean,
            log.cell_voltage[rows, log.cells.index(cell)],
            scene.name(cell),
            look.series[i],
            symbols[i % len(symbols)],
        )
    ends = [float(np.nanmin(mean)), float(np.nanmax(mean))]
    guide(figure, ends, ends, "as the others read", look)
    figure.update_xaxes(title_text="mean of the other cells [V]")
    figure.update_yaxes(title_text="reading [V]")
    remark(figure, "Flat: it does not move with the others. Beside the line: it is shifted.", look)
    return below_legend(figure)


def bleed_jump(scene: Scene) -> go.Figure:
    """How readings move when a neighbour or the cell itself is bled: low by twice, neighbours high by once."""
    log, look = scene.log, scene.look
    if log.bleed is None or not scene.cells:
        return nothing("The log has no bleed flags.", look)
    centre = log.cells.index(scene.cells[0])
    columns = [i for i in range(centre - 2, centre + 3) if 0 <= i < len(log.cells)]
    figure = blank(look, scene.height, barmode="group")
    any_flag = log.bleed.any(axis=1)
    mean = mean_cell(log)
    for n, source in enumerate([i for i in columns if log.bleed[:, i].any()][:3]):
        alone = log.bleed[:, source] & (log.bleed.sum(axis=1) == 1)
        on = alone if alone.sum() >= 10 else log.bleed[:, source]
        jumps, errors = [], []
        for i in columns:
            dv = (log.cell_voltage[:, i] - mean) * 1e3
            a, b = dv[on], dv[~any_flag if (~any_flag).sum() >= 10 else ~log.bleed[:, source]]
            jumps.append(float(np.nanmean(a) - np.nanmean(b)))
            spread = np.hypot(np.nanstd(a) / max(1, len(a)) ** 0.5, np.nanstd(b) / max(1, len(b)) ** 0.5)
            errors.append(1.96 * float(spread))
        figure.add_bar(
            x=[f"cell {log.cells[i]}" for i in columns],
            y=jumps,
            name=f"while cell {log.cells[source]} is bled",
            error_y={"type": "data", "array": errors, "color": look.ink, "thickness": 1.2},
            marker={"color": look.series[n], "pattern": {"shape": ("", "/", "x")[n], "fgcolor": look.paper}},
        )
    if not figure.data:
        return nothing("No cell near the named one was bled in this log.", look)
    figure.add_hline(y=0, line={"color": look.soft, "width": 1})
    figure.update_yaxes(title_text="jump of the reading [mV]")
    figure.update_xaxes(title_text="reading of")
    return below_legend(figure)


def current_zero(scene: Scene) -> go.Figure:
    """The current reading during rests, against nought."""
    log, look = scene.log, scene.look
    if log.current is None:
        return nothing("The log has no current.", look)
    times = scene.times
    rests = [s for s in stretches_of(log) if s.kind in ("rest", "parked")]
    still = np.full(log.rows, np.nan)
    for s in rests:
        still[s.rows] = log.current[s.rows]
    if not np.isfinite(still).any():
        return nothing("The log has no rest in which the current should read nought.", look)
    figure = blank(look, scene.height)
    line(figure, times, still, "current reading during rests", look, 0)
    figure.add_hline(y=0, line={"color": look.ink, "width": 1.5, "dash": "dash"})
    middle, reach = float(np.nanmedian(still)), float(np.nanpercentile(np.abs(still), 99)) or 0.1
    figure.update_yaxes(
        title_text="current [A]<br>discharge positive", range=[min(0, middle) - reach, max(0, middle) + reach]
    )
    figure.update_xaxes(title_text=TIME_AXIS)
    return below_legend(figure, dated=True)
