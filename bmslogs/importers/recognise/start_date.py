"""The date that a log's preamble or its name gives, and the start of a clock that counts."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from bmslogs.base.errors import Ambiguous
from bmslogs.importers.plan.clock import Clock
from bmslogs.importers.plan.profile import Time
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.sample import Sample
from bmslogs.importers.text.stamps import match_stamp, parse_one

SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
FAR_ON_US = 60_000_000
"""Choice [us]: a count that begins later than this did not begin with the file."""


def hinted_date(dialect: Dialect, file: Path) -> tuple[int, bool] | None:
    """Return a start that the preamble or the file's name gives: microseconds, and whether with time of day."""
    start = _start_in_two_lines(dialect)
    if start is not None:
        return start, True
    found: dict[int, bool] = {}
    for readings in _preamble_dates(dialect).values():
        found |= readings if len(readings) == 1 else {}
    if len(found) == 1:
        return next(iter(found.items()))
    name = re.search(
        r"(?<!\d)(20\d{2})[-_.]?(0[1-9]|1[0-2])[-_.]?(0[1-9]|[12]\d|3[01])"
        r"(?:[T_ -]?([01]\d|2[0-3])[-_.h:]?([0-5]\d)(?:[-_.:]?([0-5]\d))?)?(?!\d)",
        file.name,
    )
    if name:
        y, m, d, hh, mm, ss = name.groups()
        try:
            stamp = dt.datetime(int(y), int(m), int(d), int(hh or 0), int(mm or 0), int(ss or 0))
        except ValueError:
            return None
        return (stamp - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1), hh is not None
    return None


_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d+))?")


def _start_in_two_lines(dialect: Dialect) -> int | None:
    """Return the start that a line with a date and the next with a time of day give [us], None where none is plain.

    Lines with a value for each column are the table's own; others may say when the file was made.
    """
    lines = [[f.strip() for f in re.split(r"[;,\t|]", x)] for x in dialect.preamble[:200]]
    found: dict[bool, set[int]] = {True: set(), False: set()}
    for one, other in itertools.pairwise(lines):
        if len(one) < 2 or len(other) < 2:
            continue
        date, clock = match_stamp(one[1], "ymd"), _TIME_OF_DAY.fullmatch(other[1])
        if date is None or date.groupdict().get("H") is not None or clock is None:
            continue
        hours, minutes, seconds = (int(x) for x in clock.groups()[:3])
        part = int((clock.group(4) or "0")[:6].ljust(6, "0"))
        of_day = ((hours * 60 + minutes) * 60 + seconds) * SECOND_US + part
        found[bool(one[2:] and one[2])].add(parse_one(one[1], "ymd") + of_day)
    starts = found[True] or found[False]
    return next(iter(starts)) if len(starts) == 1 else None


def preamble_parts(dialect: Dialect) -> list[str]:
    """Return the texts of the preamble that may be dates."""
    parts = (p for line in dialect.preamble[:200] for p in re.split(r"[;,\t|=]|:\s", line))
    return [text for part in parts if (text := part.strip().strip('"#* '))]


def _preamble_dates(dialect: Dialect) -> dict[str, dict[int, bool]]:
    """Return the dates of the preamble, each with its readings: microseconds, and whether with time of day."""
    out: dict[str, dict[int, bool]] = {}
    for text in preamble_parts(dialect):
        for orders in (("ymd",), ("dmy",) if re.match(r"\d{1,2}\.", text) else ("dmy", "mdy")):
            matches = {o: match_stamp(text, o) for o in orders}
            readings = {
                parse_one(text, o): m.groupdict().get("H") is not None
                for o, m in matches.items()
                if m is not None and "Y" in m.groupdict()
            }
            if readings:
                out[text] = readings
                break
    return out


def _first_us(clock: Clock, sample: Sample) -> int:
    """Return what a count of time since a start says on the first row [us]."""
    if clock.kind != "number":
        return 0
    values = sample.columns[clock.columns[0]].values
    values = values[np.isfinite(values)]
    return round(float(values[0]) * clock.scale * 1e6) if len(values) else 0


def _noughted(clock: Clock, sample: Sample, hint: tuple[int, bool], named_only: bool, file: Path) -> int:
    """Return the moment at which a count reads nought, by a date with or without time of day.

    Raises
    ------
    Ambiguous
        The count is far on when the file begins: its nought may be the start or long before.
    """
    day = hint[0] // DAY_US * DAY_US
    first = _first_us(clock, sample)
    if clock.kind == "day" or not hint[1] or first <= FAR_ON_US:
        return day if clock.kind == "day" else hint[0]
    if abs(first - (hint[0] - day)) <= 2 * 60_000_000:
        return day  # seconds of the day
    if not named_only:
        return hint[0]
    begun = np.datetime64(hint[0], "us").astype("datetime64[s]")
    counted = np.datetime64(hint[0] - first, "us").astype("datetime64[s]")
    raise Ambiguous(
        f"the count reads {first / 1e6:g} s on the first row, and the file's name says {begun}",
        f'a profile with [time] start = "{begun}Z" (where it read nought then) or "{counted}Z"',
        file=file,
        column=sample.columns[clock.columns[0]].name,
    )


def based(clock: Clock, sample: Sample, dialect: Dialect, profile: Time, file: Path) -> Clock:
    """Give a clock that counts from a start its start."""
    if not clock.relative:
        return clock
    if profile.start is not None:
        start = profile.start
        if start.tzinfo is not None:
            start = start.astimezone(dt.UTC).replace(tzinfo=None)
            clock = replace(clock, zone="UTC")
        if clock.kind == "day":
            start = dt.datetime.combine(start, dt.time())
        return replace(clock, base=(start - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1))
    hint = hinted_date(dialect, file)
    unclear = {text: sorted(r) for text, r in _preamble_dates(dialect).items() if len(r) > 1}
    if hint is None and len(unclear) == 1:
        ((text, readings),) = unclear.items()
        one, other = (str(np.datetime64(us, "us").astype("datetime64[D]")) for us in readings)
        raise Ambiguous(
            f"the date above the table, {text!r}, may be day or month first",
            f'a profile with [time] start = "{one}" or start = "{other}"',
            file=file,
        )
    if hint is None:
        return replace(clock, dated=False, why=clock.why + "; no date known, so it is dated from 1970-01-01")
    base = _noughted(clock, sample, hint, not _preamble_dates(dialect), file)
    return replace(clock, base=base, why=clock.why + "; dated by the preamble or the file's name")
