"""Pictures of charge: empty or small, who is full first, does bleeding work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from bmslogs.analysis.ocv import curve_of
from bmslogs.analysis.reference import bleed_hours
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding
from bmslogs.faces.figures.cells import cell_axis, module_names, per_cell
from bmslogs.faces.figures.scene import Scene, below_legend, guide, remark
from bmslogs.faces.figures.series import box_mean, charge_moved, mean_cell, steady_current
from bmslogs.faces.figures.theme import LIGHT, Look, blank, nothing, series
from bmslogs.faces.figures.words import safe, say_estimate, shown
from bmslogs.faces.numbers import cells_named
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
LEAST_SLOPE_V = 0.25  # [V per unit of charge] flatter than that, a millivolt says too little (choice)


def soc_of_mean(log: Log) -> Floats | None:
    """Return (rows,) state of charge of the mean cell, counted from the open-circuit voltage of the first row."""
    moved = charge_moved(log)
    if moved is None:
        return None
    mean = mean_cell(log)
    start = mean[np.isfinite(mean)]
    if not len(start):
        return None
    curve = curve_of(log.pack)
    return np.asarray(float(curve.inverse(start[0])) - moved / log.pack.nominal_capacity_Ah, float)


def deviation_in_charge(log: Log, diagnosis: Diagnosis) -> Floats | None:
    """Return (rows, cells) how much fuller each cell is than the mean [Ah].

    The deviation of the voltage, its ohmic part taken out with the estimated resistances, over the slope of the
    open-circuit curve; NaN where the curve is too flat to tell.
    """
    soc, current = soc_of_mean(log), steady_current(log)
    if soc is None or current is None:
        return None
    slope = curve_of(log.pack).slope(soc)
    slope = np.where(slope >= LEAST_SLOPE_V, slope, np.nan)
    ohms = {e.cell: e.value for e in diagnosis.of("resistance_10s") if e.value is not None}
    r = np.array([ohms.get(c, np.nan) for c in log.cells])
    r = np.nan_to_num(r - np.nanmean(r)) if np.isfinite(r).any() else np.zeros(len(r))
    dv = log.cell_voltage - mean_cell(log)[:, None] + current[:, None] * r
    return np.asarray(dv / slope[:, None] * log.pack.nominal_capacity_Ah, float)


def empty_or_small(scene: Scene) -> go.Figure:
    """Deviation in Ah against charge moved: a level line is an offset, a sloping one a capacity."""
    ah, moved = deviation_in_charge(scene.log, scene.diagnosis), charge_moved(scene.log)
    look = scene.look
    if ah is None or moved is None or not np.isfinite(ah).any():
        return per_cell(
            scene.pack,
            scene.diagnosis.of("capacity_relative"),
            "capacity_relative",
            named=scene.finding.cells,
            look=look,
            height=scene.height,
        )
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
        x, y = box_mean(moved, ah[:, scene.log.cells.index(cell)])
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
        slope, level = np.polyfit(x, y, 1)
        figure.add_scatter(
            x=x,
            y=level + slope * x,
            mode="lines",
            line=series(look, n),
            hoverinfo="skip",
            name=f"slope {100 * slope:+.1f} Ah per 100 Ah",
        )
    figure.update_xaxes(title_text="charge drawn since the start of the log [Ah]")
    figure.update_yaxes(title_text="fuller (+) or emptier (−)<br>than the mean cell [Ah]")
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
    hours = pack.bleed_resistor_ohm
    volts = pack.limits.voltage_max_V or float(curve_of(pack).voltage(1.0))
    values = {c: float(bleed_hours(v, volts, hours)) if hours else v for c, v in needed.items()}
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


def bled_against_moved(log: Log, diagnosis: Diagnosis) -> tuple[Floats, Floats, list[int]] | None:
    """Return Ah bled by command, change of the deviation in Ah over the log, and the cells; None where not known."""
    ah = deviation_in_charge(log, diagnosis)
    bled = {e.cell: e.value for e in diagnosis.of("bleed_done") if e.value is not None}
    if ah is None or log.bleed is None or not bled:
        return None
    quiet = np.flatnonzero(~log.bleed.any(axis=1) & np.isfinite(ah).all(axis=1))
    if len(quiet) < 20:
        quiet = np.flatnonzero(np.isfinite(ah).all(axis=1))
    if len(quiet) < 20:
        return None
    tenth = max(5, len(quiet) // 20)
    change = np.median(ah[quiet[-tenth:]], axis=0) - np.median(ah[quiet[:tenth]], axis=0)
    cells = [c for c in log.cells if c in bled]
    x = np.array([bled[c] for c in cells], float)
    return x, change[[log.cells.index(c) for c in cells]], cells


def bleed_effect(scene: Scene) -> go.Figure:
    """Change of offset against Ah bled, with the line of bleeding that works fully."""
    return bleed_figure(
        scene.log, scene.diagnosis, named=scene.finding.cells, look=scene.look, height=scene.height
    )


def bleed_figure(
    log: Log, diagnosis: Diagnosis, *, named: tuple[int, ...] = (), look: Look = LIGHT, height: int = 340
) -> go.Figure:
    """Draw the change of each cell's offset over the log against the Ah that its resistor was commanded to take."""
    points = bled_against_moved(log, diagnosis)
    if points is None:
        return nothing(
            "Whether bleeding works cannot be seen in this log: it needs bleed flags, and readings "
            "before and after on a sloping part of the curve.",
            look,
        )
    x, y, cells = points
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
                mode="markers",
                name=name,
                hoverinfo="text",
                customdata=[["cell", c] for c, k in zip(cells, keep, strict=True) if k],
                hovertext=[safe(log.pack.place(c)) for c, k in zip(cells, keep, strict=True) if k],
                marker={"color": colour, "symbol": symbol, "size": 10},
            )
    top = float(x.max()) or 1.0
    middle = float(np.mean(x))
    guide(figure, [0.0, top], [middle, middle - top], "bleeding that works fully", look)
    figure.update_xaxes(title_text="bled by command [Ah]")
    figure.update_yaxes(title_text="change against<br>the mean cell [Ah]")
    return below_legend(figure)
