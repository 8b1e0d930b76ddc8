"""Time stamps as text turned into microseconds, whole columns at once by digit arithmetic."""

from __future__ import annotations

import datetime as dt
import re
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
MISSING = np.iinfo(np.int64).min
"""Stands for a stamp that is missing or no time."""

LONGEST = 64
"""Choice [letters]: no stamp is longer; over a field of many blanks the patterns would try their parts without end."""
_MONTHS: dict[str, int] = {}
for _number, _names in enumerate(
    (
        "jan januar january janvier enero gennaio januari styczen stycznia ene gen sty",
        "feb februar february fevrier febrero febbraio februari luty lutego fev lut",
        "mar maerz marz march mars marzo maart marzec marca mrz mrt",
        "apr april avril abril aprile kwiecien kwietnia avr abr kwi",
        "may mai mayo maggio mei maj maja mag",
        "jun juni june juin junio giugno czerwiec czerwca giu cze",
        "jul juli july juillet julio luglio lipiec lipca juil lug lip",
        "aug august aout agosto augustus augusti sierpien sierpnia ago sie",
        "sep sept september septembre septiembre settembre wrzesien wrzesnia set wrz",
        "oct okt october oktober octobre octubre ottobre pazdziernik pazdziernika ott paz",
        "nov november novembre noviembre listopad listopada lis",
        "dec dez december dezember decembre diciembre dicembre desember grudzien grudnia dic des gru",
    ),
    1,
):
    _MONTHS |= dict.fromkeys(_names.split(), _number)


_CLOCK = (
    r"(?P<H>\d{1,2})\s*[:hH.](?P<M>\d{2})(?:[:m.](?P<S>\d{2})(?:[.,:](?P<f>\d{1,9}))?)?s?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?"
)
_ZONE = r"\s*(?P<z>Z|z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
_SEP = r"(?:[T_ ,]\s*|\s+|\s*-\s*)"
_DATE = {
    "ymd": r"(?P<Y>\d{4})[-/.](?P<m>\d{1,2}|[^\W\d]{3,12})[-/.](?P<d>\d{1,2})",
    "yy": r"(?P<Y>\d{2})[-/](?P<m>\d{1,2})[-/](?P<d>\d{1,2})",
    "dmy": (
        r"(?:(?P<a>[^\W\d]{2,3})\.?,?\s+)?(?P<d>\d{1,2})(?:[-/]|\.\s?|\s)\s*(?P<m>\d{1,2}|[^\W\d]{3,12}\.?)"
        r"[-/.,\s]\s*(?P<Y>\d{4}|\d{2})"
    ),
    "mdy": r"(?P<m>\d{1,2}|[^\W\d]{3,12}\.?)[-/. ](?P<d>\d{1,2})[-/., ]\s*(?P<Y>\d{4}|\d{2})",
}
_YEAR_LAST = (
    r"(?:(?P<a>[^\W\d]{2,3})\.?,?\s+)?(?P<m>[^\W\d]{3,12}\.?)\s+(?P<d>\d{1,2})\s+"
    + _CLOCK
    + r"(?:\s+(?P<z>UTC|GMT|Z))?\s+(?P<Y>\d{4})"
)
"""As the C library's `asctime` writes it: the year behind the time of day."""
_COMPACT = r"(?P<Y>\d{4})(?P<m>\d{2})(?P<d>\d{2})"
_COMPACT_CLOCK = r"(?P<H>\d{2})(?P<M>\d{2})(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?"


@lru_cache(maxsize=8)
def _patterns(order: str) -> tuple[re.Pattern[str], ...]:
    if not order:
        return (re.compile(_CLOCK + _ZONE),)
    date = _DATE[order]
    out = [date + _SEP + _CLOCK + _ZONE, date]
    if order == "ymd":
        out += [_COMPACT + r"[T_ -]?" + _COMPACT_CLOCK + _ZONE, _COMPACT + _SEP + _CLOCK + _ZONE, _COMPACT]
    else:
        out += [_CLOCK + r"\s+" + date]
        out += [_YEAR_LAST] if order == "mdy" else []
    return tuple(re.compile(p) for p in out)


def match_stamp(text: str, order: str) -> re.Match[str] | None:
    """Return the match of a stamp in an order of parts, None where it is none or no possible date."""
    text = text.strip()
    if len(text) > LONGEST:
        return None
    for pattern in _patterns(order):
        match = pattern.fullmatch(text)
        if match and _possible(match):
            return match
    return None


def _possible(match: re.Match[str]) -> bool:
    part = match.groupdict()
    if part.get("m") is not None:
        month = month_number(part["m"])
        if month is None or not 1 <= month <= 12:
            return False
        try:
            dt.date(full_year(part["Y"]), month, int(part["d"]))
        except ValueError:
            return False
    hour = int(part.get("H") or 0)
    return hour <= 24 and int(part.get("M") or 0) < 60 and int(part.get("S") or 0) <= 60


def month_number(text: str) -> int | None:
    """Return the month 1..12 that a text names."""
    from bmslogs.importers.text.words import plain

    if text.isdigit():
        return int(text)
    return _MONTHS.get(plain(text).rstrip("."))


def full_year(text: str) -> int:
    """Return the year with its century: two digits are 1970..2069."""
    year = int(text)
    return year if len(text) > 2 else year + (1900 if year >= 70 else 2000)


def parse_one(text: str, order: str) -> int:
    """Return one stamp in microseconds since 1970 (or since midnight), `MISSING` where it is none.

    A zone in the stamp is taken off: the result is UTC then, else the logger's local time.
    """
    match = match_stamp(text, order)
    if match is None:
        return int(MISSING)
    part = match.groupdict()
    days = 0
    if part.get("Y") is not None:
        month = month_number(part["m"])
        days = dt.date(full_year(part["Y"]), month or 1, int(part["d"])).toordinal() - 719163
    hour = int(part.get("H") or 0)
    half = (part.get("p") or "").lower().replace(".", "")
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0)
    fraction = (part.get("f") or "0")[:6].ljust(6, "0")
    seconds = days * 86400 + hour * 3600 + int(part.get("M") or 0) * 60 + int(part.get("S") or 0)
    return seconds * 1_000_000 + int(fraction) - _zone_us(part.get("z"))


def _zone_us(zone: str | None) -> int:
    if not zone or zone in ("Z", "z", "UTC", "GMT"):
        return 0
    digits = zone[1:].replace(":", "")
    minutes = int(digits[:2]) * 60 + int(digits[2:] or 0)
    return (-minutes if zone[0] == "-" else minutes) * 60_000_000


def parse_stamps(column: Any, order: str) -> Int64s:
    """Return a column of stamps (Arrow strings) in microseconds; `MISSING` where one is none.

    Stamps of one width are read together, by the places of their digits; the rest one by one.
    """
    import pyarrow as pa

    if column.num_chunks != 1:
        column = pa.concat_arrays(column.chunks) if column.num_chunks else pa.nulls(0, pa.string())
    else:
        column = column.chunk(0)
    rows = len(column)
    out = np.full(rows, MISSING, dtype=np.int64)
    if not rows:
        return out
    _, offsets_buffer, data_buffer = column.buffers()
    offsets = np.frombuffer(offsets_buffer, dtype=np.int32)[column.offset : column.offset + rows + 1]
    if data_buffer is None:
        return out
    data = np.frombuffer(data_buffer, dtype=np.uint8)
    widths = np.diff(offsets)
    for width in np.unique(widths):
        if not 4 <= width <= LONGEST:
            continue
        at = np.flatnonzero(widths == width)
        if len(at) == rows:
            matrix = data[offsets[0] : offsets[-1]].reshape(rows, width)
        else:
            matrix = data[offsets[at][:, None] + np.arange(width)]
        out[at] = _parse_matrix(matrix, order)
    return out


def _parse_matrix(matrix: npt.NDArray[np.uint8], order: str) -> Int64s:
    """Read stamps of one width, one row each."""
    rows = len(matrix)
    out = np.full(rows, MISSING, dtype=np.int64)
    left = np.arange(rows)
    for _ in range(4):
        if not len(left):
            return out
        text = matrix[left[0]].tobytes().decode("utf-8", "replace")
        match = match_stamp(text, order) if text.isascii() else None
        if (
            match is None
            or any(match.groupdict().get(k) for k in ("p",))
            or not (match.groupdict().get("m") or "1").isdigit()
        ):
            break
        group = matrix[left]
        alike = _alike(group)
        rest = left[~alike]
        out[left[alike]] = _by_places(group[alike], match, len(text) - len(text.lstrip()))
        left = rest
    if len(left):
        out[left] = _one_by_one(matrix[left], order)
    return out


def _alike(group: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Rows that have digits where the first has and the same marks elsewhere."""
    first = group[0]
    digit = (first >= 48) & (first <= 57)
    # bytes below the least wrap round to large ones
    least, most = np.where(digit, np.uint8(48), first), np.where(digit, np.uint8(9), np.uint8(0))
    return np.asarray(((group - least) <= most).all(axis=1), dtype=bool)


def _by_places(group: npt.NDArray[np.uint8], match: re.Match[str], lead: int) -> Int64s:
    """Read stamps by the places of their digits; `lead` blanks stand before what was matched."""

    def number(key: str) -> Int64s:
        if key not in match.re.groupindex or match.group(key) is None:
            return np.zeros(len(group), dtype=np.int64)
        start, end = match.span(key)
        value = np.zeros(len(group), dtype=np.int64)
        for k in range(start + lead, end + lead):
            value = value * 10 + (group[:, k] - np.uint8(48))
        return value

    month, day, year = number("m"), number("d"), number("Y")
    hour, minute, second = number("H"), number("M"), number("S")
    groups = match.groupdict()
    days = np.zeros(len(group), dtype=np.int64)
    bad = (hour > 24) | (minute > 59) | (second > 60)
    if groups.get("Y") is not None:
        if len(groups["Y"]) == 2:
            year += np.where(year >= 70, 1900, 2000)
        bad |= (month < 1) | (month > 12) | (day < 1) | (day > _days_in(year, np.clip(month, 1, 12)))
        days = _days(year, np.clip(month, 1, 12), day)
    fraction = number("f")
    if groups.get("f"):
        length = len(groups["f"])
        fraction = fraction * 10 ** (6 - length) if length <= 6 else fraction // 10 ** (length - 6)
    us = ((days * 24 + hour) * 60 + minute) * 60 + second
    us = us * 1_000_000 + fraction
    zone = groups.get("z")
    if zone and zone[0] in "+-":
        start, end = match.span("z")
        signs = np.where(group[:, start + lead] == ord("-"), -1, 1)
        digits = [k for k in range(start + 1 + lead, end + lead) if 48 <= int(group[0, k]) <= 57]
        places = [(group[:, k] - np.uint8(48)).astype(np.int64) for k in digits]
        minutes = (places[0] * 10 + places[1]) * 60
        if len(places) > 2:
            minutes += places[2] * 10 + places[3]
        us -= signs * minutes * 60_000_000
    return np.where(bad, MISSING, us)


def _one_by_one(matrix: npt.NDArray[np.uint8], order: str) -> Int64s:
    known: dict[bytes, int] = {}
    out = np.empty(len(matrix), dtype=np.int64)
    for i, row in enumerate(matrix):
        key = row.tobytes()
        if key not in known:
            known[key] = parse_one(key.decode("utf-8", "replace"), order)
        out[i] = known[key]
    return out


def _days(year: Int64s, month: Int64s, day: Int64s) -> Int64s:
    """Days since 1970-01-01 of Gregorian dates (years counted from March, so that leap days come last)."""
    y = year - (month <= 2)
    era = y // 400
    yoe = y - era * 400
    doy = (153 * (month + np.where(month > 2, -3, 9)) + 2) // 5 + day - 1
    return np.asarray(era * 146097 + yoe * 365 + yoe // 4 - yoe // 100 + doy - 719468, dtype=np.int64)


def _days_in(year: Int64s, month: Int64s) -> Int64s:
    lengths = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    return np.asarray(lengths[month] + ((month == 2) & leap), dtype=np.int64)
