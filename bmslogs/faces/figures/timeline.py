"""Pictures over time for one finding: leaks, limits passed, the log's own troubles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.analysis.sampling import row_medians
from bmslogs.faces.figures.scene import Scene, below_legend, line, remark
from bmslogs.faces.figures.series import few_means, thin
from bmslogs.faces.figures.theme import SMALL, TIME_AXIS, Look, blank, nothing, series
from bmslogs.faces.figures.words import safe
from bmslogs.findings.evidence.parked_drift import parked_drift
from bmslogs.findings.evidence.past_limit import PastLimit
from bmslogs.findings.evidence.shown import charged_beyond, limits_of, outside_of
from bmslogs.findings.evidence.spans import minutes, runs_of

Bools = npt.NDArray[np.bool_]
NEAR_V = 0.25  # [V] a limit further than that from all readings is not drawn (choice)


def leak(scene: Scene) -> go.Figure:
    """Deviation over the parked days with its slope, the first hours left out."""
    look, log = scene.look, scene.log
    if not scene.cells:
        return nothing("The finding names no cell.", look)
    found = parked_drift(scene.study)
    figure = blank(look, scene.height)
    others = [c for c in log.cells if c not in scene.finding.cells]
    for n, cell in enumerate(others[:: max(1, len(others) // 12)]):
        x, y = few_means(found.days, found.away[:, scene.column(cell)] * 1e3)
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
        column = scene.column(cell)
        x, y = few_means(found.days, found.away[:, column] * 1e3)
        figure.add_scatter(
            x=x,
            y=y - y[:1],
            mode="markers",
            marker={"size": 5, "color": look.series[n]},
            name=scene.name(cell),
        )
        drift = found.line(column)
        if drift is not None:
            figure.add_scatter(
                x=found.days[found.settled][[0, -1]],
                y=drift[[0, -1]] * 1e3 - y[:1],
                mode="lines",
                line=series(look, n),
                name=f"{found.slope[column] * 1e3:+.2f} mV a day",
                hoverinfo="skip",
            )
    figure.update_xaxes(title_text="days since the start of the log")
    figure.update_yaxes(title_text="deviation from the median,<br>change since the start [mV]")
    return below_legend(figure)


def limit(scene: Scene) -> go.Figure:
    """The minutes over a limit, on the log, with the cell's name."""
    if charged_beyond(scene.finding):
        return _charged(scene)
    if scene.finding.unit == "A":
        return _current(scene)
    if scene.finding.sensor or not scene.cells:
        return _hot(scene)
    look, times = scene.look, scene.times
    past = limits_of(scene.finding, scene.known)
    figure = blank(look, scene.height)
    drawn = past[0].readings if past else scene.log.cell_voltage[:, [scene.column(c) for c in scene.cells]]
    for n, cell in enumerate(scene.cells):
        line(figure, times, drawn[:, n], scene.name(cell), look, n)
    for one in past:
        beyond = float(np.nanmax(one.over[:, 0])) if np.isfinite(one.over[:, 0]).any() else -np.inf
        if beyond > -NEAR_V or one.beyond.any():
            _limit_line(
                figure, f"{'upper' if one.sign > 0 else 'lower'} limit {one.bound:g} V", one.bound, look
            )
    rows = _any_of(past, scene.log.rows)
    _shade(figure, times, rows, look.accent)
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="cell voltage [V]")
    remark(
        figure,
        f"Shaded: past the limit, {minutes(scene.log.seconds, rows):.1f} min in all "
        f"({scene.pack.place(scene.cells[0])})",
        look,
    )
    return below_legend(figure, dated=True)


def _charged(scene: Scene) -> go.Figure:
    """Charging in the cold, or in the heat: the outermost sensor, the charging current, the rows that count."""
    look, times = scene.look, scene.times
    found = outside_of(scene.finding, scene.known)
    if found is None:
        return nothing("The log has no temperatures that are believed, or no current.", look)
    cold = found.sign < 0
    figure = blank(look, scene.height)
    line(figure, times, found.extreme, "coldest sensor" if cold else "warmest sensor", look, 0)
    x, y = thin(times, found.charging)
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        name="charging current, regeneration included",
        yaxis="y2",
        line={"color": look.series[1], "width": 1.5, "shape": "hv"},
    )
    _limit_line(
        figure,
        f"{'least' if cold else 'highest'} charging temperature {found.bound:g} degC",
        found.bound,
        look,
    )
    _shade(figure, times, found.rows, look.accent)
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
    where = "cold" if cold else "heat"
    remark(figure, f"Shaded: charged in the {where}, {found.seconds / 60:.1f} min in all", look)
    return below_legend(figure, dated=True)


def _current(scene: Scene) -> go.Figure:
    """The current over its limit."""
    look, times, past = scene.look, scene.times, limits_of(scene.finding, scene.known)
    if not past:
        return nothing("The log has no current, or the pack file no limit of it.", look)
    figure = blank(look, scene.height)
    line(figure, times, scene.study.flow.current, "current", look, 0)
    for one in past:
        if one.beyond.any():
            _limit_line(figure, f"limit {abs(one.bound):g} A", one.bound, look)
    rows = _any_of(past, scene.log.rows)
    _shade(figure, times, rows, look.accent)
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="current [A]<br>discharge positive")
    remark(figure, f"Shaded: past the limit, {minutes(scene.log.seconds, rows):.1f} min in all", look)
    return below_legend(figure, dated=True)


def _hot(scene: Scene) -> go.Figure:
    log, look, pack = scene.log, scene.look, scene.pack
    if not log.temperature.shape[1]:
        return nothing("The log has no temperatures.", look)
    times, past = scene.times, limits_of(scene.finding, scene.known)
    figure = blank(look, scene.height)
    names = [pack.sensor_name(i + 1) for i in range(log.temperature.shape[1])]
    named = names.index(scene.finding.sensor) if scene.finding.sensor in names else 0
    for n, keep in enumerate(sorted({int(one.columns[0]) for one in past} or {named})):
        line(figure, times, log.temperature[:, keep], safe(names[keep]), look, n)
    for one in past:
        word = "highest" if one.sign > 0 else "least"
        _limit_line(figure, f"{word} temperature {one.bound:g} degC", one.bound, look)
    rows = _any_of(past, log.rows)
    _shade(figure, times, rows, look.accent)
    figure.update_xaxes(title_text=TIME_AXIS)
    figure.update_yaxes(title_text="temperature [degC]")
    remark(figure, f"Shaded: past the limit, {minutes(log.seconds, rows):.1f} min in all", look)
    return below_legend(figure, dated=True)


def _limit_line(figure: go.Figure, says: str, level: float, look: Look) -> None:
    figure.add_hline(
        y=level,
        line={"color": look.ink, "dash": "dash", "width": 1.5},
        annotation={"text": says, "font": {"size": SMALL}},
    )


def _any_of(past: Sequence[PastLimit], rows: int) -> Bools:
    out = np.zeros(rows, bool)
    for one in past:
        out |= one.beyond.any(axis=1)
    return out


def log_quality(scene: Scene) -> go.Figure:
    """The interval between rows over the log, and where the importer had to mend it."""
    log, look = scene.log, scene.look
    times = scene.times
    figure = blank(look, scene.height)
    line(figure, times[1:], np.diff(log.seconds), "interval between rows", look, 0)
    marks = [
        np.datetime64(str(r["first"]).removesuffix("Z").split("+")[0]) for r in log.repairs if r.get("first")
    ]
    if marks:
        figure.add_scatter(
            x=np.array(marks),
            y=[scene.study.flow.interval] * len(marks),
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
        levels = (np.nanmin(volts, axis=1), row_medians(volts), np.nanmax(volts, axis=1))
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


def _shade(figure: go.Figure, times: npt.NDArray[np.datetime64], mask: Bools, colour: str) -> None:
    for a, b in runs_of(mask)[:60]:
        end = times[min(b + 1, len(times) - 1)]
        figure.add_vrect(x0=str(times[a]), x1=str(end), fillcolor=colour, opacity=0.22, line_width=0)
