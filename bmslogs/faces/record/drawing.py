"""A picture as plain SVG for paper: what plotly would draw of lines, points, bars and shapes, without its library.

The pictures are the same figures as on the screen; drawn here they take some kilobytes each.
"""

from __future__ import annotations

import datetime as dt
import html
import re
from typing import Any

import numpy as np
import plotly.graph_objects as go
from markupsafe import Markup

from bmslogs.faces.record.axes import Axis, Floats, numbers, spanned
from bmslogs.faces.signs import true_minus

SMALL = 9.0  # size of type [px]
LETTER = 5.1  # width of a letter [px]
DASHES = {
    "dash": "5 3",
    "dot": "1.5 2.5",
    "dashdot": "5 2 1.5 2",
    "longdash": "8 3",
    "longdashdot": "8 2 1.5 2",
}
SIGNS = {
    "square": "M-1-1h2v2h-2z", "diamond": "M0-1.3L1.3 0L0 1.3L-1.3 0z", "triangle-up": "M0-1.2L1.1 .9H-1.1z",
    "cross": "M-.4-1.2h.8v.8h.8v.8h-.8v.8h-.8v-.8h-.8v-.8h.8z", "line-ns": "M0-1V1", "x-thin": "M-1-1L1 1M-1 1L1-1",
    "star": "M0-1.3L.4-.4L1.3-.4L.6.2L.8 1.1L0 .6L-.8 1.1L-.6.2L-1.3-.4L-.4-.4z",
}  # fmt: skip


def svg_of(figure: go.Figure, width: int = 330, height: int = 200) -> Markup:
    """Return a figure as SVG.

    Parameters
    ----------
    figure
        Of scatter and bar traces; others are left out.
    width, height
        Of the picture with its legend [px].
    """
    layout = {**figure.layout.template.layout.to_plotly_json(), **figure.layout.to_plotly_json()}
    layout["xaxis"] = {**layout.get("xaxis", {}), **figure.layout.xaxis.to_plotly_json()}
    return _Sheet([t for t in figure.data if t.type in ("scatter", "bar")], layout, width, height).drawn()


class _Sheet:
    """One picture while it is drawn."""

    def __init__(self, traces: list[Any], layout: dict[str, Any], width: int, height: int) -> None:
        self.traces, self.layout, self.width, self.height = traces, layout, width, height
        self.out: list[str] = []
        self.ink = str(layout.get("font", {}).get("color") or "#1f2a30")
        self.hidden = layout.get("xaxis", {}).get("visible") is False
        named = (
            [t for t in traces if t.showlegend is not False and t.name] if layout.get("showlegend") else []
        )
        self.rows = self._legend_rows(named)
        scale: Any = next((t.marker.colorbar for t in traces if t.marker.showscale), None)
        bottom = (8 if self.hidden else 32) + (30 if scale is not None else 0) + 12 * len(self.rows)
        left = 6 if self.hidden else 46
        self.box = (
            left,
            22 if self._heads() else 12,
            width - (6 if self._right() is None else 40),
            height - bottom,
        )
        self.x, self.ys = self._axes()
        self.scale = scale

    def _heads(self) -> bool:
        return any(a.get("yref") == "paper" and float(a.get("y") or 0) >= 0.99 for a in self._notes())

    def _notes(self) -> list[dict[str, Any]]:
        return [dict(a) for a in self.layout.get("annotations") or ()]

    def _right(self) -> dict[str, Any] | None:
        second = self.layout.get("yaxis2")
        return second if second and second.get("side") == "right" else None

    def _axes(self) -> tuple[Axis, dict[str, Axis]]:
        left, top, right, bottom = self.box
        xs: list[Floats] = []
        ys: dict[str, list[Floats]] = {"y": [], "y2": []}
        for t in self.traces:
            if t.x is None or t.y is None:
                continue
            x, y = numbers(t.x), numbers(t.y)
            xs.append(x)
            on = t.yaxis or "y"
            parts: list[Floats] = ys.setdefault(on, [])
            base = (
                numbers(t.base) if t.type == "bar" and t.base is not None and np.ndim(t.base) else np.zeros(1)
            )
            parts += [y + base, base] if t.type == "bar" else [y]
            if t.type == "scatter" and t.error_y.array is not None:
                up = numbers(t.error_y.array)
                down = up if t.error_y.arrayminus is None else numbers(t.error_y.arrayminus)
                parts += [y + up, y - down]
        axis = dict(self.layout["xaxis"])
        if any(_timed(t.x) for t in self.traces):
            axis["type"] = "date"
        made = {}
        for key in ("y", "y2"):
            said = dict(self.layout.get(f"yaxis{key[1:]}") or {})
            low, high = said.get("domain") or (0.0, 1.0)
            made[key] = spanned(said, ys[key], bottom - low * (bottom - top), bottom - high * (bottom - top))
        return spanned(axis, xs, left, right), made

    def drawn(self) -> Markup:
        """Return the SVG."""
        if not self.hidden:
            self._frame()
        for shape in self.layout.get("shapes") or ():
            self._shape(dict(shape))
        for t in self.traces:
            if t.x is None or t.y is None:
                continue
            (self._bars if t.type == "bar" else self._scatter)(t, self.ys.get(t.yaxis or "y", self.ys["y"]))
        for note in self._notes():
            self._note(note)
        if self.scale is not None:
            self._colours()
        self._legend()
        return Markup(
            f'<svg viewBox="0 0 {self.width} {self.height}" width="{self.width}" height="{self.height}" '
            f'font-size="{SMALL:g}" fill="{self.ink}" role="img">' + "".join(self.out) + "</svg>"
        )

    def _text(self, x: float, y: float, text: object, anchor: str = "middle", more: str = "") -> None:
        plain = true_minus(re.sub(r"<br\s*/?>", " ", str(text)))
        plain = html.escape(html.unescape(re.sub(r"</?[a-z]+>", "", plain)), quote=False)
        self.out.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{plain}</text>')

    def _line(
        self, x0: float, y0: float, x1: float, y1: float, colour: str, width: float = 1, dash: str = ""
    ) -> None:
        dashes = f' stroke-dasharray="{DASHES[dash]}"' if dash in DASHES else ""
        self.out.append(
            f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="{colour}" stroke-width="{width:g}"{dashes} '
            'fill="none"/>'
        )

    def _frame(self) -> None:
        left, top, right, bottom = self.box
        said = self.layout["xaxis"]
        ticks = self._ticks(said, self.x, 6)
        for value, text in ticks:
            at = float(self.x.place([value])[0])
            if left - 1 <= at <= right + 1:
                self._line(at, bottom, at, bottom + 3, "#777")
                self._text(at, bottom + 12, text)
        self._text((left + right) / 2, bottom + 24, (said.get("title") or {}).get("text") or "")
        for key, axis in self.ys.items():
            told = dict(self.layout.get(f"yaxis{key[1:]}") or {})
            if not told or told.get("visible") is False:
                continue
            beside = told.get("side") == "right"
            at = right if beside else left
            for value, text in self._ticks(told, axis, 5) if told.get("showticklabels") is not False else ():
                y = float(axis.place([value])[0])
                if min(axis.start, axis.end) - 1 <= y <= max(axis.start, axis.end) + 1:
                    if not beside:
                        self._line(left, y, right, y, "#e3e6e6", 0.6)
                    self._text(at + (4 if beside else -4), y + 3, text, "start" if beside else "end")
            title = (told.get("title") or {}).get("text")
            if title:
                x, y = (self.width - 3 if beside else 9), (axis.start + axis.end) / 2
                self._title_up(x, y, str(title), abs(axis.start - axis.end))
        self._line(left, bottom, right, bottom, "#777")
        self._line(left, top, left, bottom, "#777")

    def _title_up(self, x: float, y: float, title: str, room: float) -> None:
        for n, part in enumerate(title.split("<br>")):
            size = min(1.0, room / (LETTER * max(1, len(part)))) * SMALL
            at = x + 9 * n
            self._text(at, y, part, more=f' font-size="{size:.1f}" transform="rotate(-90 {at:.1f} {y:.1f})"')

    def _ticks(self, said: dict[str, Any], axis: Axis, most: int) -> list[tuple[float, str]]:
        values, texts = said.get("tickvals"), said.get("ticktext")
        if values is None:
            return axis.ticks(most)
        given = list(zip(numbers(list(values)).tolist(), [str(t) for t in texts or values], strict=True))
        widest = max((len(t) for _, t in given), default=1) * LETTER + 5
        step = max(1, -(-int(len(given) * widest) // max(1, int(abs(axis.end - axis.start)))))
        return given if axis is not self.x else given[::step]

    def _scatter(self, t: Any, axis: Axis) -> None:
        x, y = self.x.place(t.x), axis.place(t.y)
        mode = t.mode or "lines"
        colour = str(t.line.color or (t.marker.color if isinstance(t.marker.color, str) else "") or "#00616e")
        if "lines" in mode or t.fill:
            self._path(t, x, y, colour)
        if t.error_y.array is not None:
            self._whiskers(t, x, axis)
        if "markers" in mode:
            self._signs(t, x, y)
        if "text" in mode and t.text is not None:
            anchor = "start" if "right" in str(t.textposition) else "middle"
            inks = t.textfont.color
            for k, text in enumerate(t.text):
                ink = inks[k] if isinstance(inks, list | tuple) else inks or self.ink
                self._text(float(x[k]), float(y[k]) + 3, text, anchor, f' fill="{ink}" font-size="8"')

    def _path(self, t: Any, x: Floats, y: Floats, colour: str) -> None:
        steps, pen = [], "M"
        if len(x) > 700:  # more than paper shows
            keep = np.unique(np.linspace(0, len(x) - 1, 700).astype(int))
            x, y = x[keep], y[keep]
        for a, b in zip(x.tolist(), y.tolist(), strict=True):
            if not (np.isfinite(a) and np.isfinite(b)):
                pen = "M"
                continue
            steps.append(f"{pen}{a:.1f} {b:.1f}")
            pen = "L"
        closed = t.fill == "toself"
        fill = str(t.fillcolor or "none") if closed else "none"
        width = t.line.width if t.line.width is not None else 1.5
        dash = f' stroke-dasharray="{DASHES[t.line.dash]}"' if t.line.dash in DASHES else ""
        seen = f' opacity="{t.opacity:g}"' if t.opacity is not None else ""
        self.out.append(
            f'<path d="{"".join(steps)}{"z" if closed else ""}" fill="{fill}" stroke="{colour}" '
            f'stroke-width="{0.75 * width:g}"{dash}{seen}/>'
        )

    def _whiskers(self, t: Any, x: Floats, axis: Axis) -> None:
        y, up = numbers(t.y), numbers(t.error_y.array)
        down = up if t.error_y.arrayminus is None else numbers(t.error_y.arrayminus)
        high, low = axis.place(y + up), axis.place(y - down)
        steps = [
            f"M{a:.1f} {b:.1f}V{c:.1f}"
            for a, b, c in zip(x, low, high, strict=True)
            if np.isfinite(a + b + c)
        ]
        self.out.append(f'<path d="{"".join(steps)}" stroke="{t.error_y.color or self.ink}" fill="none"/>')

    def _signs(self, t: Any, x: Floats, y: Floats) -> None:
        m = t.marker
        count = len(x)
        step = max(1, count // 500)
        seen = f' opacity="{m.opacity:g}"' if isinstance(m.opacity, int | float) else ""
        self.out.append(f"<g{seen}>")
        for k in range(0, count, step):
            if not (np.isfinite(x[k]) and np.isfinite(y[k])):
                continue
            sign, size, colour = (_each(v, k) for v in (m.symbol, m.size, m.color))
            edge = str(_each(m.line.color, k) or colour or self.ink)
            r = float(size or 6) * 0.38
            self._sign(float(x[k]), float(y[k]), str(sign or "circle"), r, str(colour or self.ink), edge)
        self.out.append("</g>")

    def _sign(self, x: float, y: float, sign: str, r: float, colour: str, edge: str) -> None:
        bare = sign.removesuffix("-open")
        fill = "none" if sign != bare or bare in ("line-ns", "x-thin") else colour
        edge = colour if sign != bare else edge
        if bare == "circle":
            drawn = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{fill}" stroke="{edge}" stroke-width=".8"/>'
            self.out.append(drawn)
            return
        self.out.append(
            f'<path d="{SIGNS.get(bare, SIGNS["square"])}" transform="translate({x:.1f} {y:.1f}) scale({r:.1f})" '
            f'fill="{fill}" stroke="{edge}" stroke-width="{0.8 / r:.2f}"/>'
        )

    def _bars(self, t: Any, axis: Axis) -> None:
        x, y = numbers(t.x), numbers(t.y)
        base = (
            numbers(t.base)
            if t.base is not None and np.ndim(t.base)
            else np.full(len(x), float(t.base or 0.0))
        )
        wide = t.width
        for k in range(len(x)):
            half = 0.5 * float(_each(wide, k) or 0.8)
            if not np.isfinite(x[k] + y[k]):
                continue
            a, b = self.x.place([x[k] - half, x[k] + half])
            c, d = axis.place([base[k], base[k] + y[k]])
            colour = str(_each(t.marker.color, k) or "#00616e")
            edge = str(_each(t.marker.line.color, k) or "none")
            self.out.append(
                f'<rect x="{min(a, b):.1f}" y="{min(c, d):.1f}" width="{abs(b - a):.1f}" height="{abs(d - c):.1f}" '
                f'fill="{"url(#hatch)" if t.marker.pattern.shape else colour}" stroke="{edge}" stroke-width=".8"/>'
            )

    def _ends(self, part: dict[str, Any]) -> tuple[float, float, float, float]:
        left, top, right, bottom = self.box
        xref, yref = str(part.get("xref") or "x"), str(part.get("yref") or "y")
        axis = self.ys.get(yref.split(" ")[0], self.ys["y"])
        x = [part.get("x0"), part.get("x1")]
        y = [part.get("y0"), part.get("y1")]
        a, b = (left + float(v or 0) * (right - left) for v in x) if xref != "x" else self.x.place(x)
        c, d = (
            (bottom - float(v or 0) * (bottom - top) for v in y) if yref not in ("y", "y2") else axis.place(y)
        )
        return float(a), float(c), float(b), float(d)

    def _shape(self, part: dict[str, Any]) -> None:
        a, c, b, d = self._ends(part)
        line = part.get("line") or {}
        width = line.get("width", 1)
        if part.get("type") == "line":
            self._line(a, c, b, d, str(line.get("color") or self.ink), width, str(line.get("dash") or ""))
            return
        edge = line.get("color") if width else None
        self.out.append(
            f'<rect x="{min(a, b):.1f}" y="{min(c, d):.1f}" width="{abs(b - a):.1f}" height="{abs(d - c):.1f}" '
            f'fill="{part.get("fillcolor") or "none"}" opacity="{part.get("opacity") or 1}" '
            f'stroke="{edge or "none"}" stroke-width="{width}"/>'
        )

    def _note(self, note: dict[str, Any]) -> None:
        a, c, _, _ = self._ends(
            {**note, "x0": note.get("x"), "x1": note.get("x"), "y0": note.get("y"), "y1": note.get("y")}
        )
        anchor = {"left": "start", "right": "end"}.get(str(note.get("xanchor")), "middle")
        down = {"bottom": -3, "top": 9}.get(str(note.get("yanchor")), 3)
        self._text(a, c + down - float(note.get("yshift") or 0) * 0.6, note.get("text") or "", anchor)

    def _colours(self) -> None:
        left, _, right, bottom = self.box
        bar: Any = self.scale
        wide = 0.6 * (right - left)
        x, y = left + 0.2 * (right - left), bottom + (6 if self.hidden else 30)
        trace = next(t for t in self.traces if t.marker.showscale)
        stops = "".join(f'<stop offset="{p:g}" stop-color="{c}"/>' for p, c in trace.marker.colorscale or ())
        name = f"s{abs(hash(stops + str(bar.title.text))) % 10**8}"
        self.out.append(
            f'<linearGradient id="{name}">{stops}</linearGradient>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="7" fill="url(#{name})"/>'
        )
        low, high = float(trace.marker.cmin), float(trace.marker.cmax)
        for value, text in zip(bar.tickvals or (), bar.ticktext or (), strict=True):
            self._text(x + wide * (float(value) - low) / (high - low), y + 16, text)
        self._text(x + wide / 2, y + 26, bar.title.text or "")

    def _legend_rows(self, named: list[Any]) -> list[list[Any]]:
        rows: list[list[Any]] = []
        used = self.width + 1.0
        for t in named:
            wide = 22 + LETTER * len(str(t.name))
            if used + wide > self.width - 8:
                rows.append([])
                used = 0.0
            rows[-1].append(t)
            used += wide
        return rows

    def _legend(self) -> None:
        y = self.height - 12.0 * len(self.rows) + 8
        for row in self.rows:
            x = 8.0
            for t in row:
                colour = str(_each(t.marker.color, 0) or t.line.color or self.ink)
                if t.type == "scatter" and "lines" in (t.mode or "lines"):
                    width = min(4.0, float(t.line.width or 1.5))
                    self._line(
                        x, y - 3, x + 14, y - 3, str(t.line.color or colour), width, str(t.line.dash or "")
                    )
                elif t.type == "bar":
                    fill = "url(#hatch)" if t.marker.pattern.shape else colour
                    self.out.append(
                        f'<rect x="{x}" y="{y - 7}" width="12" height="8" fill="{fill}" stroke="#777"/>'
                    )
                else:
                    edge = str(_each(t.marker.line.color, 0) or colour)
                    self._sign(x + 7, y - 3, str(_each(t.marker.symbol, 0) or "circle"), 3.2, colour, edge)
                self._text(x + 18, y, t.name, "start")
                x += 22 + LETTER * len(str(t.name))
            y += 12


def _timed(values: Any) -> bool:
    """Return whether coordinates are times."""
    if isinstance(values, np.ndarray) and values.dtype.kind == "M":
        return True
    first = values[0] if values is not None and len(values) else None
    return isinstance(first, dt.date | np.datetime64) or bool(
        isinstance(first, str) and re.match(r"\d{4}-\d\d-\d\d", first)
    )


def _each(value: Any, k: int) -> Any:
    """Return the value of one point: its own, or the one that all share."""
    if isinstance(value, str) or value is None or np.ndim(value) == 0:
        return value
    return value[k] if k < len(value) else None
