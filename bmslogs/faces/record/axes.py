"""Axes of a drawn picture: from values to places on paper, and the ticks that are written."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.faces.numbers import number

Floats = npt.NDArray[np.float64]
_DATE = re.compile(r"\d{4}-\d\d")
STEPS = (1.0, 2.0, 5.0, 10.0)
DATE_STEPS_H = (0.25, 0.5, 1.0, 3.0, 6.0, 12.0, 24.0, 48.0, 168.0, 336.0, 730.0, 2190.0, 8760.0)
ROOM = 0.05  # of the span, left free at either end


def numbers(values: Any) -> Floats:
    """Return coordinates as numbers: times in hours since 1970, NaN for what is missing."""
    items = (
        values if isinstance(values, np.ndarray) else np.array([np.nan if v is None else v for v in values])
    )
    if items.dtype.kind == "M":
        return np.asarray((items - np.datetime64(0, "s")) / np.timedelta64(3600, "s"), np.float64)
    if items.dtype.kind in "US" or items.dtype == object:
        return np.array([_number(v) for v in items.tolist()], np.float64)
    return np.asarray(items, np.float64)


def _number(value: Any) -> float:
    try:
        if isinstance(value, dt.date | dt.datetime | np.datetime64) or (
            isinstance(value, str) and _DATE.match(value)
        ):
            moment = np.datetime64(str(value).replace(" ", "T").removesuffix("Z"))
            return float((moment - np.datetime64(0, "s")) / np.timedelta64(3600, "s"))
        return float(value)
    except (TypeError, ValueError):  # the name of a place, say
        return math.nan


@dataclass(frozen=True)
class Axis:
    """One axis: from ``low`` to ``high`` over the places ``start`` to ``end`` [px]; logarithmic or of time if said."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False
    date: bool = False

    def place(self, values: Any) -> Floats:
        """Return places of values [px]."""
        v = numbers(values)
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                v = np.log10(v)
        return self.start + (v - self.low) / ((self.high - self.low) or 1.0) * (self.end - self.start)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Return at most about ``most`` ticks: value and text."""
        if self.date:
            return self._dates(most)
        if self.log:
            powers = range(math.ceil(self.low - 1e-9), math.floor(self.high + 1e-9) + 1)
            return [(10.0**p, f"{10.0**p:g}") for p in powers]
        raw = (self.high - self.low) / most
        power = 10.0 ** math.floor(math.log10(raw)) if raw > 0 else 1.0
        step = next(s * power for s in STEPS if s * power >= raw * (1 - 1e-9))
        first = math.ceil(self.low / step - 1e-9)
        count = int((self.high / step + 1e-9) - first) + 1
        places = max(0, -math.floor(math.log10(step) + 1e-9))
        return [((first + k) * step, number((first + k) * step, places)) for k in range(count)]

    def _dates(self, most: int) -> list[tuple[float, str]]:
        step = next((s for s in DATE_STEPS_H if (self.high - self.low) / s <= most), DATE_STEPS_H[-1])
        first = math.ceil(self.low / step)
        out = []
        for k in range(int(self.high / step) - first + 1):
            at = (first + k) * step
            when = dt.datetime(1970, 1, 1) + dt.timedelta(hours=at)
            out.append(
                (at, f"{when:%H:%M}" if step < 24 and when.hour + when.minute else f"{when.day} {when:%b}")
            )
        return out


def spanned(layout: dict[str, Any], parts: Sequence[Floats], start: float, end: float) -> Axis:
    """Return the axis of a layout over the values that are drawn on it, or over the range that it asks for."""
    log, date = layout.get("type") == "log", layout.get("type") == "date"
    asked = layout.get("range")
    if asked is not None and asked[0] is not None and asked[1] is not None:
        low, high = (float(x) for x in numbers(list(asked)))
        return Axis(low, high, start, end, log, date)
    known = np.concatenate([p[np.isfinite(p)] for p in parts]) if parts else np.empty(0)
    if log:
        known = np.log10(known[known > 0])
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    if low == high:
        low, high = low - (abs(low) or 1.0) * 0.1, high + (abs(high) or 1.0) * 0.1
    free = ROOM * (high - low)
    low, high = low - free, high + free
    if layout.get("rangemode") == "tozero":
        low, high = min(low, 0.0), max(high, 0.0)
    turned = layout.get("autorange") == "reversed"
    return Axis(high, low, start, end, log, date) if turned else Axis(low, high, start, end, log, date)
