"""One topic of a history as it is shown: in trade units, its lines named, for page, plot and table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Pack
from bmslogs.faces.figures.words import short_place
from bmslogs.faces.numbers import number
from bmslogs.findings.history.building import Weighed, marks, reason
from bmslogs.findings.history.gathered import Column
from bmslogs.findings.history.shape import Mark
from bmslogs.findings.history.strands import Strands, since
from bmslogs.findings.history.topics import TOPICS, Topic
from bmslogs.findings.history.words import day_words, lacking, place_of, rate_text

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MEASURED = ("resistance_10s", "capacity")
"""Topics that can also be shown as measured, the pack's middle moving under the cells."""
MOST_POINTS = 200
"""Points of a faint line; with more logs, it goes through the middles of so many equal parts of the time (choice)."""


@dataclass(frozen=True)
class Sheet:
    """What is drawn and listed.

    Attributes
    ----------
    axis
        Title of the axis, with its unit.
    unit, decimals
        In which values are shown.
    names
        (lines,) as a reader says them.
    times, ids
        (logs,) UTC and log ids.
    y, low, high
        (logs, lines) in the shown unit.
    ground
        (logs,) the pack's middle, or nought; None where there is no such thing.
    trend
        (logs, lines) the fitted line over the logs that it rests on, NaN elsewhere and where none is told.
    drift
        (lines,) claims.
    gaps
        (log, reason) where no line is told.
    """

    topic: Topic
    pack: Pack
    axis: str
    unit: str
    columns: tuple[Column, ...]
    names: tuple[str, ...]
    times: npt.NDArray[np.datetime64]
    ids: tuple[str, ...]
    y: Floats
    low: Floats
    high: Floats
    ground: Floats | None
    ground_name: str
    trend: Floats
    drift: Bools
    gaps: tuple[tuple[int, str], ...]
    marks: tuple[Mark, ...]
    at: str = ""

    def strong(self, picked: Sequence[Column], most: int) -> list[int]:
        """Return the lines that are drawn strong: the picked ones, else those that drift, largest first."""
        chosen = [self.columns.index(c) for c in picked if c in self.columns]
        return (chosen or [int(i) for i in np.flatnonzero(self.drift)])[:most]


@dataclass(frozen=True)
class Row:
    """One line of the table: who, where it is now, its slope, what that rests on."""

    column: Column
    place: str
    now: str
    slope: str
    since: str
    drift: bool
    note: str


def sheet_of(w: Weighed, key: str, *, measured: bool = False) -> Sheet | None:
    """Return a topic as it is shown; None where no log tells it.

    Parameters
    ----------
    measured
        Show values as measured at the reference instead of against the pack's middle, where the topic has both.
    """
    group = w.strands.get(key, ())
    if not group:
        return None
    topic, g = TOPICS[key], w.gathered
    own = next((s for s in group if s.against is not None or s.columns != (None,)), None)
    pack = next((s for s in group if s.columns == (None,)), None)
    if own is None:
        assert pack is not None
        return _sheet(
            w, topic, pack, _shown(pack, topic.pack_shown_factor, 0.0), None, "", topic.pack_shown_unit
        )
    if measured and pack is not None and key in MEASURED:
        middle = pack.value[:, 0] * topic.pack_shown_factor
        grids = [x * middle[:, None] for x in (own.value, own.low, own.high)]
        trend = np.full(own.value.shape, np.nan)
        return _sheet(
            w, topic, own, (*grids, trend), middle, "the pack's middle, as measured", topic.pack_shown_unit
        )
    factor, origin = (topic.shown_factor, topic.shown_from) if own.against else (topic.pack_shown_factor, 0.0)
    ground = None
    name = ""
    if own.against is not None:
        ground, name = np.zeros(len(g.ids)), "the pack's middle"
    if key == "bleed_done" and pack is not None:
        ground, name = pack.value[:, 0] * topic.pack_shown_factor, "the pack's middle"
    unit = topic.shown_unit if own.against else topic.pack_shown_unit or topic.shown_unit
    if topic.key == "temperature_spread":
        ground, name = np.zeros(len(g.ids)), "the middle sensor"
    return _sheet(w, topic, own, _shown(own, factor, origin), ground, name, unit)


def _shown(s: Strands, factor: float, origin: float) -> tuple[Floats, Floats, Floats, Floats]:
    y, low, high = ((x - origin) * factor for x in (s.value, s.low, s.high))
    return y, low, high, _trend(s, factor, origin)


def _trend(s: Strands, factor: float, origin: float) -> Floats:
    """Return the fitted lines at the logs that they rest on; left to the plot to join by a straight line."""
    out = np.full(s.value.shape, np.nan)
    rests = np.isfinite(s.value) & s.last_part()
    if (
        s.topic.key == "bleed_done" and s.against is not None
    ):  # its slope is against the pack, its value is not
        return out
    for i in np.flatnonzero(np.isfinite(s.slope)):
        rows = np.flatnonzero(rests[:, i])
        out[rows, i] = (s.level[i] - origin) * factor + s.slope[i] * factor * s.months[rows]
        out[rows, i] -= s.slope[i] * factor * s.months[rows[-1]]
    return out


def _sheet(
    w: Weighed,
    topic: Topic,
    s: Strands,
    grids: tuple[Floats, ...],
    ground: Floats | None,
    ground_name: str,
    unit: str,
) -> Sheet:
    g = w.gathered
    y, low, high, trend = grids
    untold = [(k, why) for k in range(len(g.ids)) if not np.isfinite(y[k]).any() and (why := reason(s, k, 0))]
    title = topic.title if s.against is None or ground_name.endswith("measured") else _against(topic)
    return Sheet(
        topic, g.pack, f"{title} [{unit}]", unit, s.columns, tuple(line_name(g.pack, c, topic) for c in s.columns),
        g.start, g.ids, y, low, high, ground, ground_name, trend, s.drift, tuple(untold), marks(w, [topic.key]),
        reference_line(s),
    )  # fmt: skip


def _against(topic: Topic) -> str:
    return topic.title if "against" in topic.title else f"{topic.title} against the pack's middle"


def line_name(pack: Pack, column: Column, topic: Topic) -> str:
    """Return the short name of a line for legends and lists."""
    if isinstance(column, int):
        return short_place(pack, column)
    if column is None:
        return "the pack's middle" if topic.per == "cell" else "the pack"
    return column if column in ("drawn", "charged") else f"sensor {column}"


def reference_line(s: Strands) -> str:
    """Return what the values are compared at, such as ``at 20 degC, about 50 to 80 % charge``."""
    at = s.reference
    words = []
    if np.isfinite(at.temperature_C):
        words.append(f"within 10 K of {at.temperature_C:.0f} degC")
    if np.isfinite(at.soc_low):
        words.append(f"about {100 * at.soc_low:.0f} to {100 * at.soc_high:.0f} % charge")
    return ", ".join(words)


def rows_of(w: Weighed, key: str) -> list[Row]:
    """Return the table of a topic: drifts first, then by the size of the slope, then by place; the pack's own last."""
    rows = []
    for s in w.strands.get(key, ()):
        for i, column in enumerate(s.columns):
            rows.append((not s.drift[i], s.against is None, -_rank(s, i), _row(w, s, i, column)))
    return [r[-1] for r in sorted(rows, key=lambda r: r[:3])]


def _rank(s: Strands, index: int) -> float:
    slope = float(s.slope[index])
    return abs(slope) if np.isfinite(slope) else 0.0


def _row(w: Weighed, s: Strands, index: int, column: Column) -> Row:
    g, topic = w.gathered, s.topic
    known = np.flatnonzero(np.isfinite(s.value[:, index]) & s.last_part()[:, index])
    now = "not known since the work" if s.part[:, index].any() else "not known"
    if len(known):
        factor, origin = (
            (topic.shown_factor, topic.shown_from) if s.against else (topic.pack_shown_factor, 0.0)
        )
        unit = topic.shown_unit if s.against else topic.pack_shown_unit
        k = int(known[-1])
        value, low, high = ((float(x[k, index]) - origin) * factor for x in (s.value, s.low, s.high))
        now = value_text(value, low, high, unit, sign=s.against is not None)
    told = bool(np.isfinite(s.slope[index]))
    name = place_of(g.pack, column)
    if not topic.sloped:
        name = "warmest less coldest" if column is None else line_name(g.pack, column, topic)
    return Row(
        column,
        name[:1].upper() + name[1:],
        now,
        rate_text(s, index) if told else "no slope yet" if topic.sloped else "",
        day_words(since(g, s, index)) if told else "",
        bool(s.drift[index]),
        "" if told else lacking(g, s, index) or "",
    )


def value_text(value: float, low: float, high: float, unit: str, *, sign: bool) -> str:
    """Return a value with its interval in the shown unit, with the digits that it allows."""
    half = (high - low) / 2
    if np.isfinite(half) and half > 0:
        places = max(0, min(6, 1 - int(np.floor(np.log10(half)))))
    else:
        places = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2

    def text(x: float) -> str:
        return number(x, places, sign=sign)

    between = f" ({text(low)} to {text(high)})" if np.isfinite(half) and half > 0 else ""
    return f"{text(value)} {unit}{between}"


def thinned(sheet: Sheet, index: int) -> tuple[npt.NDArray[np.datetime64], Floats]:
    """Return times and values of one faint line: all points, or the middle log of equal parts of the time."""
    known = np.flatnonzero(np.isfinite(sheet.y[:, index]))
    if len(known) > MOST_POINTS:
        each = -(-len(known) // MOST_POINTS)
        rows = np.append(known, np.full(-len(known) % each, known[-1])).reshape(-1, each)
        place = np.argsort(sheet.y[rows, index], axis=1)[:, (each - 1) // 2]
        known = np.unique(rows[np.arange(len(rows)), place])
    return sheet.times[known], sheet.y[known, index]
