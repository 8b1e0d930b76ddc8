"""Where a log says its time, in which form and zone."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.importers.plan.clock import Clock, elapsed_us
from bmslogs.importers.plan.profile import Time
from bmslogs.importers.recognise.beside import (
    compared_rows,
    counted_us,
    epochs_beside,
    find_fraction,
    find_steady,
    same_days,
    zone_between,
    zoned,
)
from bmslogs.importers.recognise.numeric_time import (
    DAY_S,
    SPREADSHEET_NOUGHT_S,
    find_counted,
    find_day_and_part,
    latest_s,
    may_be_a_clock,
)
from bmslogs.importers.recognise.stamp_form import (
    ELAPSED_WORDS,
    SET_CLOCK,
    durations,
    format_text,
    formatted,
    maybe_compact,
    of_time,
    settle_order,
    stamp_orders,
)
from bmslogs.importers.recognise.start_date import SECOND_US, based, hinted_date
from bmslogs.importers.text.arrow import arrow_numbers
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.stamps import MISSING, match_stamp
from bmslogs.importers.text.words import Header, plain

Int64s = npt.NDArray[np.int64]


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
        named = (
            f'[time] column = {json.dumps(rising, ensure_ascii=False)} and its format, such as "elapsed_s",'
        )
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
    return _with_counts(based(clock, sample, dialect, profile, file), sample, headers)


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
        return formatted([sample.columns[index]], (index,), profile.format, file)
    if clock is None or profile.format is None:
        return clock
    return formatted([sample.columns[i] for i in clock.columns], clock.columns, profile.format, file)


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
        return formatted(columns, indices, profile.format, file)
    chosen = replace_columns(sample, indices)
    if len(indices) == 2:
        return _two(columns[0], columns[1], sample, dialect, headers, file)
    return _from_texts(chosen, headers, dialect, profile, file) or _from_numbers(chosen, headers, file)


def replace_columns(sample: Sample, indices: tuple[int, ...]) -> Sample:
    """Return the sample with some of its columns."""
    return replace(sample, columns=[sample.columns[i] for i in indices])


def _clocklike(column: SampledColumn) -> bool:
    texts = [t for t in column.texts if t][:200]
    return bool(texts) and sum(match_stamp(t, "") is not None and ":" in t for t in texts) >= 0.98 * len(
        texts
    )


def _from_texts(
    sample: Sample, headers: list[Header], dialect: Dialect, profile: Time, file: Path
) -> Clock | None:
    dated: list[tuple[int, SampledColumn, set[str], bool]] = []
    clocks: list[SampledColumn] = []
    for c in sample.columns:
        if c.filled < 0.5 * max(sample.rows, 1) or not c.filled:
            continue
        if c.style is not None and c.style.plain and not maybe_compact(c) and "." not in c.examples(1)[0]:
            continue
        if c.style is None and (_clocklike(c) or (of_time(headers[c.index]) and durations(c))):
            clocks.append(c)
            continue
        orders = stamp_orders(c)
        if orders and (c.style is None or "time" in headers[c.index].means):
            with_clock = any(":" in t or len(t) > 10 for t in c.examples(3))
            rank = 3 * with_clock + ("time" in headers[c.index].means) + ("utc" in headers[c.index].tokens)
            rank += with_clock and any(zoned(c, o) for o in orders)
            dated.append((rank, c, orders, with_clock))
    dated.sort(key=lambda d: (-d[0], d[1].index))
    if dated and dated[0][3]:
        _, c, orders, _ = dated[0]
        order = settle_order(c, orders, sample, dialect, headers, file)
        return Clock(
            "stamp", (c.index,), format_text(c, order), f"reads as date and time ({order})", order=order
        )
    if dated and clocks:
        return _two(dated[0][1], clocks[0], sample, dialect, headers, file)
    for c in clocks:
        means, tokens = headers[c.index].means, headers[c.index].tokens
        first = elapsed_us(next(t for t in c.texts if t))
        if not _clocklike(c) or ELAPSED_WORDS & set(tokens) or (0 <= first < 60_000_000 and "time" in means):
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
    orders = stamp_orders(date)
    if not orders:
        raise BadInput(f"{date.examples(1)} is no date", "dates", file=file, column=date.name)
    order = settle_order(date, orders, sample, dialect, headers, file)
    return Clock(
        "two",
        (date.index, clock.index),
        format_text(date, order) + " %H:%M:%S",
        f"date and time of day in two columns ({order})",
        order=order,
    )


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
    return Clock("number", (index,), counted.format, counted.why, scale=counted.scale, offset=counted.offset)
