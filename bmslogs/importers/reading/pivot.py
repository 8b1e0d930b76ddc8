"""Rows of single cells or modules put side by side, block after block: the rest of the import sees one row a scan."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from bmslogs.importers.plan.long_layout import CELL, MODULE, LongLayout
from bmslogs.importers.reading.blocks import Chunk, join_chunks
from bmslogs.importers.text.arrow import arrow_numbers, arrow_texts, numpy_of


class Pivot:
    """Turns rows of single cells or modules into rows of whole scans, block after block."""

    def __init__(self, layout: LongLayout) -> None:
        self.layout = layout
        self._places = {f"{m}\0{c}": k for k, (m, c) in enumerate(layout.keys)}
        self._sizes = np.array(layout.sizes)
        self._first = np.cumsum(self._sizes) - self._sizes
        self._rest: Chunk | None = None
        self.nameless = 0
        self.doubled = 0

    def add(self, chunk: Chunk) -> Chunk | None:
        """Take the rows of a block; return the scans that are whole."""
        whole = join_chunks(self._rest, chunk) if self._rest is not None else chunk
        starts = self._starts(whole)
        if len(starts) < 2:
            self._rest = whole
            return None
        self._rest = whole.take(slice(int(starts[-1]), None))
        out = self._wide(whole.take(slice(0, int(starts[-1]))), starts[:-1])
        out.unreadable = {k: np.unique(v // len(self.layout.keys)) for k, v in chunk.unreadable.items()}
        return out

    def end(self) -> Chunk | None:
        """Return the last scan."""
        if self._rest is None or not self._rest.rows:
            return None
        return self._wide(self._rest, self._starts(self._rest))

    def _place(self, chunk: Chunk) -> npt.NDArray[np.int64]:
        """Return the key (from 0) of each row, -1 where it names none."""
        cells = chunk.others.get(CELL)
        if cells is None:
            cells = arrow_texts([""] * chunk.rows)
        else:
            cells = pc.replace_substring_regex(pc.utf8_trim_whitespace(cells), r"\.0+$", "")
            cells = pc.if_else(pc.is_null(cells), arrow_texts([""])[0], cells)
        modules = chunk.others.get(MODULE)
        modules = (
            arrow_texts([""] * chunk.rows)
            if modules is None
            else pc.utf8_trim_whitespace(pc.if_else(pc.is_null(modules), arrow_texts([""])[0], modules))
        )
        keys = pc.binary_join_element_wise(modules, cells, "\0").dictionary_encode()
        places = np.array([self._places.get(k, -1) for k in keys.dictionary.to_pylist()] + [-1])
        return np.asarray(places[numpy_of(keys.indices)], dtype=np.int64)

    def _starts(self, chunk: Chunk) -> npt.NDArray[np.int64]:
        if self.layout.by_stamp:
            new = np.diff(chunk.time) != 0
        else:
            places = self._place(chunk)
            high = np.where(places < 0, -1, places)
            new = (np.diff(high) <= 0) & (places[1:] >= 0)
        return np.concatenate([[0], np.flatnonzero(new) + 1])

    def _wide(self, chunk: Chunk, starts: npt.NDArray[np.int64]) -> Chunk:
        n, scans = len(self.layout.keys), len(starts)
        scan = np.repeat(np.arange(scans), np.diff(np.concatenate([starts, [chunk.rows]])))
        place = self._place(chunk)
        good = place >= 0
        self.nameless += int((~good).sum())
        self.doubled += int(good.sum()) - len(np.unique(place[good] + n * scan[good]))
        cells = np.full((self.layout.cells, scans), np.nan, dtype=np.float32)
        self._put(cells, chunk.cells, place, scan)
        each = len(chunk.temperatures)
        temperatures = np.full((n * each, scans), np.nan, dtype=np.float32)
        for k in range(each):
            temperatures[each * place[good] + k, scan[good]] = chunk.temperatures[k][good]
        bleed, known = None, None
        if chunk.bleed is not None and chunk.bleed_known is not None:
            bleed, known = (np.zeros((self.layout.cells, scans), dtype=bool) for _ in range(2))
            self._put(bleed, chunk.bleed, place, scan)
            self._put(known, chunk.bleed_known, place, scan)
        others = {
            k: v.take(arrow_numbers(starts)) for k, v in chunk.others.items() if k not in (CELL, MODULE)
        }
        return Chunk(
            scans,
            chunk.time[starts],
            _first_of(chunk.current, scan, scans),
            _first_of(chunk.pack, scan, scans),
            cells,
            temperatures,
            bleed,
            known,
            others,
            chunk.line,
        )

    def _put(
        self,
        wide: npt.NDArray[Any],
        rows: npt.NDArray[Any],
        place: npt.NDArray[np.int64],
        scan: npt.NDArray[np.int64],
    ) -> None:
        """Put what the rows hold of their cells, (cells of a row, rows), at its place in ``wide``, (cells, scans)."""
        for k, values in enumerate(rows):
            has = (place >= 0) & (k < self._sizes[place])
            wide[self._first[place[has]] + k, scan[has]] = values[has]


def _first_of(
    values: npt.NDArray[np.float32] | None, scan: npt.NDArray[np.int64], scans: int
) -> npt.NDArray[np.float32] | None:
    """Return the first reading of each scan, NaN where it has none."""
    if values is None:
        return None
    out = np.full(scans, np.nan, dtype=np.float32)
    good = np.flatnonzero(np.isfinite(values))[::-1]
    out[scan[good]] = values[good]
    return out
