"""Pictures of charge: empty or small, who is full first, does bleeding work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from bmslogs.analysis.numerics import calm
from bmslogs.analysis.reference import bleed_hours
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding
from bmslogs.faces.figures.cells import cell_axis, module_names, per_cell
from bmslogs.faces.figures.scene import Scene, below_legend, guide, remark
from bmslogs.faces.figures.series import box_mean
from bmslogs.faces.figures.theme import LIGHT, Look, blank, nothing, series
from bmslogs.faces.figures.words import safe, say_estimate, shown
from bmslogs.faces.numbers import cells_named
from bmslogs.findings.evidence.charge_deviation import charge_deviation
from bmslogs.findings.evidence.source import known
from bmslogs.log import Log


def empty_or_small(scene: Scene) -> go.Figure:
    """Deviation in Ah against charge moved: a level line is an offset, a sloping one a capacity."""
    look = scene.look
    try:
        found = charge_deviation(scene.known)
    except NotEnoughData:
        found = None
    if found is None or not np.isfinite(found.fuller).any():
        return per_cell(
            scene.pack,
            scene.diagnosis.of("capacity_relative"),
            "capacity_relative",
            named=scene.finding.cells,
            look=look,
            height=scene.height,
        )
    moved, ah = found.drawn, found.fuller
    figure = blank(look, scene.height)
    others = [i for i, c in enumerate(scene.log.cells) if c not in scene.finding.cells]
    for n, i in enumerate(others[:: max(1, len(others) // 12)]):
        x, y = box_mean(moved, ah[:, i])
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines",
            line={"color": look.soft, "width": 1},
            opacity=0.6,
            name="other cells",
            showlegend=n == 0,
            hoverinfo="skip",
        )
    for n, cell in enumerate(scene.cells):
        x, y = box_mean(moved, ah[:, scene.column(cell)])
        if len(x) < 2:
            continue
        figure.add_scatter(
            x=x,
            y=y,
            mode="markers",
            name=scene.name(cell),
            marker={"size": 7, "color": look.series[n]},
            hovertemplate="%{y:.2f} Ah after %{x:.1f} Ah<extra></extra>",
        )
        column = scene.column(cell)
        figure.add_scatter(
            x=moved,
            y=found.line(column),
            mode="lines",
            line=series(look, n),
            hoverinfo="skip",
            name=f"slope {100 * found.slope[column]:+.1f} Ah per 100 Ah",
        )
    figure.update_xaxes(title_text="charge drawn since the start of the log [Ah]")
    figure.update_yaxes(title_text="fuller (+) or emptier (−)<br>than the string [Ah]")
    figure.add_hline(y=0, line={"color": look.soft, "width": 1, "dash": "dash"})
    remark(figure, "Level: it started emptier or fuller. Sloping: it holds less or more.", look)
    return below_legend(figure)


def to_full(
    pack: Pack,
    diagnosis: Diagnosis,
    *,
    named: tuple[int, ...] = (),
    picked: tuple[int, ...] = (),
    look: Look = LIGHT,
    height: int = 360,
) -> go.Figure:
    """Draw the charge that each cell lacks to full when the charge ended, and the bleed still needed as hours."""
    lacks = {e.cell: e for e in diagnosis.of("charge_to_full")}
    if not lacks:
        return nothing(
            "This log holds no charge that tells who is full first. Log a charge to its end.", look
        )
    figure = blank(look, height, barmode="overlay")
    place = cell_axis(figure, pack, look)
    known = {c: t for c, e in lacks.items() if c in place and (t := shown(e)) is not None}
    unknown = [c for c in lacks if c in place and c not in known]
    cells = sorted(c for c in known if c is not None)
    heavy = set(named) | set(picked)
    for name, chosen, colour, width in (
        ("still missing to full", [c for c in cells if c not in heavy], look.series[0], 0),
        ("the same, picked or named in a finding", [c for c in cells if c in heavy], look.series[1], 3),
    ):
        if not chosen:
            continue
        figure.add_bar(
            x=[place[c] for c in chosen],
            y=[known[c][0] for c in chosen],
            width=0.8,
            name=name,
            marker={"color": colour, "line": {"color": look.ink, "width": width}},
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [known[c][2] - known[c][0] for c in chosen],
                "arrayminus": [known[c][0] - known[c][1] for c in chosen],
                "color": look.ink,
                "thickness": 1.2,
                "width": 3,
            },
            customdata=[["cell", c] for c in chosen],
            hoverinfo="text",
            hovertext=[_full_hover(pack, diagnosis, c) for c in chosen],
        )
    top = max([known[c][2] for c in cells], default=1.0) * 1.1 or 1.0
    if unknown:
        _unknown_bars(
            figure, [place[c] for c in unknown if c], top, [lacks[c].why or "" for c in unknown], look
        )
    lowest = min([known[c][1] for c in cells], default=0.0)
    figure.update_yaxes(title_text="charge missing to full [Ah]", range=[min(0.0, lowest * 1.1), top])
    _bleed_markers(figure, pack, diagnosis, place, look)
    module_names(figure, pack, look, place)
    full = next((e.conditions.get("full") for e in lacks.values() if e.conditions.get("full")), None)
    if full == "leading_cell":
        figure.add_annotation(
            x=1,
            y=1.09,
            xref="paper",
            yref="paper",
            xanchor="right",
            yanchor="bottom",
            showarrow=False,
            text="full was not reached: counted to the leading cell's end",
            font={"size": 12, "color": look.soft},
        )
    return below_legend(figure).update_layout(margin_t=44)


def _unknown_bars(figure: go.Figure, places: list[float], top: float, why: list[str], look: Look) -> None:
    """Draw hatched bars where the log tells nothing, with the reason of each."""
    figure.add_bar(
        x=places,
        y=[top] * len(why),
        width=0.8,
        name="not known from this log",
        hoverinfo="text",
        hovertext=[safe(one) for one in why],
        marker={
            "color": look.panel,
            "pattern": {
                "shape": "/",
                "fgcolor": look.unknown,
                "bgcolor": look.panel,
                "fillmode": "replace",
            },
        },
    )


def _full_hover(pack: Pack, diagnosis: Diagnosis, cell: int) -> str:
    lines = [f"<b>{safe(pack.place(cell))}</b>"]
    for key, words in (
        ("charge_to_full", "missing to full"),
        ("bleed_needed", "bleed still needed"),
        ("bleed_done", "bleed commanded"),
    ):
        found = next((e for e in diagnosis.of(key) if e.cell == cell), None)
        if found is not None:
            lines.append(f"{words}: {safe(say_estimate(found))}")
    return "<br>".join(lines)


def _bleed_markers(
    figure: go.Figure, pack: Pack, diagnosis: Diagnosis, place: dict[int, float], look: Look
) -> None:
    """Mark the bleed still needed; as hours on a second axis where the pack's resistor is known."""
    needed = {
        e.cell: t[0] for e in diagnosis.of("bleed_needed") if e.cell in place and (t := shown(e)) is not None
    }
    if not needed:
        return
    # at the voltage at which the analysis reckons the time of balancing
    known = next((e.conditions for e in diagnosis.of("balancing_time") if "voltage_V" in e.conditions), None)
    hours = known["resistor_ohm"] if known else None
    values = {
        c: float(bleed_hours(v, known["voltage_V"], known["resistor_ohm"])) if known else v
        for c, v in needed.items()
    }
    unit = "h" if hours else "Ah"
    figure.add_scatter(
        x=[place[c or 0] for c in values],
        y=list(values.values()),
        mode="markers",
        cliponaxis=False,
        yaxis="y2" if hours else "y",
        name=f"bleed still needed [{unit}]",
        hovertemplate=f"bleed still needed %{{y:.1f}} {unit}<extra></extra>",
        marker={"symbol": "diamond-open", "size": 10, "color": look.accent, "line": {"width": 2}},
    )
    if hours:
        low, high = figure.layout.yaxis.range
        most = 1.12 * max(*values.values(), 1e-6)
        figure.update_layout(
            yaxis2={
                "title": {"text": f"bleed still needed [h]<br>with {hours:g} ohm"},
                "overlaying": "y",
                "side": "right",
                "range": [most * low / high, most],  # both axes have their nought at one height
                "showgrid": False,
                "tickmode": "auto",
            }
        )


def full_first(scene: Scene) -> go.Figure:
    """Ah to full per cell at the end of the charge; the offsets where the log has no charge."""
    if any(shown(e) for e in scene.diagnosis.of("charge_to_full")):
        return to_full(
            scene.pack, scene.diagnosis, named=scene.finding.cells, look=scene.look, height=scene.height
        )
    offsets = list(scene.diagnosis.of("soc_offset"))
    own = _as_found(scene.finding, offsets)
    figure = per_cell(
        scene.pack,
        [own.get(e.cell or 0, e) for e in offsets],
        "soc_offset",
        named=scene.finding.cells,
        look=scene.look,
        height=scene.height,
    )
    if own:
        remark(
            figure,
            f"{cells_named(own)}: at full charge, as the finding has it; the others: at the start",
            scene.look,
        )
        figure.update_layout(margin_t=48)
        figure.layout.annotations[-1].yshift = 18
    return figure


def _as_found(finding: Finding, offsets: Sequence[Estimate]) -> dict[int, Estimate]:
    """Return the finding's own size for its cells whose offset at the start of the log is not known."""
    if finding.size is None or finding.unit != "fraction":
        return {}
    return {
        e.cell: Estimate(
            e.quantity, e.unit, cell=e.cell, value=finding.size, low=finding.low, high=finding.high
        )
        for e in offsets
        if e.cell in finding.cells and e.cell is not None and shown(e) is None
    }


def bleed_effect(scene: Scene) -> go.Figure:
    """Ah lost against Ah bled; what each cell was bled where the log does not show what it lost."""
    try:
        return _lost_against_bled(
            scene.log.pack, scene.study, named=scene.finding.cells, look=scene.look, height=scene.height
        )
    except NotEnoughData as reason:
        figure = per_cell(
            scene.pack,
            scene.diagnosis.of("bleed_done"),
            "bleed_done",
            named=scene.finding.cells,
            look=scene.look,
            height=scene.height,
        )
        if figure.data:
            remark(figure, f"Bled by command; what it did does not show: {reason}", scene.look)
        return figure


def bleed_figure(
    log: Log, *, named: tuple[int, ...] = (), look: Look = LIGHT, height: int = 340
) -> go.Figure:
    """Draw what each cell lost over a rest against the Ah that its resistor was commanded to take."""
    try:
        return _lost_against_bled(log.pack, known(log).study, named=named, look=look, height=height)
    except NotEnoughData as reason:
        return nothing(f"Whether bleeding works cannot be seen in this log: {reason}.", look)


def _lost_against_bled(
    pack: Pack, study: Study, *, named: tuple[int, ...], look: Look, height: int
) -> go.Figure:
    with calm():
        effect = study.bleeding.effect
    keep_cells = np.flatnonzero(study.harness.trusted)
    cells = [study.readings.cells[i] for i in keep_cells]
    x, y, half = effect.commanded[keep_cells], effect.lost[keep_cells], effect.half_width[keep_cells]
    figure = blank(look, height)
    for name, take, colour, symbol in (
        ("cell", [c not in named for c in cells], look.series[0], "circle"),
        ("named in a finding", [c in named for c in cells], look.accent, "diamond"),
    ):
        keep = np.array(take, bool)
        if keep.any():
            figure.add_scatter(
                x=x[keep],
                y=y[keep],
                error_y={"type": "data", "array": half[keep], "color": look.soft, "thickness": 1.2},
                mode="markers",
                name=name,
                hoverinfo="text",
                customdata=[["cell", c] for c, k in zip(cells, keep, strict=True) if k],
                hovertext=[safe(pack.place(c)) for c, k in zip(cells, keep, strict=True) if k],
                marker={"color": colour, "symbol": symbol, "size": 10},
            )
    top = float(x.max()) or 1.0
    guide(figure, [0.0, top], [0.0, top], "bleeding that works fully", look)
    figure.update_xaxes(title_text="bled by command [Ah]")
    figure.update_yaxes(title_text="lost over the rest,<br>by the voltages [Ah]")
    return below_legend(figure)
