"""Pictures over time for one finding: leaks, limits passed, the log's own troubles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.faces.figures.scene import Scene, below_legend, line, remark
from bmslogs.faces.figures.series import deviation, thin
from bmslogs.faces.figures.theme import SMALL, TIME_AXIS, blank, nothing, series
from bmslogs.faces.figures.words import safe

Floats = npt.NDArray[np.float64]
SETTLING_H = 12.0  # [h] first hours of a park, in which cells still relax; left out of the slope


def leak(scene: Scene) -> go.Figure:
    """Deviation over the parked days with its slope, the first hours left out."""
    log, look = scene.log, scene.look
    if not scene.cells:
        return nothing("The finding names no cell.", look)
    days = log.seconds / 86400
    figure = blank(look, scene.height)
    others = [c for c in log.cells if c not in scene.finding.cells]
    for n, cell in enumerate(others[:: max(1, len(others) // 12)]):
        x, y = _hourly(days, deviation(log, cell))
        figure.add_scatter(
            x=x,
            y=y - y[:1],
            mode="lines",
            line={"color": look.soft, "width": 1},
            opacity=0.6,
            name="other cells",
            showlegend=n == 0,
            hoverinfo="skip",
        )
    for n, cell in enumerate(scene.cells):
        x, y = _hourly(days, deviation(log, cell))
        y = y - y[:1]
        figure.add_scatter(
            x=x, y=y, mode="markers", marker={"size": 5, "color": look.series[n]}, name=scene.name(cell)
        )
        late = x > x[0] + SETTLING_H / 24
        if late.sum() > 5:
            slope, level = np.polyfit(x[late], y[late], 1)
            figure.add_scatter(
                x=x[late],
                y=level + slope * x[late],
                mode="lines",
                line=series(look, n),
                name=f"{slope:+.2f} mV a day",
                hoverinfo="skip",
            )
    figure.update_xaxes(title_text="days since the start of the log")
    figure.update_yaxes(title_text="deviation from the mean,<br>change since the start [mV]")
    return below_legend(figure)


def _hourly(days: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return means over equal parts of the log, at most 400."""
    good = np.isfinite(values)
    parts = np.array_split(np.flatnonzero(good), min(400, max(1, int(good.sum()))))
    parts = [p for p in parts if len(p)]
    return np.array([days[p].mean() for p in parts]), np.array([values[p].mean() for p in parts])


def limit(scene: Scene) -> go.Figure:
    """The minutes over a limit, on the log, with the cell's name."""
    if scene.finding.cause == "cold_charge":
        return _cold(scene)
    log, look, limits = scene.log, scene.look, scene.pack.limits
    if scene.finding.sensor or not scene.cells:
        return _hot(scene)
    times = scene.times
    figure = blank(look, scene.height)
    for n, cell in enumerate(scene.cells):
        line(figure, times, log.cell_voltage[:, log.cells.index(cell)], scene.name(cell), look, n)
    first = log.cell_voltage[:, log.cells.index(scene.cells[0])]
    passed = np.zeros(log.rows, bool)
    ends = (("lower limit", limits.voltage_min_V, False), ("upper limit", limits.voltage_max_V, True))
    for name, value, over in ends:
        if value is None:
            continue
        past = first > value if over else first < value
        passed |= past
        near = abs(float(np.nanmax(first) if over else np.nanmin(first)) - value) < 0.25
        if near or past.any():
            figure.add_hline(
                y=value,
                line={"color": look.ink, "dash": "dash", "width": 1.5},
                annotation={"text": f"{name} {value:g} V", "font": {"size": SMALL}},
            )
    _shade(figure, times, passed, look.accent)
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="cell voltage [V]")
    minutes = _minutes(log.seconds, passed)
    remark(
        figure, f"Shaded: past the limit, {minutes:.1f} min in all ({scene.pack.place(scene.cells[0])})", look
    )
    return below_legend(figure, dated=True)


def _cold(scene: Scene) -> go.Figure:
    log, look, limit_C = scene.log, scene.look, scene.pack.limits.charge_temperature_min_C
    if log.current is None or not log.temperature.shape[1]:
        return nothing("The log has no temperatures, or no current.", look)
    level = 0.0 if limit_C is None else limit_C
    times = scene.times
    coldest = np.nanmin(log.temperature, axis=1)
    charging = np.where(log.current < 0, -log.current, 0.0)
    past = (coldest < level) & (charging > 0.02 * scene.pack.nominal_capacity_Ah)
    figure = blank(look, scene.height)
    line(figure, times, coldest, "coldest sensor", look, 0)
    x, y = thin(times, charging)
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        name="charging current, regeneration included",
        yaxis="y2",
        line={"color": look.series[1], "width": 1.5, "shape": "hv"},
    )
    figure.add_hline(
        y=level,
        line={"color": look.ink, "dash": "dash", "width": 1.5},
        annotation={"text": f"least charging temperature {level:g} degC", "font": {"size": SMALL}},
    )
    _shade(figure, times, past, look.accent)
    figure.update_layout(
        yaxis={"title": {"text": "temperature [degC]"}},
        yaxis2={
            "title": {"text": "charging current [A]"},
            "overlaying": "y",
            "side": "right",
            "rangemode": "tozero",
            "showgrid": False,
            "tickmode": "auto",
        },
    )
    figure.update_xaxes(title_text=TIME_AXIS)
    remark(figure, f"Shaded: charged in the cold, {_minutes(log.seconds, past):.1f} min in all", look)
    return below_legend(figure, dated=True)


def _hot(scene: Scene) -> go.Figure:
    log, look, pack = scene.log, scene.look, scene.pack
    if not log.temperature.shape[1]:
        return nothing("The log has no temperatures.", look)
    times = scene.times
    figure = blank(look, scene.height)
    names = [pack.sensor_name(i + 1) for i in range(log.temperature.shape[1])]
    hottest_column = int(np.nanargmax(np.nanmax(log.temperature, axis=0)))
    keep = names.index(scene.finding.sensor) if scene.finding.sensor in names else hottest_column
    hottest = log.temperature[:, keep]
    line(figure, times, hottest, safe(names[keep]), look, 0)
    past = np.zeros(log.rows, bool)
    top = pack.limits.temperature_max_C
    if top is not None:
        past = hottest > top
        figure.add_hline(
            y=top,
            line={"color": look.ink, "dash": "dash", "width": 1.5},
            annotation={"text": f"highest temperature {top:g} degC", "font": {"size": SMALL}},
        )
    _shade(figure, times, past, look.accent)
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="temperature [degC]")
    remark(figure, f"Shaded: past the limit, {_minutes(log.seconds, past):.1f} min in all", look)
    return below_legend(figure, dated=True)


def log_quality(scene: Scene) -> go.Figure:
    """The interval between rows over the log, and where the importer had to mend it."""
    log, look = scene.log, scene.look
    if log.rows < 2:
        return nothing("The log has one row only.", look)
    times = scene.times
    figure = blank(look, scene.height)
    line(figure, times[1:], np.diff(log.seconds), "interval between rows", look, 0)
    marks = [
        np.datetime64(str(r["first"]).removesuffix("Z").split("+")[0]) for r in log.repairs if r.get("first")
    ]
    if marks:
        figure.add_scatter(
            x=np.array(marks),
            y=[float(np.median(np.diff(log.seconds)))] * len(marks),
            mode="markers",
            name="mended by the importer",
            marker={"symbol": "x", "size": 11, "color": look.accent},
            hoverinfo="text",
            hovertext=[safe(r.get("says", "")) for r in log.repairs if r.get("first")],
        )
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="interval between rows [s]", type="log")
    return below_legend(figure, dated=True)


def against_pack_file(scene: Scene) -> go.Figure:
    """Lowest, middle and highest cell over the log, the named cells, and the limits that the pack file gives."""
    log, look, limits = scene.log, scene.look, scene.pack.limits
    figure = blank(look, scene.height)
    keep = np.arange(0, log.rows, max(1, log.rows // 4000))
    others = np.array([c not in scene.finding.cells for c in log.cells])
    volts = log.cell_voltage[keep][:, others] if others.any() else log.cell_voltage[keep]
    with np.errstate(all="ignore"):
        levels = (np.nanmin(volts, axis=1), np.nanmedian(volts, axis=1), np.nanmax(volts, axis=1))
    for n, (name, level) in enumerate(
        zip(("lowest cell", "middle cell", "highest cell"), levels, strict=True)
    ):
        line(figure, scene.times[keep], level, name, look, n)
    for n, cell in enumerate(scene.cells[:2], 3):
        line(
            figure,
            scene.times[keep],
            log.cell_voltage[keep, log.cells.index(cell)],
            scene.name(cell),
            look,
            n,
        )
    for name, value in (("lower limit", limits.voltage_min_V), ("upper limit", limits.voltage_max_V)):
        if value is not None and 0.3 <= value <= 5.0:
            figure.add_hline(
                y=value,
                line={"color": look.ink, "dash": "dash", "width": 1.5},
                annotation={"text": f"{name} {value:g} V", "font": {"size": SMALL}},
            )
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="cell voltage [V]")
    pack = scene.pack
    remark(
        figure,
        f"Pack file: {pack.chemistry}, {pack.nominal_capacity_Ah:g} Ah, {pack.cells_in_series} cells",
        look,
    )
    return below_legend(figure, dated=True)


def _shade(
    figure: go.Figure, times: npt.NDArray[np.datetime64], mask: npt.NDArray[np.bool_], colour: str
) -> None:
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    for a, b in list(zip(edge[::2], edge[1::2] - 1, strict=True))[:60]:
        end = times[min(b + 1, len(times) - 1)]
        figure.add_vrect(x0=str(times[a]), x1=str(end), fillcolor=colour, opacity=0.22, line_width=0)


def _minutes(seconds: Floats, mask: npt.NDArray[np.bool_]) -> float:
    if len(seconds) < 2:
        return 0.0
    step = np.minimum(np.diff(seconds, append=seconds[-1:]), 10 * np.median(np.diff(seconds)))
    return float(step[mask].sum() / 60)
