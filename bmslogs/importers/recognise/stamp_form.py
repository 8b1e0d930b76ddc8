"""The form of a log's stamps: as a profile says it, as its texts show it, and in which order a date's parts stand."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.importers.plan.clock import Clock, elapsed_us
from bmslogs.importers.recognise.beside import (
    compared_rows,
    counted_us,
    counts_beside,
    epochs_beside,
    runs_with,
    same_days,
    text_us,
)
from bmslogs.importers.recognise.numeric_time import (
    EARLIEST_S,
    ELAPSED,
    EPOCHS,
    SPREADSHEET_NOUGHT_S,
    latest_s,
)
from bmslogs.importers.recognise.start_date import SECOND_US, hinted_date, preamble_parts
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.stamps import MISSING, match_stamp, parse_one
from bmslogs.importers.text.words import Header

SET_CLOCK = 1_104_537_600_000_000
"""2005-01-01 [us]."""
ELAPSED_WORDS = {"elapsed", "laufzeit", "duration", "runtime"}
NEAR_START_US = 2 * SECOND_US
"""Choice [us]: a start above the table and a count agree to their whole seconds."""


def formatted(columns: list[SampledColumn], indices: tuple[int, ...], form: str, file: Path) -> Clock:
    """Return the clock that a profile's format makes of some columns; raises where the format cannot be theirs."""
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


def stamp_orders(column: SampledColumn) -> set[str]:
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


def maybe_compact(column: SampledColumn) -> bool:
    """Whether plain digits may be a stamp such as 20260503091000."""
    return any(len(t) in (8, 14) and t.startswith(("19", "20")) for t in column.examples(1))


def of_time(header: Header) -> bool:
    """Whether a header speaks of time."""
    return "time" in header.means or bool(ELAPSED_WORDS & set(header.tokens))


def durations(column: SampledColumn) -> bool:
    """Whether texts are lengths of time, some of more than a day."""
    texts = list(dict.fromkeys(t for t in column.texts if t))[:200]
    if not texts or elapsed_us(texts[0]) == MISSING:
        return False
    return sum(elapsed_us(t) != MISSING for t in texts) >= 0.98 * len(texts)


def format_text(column: SampledColumn, order: str) -> str:
    """Return the form of a column's stamps as a profile would spell it."""
    text = next(t for t in column.texts if t)
    match = match_stamp(text, order)
    if match is None:
        return order
    names = {
        "a": "%a",
        "Y": "%Y",
        "m": "%m",
        "d": "%d",
        "H": "%H",
        "M": "%M",
        "S": "%S",
        "f": "%f",
        "z": "%z",
    }
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
        known = stamp_orders(c)
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
        if c.style is None and of_time(headers[c.index]) and durations(c):
            counts.append(elapsed_us(next(t for t in c.texts if t)))
    first = next(t for t in column.texts if t)
    fits = []
    for o in sorted(orders):
        starts = [parse_one(t, o) for t in preamble_parts(dialect) if match_stamp(t, o) is not None]
        since = [parse_one(first, o) - s for s in starts]
        if any(abs(s - c) <= NEAR_START_US for s in since for c in counts):
            fits.append(o)
    return fits[0] if len(fits) == 1 else None


def settle_order(
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
    form = format_text(column, order)
    return form if "%H" in form or "%I" in form else f"{form} %H:%M:%S"


def _span_days(stamps: list[int]) -> float:
    return (max(stamps) - min(stamps)) / 86_400e6
