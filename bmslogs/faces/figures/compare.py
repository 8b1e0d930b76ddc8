"""Pictures between packs: side by side, before and after, over the months."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.pack import Pack
from bmslogs.faces.figures.cells import cell_axis, module_names
from bmslogs.faces.figures.scene import below_legend
from bmslogs.faces.figures.theme import LIGHT, Look, blank, nothing
from bmslogs.faces.figures.words import axis_title, safe, title_of

EVENT_ROWS = 3
SYMBOLS = ("circle", "diamond", "square", "triangle-up", "cross", "star")


def side_by_side(comparison: Mapping[str, Any], quantity: str, *, look: Look = LIGHT) -> go.Figure:
    """Draw one quantity of several packs: the medians with intervals, every cell as a dot beside.

    Parameters
    ----------
    comparison
        JSON object of schema bmslogs.comparison/1.
    quantity
        Key of one of its quantities.
    """
    entry = next((q for q in comparison.get("quantities", ()) if q["quantity"] == quantity), None)
    if entry is None:
        return nothing(f"{title_of(quantity)}: not in this comparison.", look)
    if not entry.get("comparable", True):
        return nothing(f"{title_of(quantity)}: not comparable. {entry.get('why_not') or ''}", look)
    packs = [p for p in entry["packs"] if p.get("median") is not None]
    if not packs:
        return nothing(f"{title_of(quantity)}: no pack has an estimate.", look)
    known = QUANTITIES.get(quantity)
    factor, centre = (known.shown_factor, known.centre or 0.0) if known else (1.0, 0.0)
    figure = blank(look, 90 + 64 * len(packs) + 70)
    for n, pack in enumerate(packs):
        cells = [c for c in pack.get("cells", ()) if c.get("value") is not None]
        figure.add_scatter(
            x=[(c["value"] - centre) * factor for c in cells],
            y=[n - 0.24] * len(cells),
            mode="markers",
            name="one cell",
            showlegend=n == 0,
            hoverinfo="text",
            hovertext=[f"{safe(pack['pack'])}, cell {c['cell']}" for c in cells],
            marker={
                "symbol": "line-ns-open",
                "size": 11,
                "color": look.series[n % len(look.series)],
                "line": {"width": 1.5},
            },
        )
        if known and known.centre is not None:
            _spread(figure, pack, cells, (n, centre, factor), look)
            continue
        _median_of(figure, pack, (n, centre, factor), look)
    figure.update_yaxes(
        tickvals=list(range(len(packs))),
        ticktext=[safe(p.get("name", p["pack"])) for p in packs],
        range=[len(packs) - 0.4, -0.6],
        showgrid=False,
    )
    figure.update_xaxes(title_text=f"{axis_title(quantity)}{_reference(entry.get('reference'))}")
    return below_legend(figure).update_layout(legend_y=-0.42 + 0.03 * len(packs))


def _median_of(figure: go.Figure, pack: Mapping[str, Any], at: tuple[int, float, float], look: Look) -> None:
    """Draw the median of a pack with its interval; `at`: its row, and centre and factor of the shown unit."""
    n, centre, factor = at
    value = (pack["median"] - centre) * factor
    low = (pack["low"] - centre) * factor if pack.get("low") is not None else value
    high = (pack["high"] - centre) * factor if pack.get("high") is not None else value
    figure.add_scatter(
        x=[value],
        y=[n],
        mode="markers",
        name="pack, 95 % interval",
        showlegend=n == 0,
        marker={
            "size": 12,
            "symbol": SYMBOLS[n % len(SYMBOLS)],
            "color": look.series[n % len(look.series)],
        },
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [high - value],
            "arrayminus": [value - low],
            "thickness": 2,
            "width": 6,
        },
        hovertemplate=f"{safe(pack['pack'])}: %{{x:.4g}}<extra></extra>",
    )


def _spread(
    figure: go.Figure,
    pack: Mapping[str, Any],
    cells: Sequence[Mapping[str, Any]],
    where: tuple[int, float, float],
    look: Look,
) -> None:
    """Draw how far the cells of a pack part: a line from the lowest to the highest, a bar over the middle half.

    Against the pack's own middle every pack's middle is nought; what tells packs apart is the spread.
    """
    n, centre, factor = where
    values = np.array([(c["value"] - centre) * factor for c in cells])
    if not len(values):
        return
    low, first, third, high = np.percentile(values, [0, 25, 75, 100])
    colour = look.series[n % len(look.series)]
    figure.add_scatter(
        x=[low, high], y=[n + 0.1] * 2, mode="lines", line={"color": colour, "width": 2},
        name="lowest to highest cell", showlegend=n == 0,
        hovertemplate=f"{safe(pack.get('name', pack['pack']))}: %{{x:+.2f}}<extra></extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=[first, third], y=[n + 0.1] * 2, mode="lines", line={"color": colour, "width": 12}, opacity=0.45,
        name="middle half of the cells", showlegend=n == 0, hoverinfo="skip",
    )  # fmt: skip


def _reference(reference: Mapping[str, Any] | None) -> str:
    if not reference:
        return ""
    parts = []
    if reference.get("temperature_C") is not None:
        parts.append(f"{reference['temperature_C']:.0f} degC")
    if reference.get("soc_low") is not None and reference.get("soc_high") is not None:
        parts.append(f"{100 * reference['soc_low']:.0f} to {100 * reference['soc_high']:.0f} % charge")
    return f", at {', '.join(parts)}" if parts else ""


def before_after(
    pack: Pack, changes: Sequence[Mapping[str, Any]], quantity: str, *, look: Look = LIGHT, height: int = 340
) -> go.Figure:
    """Draw before and after joined per cell, the pack median taken out.

    Parameters
    ----------
    changes
        Entries ``cell``, ``quantity``, ``ratio``, ``low``, ``high``, ``finding`` of a comparison.
    """
    rows = [c for c in changes if c.get("quantity") == quantity and c.get("ratio") is not None]
    if not rows:
        return nothing(
            f"{title_of(quantity)}: the two logs have no cell in common that both determine.", look
        )
    figure = blank(look, height)
    place = cell_axis(figure, pack, look)
    rows = [r for r in rows if r["cell"] in place]
    for finding, name, colour, symbol in (
        (False, "changed no more than the pack", look.series[0], "circle"),
        (True, "changed by itself", look.accent, "diamond"),
    ):
        part = [r for r in rows if bool(r.get("finding")) == finding]
        if not part:
            continue
        xs: list[float | None] = []
        ys: list[float | None] = []
        for r in part:
            xs += [place[r["cell"]], place[r["cell"]], None]
            ys += [0.0, 100 * (r["ratio"] - 1), None]
        figure.add_scatter(
            x=xs, y=ys, mode="lines", line={"color": colour, "width": 2}, showlegend=False, hoverinfo="skip"
        )
        figure.add_scatter(
            x=[place[r["cell"]] for r in part],
            y=[100 * (r["ratio"] - 1) for r in part],
            mode="markers",
            name=name,
            marker={"size": 10, "symbol": symbol, "color": colour},
            customdata=[["cell", r["cell"]] for r in part],
            error_y={
                "type": "data",
                "symmetric": False,
                "color": colour,
                "thickness": 1.3,
                "array": [100 * ((r.get("high") or r["ratio"]) - r["ratio"]) for r in part],
                "arrayminus": [100 * (r["ratio"] - (r.get("low") or r["ratio"])) for r in part],
            },
            hovertemplate="%{y:+.1f} %<extra></extra>",
        )
    figure.add_scatter(
        x=[place[r["cell"]] for r in rows],
        y=[0] * len(rows),
        mode="markers",
        name="before",
        hoverinfo="skip",
        marker={"size": 7, "symbol": "circle-open", "color": look.ink},
    )
    module_names(figure, pack, look, place)
    figure.update_yaxes(title_text="after against before,<br>pack median taken out [%]")
    return below_legend(figure)
