"""Local clocks to UTC, over summer-time changes."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
HOUR_US = 3_600_000_000
_QUARTER_US = HOUR_US // 4


class LocalClock:
    """Turns local stamps into UTC, block by block: in the doubled hour the second pass is known by the step back.

    Parameters
    ----------
    zone
        Name such as ``Europe/Oslo``; ``UTC`` changes nothing.
    """

    def __init__(self, zone: str) -> None:
        self.plain = zone in ("UTC", "Etc/UTC", "GMT", "Z")
        self._zone = None if self.plain else zoneinfo.ZoneInfo(zone)
        self._last_local: int | None = None
        self._late = False
        self.doubled = 0
        self.skipped = 0

    def to_utc(self, local: Int64s, missing: int) -> Int64s:
        """Return UTC microseconds of local ones, in the order of the file."""
        if self._zone is None or not len(local):
            return local
        good = local != missing
        out = local.copy()
        keys, inverse = np.unique(local[good] // _QUARTER_US, return_inverse=True)
        early = np.empty(len(keys), dtype=np.int64)
        late = np.empty(len(keys), dtype=np.int64)
        gap = np.zeros(len(keys), dtype=bool)
        for i, key in enumerate(keys):
            early[i], late[i], gap[i] = self._offsets(int(key))
        offset = early[inverse]
        doubled = (early > late)[inverse] & ~gap[inverse]
        if doubled.any():
            offset = self._second_pass(local[good], offset, late[inverse], doubled)
            self.doubled += int(doubled.sum())
        else:
            self._late = False
        self.skipped += int(gap[inverse].sum())
        if good.any():
            self._last_local = int(local[good][-1])
        out[good] = local[good] - offset
        return out

    def _offsets(self, key: int) -> tuple[int, int, bool]:
        naive = dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=key * _QUARTER_US)
        first = naive.replace(tzinfo=self._zone, fold=0).utcoffset() or dt.timedelta()
        second = naive.replace(tzinfo=self._zone, fold=1).utcoffset() or dt.timedelta()
        us = dt.timedelta(microseconds=1)
        # in the hour that a spring change leaves out the first offset is the smaller one
        return first // us, second // us, first < second

    def _second_pass(
        self, local: Int64s, early: Int64s, late: Int64s, doubled: npt.NDArray[np.bool_]
    ) -> Int64s:
        before = self._last_local if self._last_local is not None else int(local[0])
        steps = np.diff(local, prepend=before)
        back = doubled & (steps < -HOUR_US // 3)
        # a row is of the second pass once a step back was seen within the doubled hour
        turn = np.cumsum(back) > 0
        if self._late:
            turn |= True
        self._late = bool(turn[-1] and doubled[-1])
        return np.where(doubled & turn, late, early)
