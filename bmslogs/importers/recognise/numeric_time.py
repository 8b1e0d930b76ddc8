"""What a column of numbers counts: seconds since 1970, days of a spreadsheet, or time since a start.

The size of the first value says little: a log may start at 6901 or 43780 s. A reading is judged by what the log would
then be: its rate, its length and its year. Where two readings make a log that somebody may have taken, the user is
asked.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.words import Header

Floats = npt.NDArray[np.float64]
EPOCHS = (("epoch_s", 1.0), ("epoch_ms", 1e-3), ("epoch_us", 1e-6), ("epoch_ns", 1e-9))
ELAPSED = (
    ("elapsed_us", 1e-6),
    ("elapsed_ms", 1e-3),
    ("elapsed_s", 1.0),
    ("elapsed_min", 60.0),
    ("elapsed_h", 3600.0),
    ("elapsed_d", 86400.0),
)
DAY_S = 86400.0
SPREADSHEET_NOUGHT_S = -25569 * DAY_S
"""Seconds from 1970-01-01 to the day nought of spreadsheet serials (1899-12-30)."""
OLDEST_SERIAL_S = 1_104_537_600.0
"""Choice [s]: 2005; an older date in a spreadsheet's days is of no log."""
EARLIEST_S = 6e8
"""Choice [s]: 1989; loggers whose clock was never set begin at a year such as 1999 or 2000."""
FASTEST_S, SLOWEST_S = 0.01, 3600.0
"""Choice [s]: no logger of packs writes rows closer or further apart, on the average of a log."""
LAGS = (1, 16, 128)
"""Choice [rows]: time rises over one of these: rows of writers in turn are far apart, a wrap or a seam is one place."""
QUICKEST_S = 0.001
"""Choice [s]: seconds without a unit are asked about below `FASTEST_S` and not believed below this."""
LONGEST_S = 20 * 365 * DAY_S
"""Choice [s]: no log is longer."""
SURELY_SECONDS = 60.0
"""Choice: steps up to this are seconds where no unit is given; longer ones may be milliseconds."""
COARSE_STEP = 1e-3
"""Choice [days]: rows closer than this in a column that is as large as a date of our time are days, not seconds."""


@dataclass(frozen=True)
class Counted:
    """One reading of a column.

    Attributes
    ----------
    format
        As a profile spells it.
    scale, offset
        Seconds since 1970, or since the start, are value * scale + offset.
    """

    format: str
    scale: float
    offset: float
    why: str

    @property
    def absolute(self) -> bool:
        """Whether it says a date."""
        return not self.format.startswith("elapsed")


@dataclass(frozen=True)
class Track:
    """What a column of numbers does: usual step a row, level at its later end, span, share of rows that rise."""

    step: float
    level: float
    span: float
    rising: float
    decimals: int


AGES = Counted("elapsed_s", 1.0, 0.0, "counts since a year that is not 1970")


def latest_s() -> float:
    """Return the end of next year [s since 1970]: no log is of later."""
    return dt.datetime(dt.datetime.now(dt.UTC).year + 2, 1, 1, tzinfo=dt.UTC).timestamp()


def track(column: SampledColumn, sample: Sample) -> Track | None:
    """Return what a column does, None where it holds too little or stands still within rows."""
    steps: list[Floats] = []
    far: list[list[Floats]] = [[] for _ in LAGS]
    values = column.values
    for w in np.unique(sample.window):
        here = values[(sample.window == w) & np.isfinite(values)]
        if len(here) < 2:
            continue
        steps.append(np.diff(here))
        for k, lag in enumerate(LAGS):
            lag = min(lag, max(len(here) // 4, 1))
            far[k].append(here[lag:] - here[:-lag])
    if not steps:
        return None
    step, lagged = np.concatenate(steps), [np.concatenate(f) for f in far]
    down, up = max(float(np.mean(x <= 0)) for x in lagged), max(float(np.mean(x >= 0)) for x in lagged)
    if down > up:  # the newest row first
        step, up = -step, down
    forward = step[step > 0]
    if not len(forward):
        return Track(0.0, float(np.median(values[np.isfinite(values)])), 0.0, up, column.decimals)
    usual = float(np.mean(np.clip(step, 0.0, 5.0 * np.median(forward))))
    good = values[np.isfinite(values)]
    part = max(len(good) // 4, 1)
    level = max(float(np.median(good[:part])), float(np.median(good[-part:])))
    return Track(usual, level, float(np.ptp(good)), up, column.decimals)


def readings(t: Track, unit: str | None, named: bool) -> list[Counted]:  # noqa: C901 - the order of the questions is the rule
    """Return what a column may count; one where it is plain, several where the user must say.

    Parameters
    ----------
    unit
        Unit of time that the header gives, None where it gives none.
    named
        Whether the header speaks of time at all: else only a date is believed.
    """
    epoch = next((c for c in _epochs(t) if named or t.level >= 1e9), None)
    if not t.decimals and t.step < FASTEST_S and epoch is None:
        return []  # whole numbers that stand still for hundreds of rows: the days of a date beside its time
    if not named:
        return [epoch] if epoch is not None else []
    if t.span == 0:
        return [epoch] if epoch is not None else []
    serial = _serial(t)
    if unit is not None:
        own = _elapsed(f"elapsed_{unit}")
        if own is not None and _fits(t, own.scale, 1e-4, DAY_S):
            # seconds since 1970 stand under "time (s)" too, but 55 years are no log
            return [own]
        if epoch is not None or (serial is not None and unit == "d"):
            return [c for c in (epoch, serial) if c is not None][:1]
        if own is not None and max(t.span, t.level) * own.scale >= LONGEST_S and serial is None:
            return [own, AGES] if t.step > 0 else []
        return [c for c in (own, serial) if c is not None]
    if epoch is not None and (FASTEST_S <= t.step * epoch.scale <= SLOWEST_S or t.step == 0):
        return [epoch]
    able = [
        c
        for name, scale in ELAPSED
        if (c := _elapsed(name))
        and _fits(t, scale, QUICKEST_S if name == "elapsed_s" else FASTEST_S, SLOWEST_S)
    ]
    if epoch is not None:
        return [epoch, *able] if able else [epoch]
    if not able and serial is None and FASTEST_S <= t.step <= SLOWEST_S:
        return [Counted("elapsed_s", 1.0, 0.0, ""), AGES]
    if serial is not None:
        seconds = [c for c in able if c.format == "elapsed_s" and t.step >= FASTEST_S]
        sure = t.step < COARSE_STEP or (t.decimals > 3 and not seconds)
        return [serial] if sure else [*seconds, serial]
    return _without_unit(t, able)


def _without_unit(t: Track, able: list[Counted]) -> list[Counted]:
    """Choose among units of time since a start by the step alone: seconds where that is the plain one."""
    by_name = {c.format: c for c in able}
    seconds, minutes, thousandths = (by_name.get(f"elapsed_{u}") for u in ("s", "min", "ms"))
    if seconds is None or t.step < FASTEST_S:
        return [c for c in able if c.format in ("elapsed_ms", "elapsed_us")] if t.step > 1 else able
    per_minute = t.step * 60.0
    if minutes is not None and t.step < 1 and t.decimals > 3 and abs(per_minute - round(per_minute)) < 0.002:
        return [seconds, minutes]  # 0.016667 may be a second in minutes
    if t.step > SURELY_SECONDS and thousandths is not None and abs(t.step % 60) > 1e-6 * t.step:
        return [seconds, thousandths]
    return [seconds]


def _elapsed(name: str) -> Counted | None:
    scale = dict(ELAPSED).get(name)
    return None if scale is None else Counted(name, scale, 0.0, f"time since the start ({name[8:]})")


def _fits(t: Track, scale: float, fastest: float, slowest: float) -> bool:
    return fastest <= t.step * scale <= slowest and max(t.span, t.level) * scale < LONGEST_S


def _epochs(t: Track) -> list[Counted]:
    out = []
    for name, scale in EPOCHS:
        if EARLIEST_S < t.level * scale < latest_s() and t.step * scale < DAY_S:
            out.append(Counted(name, scale, 0.0, f"counts {name[6:]} since 1970"))
    return out


def _serial(t: Track) -> Counted | None:
    """Return days of a spreadsheet, where the year and the rate would be those of a log."""
    date = t.level * DAY_S + SPREADSHEET_NOUGHT_S
    if not (OLDEST_SERIAL_S < date < latest_s()) or not 0 < t.step * DAY_S <= SLOWEST_S or t.decimals < 3:
        return None
    return Counted("serial_days", DAY_S, SPREADSHEET_NOUGHT_S, "a spreadsheet's serial days")


def unit_of(head: Header) -> str | None:
    """Return the unit of time that a header gives."""
    if head.unit is not None and head.unit.kind == "time":
        return head.unit.name
    if "millis" in head.text.lower() or "ms" in head.tokens:
        return "ms"
    return None


def is_named(head: Header) -> bool:
    """Whether a header speaks of time."""
    return "time" in head.means or (head.unit is not None and head.unit.kind == "time")


def _always_on(column: SampledColumn, sample: Sample) -> bool:
    """Whether numbers rise from each row to the next: a bare t is the time then, and no temperature."""
    steps = np.diff(column.values)[np.diff(sample.window) == 0]
    return len(steps) > 0 and bool(np.all(steps > 0))


def may_be_a_clock(column: SampledColumn, sample: Sample) -> bool:
    """Whether numbers rise from each row to the next, by steps that are not all alike as those of a row's number."""
    steps = np.diff(column.values)[np.diff(sample.window) == 0]
    return _always_on(column, sample) and len(np.unique(np.round(steps, column.decimals))) > 1


def find_counted(  # noqa: C901 - one look at each column
    sample: Sample, headers: list[Header], file: Path, headerless: bool = False
) -> tuple[int, Counted] | None:
    """Find the column of numbers that tells the time best.

    Raises
    ------
    Ambiguous
        No column is plain, and one may count several things.
    """
    best: tuple[float, int, Counted] | None = None
    asked: tuple[float, SampledColumn, list[Counted]] | None = None
    for c in sample.columns:
        head = headers[c.index]
        if c.style is None or c.filled < 0.5 * sample.rows or np.isfinite(c.values).sum() < 2:
            continue
        # a first column without a name that rises by steps not all alike is a clock; by steps alike it may be a number
        bare = head.tokens == ("t",) and _always_on(c, sample)
        named = is_named(head) or bare or (headerless and c.index == 0 and may_be_a_clock(c, sample))
        if not named and not np.nanmax(c.values) >= EARLIEST_S:
            continue
        t = track(c, sample)
        if t is None or t.rising < 0.9:
            continue
        found = readings(t, unit_of(head), named)
        if not found:
            continue
        score = _score(found[0], head, t)
        if len(found) > 1:
            if asked is None or score > asked[0]:
                asked = (score, c, found)
        elif best is None or score > best[0]:
            best = (score, c.index, found[0])
    if best is not None and (asked is None or best[0] > asked[0] - 1.0):
        return best[1], best[2]
    if asked is None:
        return None
    raise _question(asked[1], asked[2], sample, file)


def find_day_and_part(sample: Sample, headers: list[Header]) -> tuple[int, int] | None:
    """Return a column of a spreadsheet's whole days and the one beside it that holds the parts of the day."""
    days, parts = [], []
    for c in sample.columns:
        good = c.values[np.isfinite(c.values)]
        if not is_named(headers[c.index]) or c.filled < 0.95 * sample.rows or len(good) < 2:
            continue
        date = good * DAY_S + SPREADSHEET_NOUGHT_S
        t = track(c, sample)
        if not c.decimals and date.min() > OLDEST_SERIAL_S and date.max() < latest_s():
            days.append(c.index)
        elif t is not None and c.decimals > 3 and good.min() >= 0 and good.max() < 1 and t.rising >= 0.9:
            # a part of a minute or an hour would come round within the log
            parts += [c.index] if FASTEST_S <= t.step * DAY_S <= SLOWEST_S else []
    return (days[0], parts[0]) if len(days) == 1 and len(parts) == 1 else None


def _score(counted: Counted, head: Header, t: Track) -> float:
    if counted.format.startswith("epoch"):
        return 3.0 + is_named(head) + t.rising
    if counted.absolute:
        return 2.5
    elapsed = unit_of(head) is not None or bool({"elapsed", "laufzeit"} & set(head.tokens))
    return 1.0 + 0.5 * elapsed + t.rising


def _question(column: SampledColumn, found: list[Counted], sample: Sample, file: Path) -> Ambiguous:
    t = track(column, sample)
    assert t is not None
    names = {c.format: f"{c.format} (a row every {t.step * c.scale:.4g} s)" for c in found}
    first = column.examples(1)[0]
    if AGES in found:
        return Ambiguous(
            f"numbers from {first} count no time since 1970, and a log is not that long",
            f'a profile with [time] format = "{found[0].format}" and start = the day from which they count, '
            'such as "1904-01-01"',
            file=file,
            column=column.name,
        )
    return Ambiguous(
        f"numbers from {first} in steps of {t.step:.6g} may be {' or '.join(names.values())}",
        "a profile with [time] " + " or ".join(f'format = "{f}"' for f in names),
        file=file,
        column=column.name,
    )
