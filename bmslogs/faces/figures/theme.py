"""The look of every picture: palettes for light, dark and paper, one plotly template each.

The colours are our own. Series colours and the diverging scale differ in lightness as well as in hue, so
they hold for colour-blind readers and in grey print; text against its ground meets WCAG AA (4.5 to 1).
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import plotly.graph_objects as go

from bmslogs.faces.figures.words import safe

FONT = 'system-ui, -apple-system, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif'
"""Fonts that the reader's machine has; none is downloaded."""
SMALL, NORMAL, LARGE = 12, 14, 17
"""The three sizes of type [px]."""
TIME_AXIS = "time, UTC"
"""Title of every axis of time: no hour is missing or stands twice on it, whatever the clocks did."""
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
"""Line styles in step with the series colours, so that no line is told by colour alone."""


@dataclass(frozen=True)
class Look:
    """Colours of one scheme.

    Attributes
    ----------
    ink, soft
        Text and lines; quieter text.
    paper, panel, grid
        Ground of the page, ground of raised parts and of cells without a value, lines of the grid.
    accent
        What is picked or pointed at.
    band
        Fill between the lowest and the highest cell.
    unknown
        Hatching of what the log cannot tell.
    series
        Colours of single lines.
    below, middle, above
        Ends and middle of the diverging scale.
    room
        Width that a picture has where that is little [px]; 0 where it is enough for what stands beside the plot.
    """

    name: str
    ink: str
    soft: str
    paper: str
    panel: str
    grid: str
    accent: str
    band: str
    unknown: str
    series: tuple[str, ...]
    below: tuple[str, str]
    middle: str
    above: tuple[str, str]
    room: int = 0

    @property
    def scale(self) -> list[tuple[float, str]]:
        """Diverging colour scale from below to above, symmetric about its middle."""
        return [
            (0.0, self.below[0]),
            (0.25, self.below[1]),
            (0.5, self.middle),
            (0.75, self.above[1]),
            (1.0, self.above[0]),
        ]


LIGHT = Look(
    "light",
    ink="#1f2a30",
    soft="#55626a",
    paper="#ffffff",
    panel="#f1f3f2",
    grid="#dde2e1",
    accent="#8a1f5c",
    band="rgba(85,98,106,0.22)",
    unknown="#7b868c",
    series=("#00616e", "#b34700", "#5a45a8", "#756200", "#a5205f", "#2463b0"),
    below=("#17548f", "#7fabd6"),
    middle="#f0efe9",
    above=("#96450a", "#dd9f62"),
)
DARK = Look(
    "dark",
    ink="#e8ecec",
    soft="#a9b4b8",
    paper="#182024",
    panel="#222c31",
    grid="#36434a",
    accent="#f29ac7",
    band="rgba(169,180,184,0.24)",
    unknown="#8d999e",
    series=("#52c4cd", "#f49b56", "#b3a4f5", "#d5c34d", "#f288b6", "#86b8f4"),
    below=("#7db9f5", "#3f6d9c"),
    middle="#2d383d",
    above=("#f5a661", "#96602c"),
)
PHONE, TABLET = 340, 720
"""Width of a picture on a small screen held upright [px]."""
LOOKS = {look.name: look for look in (LIGHT, DARK)}
LOOKS |= {
    f"{look.name} {room}": replace(look, room=room) for look in (LIGHT, DARK) for room in (PHONE, TABLET)
}
"""Looks by name; with the room behind it for small screens."""


@cache
def template(look: Look) -> go.layout.Template:
    """Return the plotly template of one look."""
    axis = {
        "gridcolor": look.grid,
        "linecolor": look.soft,
        "tickcolor": look.soft,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "showline": True,
        "automargin": True,
        "title": {"standoff": 8},
        "tickfont": {"size": SMALL, "color": look.soft},
        "title_font": {"size": SMALL, "color": look.ink},
    }
    return go.layout.Template(
        layout={
            "font": {"family": FONT, "size": NORMAL, "color": look.ink},
            "paper_bgcolor": look.paper,
            "plot_bgcolor": look.paper,
            "colorway": list(look.series),
            "xaxis": axis,
            "yaxis": axis,
            "hovermode": "closest",
            "dragmode": "zoom",
            "hoverlabel": {
                "font": {"family": FONT, "size": SMALL, "color": look.ink},
                "bgcolor": look.panel,
                "bordercolor": look.soft,
                "align": "left",
            },
            "legend": {
                "orientation": "h",
                "yanchor": "bottom",
                "y": 1.02,
                "xanchor": "left",
                "x": 0,
                "font": {"size": SMALL},
                "bgcolor": "rgba(0,0,0,0)",
            },
            "margin": {"l": 78, "r": 20, "t": 36, "b": 48},
        }
    )


def blank(look: Look = LIGHT, height: int = 340, **layout: object) -> go.Figure:
    """Return an empty figure in the given look, `height` px high."""
    room = {"meta": {"room": look.room}} if look.room else {}
    return go.Figure(layout={"template": template(look), "height": height, **room, **layout})


def nothing(sentence: str, look: Look = LIGHT, height: int = 200) -> go.Figure:
    """Return a picture that says in one sentence why there is none."""
    figure = blank(look, height)
    figure.update_xaxes(visible=False, range=[0, 1])
    figure.update_yaxes(visible=False, range=[0, 1])
    figure.add_annotation(
        x=0.5, y=0.5, showarrow=False, text=wrapped(sentence, 42), font={"size": NORMAL, "color": look.soft}
    )
    return figure


def wrapped(text: str, width: int = 64) -> str:
    """Return text broken into lines for a picture, with everything that plotly reads as markup escaped."""
    return "<br>".join(safe(line) for line in textwrap.wrap(text, width)) or ""


def mix(first: str, second: str, share: float) -> str:
    """Return the colour that lies the fraction `share` (0..1) of the way from `first` to `second` (#rrggbb)."""
    a, b = (tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (first, second))
    return "#" + "".join(f"{round(x + (y - x) * share):02x}" for x, y in zip(a, b, strict=True))


def colour_of(value: float, reach: float, look: Look) -> str:
    """Return the colour of a difference on the diverging scale that reaches from -reach to +reach."""
    place = 0.5 + 0.5 * max(-1.0, min(1.0, value / reach if reach > 0 else 0.0))
    stops = look.scale
    for (p0, c0), (p1, c1) in pairwise(stops):
        if place <= p1:
            return mix(c0, c1, (place - p0) / (p1 - p0))
    return stops[-1][1]


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (#rrggbb), 0..1, as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two colours, 1..21, as WCAG 2.2 defines it."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def text_on(ground: str) -> str:
    """Return black or white ink, whichever reads better on `ground`."""
    return max(("#11181c", "#ffffff"), key=lambda ink: contrast(ink, ground))


def series(look: Look, index: int) -> dict[str, object]:
    """Return the line of series number `index` (0..): colour and dash go together."""
    return {"color": look.series[index % len(look.series)], "dash": DASHES[index % len(DASHES)], "width": 2}


def heads(figure: go.Figure, texts: Sequence[tuple[float, str]], look: Look, y: float = 1.0) -> None:
    """Write short names along the top edge of the plot, each centred at its x."""
    for x, text in texts:
        figure.add_annotation(
            x=x,
            y=y,
            yref="paper",
            yanchor="bottom",
            text=safe(text),
            showarrow=False,
            font={"size": SMALL, "color": look.soft},
        )
