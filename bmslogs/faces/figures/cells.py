"""One quantity over the cells in pack order, with whiskers; modules parted by gaps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import plotly.graph_objects as go

from bmslogs.base.pack import Pack
from bmslogs.base.results import Estimate
from bmslogs.faces.figures.theme import LIGHT, Look, blank, heads, nothing
from bmslogs.faces.figures.words import (
    axis_title,
    conditions_line,
    is_difference,
    safe,
    say_estimate,
    short_place,
    shown,
    title_of,
)

MODULE_GAP = 0.9  # between modules, in cell widths


def positions(pack: Pack) -> dict[int, float]:
    """Return cell -> x, in pack order with a gap where a module ends."""
    out: dict[int, float] = {}
    x = 0.0
    for cell in range(1, pack.cells_in_series + 1):
        if cell > 1 and pack.modules and pack.module_of(cell) != pack.module_of(cell - 1):
            x += MODULE_GAP
        out[cell] = x
        x += 1.0
    return out


def cell_axis(figure: go.Figure, pack: Pack, look: Look, **where: object) -> dict[int, float]:
    """Lay out the x axis of a picture over the cells; return cell -> x."""
    place = positions(pack)
    n = pack.cells_in_series
    step = next(s for s in (1, 2, 4, 5, 10, 20, 50, 100) if n / s <= 26)
    ticks = [c for c in place if c == 1 or c % step == 0] if step > 1 else list(place)
    figure.update_xaxes(
        tickvals=[place[c] for c in ticks],
        ticktext=[str(c) for c in ticks],
        title_text="cell, from pack negative",
        range=[-0.8, max(place.values()) + 0.8],
        showgrid=False,
        tickangle=0,
        **where,
    )
    return place


def module_names(figure: go.Figure, pack: Pack, look: Look, place: dict[int, float]) -> None:
    """Write the modules' names over their cells; every second one only where they would overlap."""
    names = [(m.name, [place[c] for c in m.cells if c in place]) for m in pack.modules]
    names = [(n, xs) for n, xs in names if xs]
    if not names:
        return
    room = (look.room or 900) * min(len(xs) for _, xs in names) / max(1.0, max(place.values()))
    longest = max(len(n) for n, _ in names) * 7
    every = max(1, -(-int(longest) // max(1, int(room))))
    heads(figure, [((min(xs) + max(xs)) / 2, n) for n, xs in names[::every]], look)


def per_cell(
    pack: Pack,
    estimates: Sequence[Estimate],
    quantity: str,
    *,
    named: Iterable[int] = (),
    picked: Iterable[int] = (),
    look: Look = LIGHT,
    height: int = 320,
) -> go.Figure:
    """Draw one quantity over the cells with its 95 % intervals.

    Parameters
    ----------
    named, picked
        Cells named in a finding (drawn heavy, labelled) and cells that are picked (ringed).
    """
    if not estimates:
        return nothing(f"{title_of(quantity)}: this log gives no estimate.", look, height)
    figure = blank(look, height, showlegend=True)
    place = cell_axis(figure, pack, look)
    known = [(e, t) for e in estimates if e.cell in place and (t := shown(e)) is not None]
    unknown = [e for e in estimates if e.cell in place and shown(e) is None]
    heavy = set(named)
    for name, cells, symbol, colour in (
        ("cell", [k for k in known if k[0].cell not in heavy], "circle", look.series[0]),
        ("named in a finding", [k for k in known if k[0].cell in heavy], "diamond", look.accent),
    ):
        if cells:
            figure.add_scatter(
                x=[place[e.cell or 0] for e, _ in cells],
                y=[t[0] for _, t in cells],
                mode="markers",
                name=name,
                marker={"symbol": symbol, "size": 8 if symbol == "circle" else 12, "color": colour},
                error_y={
                    "type": "data",
                    "symmetric": False,
                    "array": [t[2] - t[0] for _, t in cells],
                    "arrayminus": [t[0] - t[1] for _, t in cells],
                    "thickness": 1.5,
                    "width": 4,
                    "color": colour,
                },
                customdata=[["cell", e.cell] for e, _ in cells],
                hoverinfo="text",
                hovertext=[_hover(pack, e) for e, _ in cells],
            )
    if known:
        lows, highs = [t[1] for _, t in known], [t[2] for _, t in known]
        _middle_line(figure, quantity, [t[0] for _, t in known], look)
        bottom, top = min(lows), max(highs)
        if is_difference(quantity):
            bottom, top = min(bottom, 0.0), max(top, 0.0)
        room = max((top - bottom) * 0.12, abs(top) * 1e-3, 1e-6)
        bottom, top = bottom - room, top + room
    else:
        bottom, top = 0.0, 1.0
        figure.update_yaxes(showticklabels=False)
    _unknown_bars(figure, pack, unknown, place, (bottom, top), look)
    _mark_picked(figure, picked, place, known, look)
    _mark_links(figure, pack, place, bottom, look)
    module_names(figure, pack, look, place)
    figure.update_yaxes(title_text=_axis(quantity), range=[bottom, top])
    figure.update_layout(legend={"y": -0.24, "yanchor": "top"}, margin={"t": 30, "b": 90})
    return figure


def _axis(quantity: str) -> str:
    title = axis_title(quantity)
    return (
        title
        if len(title) < 34
        else title.replace(" against the pack's middle", "<br>against the pack's middle")
    )


def _middle_line(figure: go.Figure, quantity: str, values: list[float], look: Look) -> None:
    ordered = sorted(values)
    n = len(ordered)
    level = 0.0 if is_difference(quantity) else (ordered[(n - 1) // 2] + ordered[n // 2]) / 2
    figure.add_hline(y=level, line={"color": look.soft, "width": 1, "dash": "dash"})


def _hover(pack: Pack, estimate: Estimate) -> str:
    lines = [f"<b>{safe(pack.place(estimate.cell or 0))}</b>", safe(say_estimate(estimate))]
    if estimate.conditions:
        lines.append(safe(conditions_line(estimate.conditions)))
    if estimate.settle_by:
        lines.append(f"would settle it: {safe(estimate.settle_by)}")
    return "<br>".join(line for line in lines if line)


def _unknown_bars(
    figure: go.Figure,
    pack: Pack,
    unknown: Sequence[Estimate],
    place: dict[int, float],
    span: tuple[float, float],
    look: Look,
) -> None:
    if not unknown:
        return
    figure.add_bar(
        x=[place[e.cell or 0] for e in unknown],
        y=[span[1] - span[0]] * len(unknown),
        base=span[0],
        width=0.9,
        name="not known from this log",
        customdata=[["cell", e.cell] for e in unknown],
        hoverinfo="text",
        hovertext=[_hover(pack, e) for e in unknown],
        marker={
            "color": look.panel,
            "line": {"width": 0},
            "pattern": {
                "shape": "/",
                "fgcolor": look.unknown,
                "bgcolor": look.panel,
                "fillmode": "replace",
                "size": 7,
                "solidity": 0.25,
            },
        },
    )


def _mark_picked(
    figure: go.Figure,
    picked: Iterable[int],
    place: dict[int, float],
    known: Sequence[tuple[Estimate, tuple[float, float, float]]],
    look: Look,
) -> None:
    values = {e.cell: t[0] for e, t in known}
    cells = [c for c in picked if c in values]
    if cells:
        figure.add_scatter(
            x=[place[c] for c in cells],
            y=[values[c] for c in cells],
            mode="markers",
            name="picked",
            hoverinfo="skip",
            marker={"symbol": "circle-open", "size": 18, "color": look.accent, "line": {"width": 2.5}},
        )


def _mark_links(figure: go.Figure, pack: Pack, place: dict[int, float], bottom: float, look: Look) -> None:
    taps = [c for c in pack.joint_cells() if c in place]
    if taps:
        figure.add_scatter(
            x=[place[c] for c in taps],
            y=[bottom] * len(taps),
            mode="markers",
            cliponaxis=False,
            name="a link lies in this cell's tap",
            hoverinfo="text",
            customdata=[["joint", c] for c in taps],
            hovertext=[f"a link lies in the tap of {safe(short_place(pack, c))}" for c in taps],
            marker={
                "symbol": "square",
                "size": 7,
                "color": look.paper,
                "line": {"color": look.ink, "width": 1.5},
            },
        )
