"""Pictures of temperatures: a sensor that lies, a place that runs hot."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from bmslogs.base.errors import NotEnoughData
from bmslogs.faces.figures.scene import MOST_LINES, Scene, below_legend, line
from bmslogs.faces.figures.series import box_mean, thin
from bmslogs.faces.figures.theme import TIME_AXIS, blank, nothing, series
from bmslogs.faces.figures.words import safe
from bmslogs.findings.evidence.warming import warming


def sensor(scene: Scene) -> go.Figure:
    """Each sensor over time, the named one heavy, the others as a band."""
    log, look = scene.log, scene.look
    count = log.temperature.shape[1]
    if not count:
        return nothing("The log has no temperatures.", look)
    names = [scene.pack.sensor_name(i + 1) for i in range(count)]
    at = names.index(scene.finding.sensor) if scene.finding.sensor in names else 0
    times = scene.times
    figure = blank(look, scene.height)
    others = np.delete(log.temperature, at, axis=1)
    if others.shape[1] > 4:
        low_x, low = thin(times, np.nanmin(others, axis=1))
        high_x, high = thin(times, np.nanmax(others, axis=1))
        figure.add_scatter(
            x=np.concatenate([high_x, low_x[::-1]]),
            y=np.concatenate([high, low[::-1]]),
            fill="toself",
            mode="none",
            fillcolor=look.band,
            name="all other sensors",
        )
    else:
        for n, i in enumerate(k for k in range(count) if k != at):
            line(figure, times, log.temperature[:, i], safe(names[i]), look, n + 1)
    x, y = thin(times, log.temperature[:, at])
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        name=f"{safe(names[at])}, named in the finding",
        line={"color": look.accent, "width": 3},
    )
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="temperature [degC]")
    return below_legend(figure, dated=True)


def heating(scene: Scene) -> go.Figure:
    """Rise of each sensor against the filtered square of the current: steeper is hotter."""
    log, look = scene.log, scene.look
    try:
        found = warming(scene.study)
    except NotEnoughData as reason:
        return nothing(f"It cannot be drawn: {reason}.", look)
    count = log.temperature.shape[1]
    names = [scene.pack.sensor_name(i + 1) for i in range(count)]
    order = sorted(range(count), key=lambda i: names[i] != scene.finding.sensor)
    figure = blank(look, scene.height)
    for n, i in enumerate(order):
        x, y = box_mean(found.squared / 1e3, found.rise[:, i], 24)
        if not len(x):
            continue
        named = names[i] == scene.finding.sensor
        style = (
            {"color": look.accent, "width": 3}
            if named
            else (series(look, n) if n < MOST_LINES else {"color": look.soft, "width": 1})
        )
        figure.add_scatter(
            x=x, y=y, mode="lines+markers" if named else "lines", name=safe(names[i]), line=style
        )
    figure.update_xaxes(
        title_text=f"square of the current, lingering over {found.tau_s / 60:.0f} min [1000 A²]"
    )
    figure.update_yaxes(title_text="warmer than at the start [K]")
    return below_legend(figure)
