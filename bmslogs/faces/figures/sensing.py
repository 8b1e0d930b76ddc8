"""Pictures of readings that are wrong: wires off, swapped or resistive, channels stuck or shifted, current zero."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from bmslogs.analysis.sampling import row_medians
from bmslogs.base.errors import NotEnoughData
from bmslogs.faces.figures.cells import cell_axis, module_names
from bmslogs.faces.figures.scene import Scene, below_legend, cloud, guide, line, remark
from bmslogs.faces.figures.series import spread_rows
from bmslogs.faces.figures.theme import TIME_AXIS, blank, nothing
from bmslogs.findings.evidence.at_rest import rest_current
from bmslogs.findings.evidence.bleed_jumps import bleed_jumps
from bmslogs.findings.evidence.deviation import from_median
from bmslogs.findings.evidence.loom import median_readings, put_back


def mirror(scene: Scene) -> go.Figure:
    """One deviation against its neighbour's: a line through minus one where the wire between them is off."""
    cells = sorted(scene.cells)
    if len(cells) < 2:
        return stuck(scene)
    look, log = scene.look, scene.log
    a, b = cells[0], cells[1]
    rows = spread_rows(log.rows)
    away = from_median(log.cell_voltage[rows], scene.study.harness.trusted) * 1e3
    x, y = away[:, scene.column(a)], away[:, scene.column(b)]
    figure = blank(look, scene.height)
    other = next(
        ((p, q) for p, q in zip(log.cells, log.cells[1:], strict=False) if not {p, q} & set(cells)), None
    )
    if other:
        cloud(
            figure,
            away[:, scene.column(other[0])],
            away[:, scene.column(other[1])],
            f"cells {other[0]} and {other[1]}, for comparison",
            look.soft,
            "x",
            5,
        )
    cloud(figure, x, y, f"cells {a} and {b}", look.series[0], size=6)
    reach = 1.08 * float(np.nanmax(np.abs([x, y]))) if np.isfinite([x, y]).any() else 1.0
    guide(figure, [-reach, reach], [reach, -reach], "mirror: through minus one", look)
    figure.update_xaxes(title_text=f"cell {a} less the median [mV]", range=[-reach, reach])
    figure.update_yaxes(title_text=f"cell {b} less the median [mV]", range=[-reach, reach])
    return below_legend(figure)


def swapped(scene: Scene) -> go.Figure:
    """Median reading per cell as logged, and as it would be with the two wires put back."""
    look = scene.look
    figure = blank(look, scene.height)
    place = cell_axis(figure, scene.pack, look)
    reading = median_readings(scene.study)
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


def stuck(scene: Scene) -> go.Figure:
    """The channel against the median of the others: flat is stuck, beside the line is shifted."""
    log, look = scene.log, scene.look
    if not scene.cells:
        return nothing("The finding names no cell.", look)
    rows = spread_rows(log.rows)
    figure = blank(look, scene.height)
    named = [log.cells.index(c) for c in scene.finding.cells if c in log.cells]
    others = np.delete(log.cell_voltage, named, axis=1) if len(named) < len(log.cells) else log.cell_voltage
    middle = row_medians(others[rows])
    symbols = ("circle", "x", "square", "triangle-up", "cross", "diamond")
    for i, cell in enumerate(scene.cells):
        cloud(
            figure,
            middle,
            log.cell_voltage[rows, log.cells.index(cell)],
            scene.name(cell),
            look.series[i],
            symbols[i % len(symbols)],
        )
    ends = [float(np.nanmin(middle)), float(np.nanmax(middle))]
    guide(figure, ends, ends, "as the others read", look)
    figure.update_xaxes(title_text="median of the other cells [V]")
    figure.update_yaxes(title_text="reading [V]")
    remark(figure, "Flat: it does not move with the others. Beside the line: it is shifted.", look)
    return below_legend(figure)


def bleed_jump(scene: Scene) -> go.Figure:
    """How readings move when a neighbour or the cell itself is bled: low by twice, neighbours high by once."""
    log, look = scene.log, scene.look
    if not scene.cells:
        return nothing("The finding names no cell.", look)
    centre = scene.column(scene.cells[0])
    try:
        found = bleed_jumps(scene.study, centre)
    except NotEnoughData as reason:
        return nothing(f"It cannot be drawn: {reason}.", look)
    if not found:
        return nothing("No resistor near the named cell was switched in this log.", look)
    figure = blank(look, scene.height, barmode="group")
    nearest = sorted(found, key=lambda one: abs(one.source - centre))[:3]
    for n, one in enumerate(sorted(nearest, key=lambda one: one.source)):
        figure.add_bar(
            x=[f"cell {log.cells[i]}" for i in one.columns],
            y=one.jump * 1e3,
            name=f"when cell {log.cells[one.source]} is bled",
            error_y={"type": "data", "array": one.half * 1e3, "color": look.ink, "thickness": 1.2},
            marker={
                "color": look.series[n],
                "pattern": {"shape": ("", "/", "x")[n], "fgcolor": look.paper, "fillmode": "overlay"},
            },
        )
    figure.add_hline(y=0, line={"color": look.soft, "width": 1})
    figure.update_yaxes(title_text="jump of the reading [mV]")
    figure.update_xaxes(title_text="reading of")
    return below_legend(figure)


def current_zero(scene: Scene) -> go.Figure:
    """The current reading during rests, against nought."""
    log, look = scene.log, scene.look
    if log.current is None:
        return nothing("The log has no current.", look)
    times, flow = scene.times, scene.study.flow
    still = rest_current(flow)
    if not np.isfinite(still).any():
        return nothing("The log has no rest in which the current should read nought.", look)
    figure = blank(look, scene.height)
    line(figure, times, still, "current reading during rests", look, 0)
    figure.add_hline(y=0, line={"color": look.ink, "width": 1.5, "dash": "dash"})
    figure.add_hline(y=flow.zero, line={"color": look.accent, "width": 1.5})
    reach = float(np.nanpercentile(np.abs(still), 99)) or 0.1
    figure.update_yaxes(
        title_text="current [A]<br>discharge positive",
        range=[min(0, flow.zero) - reach, max(0, flow.zero) + reach],
    )
    figure.update_xaxes(title_text=TIME_AXIS)
    return below_legend(figure, dated=True)
