"""The pack drawn as it is built: boxes, modules, cells in order, the links between modules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import plotly.graph_objects as go

from bmslogs.base.pack import Pack
from bmslogs.base.results import LEVELS, Estimate, Finding
from bmslogs.faces.figures.boxes import framed, ground
from bmslogs.faces.figures.plan import Drawing, halfway, plan
from bmslogs.faces.figures.scale import hatching, scale_bar
from bmslogs.faces.figures.shades import differences
from bmslogs.faces.figures.theme import LIGHT, SMALL, Look, blank, colour_of, text_on
from bmslogs.faces.figures.words import (
    LEVEL_SYMBOLS,
    LEVEL_WORDS,
    conditions_line,
    safe,
    say_estimate,
    shown_unit,
    title_of,
)


def pack_picture(
    pack: Pack,
    estimates: Sequence[Estimate] = (),
    *,
    quantity: str | None = None,
    findings: Iterable[Finding] = (),
    baseline: Sequence[Estimate] = (),
    picked: Iterable[int] = (),
    temperatures: dict[int, float] | None = None,
    look: Look = LIGHT,
    small: bool = False,
) -> go.Figure:
    """Draw a pack as it is built, its cells coloured by one quantity.

    Parameters
    ----------
    estimates
        Estimates of `quantity`, one a cell; cells without one are hatched as not known.
    baseline
        Estimates of the same quantity from an earlier log: the colour is then the change since.
    picked
        Cells drawn with a heavy edge.
    temperatures
        Cell number to temperature [degC], written into the cells.
    small
        A thumbnail: no numbers.

    Returns
    -------
    plotly figure. `customdata` of cells is ``["cell", n]``, of links ``["joint", n]`` (the later cell), of
    module names ``["module", name]``.
    """
    drawing = plan(pack)
    unit_px = 26 if small else 46
    height = int(drawing.height * unit_px) + (16 if small else 90)
    figure = blank(look, height, showlegend=not small, barmode="overlay", bargap=0, dragmode=False)
    figure.update_layout(
        margin={"l": 8, "r": 8, "t": 8 if small else 40, "b": 8}, legend={"y": 1.0, "itemsizing": "trace"}
    )
    ground(figure, drawing, look, named=not small)
    _draw_links(figure, pack, drawing, look, small)
    _draw_cells(figure, pack, drawing, estimates, quantity, baseline, set(picked), temperatures, look, small)
    if not small:
        _draw_modules(figure, drawing, look)
    _draw_findings(figure, drawing, findings, look, small)
    return figure


def _draw_cells(
    figure: go.Figure,
    pack: Pack,
    drawing: Drawing,
    estimates: Sequence[Estimate],
    quantity: str | None,
    baseline: Sequence[Estimate],
    picked: set[int],
    temperatures: dict[int, float] | None,
    look: Look,
    small: bool,
) -> None:
    values, reach = differences(pack, estimates, quantity, baseline)
    by_cell = {e.cell: e for e in estimates}
    order = sorted(drawing.cells)
    places = [drawing.cells[c] for c in order]
    fills = [colour_of(values[c][0], reach, look) if c in values else look.panel for c in order]
    hover = [_hover(pack, c, by_cell.get(c), quantity, c in values, temperatures) for c in order]
    for known in (True, False):
        take = [i for i, c in enumerate(order) if (c in values or not quantity) == known]
        if not take:
            continue
        figure.add_bar(
            x=[places[i].middle[0] for i in take],
            y=[places[i].height for i in take],
            base=[places[i].top for i in take],
            width=[places[i].width for i in take],
            customdata=[["cell", order[i]] for i in take],
            hovertext=[hover[i] for i in take],
            hoverinfo="text",
            showlegend=False,
            name="cells" if known else "cells not known",
            marker={
                "color": [fills[i] for i in take] if known else look.panel,
                "line": {"color": look.soft, "width": 1},
                **({} if known else {"pattern": hatching(look)}),
            },
        )
    _draw_frames(figure, drawing, picked & set(order), look)
    if small:
        if values and quantity:
            scale_bar(figure, reach, f"{title_of(quantity)} [{shown_unit(quantity)}]", look)
            figure.update_layout(margin_b=58, height=figure.layout.height + 52)
        return
    inks = [text_on(f) if c in values else look.ink for c, f in zip(order, fills, strict=True)]
    _draw_texts(figure, drawing, dict(zip(order, inks, strict=True)), temperatures, look)
    sure = [c for c in order if c in values]
    if sure and not temperatures:
        _draw_sureness(figure, drawing, sure, values, reach, dict(zip(order, inks, strict=True)), look)
    if quantity:
        _draw_scale(figure, quantity, reach, bool(baseline), bool(values), len(values) < len(order), look)


def _hover(
    pack: Pack,
    c: int,
    estimate: Estimate | None,
    quantity: str | None,
    known: bool,
    temperatures: dict[int, float] | None,
) -> str:
    """Return what a cell says when it is pointed at; `known` where it has a colour."""
    lines = [f"<b>{safe(pack.place(c))}</b>"]
    if estimate is not None and quantity:
        lines.append(f"{safe(title_of(quantity))}: {safe(say_estimate(estimate))}")
        if estimate.conditions:
            lines.append(safe(conditions_line(estimate.conditions)))
        if estimate.settle_by and not known:
            lines.append(f"would settle it: {safe(estimate.settle_by)}")
    elif quantity:
        lines.append("not known from this log")
    if temperatures and c in temperatures:
        lines.append(f"nearest sensor {temperatures[c]:.1f} degC")
    return "<br>".join(lines)


def _draw_frames(figure: go.Figure, drawing: Drawing, picked: set[int], look: Look) -> None:
    """Draw a frame around each picked cell."""
    for c in picked:
        p = drawing.cells[c]
        figure.add_shape(
            type="rect",
            x0=p.left,
            x1=p.left + p.width,
            y0=p.top,
            y1=p.top + p.height,
            layer="above",
            line={"color": look.accent, "width": 4},
        )


def _draw_texts(
    figure: go.Figure,
    drawing: Drawing,
    inks: dict[int, str],
    temperatures: dict[int, float] | None,
    look: Look,
) -> None:
    """Write the number of each cell into it, in its ink, and the temperature of the nearest sensor."""
    figure.add_scatter(
        x=[drawing.cells[c].middle[0] for c in inks],
        y=[drawing.cells[c].top + 0.33 for c in inks],
        mode="text",
        text=[str(c) for c in inks],
        textfont={"size": SMALL, "color": list(inks.values())},
        hoverinfo="skip",
        showlegend=False,
        name="numbers",
    )
    if temperatures:
        figure.add_scatter(
            x=[drawing.cells[c].middle[0] for c in inks if c in temperatures],
            y=[drawing.cells[c].top + 1.0 for c in inks if c in temperatures],
            mode="text",
            text=[f"{temperatures[c]:.0f}°" for c in inks if c in temperatures],
            textfont={
                "size": SMALL,
                "color": [ink for c, ink in inks.items() if c in temperatures],
            },
            hoverinfo="skip",
            showlegend=False,
            name="temperatures",
        )


def _draw_sureness(
    figure: go.Figure,
    drawing: Drawing,
    cells: list[int],
    values: dict[int, tuple[float, float]],
    reach: float,
    inks: dict[int, str],
    look: Look,
) -> None:
    """Draw the interval's half-width: a small dot is sure, a large ring is unsure (as wide as the scale or more)."""
    share = {c: min(1.0, values[c][1] / reach) for c in cells}
    figure.add_scatter(
        x=[drawing.cells[c].middle[0] for c in cells],
        y=[drawing.cells[c].top + 0.85 for c in cells],
        mode="markers",
        hoverinfo="skip",
        showlegend=False,
        name="sureness",
        marker={
            "size": [5 + 13 * share[c] for c in cells],
            "symbol": ["circle" if share[c] < 0.15 else "circle-open" for c in cells],
            "color": [inks[c] for c in cells],
            "line": {"width": 1.5, "color": [inks[c] for c in cells]},
        },
    )
    for name, size, symbol in (
        ("sure", 6, "circle"),
        ("unsure: interval as wide as the scale", 15, "circle-open"),
    ):
        figure.add_scatter(
            x=[None],
            y=[None],
            mode="markers",
            name=name,
            marker={"size": size, "symbol": symbol, "color": look.ink},
        )


def _draw_scale(
    figure: go.Figure, quantity: str, reach: float, change: bool, known: bool, some_unknown: bool, look: Look
) -> None:
    what = "change since the baseline" if change else "difference from the pack's middle"
    if known:
        scale_bar(figure, reach, f"{what} [{shown_unit(quantity)}]", look)
        figure.update_layout(margin_b=74, height=figure.layout.height + 58)
    if some_unknown:
        figure.add_bar(
            x=[None],
            y=[None],
            name="not known from this log",
            marker={
                "color": look.panel,
                "line": {"color": look.soft, "width": 1},
                "pattern": hatching(look, 6),
            },
        )


def _draw_links(figure: go.Figure, pack: Pack, drawing: Drawing, look: Look, small: bool) -> None:
    if not drawing.links:
        return
    xs: list[float | None] = []
    ys: list[float | None] = []
    for _, _, points in drawing.links:
        xs += [*(p[0] for p in points), None]
        ys += [*(p[1] for p in points), None]
    figure.add_scatter(
        x=xs,
        y=ys,
        mode="lines",
        line={"color": look.soft, "width": 2 if small else 3},
        hoverinfo="skip",
        showlegend=False,
        name="links",
    )
    if small:
        return
    taps = set(pack.joint_cells())
    middles = [halfway(points) for _, _, points in drawing.links]
    tap = [after if after in taps else before for before, after, _ in drawing.links]
    figure.add_scatter(
        x=[m[0] for m in middles],
        y=[m[1] for m in middles],
        mode="markers",
        name="link between modules",
        marker={
            "symbol": "square",
            "size": 10,
            "color": look.paper,
            "line": {"color": look.ink, "width": 1.5},
        },
        customdata=[["joint", after] for _, after, _ in drawing.links],
        hoverinfo="text",
        hovertext=[
            f"<b>link, cell {b} to cell {a}</b><br>lies in the tap of cell {t}"
            for (b, a, _), t in zip(drawing.links, tap, strict=True)
        ],
    )


def _draw_modules(figure: go.Figure, drawing: Drawing, look: Look) -> None:
    names = list(drawing.modules)
    if not names:
        return
    places = [drawing.modules[n] for n in names]
    for p in places:
        framed(figure, p, look.ink, away=0.06)
    figure.add_scatter(
        x=[p.left + 0.7 for p in places],
        y=[p.top - 0.25 for p in places],
        mode="text",
        textposition="middle right",
        text=[f"module {safe(n)}" for n in names],
        textfont={"size": SMALL, "color": look.soft},
        showlegend=False,
        customdata=[["module", n] for n in names],
        hoverinfo="text",
        hovertext=[f"<b>module {safe(n)}</b><br>click to pick its cells" for n in names],
        name="modules",
    )


def _draw_findings(
    figure: go.Figure, drawing: Drawing, findings: Iterable[Finding], look: Look, small: bool
) -> None:
    worst: dict[int, str] = {}
    for finding in findings:
        for cell in finding.cells:
            level = worst.get(cell, finding.level)
            worst[cell] = min(level, finding.level, key=lambda v: LEVELS.index(v))
    for level in LEVELS:
        cells = [c for c, w in sorted(worst.items()) if w == level and c in drawing.cells]
        if not cells:
            continue
        figure.add_scatter(
            x=[drawing.cells[c].left + 0.8 for c in cells],
            y=[drawing.cells[c].top + 0.04 for c in cells],
            mode="markers",
            name=f"finding: {LEVEL_WORDS[level].lower()}",
            hoverinfo="skip",
            marker={
                "symbol": LEVEL_SYMBOLS[level],
                "size": 9 if small else 13,
                "color": look.accent,
                "line": {"color": look.paper, "width": 1},
            },
        )
