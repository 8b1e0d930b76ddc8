"""The line protocol of time-series databases: ``measurement,tag=.. field=..,field=.. stamp``, an open text format.

Source: the format's public description, from memory. Points of one stamp become one row; each series (measurement and
tags that tell it from others) and field a column.
"""

from __future__ import annotations

import datetime as dt
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import clean
from bmslogs.importers.recordings.made import TableText, not_a_row, refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader
from bmslogs.importers.text.made_table import DELIMITER, MadeTable, Origin
from bmslogs.importers.text.source import Source, lines_of

_BLOCK = 1 << 20
MOST_HELD = 4_000_000
"""Choice: as many readings are held where each series stands in the file for itself; about 400 MB."""
_KEY = r"(?:\\.|[^\s,=\\])+"
_TEXT = r'"(?:\\.|[^"\\])*"'
_POINT = re.compile(
    rf"(?P<name>(?:\\.|[^\s,\\])+(?:,{_KEY}={_KEY})*)[ ]+"
    rf"(?P<fields>{_KEY}=(?:{_TEXT}|[^\s,\"]+)(?:,{_KEY}=(?:{_TEXT}|[^\s,\"]+))*)(?:[ ]+(?P<stamp>-?\d{{1,19}}))?[ ]*"
)
_PART = re.compile(rf"({_KEY})=({_TEXT}|[^\s,\"]+)(?:,|$)")
_TAG = re.compile(rf",({_KEY})=({_KEY})")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_TRUE, _FALSE = (
    frozenset(["t", "T", "true", "True", "TRUE"]),
    frozenset(["f", "F", "false", "False", "FALSE"]),
)
_ESCAPED = re.compile(r"\\([,= \\\"])")
UNITS = ((1e17, 9), (1e14, 6), (1e11, 3), (0.0, 0))
"""Least size of a stamp of our time and the digits of its fraction of a second: ns, us, ms, s."""
OLDEST_S = 6e8
"""Choice [s]: 1989; an older stamp is no date."""
_STAMP_COLUMN = "time"
Series = tuple[str, tuple[tuple[str, str], ...]]


def tells(head: bytes) -> bool:
    """Whether the first lines are points."""
    lines = head.decode("utf-8", "replace").removeprefix("\ufeff").split("\n")
    whole = lines[:-1] if len(lines) > 1 else lines
    filled = [x.strip("\r") for x in whole if x.strip() and not x.startswith("#")][:20]
    return bool(filled) and sum(
        len(x) < 65536 and _POINT.fullmatch(x) is not None for x in filled
    ) > 0.8 * len(filled)


@dataclass
class _Points:
    """What a first reading of all points shows.

    Attributes
    ----------
    series, columns
        Measurement and tags by the text of a series; column of each series and field.
    digits
        Of the fraction of a second in the stamps.
    back, own_back
        How often a stamp lies before that of the last point, and before that of its series.
    count
        Points.
    """

    series: dict[str, Series] = field(default_factory=dict)
    columns: dict[tuple[str, str], int] = field(default_factory=dict)
    digits: int | None = None
    back: int = 0
    own_back: int = 0
    count: int = 0

    @property
    def apart(self) -> bool:
        """Whether the series stand one behind the other, or the points in no order: a clock set back is neither."""
        return self.back > self.own_back or self.own_back > 0.05 * self.count


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the points of a file out as rows, one a stamp."""
    found = _look(source)
    if not found.columns:
        raise BadInput("no point with readings", "measurement,tags fields stamp", file=source.path)
    names = _names(found)
    with TableText(source.path, source.size) as text:
        text.header([_STAMP_COLUMN, *names])
        origins: array[int] = array("Q", [1])
        rows = _gathered(source, found) if found.apart else _successive(source, found)
        held: list[str] = []
        width = len(names)
        for line, stamp, values in rows:
            origins.append(line)
            if isinstance(values, str):
                held.append(not_a_row(values))
            else:
                fields = [""] * width
                for k, value in values.items():
                    fields[k] = value
                held.append(DELIMITER.join([_stamp(stamp, found.digits or 0), *fields]))
            if len(held) >= 2000:
                text.lines(held)
                held = []
        text.lines(held)
        return text.finish(Origin("line", lines=origins))


def _points(source: Source) -> Iterator[tuple[int, str, str, int | None, list[tuple[str, str]] | None]]:
    """Yield of each line its number, its text, its series, its stamp and fields; None where it is no point."""
    number = 0
    for block in lines_of(source.reads(_BLOCK), _BLOCK, source.path):
        for raw in block.decode("utf-8", "replace").removeprefix("\ufeff").split("\n"):
            number += 1
            text = raw.strip("\r")
            if not text.strip() or text.startswith("#"):
                continue
            yield (number, text, *_parted(text))
        number -= 1  # what follows the last line end is no line


def _parted(text: str) -> tuple[str, int | None, list[tuple[str, str]] | None]:
    if '"' not in text:
        quick = _without_texts(text)
        if quick is not None:
            return quick
    match = _POINT.fullmatch(text) if len(text) < 1 << 20 else None
    if match is None:
        return "", None, None
    fields = [_valued(_unescaped(k), v) for k, v in _PART.findall(match["fields"])]
    if None in fields:
        return "", None, None
    return (
        match["name"],
        int(match["stamp"]) if match["stamp"] else None,
        [f for f in fields if f is not None],
    )


def _without_texts(text: str) -> tuple[str, int | None, list[tuple[str, str]]] | None:
    """Return the parts of a point without texts in quotes; None where it is none, or is written in an unusual way."""
    escaped = "\\" in text
    if escaped and not text.isprintable():
        return None
    if escaped:
        # marks that part nothing are put out of the way
        text = text.replace("\\,", "\0").replace("\\ ", "\1").replace("\\=", "\2")
    parts = text.split(" ")
    if len(parts) not in (2, 3) or not all(parts):
        return None
    fields: list[tuple[str, str]] = []
    for part in parts[1].split(","):
        key, mark, value = part.partition("=")
        if not key or not value.isascii():
            return None
        if not value.replace(".", "", 1).isdecimal():
            found = _valued(key, value) if mark and "=" not in value else None
            if found is None:
                return None
            value = found[1]
        fields.append((key, value))
    stamp = parts[2] if len(parts) == 3 else ""
    if stamp and not (stamp.removeprefix("-").isdecimal() and len(stamp) < 21):
        return None
    name = parts[0]
    if escaped:
        fields = [(_with_marks(k), v) for k, v in fields]
        name = name.replace("\0", "\\,").replace("\1", "\\ ").replace("\2", "\\=")
    return name, int(stamp) if stamp else None, fields


@lru_cache(maxsize=1 << 14)
def _with_marks(text: str) -> str:
    return _unescaped(text.replace("\0", ",").replace("\1", " ").replace("\2", "="))


def _valued(key: str, text: str) -> tuple[str, str] | None:
    """Return a field's name and its value as the table writes it; None where it is no value."""
    if not key or not text:
        return None
    if text[0] == '"':
        return key, clean(re.sub(r'\\(["\\])', r"\1", text[1:-1]))
    if text in _TRUE or text in _FALSE:
        return key, "1" if text in _TRUE else "0"
    number = text[:-1] if text[-1] in "iu" else text
    if _NUMBER.fullmatch(number):
        return key, number
    return (key, "") if text.lower().lstrip("+-") in ("nan", "inf", "infinity") else None


def _unescaped(text: str) -> str:
    return _ESCAPED.sub(r"\1", text) if "\\" in text else text


def _series(name: str) -> Series | None:
    """Return measurement and tags of a series as written; None where it is none."""
    match = re.match(r"(?:\\.|[^\s,\\])+", name)
    if match is None:
        return None
    tags = _TAG.findall(name, match.end())
    if sum(len(k) + len(v) + 2 for k, v in tags) != len(name) - match.end():
        return None
    return _unescaped(match[0]), tuple((_unescaped(k), _unescaped(v)) for k, v in tags)


def _look(source: Source) -> _Points:
    found = _Points()
    last: int | None = None
    own: dict[str, int] = {}
    for _, _, name, stamp, fields in _points(source):
        if fields is None:
            continue
        if name not in found.series:
            series = _series(name)
            if series is None:
                continue
            found.series[name] = series
            refuse_wide(len(found.series), source.path)
        for key, _ in fields:
            if (name, key) not in found.columns:
                found.columns[name, key] = len(found.columns)
                refuse_wide(len(found.columns), source.path)
        found.count += 1
        if stamp is not None:
            if found.digits is None:
                found.digits = next(d for least, d in UNITS if abs(stamp) >= least)
            found.back += last is not None and stamp < last
            found.own_back += stamp < own.get(name, stamp)
            last = own[name] = stamp
    return found


Joined = tuple[int, int | None, dict[int, str] | str]


def _successive(source: Source, found: _Points) -> Iterator[Joined]:
    """Yield rows of points that stand together: line, stamp, values by column; the text of what is no point."""
    line, stamp, row = 0, None, dict[int, str]()
    aside: list[Joined] = []
    for number, text, name, here, fields in _points(source):
        if fields is None or name not in found.series:
            aside.append((number, None, text))
            continue
        values = [(found.columns[name, key], value) for key, value in fields]
        if line and (here != stamp or here is None or any(k in row for k, _ in values)):
            yield line, stamp, row
            yield from aside
            aside, line = [], 0
        if not line:
            line, stamp, row = number, here, {}
        row.update(values)
    if line:
        yield line, stamp, row
    yield from aside


def _gathered(source: Source, found: _Points) -> Iterator[Joined]:
    """Yield the same where each series stands in the file for itself: all is held."""
    rows: dict[int, list[tuple[int, dict[int, str]]]] = {}
    held = 0
    for number, text, name, here, fields in _points(source):
        if fields is None or name not in found.series:
            yield number, None, text
            continue
        values = {found.columns[name, key]: value for key, value in fields}
        if here is None:
            yield number, None, values
            continue
        held += len(values)
        if held > MOST_HELD:
            raise BadInput(
                f"more than {MOST_HELD} readings whose series stand one behind the other",
                "the points in the order of time",
                file=source.path,
                line=number,
            )
        places = rows.setdefault(here, [])
        able = next((r for _, r in places if not r.keys() & values.keys()), None)
        if able is None:
            places.append((number, values))
        else:
            able.update(values)
    for stamp in sorted(rows):
        for number, row in rows[stamp]:
            yield number, stamp, row


def _stamp(stamp: int | None, digits: int) -> str:
    """Return a stamp as ISO 8601 in UTC with all its digits; as it is where it is no date of our time."""
    if stamp is None:
        return ""
    seconds, part = divmod(stamp, 10**digits)
    if not OLDEST_S <= seconds < 4e9:
        return str(stamp)
    date = (dt.datetime(1970, 1, 1) + dt.timedelta(seconds=seconds)).isoformat()
    return f"{date}.{part:0{digits}d}Z" if digits else f"{date}Z"


def _names(found: _Points) -> list[str]:
    """Return a name for each column: what tells it from the others, and the field."""
    kept = _telling_tags(list(found.series.values()))
    several = len({measurement for measurement, _ in found.series.values()}) > 1
    names = [_name(found.series[s], key, kept, several) for s, key in found.columns]
    if len(set(names)) < len(names):
        every = {k for _, tags in found.series.values() for k, _ in tags}
        names = [" ".join([*_words(found.series[s], every, True), key]) for s, key in found.columns]
    return names


def _name(series: Series, key: str, kept: set[str], several: bool) -> str:
    mute = key.lower() in ("value", "val")
    words = _words(series, kept, several or mute)
    return " ".join(words if mute and words else [*words, key])


def _words(series: Series, kept: set[str], measured: bool) -> list[str]:
    measurement, tags = series
    told = [w for k, v in tags if k in kept for w in (k, v)]
    return [measurement, *told] if measured and told[:1] != [measurement] else told


def _telling_tags(series: list[Series]) -> set[str]:
    """Return the tags that are needed to tell the series of each measurement apart; those with most values first."""
    values: dict[str, set[str]] = {}
    for _, tags in series:
        for key, value in tags:
            values.setdefault(key, set()).add(value)
    kept = set(values)
    for key in sorted(values, key=lambda k: (len(values[k]), k)):
        fewer = kept - {key}
        told = [(m, tuple((k, v) for k, v in tags if k in fewer)) for m, tags in series]
        if len(set(told)) == len(set(series)):
            kept = fewer
    return kept


READER = Reader("line protocol", tells, make)
