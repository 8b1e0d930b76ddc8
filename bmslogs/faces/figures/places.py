"""What places do in all vehicles of one design, drawn over the boxes of its pack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import plotly.graph_objects as go

from bmslogs.base.pack import Pack
from bmslogs.faces.figures.boxes import framed, ground
from bmslogs.faces.figures.plan import Place, plan
from bmslogs.faces.figures.scale import hatching, scale_bar
from bmslogs.faces.figures.shades import round_up
from bmslogs.faces.figures.theme import LIGHT, SMALL, Look, blank, colour_of, nothing, text_on
from bmslogs.faces.figures.words import safe, sentence, title_of
from bmslogs.faces.numbers import interval

BAR = 0.34
"""Height of the strip above a module's cells that shows the module as a whole, in cell widths."""
LEAST_REACH = 10.0
"""The scale reaches this far at least [% of the pack median]: smaller effects stay pale (choice)."""


def effect_text(effect: Mapping[str, Any]) -> str:
    """Return an effect with its interval, such as ``+12.0 % (+5.0 to +19.0)``."""
    return interval(effect["effect"], effect.get("low"), effect.get("high"), "%", factor=100.0, sign=True)


def place_map(
    pack: Pack, effects: Sequence[Mapping[str, Any]], quantity: str, *, look: Look = LIGHT
) -> go.Figure:
    """Draw what each place adds in all vehicles of one design over the boxes of that design.

    Parameters
    ----------
    pack
        Any pack of the design: they share boxes, modules and cells.
    effects
        Entries ``position`` (a module's name or ``cell 7``), ``quantity``, ``effect``, ``low``, ``high`` (fractions of
        the pack median), ``vehicles`` and ``stands_out``; a place that is not among them is hatched as not
        determinable.
    quantity
        Which of their quantities.

    Returns
    -------
    plotly figure: cells, and a strip above each module for the module as a whole; where nothing is known cell by cell
    (temperatures), the modules alone. `customdata` is ``["cell", n]`` or ``["module", name]``.
    """
    told = {str(e["position"]): e for e in effects if e["quantity"] == quantity}
    if not told:
        return nothing(f"{title_of(quantity)}: no place of this design can be told.", look)
    drawing = plan(pack)
    figure = blank(
        look, int(drawing.height * 46) + 148, showlegend=True, barmode="overlay", bargap=0, dragmode=False
    )
    figure.update_layout(margin={"l": 8, "r": 8, "t": 40, "b": 74}, legend={"y": 1.0, "itemsizing": "trace"})
    ground(figure, drawing, look)
    reach = round_up(max([LEAST_REACH, *(100 * abs(e["effect"]) for e in told.values())]))
    by_cell = any(name.startswith("cell ") for name in told)
    blocks: list[tuple[Place, str, list[Any], str]] = []
    for name, place in drawing.modules.items():
        strip = Place(name, place.left, place.top - BAR, place.width, BAR) if by_cell else place
        blocks.append((strip, name, ["module", name], f"module {name}"))
    if by_cell:
        blocks += [(p, f"cell {c}", ["cell", c], pack.place(c)) for c, p in drawing.cells.items()]
    _blocks(figure, blocks, told, reach, look)
    for place in drawing.modules.values():
        top = place.top - BAR if by_cell else place.top
        whole = Place(place.name, place.left, top, place.width, place.top + place.height - top)
        framed(figure, whole, look.ink)
    scale_bar(figure, reach, "effect of the place [% of the pack median]", look)
    return figure


def _blocks(
    figure: go.Figure,
    blocks: Sequence[tuple[Place, str, list[Any], str]],
    told: Mapping[str, Mapping[str, Any]],
    reach: float,
    look: Look,
) -> None:
    """Draw every place in its colour, hatched where nothing can be told, marked where it stands out."""
    inks, labels = [], []
    for known in (True, False):
        part = [b for b in blocks if (b[1] in told) == known]
        if not part:
            continue
        fills = [colour_of(100 * told[b[1]]["effect"], reach, look) if known else look.panel for b in part]
        figure.add_bar(
            x=[b[0].middle[0] for b in part],
            y=[b[0].height for b in part],
            base=[b[0].top for b in part],
            width=[b[0].width for b in part],
            customdata=[b[2] for b in part],
            hovertext=[_hover(b[3], told.get(b[1])) for b in part],
            hoverinfo="text",
            name="places" if known else "not determinable: fewer than three vehicles tell",
            showlegend=not known,
            marker={
                "color": fills if known else look.panel,
                "line": {"color": look.soft, "width": 1},
                **({} if known else {"pattern": hatching(look)}),
            },
        )
        inks += [text_on(f) if known else look.ink for f in fills]
        labels += [(b[0], b[2]) for b in part]
    figure.add_scatter(
        x=[p.middle[0] for p, _ in labels],
        y=[p.middle[1] if kind[0] == "module" else p.top + 0.33 for p, kind in labels],
        mode="text",
        text=[safe(str(kind[1])) for _, kind in labels],
        textfont={"size": SMALL, "color": inks},
        hoverinfo="skip",
        showlegend=False,
        name="numbers",
    )
    out = [b for b in blocks if told.get(b[1], {}).get("stands_out")]
    if out:
        figure.add_scatter(
            x=[b[0].left + b[0].width - min(0.2, b[0].width / 4) for b in out],
            y=[b[0].top + min(0.2, b[0].height / 2) for b in out],
            mode="markers",
            name="stands out: beyond chance, and large enough to matter",
            hoverinfo="skip",
            marker={
                "symbol": "diamond",
                "size": 12,
                "color": look.accent,
                "line": {"color": look.paper, "width": 1},
            },
        )


def _hover(place: str, effect: Mapping[str, Any] | None) -> str:
    name = f"<b>{safe(sentence(place))}</b>"
    if effect is None:
        return f"{name}<br>not determinable: fewer than three vehicles tell of it"
    says = f"{effect_text(effect)} of the pack median, {effect['vehicles']} vehicles"
    word = effect.get("strength", "suggests")
    out = f"stands out: {word} the place as the cause" if effect.get("stands_out") else "does not stand out"
    return f"{name}<br>{safe(says)}<br>{out}"
