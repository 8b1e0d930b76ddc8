"""A finding's worst cell against the median of the rest: the lines, their difference, and both labelled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.sampling import row_medians
from bmslogs.base.pack import Pack
from bmslogs.faces.figures.lanes import Drawn, Mark, Times, clock, moment
from bmslogs.faces.figures.series import thin
from bmslogs.faces.figures.theme import SMALL, Look, series
from bmslogs.faces.figures.words import safe, short_place
from bmslogs.faces.sight.shape import Sight

Floats = npt.NDArray[np.float64]
Line = tuple[Times, Floats]
REST = "median of the rest"
MOST_SHADED = 0.6  # of the window: where more of it is marked, a shade would tell nothing apart (choice)
LABEL_OFF_PX = 30  # how far a label stands from its line, so that the two lie on opposite sides


@dataclass(frozen=True)
class Against:
    """What is drawn of a sight in one window.

    Attributes
    ----------
    sight
        Whose it is.
    cells
        Cell -> (times, voltage [V]), the worst first.
    rest
        (times, median of the rest [V]); None where there is none.
    gaps
        Named cell -> (times, cell less the median of the rest [mV]).
    sensors
        (times, median of the other temperature sensors [degC]); None where the finding is of no sensor.
    """

    sight: Sight
    cells: dict[int, Line]
    rest: Line | None
    gaps: dict[int, Line]
    sensors: Line | None = None


def against(
    sight: Sight,
    time: Times,
    block: npt.NDArray[np.floating],
    cells: Sequence[int],
    sensors: Line | None = None,
) -> Against:
    """Return what is drawn of a sight.

    Parameters
    ----------
    time, block
        (rows,) times, UTC, and (cells, rows) readings [V] of the window.
    cells
        Cell numbers of the rows of `block`.
    sensors
        (rows,) times and median of the other temperature sensors [degC].
    """
    index = {c: i for i, c in enumerate(cells)}
    rest = [index[c] for c in sight.rest if c in index]
    middle = row_medians(np.asarray(block[rest].T, float)) if rest else None
    drawn = {c: np.asarray(block[index[c]], float) for c in sight.cells if c in index}
    named = [c for c in sight.cells if c in drawn and c not in sight.mates]
    return Against(
        sight,
        {c: _thin(time, v) for c, v in drawn.items()},
        None if middle is None else _thin(time, middle),
        {} if middle is None else {c: _thin(time, (drawn[c] - middle) * 1e3) for c in named},
        None if sensors is None else _thin(*sensors),
    )


def _thin(time: Times, values: Floats) -> Line:
    x, y = thin(time, values, 1200)
    return x, y  # type: ignore[return-value]


def cell_lines(drawn: Against, pack: Pack, look: Look) -> list[dict[str, object]]:
    """Return the lines of the strip of cells: its module thin, the rest's median, the named cells on top."""
    sight, out = drawn.sight, []
    for n, cell in enumerate(sight.mates):
        if cell in drawn.cells:
            style = {"color": look.soft, "width": 1, "dash": "dot"}
            of = pack.module_of(sight.worst) if sight.worst is not None else None
            name = safe(f"others of {of}" if of else "its module")
            extra = safe(short_place(pack, cell))
            out.append({**_line(drawn.cells[cell], name, style, f"%{{y:.3f}} V<extra>{extra}</extra>"),
                        "showlegend": n == 0, "legendgroup": "mates"})  # fmt: skip
    if drawn.rest is not None:
        style = {"color": look.series[0], "width": 2.4}
        out.append(_line(drawn.rest, REST, style, f"%{{y:.3f}} V<extra>{REST}</extra>"))
    for cell in (c for c in reversed(list(drawn.cells)) if c not in sight.mates):
        name = safe(short_place(pack, cell))
        out.append(
            _line(drawn.cells[cell], name, _style(sight, cell, look), f"%{{y:.3f}} V<extra>{name}</extra>")
        )
    return out


def gap_strip(drawn: Against, pack: Pack, look: Look) -> Drawn:
    """Return the strip of differences: named cells less the median of the rest, which lies at nought."""
    traces = []
    for cell in reversed(list(drawn.gaps)):
        name = safe(short_place(pack, cell))
        line = _line(drawn.gaps[cell], f"{name}, difference", _style(drawn.sight, cell, look),
                     f"%{{y:.1f}} mV<extra>{name} less the {REST}</extra>")  # fmt: skip
        traces.append(
            {**line, "showlegend": False, "fill": "tozeroy" if cell == drawn.sight.worst else "none"}
        )
        traces[-1]["fillcolor"] = look.band
    axis: dict[str, object] = {"zeroline": True, "zerolinecolor": look.series[0], "zerolinewidth": 2}
    return traces, "less the rest's<br>median [mV]", axis


def sensor_line(drawn: Against, look: Look) -> list[dict[str, object]]:
    """Return the median of the other temperature sensors as a line."""
    if drawn.sensors is None:
        return []
    style = {"color": look.series[0], "width": 2.4}
    return [
        _line(drawn.sensors, "median of the others", style, "%{y:.1f} °C<extra>median of the others</extra>")
    ]


def labels(
    drawn: Against, pack: Pack, look: Look, strip: str, axis: str, temperatures: Mapping[str, Line]
) -> list[dict[str, object]]:
    """Return the names of good and bad beside their lines, on opposite sides of them.

    Parameters
    ----------
    strip
        ``cells`` or ``temperature``.
    axis
        Suffix of the strip's axes, such as ``3``.
    temperatures
        Sensor name -> (times, degC).
    """
    sight = drawn.sight
    if strip == "cells":
        bad, good = drawn.cells.get(sight.worst or 0), drawn.rest
        names = (short_place(pack, sight.worst or 0), REST)
    else:
        bad, good = temperatures.get(sight.sensor or ""), drawn.sensors
        names = (str(sight.sensor), "median of the others")
    if good is None or bad is None or not len(good[0]) or not len(bad[0]):
        return []
    if not bad[0][0] <= sight.moment <= bad[0][-1]:
        return []
    y_bad, y_good = (float(np.interp(_us(sight.moment), _us(line[0]), line[1])) for line in (bad, good))
    low = y_bad < y_good
    return [
        _label(names[1], sight.moment, y_good, low, look.series[0], look.paper, axis),
        _label(names[0], sight.moment, y_bad, not low, look.accent, look.paper, axis),
    ]


def _us(times: np.datetime64 | Times) -> Floats:
    return np.asarray(times, "datetime64[us]").astype(np.int64).astype(float)


def _label(
    name: str, at: np.datetime64, y: float, above: bool, colour: str, ground: str, axis: str
) -> dict[str, object]:
    return {
        "x": moment(at), "y": y, "xref": f"x{axis}", "yref": f"y{axis}", "text": safe(name), "showarrow": True,
        "arrowhead": 0, "arrowwidth": 1.2, "arrowcolor": colour, "ax": 0,
        "ay": -LABEL_OFF_PX if above else LABEL_OFF_PX, "font": {"size": SMALL, "color": colour},
        "bgcolor": ground, "opacity": 0.92, "borderpad": 1,
    }  # fmt: skip


def told_apart(marks: Sequence[Mark], sight: Sight, number: int) -> list[Mark]:
    """Return the marks with the pointed finding's own bar first, at its sight's spans; the others in the background."""
    whole, length = sight.end - sight.start, np.timedelta64(0, "us")
    marked = sum((b - a for a, b in sight.spans), length)
    out = []
    for mark in marks:
        if mark.number != number and number not in mark.numbers:
            out.append(replace(mark, exact=False, faint=True))
    own = next((m for m in marks if number in (m.number, *m.numbers)), None)
    if own is not None:
        name = f"<b>{own.name}</b>"
        shaded = bool(marked < MOST_SHADED * whole)
        out.insert(0, replace(own, number=number, name=name, spans=sight.spans, exact=True, shaded=shaded))
    return out


def _style(sight: Sight, cell: int, look: Look) -> dict[str, object]:
    if cell == sight.worst:
        return {"color": look.accent, "width": 2.6}
    n = 1 + (sight.named.index(cell) if cell in sight.named else 0)
    return {**series(look, n), "width": 1.4}


def _line(line: Line, name: str, style: dict[str, object], hover: str) -> dict[str, object]:
    return {
        "type": "scatter", "mode": "lines", "x": clock(line[0]), "y": line[1].astype(np.float32), "name": name,
        "line": style, "hovertemplate": hover,
    }  # fmt: skip
