"""Where a log says its time, in which form and zone; and the raw stamps of a block in microseconds."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.importers.plan.profile import Time
from bmslogs.importers.recognise.beside import (
    Fraction,
    Steady,
    compared_rows,
    counted_us,
    counts_beside,
    epochs_beside,
    find_fraction,
    find_steady,
    runs_with,
    same_days,
    text_us,
    zone_between,
    zoned,
)
from bmslogs.importers.recognise.numeric_time import (
    DAY_S,
    EARLIEST_S,
    ELAPSED,
    EPOCHS,
    SPREADSHEET_NOUGHT_S,
    find_counted,
    find_day_and_part,
    latest_s,
    may_be_a_clock,
)
from bmslogs.importers.text.arrow import arrow_numbers, numpy_of, whole
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.stamps import LONGEST, MISSING, match_stamp, parse_one, parse_stamps
from bmslogs.importers.text.words import Header, plain

Int64s = npt.NDArray[np.int64]
SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
SET_CLOCK = 1_104_537_600_000_000
"""2005-01-01 [us]."""
ELAPSED_WORDS = {"elapsed", "laufzeit", "duration", "runtime"}
FAR_ON_US = 60_000_000
"""Choice [us]: a count that begins later than this did not begin with the file."""
NEAR_START_US = 2 * SECOND_US
"""Choice [us]: a start above the table and a count agree to their whole seconds."""
_FAR = 4_102_444_800
"""2100-01-01 [s]: stamps beyond are none."""


@dataclass(frozen=True)
class Clock:
    """How a log tells the time.

    Attributes
    ----------
    kind
        ``stamp``, ``two`` (date and time of day), ``day`` (time of day alone), ``strptime``, ``number``
        (epoch, serial or elapsed) or ``elapsed_text``.
    columns
        Indices of the columns.
    order
        Order of date parts of texts.
    scale, offset
        For numbers: seconds since 1970 = value * scale + offset.
    zone
        Zone of the logger's clock; UTC where stamps carry their own.
    base
        For a time of day or elapsed time: microseconds since 1970 of its nought (local time). For stamps: what is added
        to them, where a column beside them shows the zone.
    format
        As the profile spells it.
    why
        One line for `inspect`.
    dated
        False where the log says no date and none was found.
    fraction
        Another column that parts the rows of a coarse stamp.
    steady
        A count beside that tells the time of rows whose stamp shows a clock that was not set.
    right
        Which side of a jump of the clock is right, where the profile says so: ``earlier``, ``later`` or ``both``.
    hint
        Date that the file's name or its preamble gives [us]; None where they give none.
    """

    kind: str
    columns: tuple[int, ...]
    format: str
    why: str
    order: str = ""
    scale: float = 1.0
    offset: float = 0.0
    zone: str = "UTC"
    base: int = 0
    dated: bool = True
    fraction: Fraction | None = None
    steady: Steady | None = None
    right: str = ""
    hint: int | None = None

    @property
    def relative(self) -> bool:
        """Whether the stamps count from a start rather than say a date."""
        return self.kind in ("day", "elapsed_text") or self.format.startswith("elapsed")

    def raw(self, columns: list[Any], part: npt.NDArray[np.float64] | None = None) -> Int64s:
        """Return local microseconds of a block, `MISSING` where there is none.

        Parameters
        ----------
        columns
            The block's time columns: Arrow strings, or doubles for numbers.
        part
            The block's column of `fraction`.
        """
        us = self._stamps(columns)
        return us if self.fraction is None or part is None else self.fraction.fine(us, part)

    def _stamps(self, columns: list[Any]) -> Int64s:
        if self.kind == "number":
            # a spreadsheet's day and part of the day may stand in two columns
            values = [np.asarray(numpy_of(whole(c)), dtype=np.float64) for c in columns]
            return self._from_numbers(np.sum(values, axis=0))
        if self.kind == "elapsed_text":
            return _elapsed_texts(columns[0], self.base)
        if self.kind == "strptime":
            us = _strptime(columns, self.format)
        elif self.kind == "two":
            days = parse_dates(columns[0], self.order)
            clock = parse_stamps(columns[1], "")
            us = np.where((days == MISSING) | (clock == MISSING), MISSING, days + clock)
        else:
            us = parse_stamps(columns[0], self.order)
        return np.where(us == MISSING, MISSING, us + self.base) if self.base else us

    def _from_numbers(self, values: npt.NDArray[np.float64]) -> Int64s:
        # whole and broken part apart: a double of microseconds since 1970 is exact, a product need not be
        good = np.isfinite(values)
        values = np.where(good, values, 0.0)
        seconds = values * self.scale if self.scale <= 1 else np.round(values * self.scale, 4)
        if self.scale == 86400.0:
            seconds = np.round(values * 86400.0, 3)
        seconds = seconds + self.offset
        bad = ~good | (np.abs(seconds) > _FAR)
        return np.where(bad, MISSING, np.rint(np.where(bad, 0, seconds) * 1e6).astype(np.int64) + self.base)


def parse_dates(column: Any, order: str) -> Int64s:
    """Return dates (Arrow strings) as microseconds of their midnight."""
    return parse_stamps(column, order)


def _strptime(columns: list[Any], form: str) -> Int64s:
    texts = [c.to_pylist() for c in columns]
    known: dict[str, int] = {}
    out = np.empty(len(texts[0]), dtype=np.int64)
    for i, parts in enumerate(zip(*texts)):
        text = " ".join((p or "").strip() for p in parts)
        if text not in known:
            try:
                stamp = dt.datetime.strptime(text, form)
                zone = stamp.utcoffset() or dt.timedelta()
                known[text] = (stamp.replace(tzinfo=None) - zone - dt.datetime(1970, 1, 1)) // dt.timedelta(
                    microseconds=1
                )
            except ValueError:
                known[text] = int(MISSING)
        out[i] = known[text]
    return out


_ELAPSED = re.compile(r"(?:(\d+)\s*(?:days?,?|d|:)\s*)??(\d+):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?")


def elapsed_us(text: str) -> int:
    """Return elapsed time such as ``12:03:04.5`` in microseconds, `MISSING` where it is none."""
    text = text.strip()
    match = _ELAPSED.fullmatch(text) if len(text) <= LONGEST else None
    if not match:
        return int(MISSING)
    days, hours, minutes, seconds, fraction = match.groups()
    total = ((int(days or 0) * 24 + int(hours)) * 60 + int(minutes)) * 60 + int(seconds or 0)
    return total * 1_000_000 + int((fraction or "0")[:6].ljust(6, "0"))


def _elapsed_texts(column: Any, base: int) -> Int64s:
    known: dict[str, int] = {}
    out = []
    for text in column.to_pylist():
        if text not in known:
            known[text] = elapsed_us(text or "")
        out.append(known[text])
    us = np.array(out, dtype=np.int64)
    return np.where(us == MISSING, MISSING, us + base)


# --- finding it -------------------------------------------------------------------------------------------------


def find_clock(
    sample: Sample, headers: list[Header], dialect: Dialect, profile: Time | None, file: Path
) -> Clock:
    """Find the time of a log.

    Raises
    ------
    Ambiguous
        Two readings of the dates are possible.
    BadInput
        No time at all.
    """
    profile = profile or Time()
    clock = _by_profile(sample, headers, dialect, profile, file) if _named(profile) else None
    if clock is None:
        clock = _by_itself(sample, headers, dialect, profile, file)
    if clock is None:
        if not dialect.header_line:
            raise BadInput(
                "no header, and no column that plainly tells the time",
                f'a header line, or a profile with [time] column = "{sample.columns[0].name}" (counted from 1) and '
                'its format, such as format = "elapsed_s"',
                file=file,
            )
        for c in sample.columns:
            text = next(iter(c.examples(1)), "")
            if "time" in headers[c.index].means and re.fullmatch(r"\d{1,2}:\d{2}[.,]\d{1,3}", text):
                raise BadInput(
                    f"{text!r} lacks the hours: a spreadsheet showed it so and saved what it showed",
                    "the logger's own file, or cells shown as yyyy-mm-dd hh:mm:ss before they are saved",
                    file=file,
                    column=c.name,
                )
        rising = next((c.name for c in sample.columns if may_be_a_clock(c, sample)), None)
        named = f"[time] column = {json.dumps(rising, ensure_ascii=False)} and its format, such as \"elapsed_s\","
        raise BadInput(
            "no column that tells the time",
            f"a time column, or {'[time]' if rising is None else named} in a profile",
            file=file,
            line=dialect.header_line or None,
        )
    hint = hinted_date(dialect, file)
    clock = replace(
        clock, zone=profile.zone or "UTC", right=profile.right or "", hint=hint[0] if hint else None
    )
    if profile.zone is None:
        clock = _in_utc(clock, sample, headers)
    return _with_counts(_based(clock, sample, dialect, profile, file), sample, headers)


def _by_itself(
    sample: Sample, headers: list[Header], dialect: Dialect, profile: Time, file: Path
) -> Clock | None:
    try:
        clock = _from_texts(sample, headers, dialect, profile, file)
        clock = clock or _from_numbers(sample, headers, file, not dialect.header_line)
    except Ambiguous as question:
        if profile.format is None or question.column is None:
            raise
        index = column_called(sample, question.column, file, "time")
        return _formatted([sample.columns[index]], (index,), profile.format, file)
    if clock is None or profile.format is None:
        return clock
    return _formatted([sample.columns[i] for i in clock.columns], clock.columns, profile.format, file)


def _in_utc(clock: Clock, sample: Sample, headers: list[Header]) -> Clock:
    """Bring local stamps to UTC where a column beside them counts since 1970: that count knows no zone."""
    if clock.kind not in ("stamp", "two", "strptime"):
        return clock
    column = sample.columns[clock.columns[0]]
    if clock.kind == "stamp" and zoned(column, clock.order):
        return clock
    rows = compared_rows(sample)
    us = clock.raw([_texts(sample.columns[i], rows) for i in clock.columns])
    for index, counted in epochs_beside(sample, headers, clock.columns):
        if not counted.format.startswith("epoch"):
            continue
        utc = counted_us(sample.columns[index], counted, rows)
        zone = zone_between(us, utc, 60_000_000)
        name = sample.columns[index].name
        if zone is not None and _in_parts(utc) and not _in_parts(us):
            why = f"{counted.why}, finer than {column.name!r}, with which it runs"
            return Clock("number", (index,), counted.format, why, scale=counted.scale, offset=counted.offset)
        if zone:
            hours = f"{zone / 3.6e9:+g} h"
            why = f"{clock.why}; runs {hours} ahead of {name!r}, which counts since 1970: moved to UTC"
            return replace(clock, base=-zone, why=why)
        if zone is None and same_days(us, utc):
            why = f"{counted.why}; {column.name!r} runs ahead of it by no one zone"
            return Clock("number", (index,), counted.format, why, scale=counted.scale, offset=counted.offset)
    return clock


def _in_parts(us: Int64s) -> bool:
    """Whether any stamp is no whole second."""
    return bool((us[us != MISSING] % SECOND_US).any())


def _with_counts(clock: Clock, sample: Sample, headers: list[Header]) -> Clock:
    """Let other columns tell where within a coarse stamp a row lies, and when it was while the clock was not set."""
    if clock.kind == "elapsed_text" or sample.rows < 20:
        return clock
    everywhere = np.arange(sample.rows)
    if clock.kind == "number":
        us = clock.raw([arrow_numbers(sample.columns[i].values) for i in clock.columns])
    else:
        us = clock.raw([_texts(sample.columns[i], everywhere) for i in clock.columns])
    if not clock.relative:
        end = round(latest_s() * 1e6)
        clock = replace(clock, steady=find_steady(sample, headers, clock.columns, us, SET_CLOCK, end))
    fraction = find_fraction(sample, headers, clock.columns, us)
    if fraction is None:
        return clock
    name = sample.columns[fraction.index].name
    return replace(clock, fraction=fraction, why=f"{clock.why}; {name!r} tells the fraction")


def _texts(column: SampledColumn, rows: Int64s) -> Any:
    import pyarrow as pa

    array = column.array if len(rows) == len(column.array) else column.array.take(arrow_numbers(rows))
    return pa.chunked_array([array])


def _named(profile: Time) -> bool:
    return profile.column is not None or profile.columns is not None


def column_called(sample: Sample, name: str, file: Path, section: str) -> int:
    """Return the index of the column that a profile names."""
    for wanted in (name, name.strip()):
        for c in sample.columns:
            if c.name == wanted:
                return c.index
    for c in sample.columns:
        if plain(c.name.strip()) == plain(name.strip()):
            return c.index
    raise BadInput(f"no column {name!r}", f"the column that the profile names in [{section}]", file=file)


def _by_profile(
    sample: Sample, headers: list[Header], dialect: Dialect, profile: Time, file: Path
) -> Clock | None:
    names = profile.columns or ((profile.column,) if profile.column else ())
    indices = tuple(column_called(sample, n, file, "time") for n in names)
    columns = [sample.columns[i] for i in indices]
    if profile.format:
        return _formatted(columns, indices, profile.format, file)
    chosen = replace_columns(sample, indices)
    if len(indices) == 2:
        return _two(columns[0], columns[1], sample, dialect, headers, file)
    return _from_texts(chosen, headers, dialect, profile, file) or _from_numbers(chosen, headers, file)


def replace_columns(sample: Sample, indices: tuple[int, ...]) -> Sample:
    """Return the sample with some of its columns."""
    return replace(sample, columns=[sample.columns[i] for i in indices])


def _formatted(columns: list[SampledColumn], indices: tuple[int, ...], form: str, file: Path) -> Clock:
    numbers = dict(EPOCHS) | dict(ELAPSED)
    if form in dict(EPOCHS):
        _refuse_other_epoch(columns[0], form, file)
    if form in numbers:
        return Clock("number", indices, form, "as the profile says", scale=numbers[form])
    if form in ("excel", "serial_days"):
        return Clock(
            "number", indices, form, "as the profile says", scale=86400.0, offset=SPREADSHEET_NOUGHT_S
        )
    if form == "iso":
        return Clock("stamp", indices[:1], form, "as the profile says", order="ymd")
    if "%" not in form:
        raise BadInput(
            f"time format {form!r}", "a format such as %d.%m.%Y %H:%M:%S, epoch_s or elapsed_s", file=file
        )
    order = _order_of(form)
    if order:
        kind = "two" if len(indices) == 2 else "stamp"
        matches = [match_stamp(t, order) for t in columns[0].texts[:50] if t]
        own = [m for m in matches if m is not None]
        if own and len(own) == len(matches) and not re.search(r"%[aAjUWcxX]", form):
            return Clock(kind, indices, form, "as the profile says", order=order)
    elif "%H" in form and not re.search(r"%[dmYy]", form):
        return Clock("day", indices, form, "as the profile says")
    return Clock("strptime", indices, form, "as the profile says")


def _refuse_other_epoch(column: SampledColumn, form: str, file: Path) -> None:
    """Ask where a count since 1970 would be of no log's year in the unit that the profile says, and is in another."""
    values = column.values[np.isfinite(column.values)]
    if not len(values):
        return
    level = float(np.median(values))
    able = [name for name, scale in EPOCHS if EARLIEST_S < level * scale < latest_s()]
    if able and form not in able:
        raise Ambiguous(
            f'the profile says format = "{form}", but {level:.0f} is of our time as {able[0]}',
            f'a profile with [time] format = "{able[0]}"',
            file=file,
            column=column.name,
        )


def _order_of(form: str) -> str:
    spots = {k: max(form.find("%" + c) for c in cs) for k, cs in (("y", "Yy"), ("m", "mbB"), ("d", "d"))}
    if min(spots.values()) < 0:
        return ""
    order = "".join(sorted(spots, key=lambda k: spots[k]))
    return order if order in ("ymd", "dmy", "mdy") else ""


def _stamp_orders(column: SampledColumn) -> set[str]:
    """Return the orders of date parts in which (nearly) all texts of a column are stamps."""
    texts = list(dict.fromkeys(t for t in column.texts if t))[:4000]
    head = texts[:50]
    numbers = all(re.fullmatch(r"[\d.,]+", t) and len(t) not in (8, 14) for t in head)
    if not texts or (numbers and not all(re.fullmatch(r"\d{1,2}\.\d{1,2}\.\d{2,4}", t) for t in head)):
        return set()
    out = set()
    for order in ("ymd", "dmy", "mdy", "yy"):
        if order == "yy" and not _recent(texts[0]):
            continue
        if all(match_stamp(t, order) for t in texts[:3]) or match_stamp(texts[len(texts) // 2], order):
            hits = sum(match_stamp(t, order) is not None for t in texts)
            if hits >= 0.98 * len(texts):
                out.add(order)
    return out


def _recent(text: str) -> bool:
    """Whether a date of two digits a part may begin with a year of our time."""
    return parse_one(text, "yy") // 1_000_000 in range(SET_CLOCK // 1_000_000, int(latest_s()))


def _maybe_compact(column: SampledColumn) -> bool:
    """Whether plain digits may be a stamp such as 20260503091000."""
    return any(len(t) in (8, 14) and t.startswith(("19", "20")) for t in column.examples(1))


def _clocklike(column: SampledColumn) -> bool:
    texts = [t for t in column.texts if t][:200]
    return bool(texts) and sum(match_stamp(t, "") is not None and ":" in t for t in texts) >= 0.98 * len(
        texts
    )


def _of_time(header: Header) -> bool:
    return "time" in header.means or bool(ELAPSED_WORDS & set(header.tokens))


def _durations(column: SampledColumn) -> bool:
    """Whether texts are lengths of time, some of more than a day."""
    texts = list(dict.fromkeys(t for t in column.texts if t))[:200]
    if not texts or elapsed_us(texts[0]) == MISSING:
        return False
    return sum(elapsed_us(t) != MISSING for t in texts) >= 0.98 * len(texts)


def _from_texts(
    sample: Sample, headers: list[Header], dialect: Dialect, profile: Time, file: Path
) -> Clock | None:
    dated: list[tuple[int, SampledColumn, set[str], bool]] = []
    clocks: list[SampledColumn] = []
    for c in sample.columns:
        if c.filled < 0.5 * max(sample.rows, 1) or not c.filled:
            continue
        if c.style is not None and c.style.plain and not _maybe_compact(c) and "." not in c.examples(1)[0]:
            continue
        if c.style is None and (_clocklike(c) or (_of_time(headers[c.index]) and _durations(c))):
            clocks.append(c)
            continue
        orders = _stamp_orders(c)
        if orders and (c.style is None or "time" in headers[c.index].means):
            with_clock = any(":" in t or len(t) > 10 for t in c.examples(3))
            rank = 3 * with_clock + ("time" in headers[c.index].means) + ("utc" in headers[c.index].tokens)
            rank += with_clock and any(zoned(c, o) for o in orders)
            dated.append((rank, c, orders, with_clock))
    dated.sort(key=lambda d: (-d[0], d[1].index))
    if dated and dated[0][3]:
        _, c, orders, _ = dated[0]
        order = _settle_order(c, orders, sample, dialect, headers, file)
        return Clock(
            "stamp", (c.index,), _format_text(c, order), f"reads as date and time ({order})", order=order
        )
    if dated and clocks:
        return _two(dated[0][1], clocks[0], sample, dialect, headers, file)
    for c in clocks:
        means, tokens = headers[c.index].means, headers[c.index].tokens
        first = elapsed_us(next(t for t in c.texts if t))
        if not _clocklike(c) or ELAPSED_WORDS & set(tokens) or (
            0 <= first < 60_000_000 and "time" in means
        ):
            return Clock("elapsed_text", (c.index,), "elapsed_hms", "reads as time since the start")
        return Clock("day", (c.index,), "%H:%M:%S", "reads as time of day, without a date")
    return None


def _two(
    date: SampledColumn,
    clock: SampledColumn,
    sample: Sample,
    dialect: Dialect,
    headers: list[Header],
    file: Path,
) -> Clock:
    orders = _stamp_orders(date)
    if not orders:
        raise BadInput(f"{date.examples(1)} is no date", "dates", file=file, column=date.name)
    order = _settle_order(date, orders, sample, dialect, headers, file)
    return Clock(
        "two",
        (date.index, clock.index),
        _format_text(date, order) + " %H:%M:%S",
        f"date and time of day in two columns ({order})",
        order=order,
    )


def _format_text(column: SampledColumn, order: str) -> str:
    """Return the form of a column's stamps as a profile would spell it."""
    text = next(t for t in column.texts if t)
    match = match_stamp(text, order)
    if match is None:
        return order
    names = {"a": "%a", "Y": "%Y", "m": "%m", "d": "%d", "H": "%H", "M": "%M", "S": "%S", "f": "%f", "z": "%z"}
    if len(match.groupdict().get("p") or "") == 2:
        names["p"] = "%p"
    out, last = "", 0
    source = text.strip()
    for key in sorted((k for k in names if match.groupdict().get(k)), key=lambda k: match.start(k)):
        start, end = match.span(key)
        code = names[key]
        if key == "Y" and end - start == 2:
            code = "%y"
        if key == "m" and not match.group(key).isdigit():
            code = "%b"
        if key == "H" and match.groupdict().get("p"):
            code = "%I"
        out += source[last:start] + code
        last = end
    return out


def _order_beside(
    column: SampledColumn, orders: set[str], sample: Sample, headers: list[Header]
) -> str | None:
    """Return the order of date parts with which a column agrees with another that says its date plainly."""
    rows = compared_rows(sample)
    witnesses = [
        counted_us(sample.columns[i], counted, rows)
        for i, counted in epochs_beside(sample, headers, (column.index,))
    ]
    for c in sample.columns:
        if c.index == column.index or c.style is not None or c.filled < 0.5 * sample.rows:
            continue
        known = _stamp_orders(c)
        if "ymd" in known or len(known) == 1:
            witnesses.append(text_us(c, "ymd" if "ymd" in known else next(iter(known)), rows))
    for other in witnesses:
        fits = [o for o in sorted(orders) if same_days(text_us(column, o, rows), other)]
        if len(fits) == 1:
            return fits[0]
    for other in counts_beside(sample, headers, (column.index,), rows):
        fits = [o for o in sorted(orders) if runs_with(text_us(column, o, rows), other)]
        if len(fits) == 1:
            return fits[0]
    return None


def _order_since_start(
    column: SampledColumn, orders: set[str], sample: Sample, headers: list[Header], dialect: Dialect
) -> str | None:
    """Return the order of date parts in which the first row lies behind a start above the table as a count says."""
    row = np.zeros(1, dtype=np.int64)
    counts = [int(c[0]) for c in counts_beside(sample, headers, (column.index,), row)]
    for c in sample.columns:
        if c.style is None and _of_time(headers[c.index]) and _durations(c):
            counts.append(elapsed_us(next(t for t in c.texts if t)))
    first = next(t for t in column.texts if t)
    fits = []
    for o in sorted(orders):
        starts = [parse_one(t, o) for t in _preamble_parts(dialect) if match_stamp(t, o) is not None]
        since = [parse_one(first, o) - s for s in starts]
        if any(abs(s - c) <= NEAR_START_US for s in since for c in counts):
            fits.append(o)
    return fits[0] if len(fits) == 1 else None


def _settle_order(
    column: SampledColumn,
    orders: set[str],
    sample: Sample,
    dialect: Dialect,
    headers: list[Header],
    file: Path,
) -> str:
    """Choose between day first and month first by other columns, marks and what the dates do.

    The language of the headers and the decimal mark say where a file is read, not how its logger writes dates.
    """
    if "ymd" in orders:
        return "ymd"
    if len(orders) == 1:
        return next(iter(orders))
    beside = _order_beside(column, orders, sample, headers)
    beside = beside or _order_since_start(column, orders, sample, headers, dialect)
    if beside is not None:
        return beside
    texts = [t for t in column.texts if t]
    if re.match(r"\D*\d{1,2}\.", texts[0]):
        return "dmy"
    spans = {
        o: _span_days([parse_one(t, o) for t in (texts[0], texts[len(texts) // 2], texts[-1])])
        for o in orders
    }
    short = [o for o in sorted(orders) if spans[o] <= 3]
    if len(short) == 1 and all(spans[o] > 20 for o in orders if o not in short):
        return short[0]
    hint = hinted_date(dialect, file)
    days = {o: parse_one(texts[0], o) // 86_400_000_000 for o in orders}
    if hint is not None:
        near = [o for o in orders if days[o] == hint[0] // 86_400_000_000]
        if len(near) == 1:
            return near[0]
    if len(set(days.values())) == 1:
        return sorted(orders)[0]
    parts = {"dmy": "day", "mdy": "month", "yy": "year"}
    forms = [f'format = "{_spelled(column, o)}"' for o in sorted(orders)]
    raise Ambiguous(
        f"{texts[0]!r} may be {' or '.join(parts[o] for o in sorted(orders))} first",
        f"a profile with [time] {' or '.join(forms)}",
        file=file,
        column=column.name,
    )


def _spelled(column: SampledColumn, order: str) -> str:
    """Return how a profile would say an order of date parts, the time of day in its usual form."""
    form = _format_text(column, order)
    return form if "%H" in form or "%I" in form else f"{form} %H:%M:%S"


def _span_days(stamps: list[int]) -> float:
    return (max(stamps) - min(stamps)) / 86_400e6


def _from_numbers(
    sample: Sample, headers: list[Header], file: Path, headerless: bool = False
) -> Clock | None:
    two = find_day_and_part(sample, headers)
    if two is not None:
        says = "a spreadsheet's day and part of the day in two columns"
        return Clock("number", two, "serial_days", says, scale=DAY_S, offset=SPREADSHEET_NOUGHT_S)
    found = find_counted(sample, headers, file, headerless)
    if found is None:
        return None
    index, counted = found
    return Clock(
        "number", (index,), counted.format, counted.why, scale=counted.scale, offset=counted.offset
    )


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


def _preamble_parts(dialect: Dialect) -> list[str]:
    """Return the texts of the preamble that may be dates."""
    parts = (p for line in dialect.preamble[:200] for p in re.split(r"[;,\t|=]|:\s", line))
    return [text for part in parts if (text := part.strip().strip('"#* '))]


def _preamble_dates(dialect: Dialect) -> dict[str, dict[int, bool]]:
    """Return the dates of the preamble, each with its readings: microseconds, and whether with time of day."""
    out: dict[str, dict[int, bool]] = {}
    for text in _preamble_parts(dialect):
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


def _noughted(
    clock: Clock, sample: Sample, hint: tuple[int, bool], named_only: bool, file: Path
) -> int:
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


def _based(clock: Clock, sample: Sample, dialect: Dialect, profile: Time, file: Path) -> Clock:
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
