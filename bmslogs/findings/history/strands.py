"""One topic of a pack's history as arrays: every line with its slope, before the claims are weighed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.reference import ACTIVATION_SD_EV
from bmslogs.base.pack import Event, Pack
from bmslogs.findings.compare.measured import cells_of, touches
from bmslogs.findings.history import conditions, derived
from bmslogs.findings.history.gathered import Bools, Column, Floats, Gathered, Told, row_median
from bmslogs.findings.history.ground import against_the_pack
from bmslogs.findings.history.lines import MONTH_DAYS, Lines, enough, fitted_lines
from bmslogs.findings.history.topics import TOPICS, Topic

Ints = npt.NDArray[np.intp]

CELL_PER_KELVIN = 0.003
"""How far the ratio of a cell's resistance to the pack's may change per kelvin, 1 sd: a joint in its tap does not
fall with warmth as a cell does (judgement)."""
LEAK_PER_KELVIN = 0.07
"""By what fraction a leak grows per kelvin: it doubles in 10 K (common practice, no source)."""
TOO_FEW = "too few cells told to know the pack's middle"
TOUCHED_AS = {
    "resistance_outside_taps": "resistance_10s",
    "bleed_done": "soc_offset",
    "capacity": "capacity_relative",
}
"""Quantity by whose table of works a topic's lines begin anew, where that is not its own."""


@dataclass(frozen=True)
class Strands:
    """The lines of one topic, or the pack's own line.

    Attributes
    ----------
    quantity, unit
        As in the JSON.
    columns
        Cells, sensors, or a single None for the pack.
    value, low, high
        (logs, columns) at the reference [unit]; NaN where a log does not tell.
    why
        (logs,) why a log does not tell; empty where it does.
    spoiled
        (logs, columns) a finding of the log blames the reading.
    part
        (logs, columns) number of the stretch between works.
    slope, slope_low, slope_high, level
        (columns,) per month [unit a month], and the height at the last log [unit]; NaN where none is told.
    p, steady
        (columns,) chance of such a slope without a drift; whether it outlives every single period.
    drift
        (columns,) whether the slope is a claim; filled in by `claims`.
    months
        (logs,) since the first log of the pack.
    """

    topic: Topic
    quantity: str
    unit: str
    columns: tuple[Column, ...]
    value: Floats
    low: Floats
    high: Floats
    why: tuple[str, ...]
    spoiled: Bools
    part: Ints
    slope: Floats
    slope_low: Floats
    slope_high: Floats
    level: Floats
    p: Floats
    steady: Bools
    drift: Bools
    months: Floats
    reference: conditions.Reference = field(default_factory=conditions.Reference)
    against: str | None = None

    def column(self, name: Column) -> int | None:
        """Return the index of a cell or sensor, None where there is none."""
        return self.columns.index(name) if name in self.columns else None

    def last_part(self) -> Bools:
        """(logs, columns) which logs belong to the stretch since the latest work."""
        return np.asarray(self.part == self.part.max(axis=0, initial=0)[None, :])

    def claimed(self, drift: Bools) -> Strands:
        """Return the same with the claims filled in."""
        return replace(self, drift=drift)


def all_strands(g: Gathered) -> dict[str, tuple[Strands, ...]]:
    """Return the lines of every topic: those of cells or sensors, and the pack's own, where any log tells them."""
    out: dict[str, tuple[Strands, ...]] = {}
    for key, topic in TOPICS.items():
        made = [s for s in (_own(g, topic), _pack(g, topic)) if s is not None]
        out[key] = tuple(s for s in made if s.value.size)
    return out


def _told(g: Gathered, topic: Topic) -> Told | None:
    made = {
        "soc_offset": derived.offset_at_full,
        "bleed_done": derived.bled_weekly,
        "heating": derived.heating_share,
    }
    if topic.key in made:
        return made[topic.key](g)
    key = {"resistance_10s": "resistance_10s_relative", "capacity": "capacity_relative"}.get(
        topic.key, topic.key
    )
    return g.told.get(key)


def _own(g: Gathered, topic: Topic) -> Strands | None:
    if topic.per == "pack":
        return None
    if topic.key == "temperature_spread":
        return _warmth(g, topic)
    told = _told(g, topic)
    if told is None or not told.columns or not np.isfinite(told.value).any():
        return None
    ratio = topic.shown_from == 1.0
    quantity = "resistance_10s_relative" if topic.key == "resistance_10s" else topic.key
    at = conditions.reference_of(quantity, told)
    away = conditions.outside(quantity, told, at)
    told = _kept(told, away)
    part = parts(g, topic, told.columns)
    y, half = _in_logs(told) if ratio else (told.value, told.half)
    relative = topic.key != "bleed_done"
    y = against_the_pack(y, part)
    other, prior = _beside(topic, told, at, y)
    lines = fitted_lines(_days(g), _last(y, part).T, half.T, other, prior)
    shown = np.exp(y) if ratio else y if relative else told.value
    quantity = "capacity_relative" if topic.key == "capacity" else quantity
    width = half * shown if ratio else half
    strands = _strands(g, topic, quantity, topic.unit, told, shown, width, part, lines, ratio)
    return replace(strands, reference=at, against="pack median")


def _kept(told: Told, away: list[str]) -> Told:
    """Return what is told without logs outside the reference and without readings that a finding blames."""
    out = np.array([bool(w) for w in away])[:, None] | told.spoiled
    why = tuple(w or a for w, a in zip(told.why, away, strict=True))
    blank = [np.where(out, np.nan, x) for x in (told.value, told.low, told.high)]
    return replace(told, value=blank[0], low=blank[1], high=blank[2], why=why)


def _beside(
    topic: Topic, told: Told, at: conditions.Reference, y: Floats
) -> tuple[Floats | None, Floats | None]:
    """Return a condition that may move the lines beside time, and how far (1 sd per unit)."""
    if topic.key not in ("resistance_10s", "leak_current_relative") or not np.isfinite(at.temperature_C):
        return None, None
    warmer = np.repeat(conditions.warmer_by(told, at)[None, :], y.shape[1], axis=0)
    if topic.key == "resistance_10s":
        return warmer, np.full(y.shape[1], CELL_PER_KELVIN)
    return warmer, LEAK_PER_KELVIN * np.abs(np.nan_to_num(row_median(y.T))) + 1e-9


def _pack(g: Gathered, topic: Topic) -> Strands | None:
    if topic.pack_key is None:
        return None
    if topic.pack_key in ("charge_counted", "energy_counted", "temperature_spread"):
        return _counters(g, topic)
    told = derived.bled_weekly(g) if topic.key == "bleed_done" else g.told.get(topic.pack_key)
    if told is None or not np.isfinite(told.value).any():
        return None
    at = conditions.reference_of(topic.pack_key, told)
    told = _kept(told, conditions.outside(topic.pack_key, told, at))
    part = parts(g, topic, (None,))
    logarithmic = topic.key != "bleed_done"
    y, half, warmer = _middle_cell(told, at, logarithmic)
    prior = np.full(1, conditions.per_kelvin(ACTIVATION_SD_EV)) if topic.key == "resistance_10s" else None
    lines = fitted_lines(
        _days(g), _last(y, part).T, half.T, warmer[None, :] if prior is not None else None, prior
    )
    shown = np.exp(y) if logarithmic else y
    width = half * shown if logarithmic else half
    one = replace(told, columns=(None,), spoiled=np.zeros(y.shape, bool))
    strands = _strands(g, topic, topic.pack_key, topic.pack_unit, one, shown, width, part, lines, logarithmic)
    return replace(strands, reference=at)


def _middle_cell(told: Told, at: conditions.Reference, logarithmic: bool) -> tuple[Floats, Floats, Floats]:
    """Return (logs, 1) the middle cell's value at the reference and its half width, and (logs,) the warmth beside."""
    factor, more = conditions.at_reference(told, at)
    value = told.value * factor
    half = np.hypot(told.half * factor, np.abs(value) * more)
    enough_cells = told.tells
    y = np.where(enough_cells, row_median(value), np.nan)[:, None]
    width = row_median(half)[:, None]
    if logarithmic:
        with np.errstate(divide="ignore", invalid="ignore"):
            y, width = np.where(y > 0, np.log(y), np.nan), width / y
    return y, width, conditions.warmer_by(told, at)


def _counters(g: Gathered, topic: Topic) -> Strands | None:
    """Return what is added up over the logs, drawn and charged beside each other, or the spread of warmth."""
    if topic.key == "temperature_spread":
        values = g.counters.get("spread_K", np.full(len(g.ids), np.nan))[:, None]
        columns: tuple[Column, ...] = (None,)
        why = "the log has fewer than two temperatures"
    else:
        names = ("drawn_Ah", "charged_Ah") if topic.key == "charge_counted" else ("drawn_kWh", "charged_kWh")
        values = np.stack(derived.counted_up(g, *names), axis=1)
        columns = ("drawn", "charged")
        why = "the log has no current, or the pack was parked: a resting sensor's zero is no charge"
    if not np.isfinite(values).any():
        return None
    return _flat(g, topic, topic.pack_key or topic.key, topic.pack_unit, columns, values, why)


def _warmth(g: Gathered, topic: Topic) -> Strands | None:
    if not g.sensors:
        return None
    values = np.stack(list(g.sensors.values()), axis=1)
    if not np.isfinite(values).any():
        return None
    return _flat(
        g, topic, topic.key, topic.unit, tuple(g.sensors), values, "the log has fewer than two temperatures"
    )


def _flat(
    g: Gathered, topic: Topic, quantity: str, unit: str, columns: tuple[Column, ...], values: Floats, why: str
) -> Strands:
    """Return lines without intervals and without slopes."""
    nothing = np.full(len(columns), np.nan)
    no = np.zeros(len(columns), bool)
    reasons = tuple("" if np.isfinite(row).any() else why for row in values)
    unknown = np.full(values.shape, np.nan)
    return Strands(
        topic, quantity, unit, columns, values, unknown, unknown, reasons, np.zeros(values.shape, bool),
        np.zeros(values.shape, np.intp), nothing, nothing, nothing, nothing, nothing, no, no, _days(g) / MONTH_DAYS,
    )  # fmt: skip


def _strands(
    g: Gathered,
    topic: Topic,
    quantity: str,
    unit: str,
    told: Told,
    shown: Floats,
    width: Floats,
    part: Ints,
    lines: Lines,
    logarithmic: bool,
) -> Strands:
    scale = np.exp(lines.centre) if logarithmic else np.ones_like(lines.level)
    told_some = np.isfinite(told.value).any(axis=1)
    lost = np.atleast_1d(told_some & ~np.isfinite(shown).any(axis=1))
    why = tuple(w or (TOO_FEW if lost[k] else "") for k, w in enumerate(told.why))
    return Strands(
        topic, quantity, unit, told.columns, shown, shown - width, shown + width, why, told.spoiled, part,
        lines.slope * scale, (lines.slope - lines.half) * scale, (lines.slope + lines.half) * scale,
        np.exp(lines.level) if logarithmic else lines.level, lines.p, lines.steady, np.zeros(len(lines.p), bool),
        _days(g) / MONTH_DAYS,
    )  # fmt: skip


def _in_logs(told: Told) -> tuple[Floats, Floats]:
    """Return the logarithm of positive values and its half width."""
    with np.errstate(divide="ignore", invalid="ignore"):
        good = told.value > 0
        return np.where(good, np.log(np.where(good, told.value, 1.0)), np.nan), told.half / told.value


def parts(g: Gathered, topic: Topic, columns: tuple[Column, ...]) -> Ints:
    """Return (logs, columns) the number of the stretch between works that touch the topic there."""
    dates = g.start.astype("datetime64[D]")
    out = np.zeros((len(g.ids), len(columns)), np.intp)
    for event in sorted(g.pack.events, key=lambda e: e.date):
        if restarts(event, topic):
            here = np.array([_touched(event, c, g.pack) for c in columns])
            out[np.ix_(dates >= np.datetime64(event.date, "D"), here)] += 1
    return out


def restarts(event: Event, topic: Topic) -> bool:
    """Return whether work of this kind begins the topic's slopes anew where it was done."""
    return topic.sloped and touches(event, TOUCHED_AS.get(topic.key, topic.key))


def _touched(event: Event, column: Column, pack: Pack) -> bool:
    cells = set(cells_of(event, pack))
    if isinstance(column, int):
        return column in cells
    if isinstance(column, str):
        near = next((s.cells for s in pack.temperature_sensors if s.name == column), None)
        return near is None or bool(cells & set(near))
    return True


def last_work(g: Gathered, topic: Topic, column: Column) -> Event | None:
    """Return the latest work that the line of a column begins at, None where there is none."""
    done = [e for e in g.pack.events if restarts(e, topic) and _touched(e, column, g.pack)]
    return max(done, key=lambda e: e.date, default=None)


def has_least(g: Gathered, s: Strands, index: int) -> bool:
    """Return whether the last stretch of one column holds four dates over three months."""
    known = np.isfinite(s.value[:, index]) & s.last_part()[:, index]
    return bool(enough(_days(g), known[None, :])[0])


def _last(y: Floats, part: Ints) -> Floats:
    """Return the values of the stretch since the latest work, NaN before."""
    return np.where(part == part.max(axis=0, initial=0)[None, :], y, np.nan)


def _days(g: Gathered) -> Floats:
    return np.asarray((g.start - g.start[0]) / np.timedelta64(1, "D"), float) if len(g.start) else np.zeros(0)


def since(g: Gathered, s: Strands, index: int) -> str | None:
    """Return the first day that the slope of a column rests on."""
    known = np.flatnonzero(np.isfinite(s.value[:, index]) & s.last_part()[:, index])
    return str(g.start[known[0]].astype("datetime64[D]")) if len(known) else None
