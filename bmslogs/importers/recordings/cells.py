"""Typed values as the fields of a plain table: all digits of a number, ISO stamps, 0 and 1, text as it is."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_MARKS = re.compile("[\x00-\x1f\x7f\x85\u2028\u2029]+")
_ODD = '[\\x00-\\x1f\\x7f"\u0085\u2028\u2029]'
_DURATION = re.compile(r"(-?)P(?:(\d+)D)?T?(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)(?:[.,](\d+))?S)?")
_FRACTION = {"s": 0, "ms": 3, "us": 6, "ns": 9}
_PLAIN_LOW, _PLAIN_HIGH = 1e-30, 1e22
"""Choice: within these a number is written without a power of ten."""


def clean(text: str) -> str:
    """Return a text without the marks that part fields and lines."""
    return _MARKS.sub(" ", text.replace('"', "'")) if not text.isprintable() or '"' in text else text


def number_text(value: float) -> str:
    """Return the shortest digits that give the number back; empty where it is none."""
    if value != value:
        return ""
    if value == int(value) if math.isfinite(value) and abs(value) < 1e15 else False:
        return repr(value).removesuffix(".0")
    text = repr(value)
    if "e" in text and _PLAIN_LOW < abs(value) < _PLAIN_HIGH:
        return np.format_float_positional(value, trim="-")
    return text


def value_text(value: Any) -> str:
    """Return one value as a field."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "1" if value else "0"
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, str):
        return clean(_duration(value) if value[:1] in ("P", "-") else value).strip()
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ", timespec="microseconds")
    if isinstance(value, dt.timedelta):
        return clock_text(value // dt.timedelta(microseconds=1))
    if isinstance(value, bytes):
        return clean(value.decode("utf-8", "replace"))
    return clean(str(value))


def clock_text(us: int) -> str:
    """Return a length of time [us] as hours, minutes and seconds."""
    sign, us = ("-", -us) if us < 0 else ("", us)
    seconds, part = divmod(us, 1_000_000)
    fraction = f".{part:06d}".rstrip("0") if part else ""
    return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{fraction}"


def _duration(text: str) -> str:
    """Return a length of time as ISO 8601 spells it (``PT30H10M00S``) in hours, minutes and seconds."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()[1:]):
        return text
    days, hours, minutes, seconds = (int(x or 0) for x in match.groups()[1:5])
    us = (((days * 24 + hours) * 60 + minutes) * 60 + seconds) * 1_000_000
    us += int((match.group(6) or "0")[:6].ljust(6, "0"))
    return clock_text(-us if match.group(1) else us)


def column_texts(values: Sequence[Any]) -> pa.Array:
    """Return a column of Python values as fields: numbers and stamps together, what is mixed one by one."""
    kinds = set(map(type, values))
    if str in kinds and len(kinds) > 1 and not any(v for v in values if type(v) is str):
        values = [None if v == "" else v for v in values]
        kinds = (kinds - {str}) | {type(None)}
    kinds.discard(type(None))
    if dt.datetime in kinds and dt.date in kinds:
        # midnight of a column of stamps is told as a date alone
        values = [dt.datetime(v.year, v.month, v.day) if type(v) is dt.date else v for v in values]
        kinds.discard(dt.date)
    if kinds == {float}:
        return array_texts(pa.array(values, pa.float64()))
    if kinds == {dt.datetime}:
        return array_texts(pa.array(values, pa.timestamp("us")))
    return pa.array([value_text(v) for v in values], pa.string())


def array_texts(column: Any) -> pa.Array:  # noqa: C901 - one line a type
    """Return an Arrow array of any flat type as fields; null where empty."""
    kind = column.type
    if isinstance(column, pa.ExtensionArray):
        return array_texts(column.storage)
    if pa.types.is_dictionary(kind):
        return array_texts(column.dictionary_decode())
    if pa.types.is_boolean(kind):
        return column.cast(pa.int8()).cast(pa.string())
    if pa.types.is_integer(kind) or pa.types.is_decimal(kind) or pa.types.is_null(kind):
        return column.cast(pa.string())
    if pa.types.is_float16(kind):
        return pa.array([None if v is None else str(np.float16(v)) for v in column.to_pylist()], pa.string())
    if pa.types.is_floating(kind):
        return _floats(column)
    if pa.types.is_timestamp(kind):
        return _stamps(column)
    if pa.types.is_date64(kind):
        return _stamps(column.cast(pa.timestamp("ms")))
    if pa.types.is_date32(kind) or pa.types.is_time(kind):
        return column.cast(pa.string())
    if pa.types.is_duration(kind):
        return pa.array([_seconds(v, kind.unit) for v in column.cast(pa.int64()).to_pylist()], pa.string())
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or kind == pa.string_view():
        return _strings(column.cast(pa.string()))
    return pa.array([value_text(v) for v in column.to_pylist()], pa.string())


def _floats(column: Any) -> pa.Array:
    column = pc.if_else(pc.is_nan(column), pa.scalar(None, column.type), column) if len(column) else column
    texts = column.cast(pa.string())
    powers = pc.match_substring(texts, "e")
    if pc.any(powers).as_py():
        single = column.type == pa.float32()
        plain = [
            t if t is None or "e" not in t else _plain(np.float32(v) if single else np.float64(v), t)
            for t, v in zip(texts.to_pylist(), column.to_pylist())
        ]
        return pa.array(plain, pa.string())
    return texts


def _plain(value: Any, text: str) -> str:
    if _PLAIN_LOW < abs(value) < _PLAIN_HIGH:
        return np.format_float_positional(value, trim="-")
    return text


def _stamps(column: Any) -> pa.Array:
    zone = column.type.tz
    texts = column.cast(pa.timestamp(column.type.unit)).cast(pa.string())
    return pc.binary_join_element_wise(texts, "Z", "") if zone else texts


def _seconds(value: int | None, unit: str) -> str | None:
    if value is None:
        return None
    places = _FRACTION[unit]
    whole, part = divmod(abs(value), 10**places)
    return f"{'-' if value < 0 else ''}{whole}" + (f".{part:0{places}d}" if places else "")


def _strings(column: Any) -> pa.Array:
    if pc.any(pc.match_substring_regex(column, _ODD)).as_py():
        return pa.array([None if v is None else clean(v) for v in column.to_pylist()], pa.string())
    return column


def write_columns(columns: list[pa.Array], sink: Any) -> None:
    """Write columns of fields as lines."""
    import pyarrow.csv as csv

    names = [str(k) for k in range(len(columns))]
    options = csv.WriteOptions(include_header=False, delimiter="\t", quoting_style="none")
    buffer = pa.BufferOutputStream()
    csv.write_csv(pa.table(columns, names=names), buffer, options)
    sink.write(memoryview(buffer.getvalue()))
