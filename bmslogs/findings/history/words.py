"""What a history says: sentences in workshop words with their numbers, only where the interval allows."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from bmslogs.base.pack import Pack
from bmslogs.findings.history.claims import size_of, time_to
from bmslogs.findings.history.gathered import Column, Gathered
from bmslogs.findings.history.lines import LEAST_DATES, LEAST_DAYS
from bmslogs.findings.history.strands import Strands, has_least, last_work, since
from bmslogs.findings.history.topics import Topic

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
WEEKS_PER_MONTH = 365.25 / 12 / 7
MOST_WEEKS = 26  # up to here a time ahead is told in weeks


def place_of(pack: Pack, column: Column) -> str:
    """Return a cell, sensor or the pack as a reader says it."""
    if isinstance(column, int):
        return pack.place(column)
    return "the pack's middle" if column is None else f"sensor {column}"


def _digits(half: float) -> int:
    return 2 if not half > 0 else max(0, min(6, 1 - math.floor(math.log10(half))))


def day_words(day: object) -> str:
    """Return a day (ISO 8601) as people write it, such as ``3 May 2026``."""
    one = dt.date.fromisoformat(str(day)[:10])
    return f"{one.day} {MONTHS[one.month - 1]} {one.year}"


def rate_text(s: Strands, index: int) -> str:
    """Return a slope with its interval, such as ``-0.40 Ah a month (-0.47 to -0.33)``."""
    topic, own = s.topic, s.against is not None
    factor = topic.shown_factor if own else topic.pack_shown_factor
    unit = topic.rate_unit if own else topic.pack_shown_unit
    value, low, high = (float(x[index]) * factor for x in (s.slope, s.slope_low, s.slope_high))
    places = _digits((high - low) / 2)
    minus = "\u2212"
    shown = [f"{v:+.{places}f}".replace("-", minus) for v in (value, low, high)]
    return f"{shown[0]} {unit} a month ({shown[1]} to {shown[2]})"


def drift_sentence(g: Gathered, s: Strands, index: int) -> str:
    """Return one claim as a sentence: who, how much a month, since when, and what it comes to."""
    column = s.columns[index]
    name = place_of(g.pack, column)
    what = _moves(s, index)
    begun = since(g, s, index)
    work = last_work(g, s.topic, column)
    where = (
        f" since the work of {day_words(work.date)} ({work.kind})" if work else f" since {day_words(begun)}"
    )
    ahead = _comes_to(g, s, index)
    return f"{name[:1].upper()}{name[1:]} {what}{where}{f': {ahead}' if ahead else ''}."


def _moves(s: Strands, index: int) -> str:
    topic, slope = s.topic, float(s.slope[index])
    if topic.key == "soc_offset":
        way = "gains" if slope > 0 else "loses"
        return f"{way} {size_text(s, index)} against the pack's middle at full charge"
    way = "rises" if slope > 0 else "falls"
    against = " against the others" if s.against is not None else ""
    return f"{way} in {_plain(topic)} by {size_text(s, index)}{against}"


def size_text(s: Strands, index: int) -> str:
    """Return the size of a slope for a sentence, such as ``0.40 Ah a month (0.33 to 0.47)``."""
    own = s.against is not None
    factor = s.topic.shown_factor if own else s.topic.pack_shown_factor
    unit = s.topic.rate_unit if own else s.topic.pack_shown_unit
    value, one, other = (float(x[index]) * factor for x in (s.slope, s.slope_low, s.slope_high))
    places = max(0, _digits(abs(other - one) / 2) - 1)
    low, high = sorted((one * np.sign(value), other * np.sign(value)))
    return f"{abs(value):.{places}f} {unit} a month ({low:.{places}f} to {high:.{places}f})"


def _plain(topic: Topic) -> str:
    return {
        "resistance_10s": "resistance",
        "capacity": "capacity",
        "leak_current_relative": "leak current",
        "bleed_done": "weekly bleeding",
        "heating": "heating",
        "resistance_outside_taps": "resistance outside the taps",
    }.get(topic.key, topic.title.lower())


def _comes_to(g: Gathered, s: Strands, index: int) -> str:
    """Return what the drift comes to and when, empty where the interval does not allow to say it."""
    topic, size = s.topic, size_of(s, g.pack.nominal_capacity_Ah)
    if topic.reaches is None or s.against is None or not math.isfinite(size):
        return ""
    slope = float(s.slope[index])
    if topic.worse and np.sign(slope) != topic.worse:
        return ""
    known = np.flatnonzero(np.isfinite(s.value[:, index]) & s.last_part()[:, index])
    span = float((g.start[known[-1]] - g.start[known[0]]) / np.timedelta64(1, "D")) / (365.25 / 12)
    sound = topic.shown_from
    ahead = time_to(
        float(s.level[index]), sound + np.sign(slope) * size, slope, float(s.slope_low[index]),
        float(s.slope_high[index]), span,
    )  # fmt: skip
    if ahead is None:
        return ""
    goal = topic.reaches.format(size=f"{100 * size:.0f} %")
    if ahead.months == 0:
        return {
            "want balancing": "it wants balancing now",
            "lose 1 % of its charge in a month more than the others": (
                "it loses over 1 % of its charge in a month more than the others"
            ),
        }.get(goal, f"it is past that already: {goal.removeprefix('be ').removeprefix('warm ')}")
    return f"it will {goal} in {_time(ahead.months, ahead.soonest, ahead.latest)} from the last log"


def _time(months: float, soonest: float, latest: float) -> str:
    if months * WEEKS_PER_MONTH <= MOST_WEEKS:
        value, low, high = (x * WEEKS_PER_MONTH for x in (months, soonest, latest))
        unit = "week" if round(value) == 1 else "weeks"
    else:
        value, low, high, unit = months, soonest, latest, "months"
    low, high = math.floor(low), math.ceil(high)
    return f"about {max(1, round(value)):.0f} {unit} ({low:.0f} to {high:.0f})"


def topic_sentence(g: Gathered, group: tuple[Strands, ...]) -> list[str]:
    """Return what the lines of one topic say; the first sentence answers its question."""
    claims = [
        (-abs(float(s.slope[i])) / max(size_of(s, g.pack.nominal_capacity_Ah), 1e-12), s, i)
        for s in group
        for i in np.flatnonzero(s.drift)
    ]
    if claims:
        claims.sort(key=lambda c: c[0])
        return [drift_sentence(g, s, int(i)) for _, s, i in claims]
    if not group or not group[0].topic.sloped:
        return []
    return [quiet_sentence(g, group)]


def quiet_sentence(g: Gathered, group: tuple[Strands, ...]) -> str:
    """Return what is to be said where nothing drifts: how much could go unseen, or which logs are still needed."""
    s = group[0]
    topic = s.topic
    told = np.flatnonzero(np.isfinite(s.slope))
    if not len(told):
        known = (np.isfinite(s.value) & s.last_part()).sum(axis=0)
        return lacking(g, s, int(np.argmax(known))) or ""
    most = float(np.max(np.fmax(np.abs(s.slope_low[told]), np.abs(s.slope_high[told]))))
    factor = topic.shown_factor if s.against is not None else topic.pack_shown_factor
    unit = topic.rate_unit if s.against is not None else topic.pack_shown_unit
    kind = {"cell": "cell", "sensor": "sensor"}.get(topic.per, "line") if s.against is not None else ""
    rest = len(s.columns) - len(told)
    beside = f" ({rest} of {len(s.columns)} still without a slope)" if rest else ""
    places = max(0, min(4, 1 - math.floor(math.log10(most * factor)))) if most > 0 else 2
    amount = f"{most * factor:.{places}f} {unit} a month"
    if kind:
        what = {"soc_offset": "the charge at full"}.get(topic.key, _plain(topic))
        return f"No {kind} drifts in {what} as far as these logs tell: none by more than {amount}{beside}."
    return f"No drift in {_plain(topic)} as far as these logs tell: it moves by less than {amount}."


def most_dates(g: Gathered, group: tuple[Strands, ...]) -> int:
    """Return how many dates the line that is furthest has since the latest work on it."""
    dates = g.start.astype("datetime64[D]")
    known = [np.isfinite(s.value) & s.last_part() for s in group]
    return max((len(np.unique(dates[k[:, i]])) for k in known for i in range(k.shape[1])), default=0)


def lacking(g: Gathered, s: Strands, index: int) -> str | None:
    """Return why a column has no slope and which logs would give one; None where it has one."""
    if np.isfinite(s.slope[index]) or not s.topic.sloped:
        return None
    known = np.isfinite(s.value[:, index]) & s.last_part()[:, index]
    days = g.start[known]
    dates = len(np.unique(days.astype("datetime64[D]")))
    work = last_work(g, s.topic, s.columns[index])
    begun = f" since the work of {day_words(work.date)} ({work.kind})" if work else ""
    if s.against is not None and len(s.columns) < 3:
        return "A cell is told from the pack's middle only where there are three or more."
    if has_least(g, s, index):
        return "The logs scatter too much, or too few are left, for a slope."
    have = "no date tells" if not dates else "one date tells" if dates == 1 else f"{dates} dates tell"
    rest = f"{LEAST_DATES - dates} more" if dates < LEAST_DATES else "one more"
    if not dates:
        return f"A slope takes 4 dates over 3 months;{begun} {have} {_its(s.topic)} so far."
    first = days.min().astype("datetime64[D]")
    due = first + np.timedelta64(int(np.ceil(LEAST_DAYS)) + 1, "D")
    ripe = due <= g.start[-1].astype("datetime64[D]")
    needed = f"{rest} would do" if ripe else f"{rest}, the last on {day_words(due)} or later, would do"
    return f"A slope takes 4 dates over 3 months;{begun} {have} {_its(s.topic)} so far: {needed}."


def _its(topic: Topic) -> str:
    return f"the {_plain(topic)}" if topic.key != "soc_offset" else "the charge at full"
