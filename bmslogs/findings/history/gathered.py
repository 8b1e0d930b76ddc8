"""What the stored answers of a pack hold, as arrays: one row a log, one column a cell, sensor or the pack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]
Column = int | str | None
"""A cell's number, a sensor's name, or None for the pack."""

CONDITIONS = ("soc_low", "soc_high", "current_A", "middle", "weeks")
"""Conditions kept a log: charge at both ends [fraction], rms or step current [A], the pack's own middle of a quantity
that is told against it [its unit], weeks that a log stands for."""
COUNTERS = ("drawn_Ah", "charged_Ah", "drawn_kWh", "charged_kWh", "hours", "spread_K")
"""What is added up from the rows of a log; `spread_K` is the mean distance of the warmest and coldest sensor."""


@dataclass(frozen=True)
class Told:
    """One quantity as the answers told it.

    Attributes
    ----------
    value, low, high
        (logs, columns) with the 95 % interval [unit of the quantity]; NaN where a log does not tell.
    temperature
        (logs, columns) [degC]; NaN where the estimate does not say.
    conditions
        Name to (logs,); NaN where the estimates do not say.
    why
        One reason a log that does not tell, empty where it does.
    spoiled
        (logs, columns) True where a finding of the same log blames the reading itself.
    """

    columns: tuple[Column, ...]
    value: Floats
    low: Floats
    high: Floats
    temperature: Floats
    conditions: Mapping[str, Floats]
    why: tuple[str, ...]
    spoiled: Bools

    @property
    def half(self) -> Floats:
        """(logs, columns) half width of the interval."""
        return (self.high - self.low) / 2

    @property
    def tells(self) -> Bools:
        """(logs,) whether a log tells at least half of the columns."""
        return np.asarray(2 * np.isfinite(self.value).sum(axis=1) >= max(len(self.columns), 1))

    @property
    def warmth(self) -> Floats:
        """(logs,) middle of the columns' temperatures [degC]."""
        return row_median(self.temperature)


@dataclass(frozen=True)
class Gathered:
    """All that was gathered of a pack.

    Attributes
    ----------
    ids, start
        (logs,) in order of time, UTC.
    told
        By key of the diagnosis's quantity.
    counters
        By name, (logs,); NaN where a log lacks what it takes.
    sensors
        Name to (logs,) mean distance of a sensor from the middle one [K].
    missing
        Logs of the store that are not gathered yet.
    unanswered
        Ids of those among them that have no current answer.
    uncounted
        Logs whose counters are still to be added up.
    """

    pack: Pack
    ids: tuple[str, ...]
    start: Times
    told: Mapping[str, Told]
    counters: Mapping[str, Floats] = field(default_factory=dict)
    sensors: Mapping[str, Floats] = field(default_factory=dict)
    kinds: tuple[tuple[str, ...], ...] = ()
    missing: int = 0
    unanswered: tuple[str, ...] = ()
    uncounted: int = 0


def middle(x: Floats, axis: int) -> Floats:
    """Return the median of what is known along an axis, NaN where nothing is: `numpy.nanmedian`, many times faster."""
    order = np.sort(x, axis=axis)  # NaN last
    count = np.isfinite(x).sum(axis=axis)
    if x.shape[axis] == 0:
        return np.full(count.shape, np.nan)
    below = np.expand_dims(np.maximum((count - 1) // 2, 0), axis)
    above = np.expand_dims(np.minimum(count // 2, x.shape[axis] - 1), axis)
    both = np.take_along_axis(order, below, axis) + np.take_along_axis(order, above, axis)
    return np.where(count > 0, np.squeeze(both, axis) / 2, np.nan)


def row_median(x: Floats) -> Floats:
    """Return (rows,) the median of what is known in each row; NaN where nothing is."""
    return middle(x, 1)
