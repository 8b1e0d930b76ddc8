"""From blocks in file order to finished readings: time in order, fills and held frames made null, sums kept."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.plan.repairs import Repairs
from bmslogs.importers.plan.sign_evidence import SignEvidence
from bmslogs.importers.reading.blocks import Chunk, join_chunks
from bmslogs.importers.reading.directions import add_to_evidence, sound_cells
from bmslogs.importers.reading.fills import (
    LEAST_FLAG_A,
    LEAST_FLAG_V,
    cell_fills,
    extremes,
    scalar_fills,
    temperature_fills,
)
from bmslogs.importers.reading.jumps import SECOND
from bmslogs.importers.reading.minus_marks import minus_marks
from bmslogs.importers.reading.order import Clockwork, Corrections, rising, spread
from bmslogs.importers.reading.repeated_frames import UNKNOWN, held_rows
from bmslogs.importers.reading.sections import Joints
from bmslogs.importers.reading.sorting import Sorter, order_of
from bmslogs.importers.reading.thinned import Thinner
from bmslogs.importers.reading.twice import Repeats
from bmslogs.importers.text.arrow import arrow_numbers
from bmslogs.importers.text.stamps import MISSING
from bmslogs.importers.text.zones import LocalClock

IMPOSSIBLE = (
    "cell voltages that no cell has, and that no neighbour makes up for as beside a swapped tap, in {rows} made null "
    "({columns})"
)
MINUS_MARK = (
    "a minus sign before cell voltages in {rows} taken for a mark of the logger (bleeding, perhaps), not for a "
    "voltage: the size is kept, the mark is not used ({columns})"
)
CELLS_AT_ONCE = 12
"""Choice: as many cells of a block stay in the processor's cache while they are rounded."""

REPEATS, BEYOND_CHANCE = 0.5, 0.3
"""Choice: rows are repeats where this share of those with one stamp say the same, and as much more than others do: a
logger a little faster than its stamps has pairs of rows with one stamp too, alike at rest."""


@dataclass
class Findings:
    """What a whole reading of a file said, for the decisions that a sample cannot make.

    Attributes
    ----------
    sign
        Evidence on the current's sign.
    finest
        Largest distance of a cell reading from a whole mV [mV].
    text_columns
        Extra columns that turned out to hold text.
    rows
        Rows written.
    shuffled
        Whether rows stand a few rows from their place.
    sharing, sharing_alike, others, others_alike
        Rows that share the stamp of the row before, those of them that say the same; and so of all others.
    thinner
        The log in few rows.
    """

    sign: SignEvidence = field(default_factory=SignEvidence)
    thinner: Thinner = field(default_factory=Thinner)
    finest: float = 0.0
    text_columns: set[int] = field(default_factory=set)
    rows: int = 0
    shuffled: bool = False
    sharing: int = 0
    sharing_alike: int = 0
    others: int = 0
    others_alike: int = 0
    start: int | None = None
    end: int | None = None

    @property
    def repeats(self) -> bool:
        """Whether rows that share stamp and readings are one row twice, rather than alike by chance."""
        if not self.sharing_alike:
            return False
        share = self.sharing_alike / self.sharing
        chance = self.others_alike / max(self.others, 1)
        return share >= REPEATS and share - chance >= BEYOND_CHANCE


class Finisher:
    """Takes blocks one after the other and returns finished ones.

    Parameters
    ----------
    plan
        What the columns are.
    corrections
        What an earlier reading found out about the clock.
    never
        Sensors that read nothing but fills in the whole sample.
    capacity
        Nominal capacity of the pack [Ah].
    """

    def __init__(
        self,
        plan: Plan,
        corrections: Corrections,
        never: npt.NDArray[np.bool_],
        regular: bool,
        capacity: float = 100.0,
    ) -> None:
        self.plan = plan
        self.repairs = Repairs()
        self.findings = Findings(SignEvidence(tuple(c.direction for c in plan.beside.counters)))
        clock = plan.clock
        self._zone = LocalClock(clock.zone if clock else "UTC")
        # a time of day goes over midnight; elapsed time does not
        self.clockwork = Clockwork(
            corrections,
            rollover=bool(clock and clock.kind == "day"),
            dated=bool(clock and not clock.relative),
            relative=bool(clock and clock.relative and clock.kind != "day"),
            hint=clock.hint if clock else None,
            right=clock.right if clock else "",
            column=next((t.name for t in plan.of("time")), None),
        )
        self._never = never
        self._regular = regular
        self.joints = Joints(plan.voltage_step * 1e3, capacity)
        self._twice = Repeats() if corrections.twice else None
        self._sorter = (
            Sorter(corrections.scattered) if corrections.shuffled or corrections.scattered else None
        )
        self._tail: Chunk | None = None
        self._first = True
        self._last: int | None = None
        self._good_cells: npt.NDArray[np.float32] | None = None
        self._good_temperatures: npt.NDArray[np.float32] | None = None
        self._scatter = UNKNOWN
        self._sound: npt.NDArray[np.int64] | None = None
        self._good_current = float("nan")
        self._good_pack = float("nan")
        self._cells = plan.of("cell")
        self._sensors = plan.of("temperature")

    def add(self, chunk: Chunk) -> Chunk | None:
        """Take the next block; return finished rows, None where there are none yet."""
        self._note(chunk)
        chunk = self._in_utc(chunk)
        if self._sorter is not None and chunk.rows:
            chunk = self._sorter.add(chunk)
        return self._on(chunk)

    def _on(self, chunk: Chunk) -> Chunk | None:
        """Take rows in their order to the end, as far as they need not wait."""
        if chunk.rows:
            chunk = self._followed(chunk)
        if not chunk.rows:
            return None
        if self.clockwork.corrections.coarse:
            held_back = self._hold_back(chunk)
            if held_back is None:
                return None
            chunk = held_back
        return self._finished(chunk)

    def end(self) -> Chunk | None:
        """Return the rows that were held back until now."""
        last = self._sorter.end() if self._sorter is not None else None
        ready = self._on(last) if last is not None else None
        self.clockwork.end()
        if self._sorter is not None and self._sorter.moved:
            sentence = "{rows} that stood a few rows from their place sorted by their stamps"
            if self._sorter.everything:
                sentence = (
                    "blocks of rows stood in another order than that of time: {rows} sorted by their stamps"
                )
            self.repairs.add("rows_sorted", sentence, self._sorter.moved, ["time"])
        tail = self._spread_tail()
        if ready is None or tail is None:
            return ready if tail is None else tail
        return join_chunks(ready, tail)

    def _spread_tail(self) -> Chunk | None:
        if self._tail is None:
            return None
        chunk, self._tail = self._tail, None
        work = self.clockwork
        step = int(np.median(work.steps)) if work.steps else SECOND
        chunk.time = spread(chunk.time, None, work.corrections.rows_per_stamp, self._first, step)
        return self._finished(chunk)

    def _span(self, chunk: Chunk, rows: npt.NDArray[np.int64]) -> tuple[int | None, int | None]:
        """Return first and last stamp of some rows of a block that was not timed yet [us, UTC]."""
        local = chunk.time[rows[rows < chunk.rows]]
        local = local[local != MISSING]
        if not len(local):
            return None, None
        ends = np.array([local[0], local[-1]])
        zone = self.plan.clock.zone if self.plan.clock else "UTC"
        return _ends(LocalClock(zone).to_utc(ends, int(MISSING)))

    def _in_utc(self, chunk: Chunk) -> Chunk:
        good = chunk.time != MISSING
        if not good.all():
            self.repairs.add("no_time", "{rows} without a readable time left out", int((~good).sum()))
            chunk = chunk.take(good)
        if not chunk.rows:
            return chunk
        doubled, skipped = self._zone.doubled, self._zone.skipped
        time = self._zone.to_utc(chunk.time, int(MISSING))
        if self._zone.skipped > skipped:
            self.repairs.add(
                "clock_skipped_hour",
                "{rows} at an hour that the zone's clocks leave out, read as standard time",
                self._zone.skipped - skipped,
            )
        if self._zone.doubled > doubled:
            self.repairs.add(
                "clock_doubled_hour",
                "{rows} within the hour that a change to winter time doubles, parted by the step back",
                self._zone.doubled - doubled,
            )
        chunk.time = self.clockwork.over_midnight(time)
        return chunk

    def _followed(self, chunk: Chunk) -> Chunk:
        if self._sorter is None and not self.findings.shuffled and (np.diff(chunk.time) < 0).any():
            self.findings.shuffled = order_of(chunk.time) is not None
        if self._twice is not None:
            again = self._twice.find(chunk)
            if again.any():
                sentence = "{rows} that stand in the file a second time, stamp and all, left out"
                self.repairs.add("row_twice", sentence, int(again.sum()), [], *_ends(chunk.time[again]))
                chunk = chunk.take(~again)
                if not chunk.rows:
                    return chunk
        time, keep = self.clockwork.follow(chunk.time)
        chunk.time = time
        if not keep.all():
            self.repairs.add(
                "stamp_wrong",
                "{rows} with a stamp that does not fit those around left out",
                int((~keep).sum()),
                ["time"],
                *_ends(time[~keep]),
            )
            chunk = chunk.take(keep)
        return chunk

    def _hold_back(self, chunk: Chunk) -> Chunk | None:
        """Keep the last group of equal stamps until the next one is known; spread the others."""
        if self._tail is not None:
            chunk = join_chunks(self._tail, chunk)
        if self.clockwork.corrections.rows_per_stamp <= 1:
            chunk = self._without_twins(chunk)
        last = int(chunk.time[-1])
        cut = (
            int(np.searchsorted(chunk.time, last))
            if bool((np.diff(chunk.time) >= 0).all())
            else chunk.rows - 1
        )
        self._tail = chunk.take(slice(cut, None))
        if cut == 0:
            return None
        chunk = chunk.take(slice(0, cut))
        usual = self.clockwork.corrections.rows_per_stamp
        time = spread(chunk.time, last, usual, self._first)
        moved = int((time != chunk.time).sum())
        if moved:
            self.repairs.add(
                "stamps_spread",
                "{rows} shared a coarse stamp with others; spread evenly up to the next stamp",
                moved,
                ["time"],
                *_ends(time),
            )
        chunk.time = time
        self._first = False
        return chunk

    def _without_twins(self, chunk: Chunk) -> Chunk:
        """Leave out rows that say the same again at the same time."""
        twin = np.zeros(chunk.rows, dtype=bool)
        twin[1:] = np.diff(chunk.time) == 0
        if twin.any():
            same = np.ones(chunk.rows, dtype=bool)
            for block in (chunk.cells, chunk.temperatures):
                if len(block):
                    same[1:] &= (
                        (block[:, 1:] == block[:, :-1]) | (np.isnan(block[:, 1:]) & np.isnan(block[:, :-1]))
                    ).all(axis=0)
            if chunk.current is not None:
                same[1:] &= chunk.current[1:] == chunk.current[:-1]
            found = self.findings
            found.sharing += int(twin.sum())
            found.others += chunk.rows - int(twin.sum())
            found.others_alike += int((same & ~twin)[1:].sum())
            twin &= same
            twin = _same_beside(chunk, twin)
            found.sharing_alike += int(twin.sum())
            if twin.any() and self.clockwork.corrections.repeats:
                self.repairs.add(
                    "row_repeated",
                    "{rows} that repeat the row before, stamp and all, left out",
                    int(twin.sum()),
                    [],
                    *_ends(chunk.time[twin]),
                )
                return chunk.take(~twin)
        return chunk

    def _finished(self, chunk: Chunk) -> Chunk:
        keep = rising(chunk.time, self._last)
        if not keep.all():
            self.repairs.add(
                "out_of_order",
                "{rows} out of the order of time left out",
                int((~keep).sum()),
                ["time"],
                *_ends(chunk.time[~keep]),
            )
            chunk = chunk.take(keep)
            if not chunk.rows:
                return chunk
        self._last = int(chunk.time[-1])
        self._null_fills(chunk)
        self._null_held(chunk)
        self._evidence(chunk)
        self.joints.add(chunk)
        found = self.findings
        found.thinner.add(chunk)
        found.rows += chunk.rows
        found.start = int(chunk.time[0]) if found.start is None else found.start
        found.end = int(chunk.time[-1])
        return chunk

    def _without_marks(self, chunk: Chunk, ends: tuple[float, float]) -> tuple[float, float]:
        """Take a minus sign that is no value off the cells; return their least and largest reading."""
        marks = minus_marks(chunk.cells, ends[0])
        if marks is None:
            return ends
        self._repair_cells("minus_mark", MINUS_MARK, marks, chunk)
        np.negative(chunk.cells, out=chunk.cells, where=marks)
        return extremes(chunk.cells)

    def _repair_cells(self, rule: str, sentence: str, mask: npt.NDArray[np.bool_], chunk: Chunk) -> None:
        rows = mask.any(axis=0)
        names = [self._cells[k].name for k in np.flatnonzero(mask.any(axis=1))]
        self.repairs.add(rule, sentence, int(rows.sum()), names, *_ends(chunk.time[rows]))

    def _null_fills(self, chunk: Chunk) -> None:
        if len(chunk.cells):
            ends = self._without_marks(chunk, extremes(chunk.cells))
            fill, impossible = cell_fills(chunk.cells, self._cells[0].scale * 1e3, self._good_cells, ends)
            for mask, rule, sentence in (
                (fill, "fill_value", "fill values for missing readings in {rows} made null ({columns})"),
                (impossible, "impossible_reading", IMPOSSIBLE),
            ):
                if mask.any():
                    self._repair_cells(rule, sentence, mask, chunk)
                    chunk.cells[mask] = np.nan
            self._good_cells = _last_good(chunk.cells, self._good_cells)
        if len(chunk.temperatures):
            mask = temperature_fills(
                chunk.temperatures,
                self._sensors[0].scale,
                self._sensors[0].offset,
                self._good_temperatures,
                self._never,
            )
            if mask.any():
                rows = mask.any(axis=0)
                names = [self._sensors[k].name for k in np.flatnonzero(mask.any(axis=1))]
                self.repairs.add(
                    "fill_temperature",
                    "fill values of temperature sensors in {rows} made null ({columns})",
                    int(rows.sum()),
                    names,
                    *_ends(chunk.time[rows]),
                )
                chunk.temperatures[mask] = np.nan
            self._good_temperatures = _last_good(chunk.temperatures, self._good_temperatures)
        self._good_current = self._null_scalar(chunk, "current", self._good_current)
        self._good_pack = self._null_scalar(chunk, "pack", self._good_pack)

    def _null_scalar(self, chunk: Chunk, what: str, before: float) -> float:
        values = getattr(chunk, what)
        if values is None:
            return before
        taken = (
            self.plan.of("current", "discharge current")
            if what == "current"
            else self.plan.of("pack voltage")
        )
        least = LEAST_FLAG_A if what == "current" else LEAST_FLAG_V
        mask = scalar_fills(values, taken[0].scale, before, least)
        if what == "pack" and len(chunk.cells):
            nought = values == 0
            if nought.any():
                with np.errstate(all="ignore"):
                    mask |= nought & (np.nan_to_num(chunk.cells).sum(axis=0) > 1000.0 * len(chunk.cells))
        if mask.any():
            self.repairs.add(
                f"fill_{what}",
                f"fill values of the {'current' if what == 'current' else 'pack voltage'} in {{rows}} made null",
                int(mask.sum()),
                [taken[0].name],
                *_ends(chunk.time[mask]),
            )
            values[mask] = np.nan
        good = np.flatnonzero(np.isfinite(values))
        return float(values[good[-1]]) if len(good) else before

    def _null_held(self, chunk: Chunk) -> None:
        if self._regular or not len(chunk.cells):
            return
        whole, alone, self._scatter = held_rows(chunk.cells, chunk.current, chunk.pack, self._scatter)
        for mask, rule, sentence in (
            (
                whole,
                "held_frame",
                "{rows} repeat the last frame while everything around moves; their readings made null",
            ),
            (
                alone,
                "held_cells",
                "{rows} repeat the last cell voltages while the current moves; these made null",
            ),
        ):
            if mask.any():
                self.repairs.add(rule, sentence, int(mask.sum()), [], *_ends(chunk.time[mask]))
                chunk.cells[:, mask] = np.nan
                if rule == "held_frame" and chunk.current is not None:
                    chunk.current[mask] = np.nan
                if rule == "held_frame" and chunk.pack is not None:
                    chunk.pack[mask] = np.nan
                if rule == "held_frame" and len(chunk.temperatures):
                    same = np.zeros(chunk.rows, dtype=bool)
                    same[1:] = (chunk.temperatures[:, 1:] == chunk.temperatures[:, :-1]).all(axis=0)
                    chunk.temperatures[:, mask & same] = np.nan

    def _evidence(self, chunk: Chunk) -> None:
        if not len(chunk.cells):
            return
        found = self.findings
        if chunk.current is not None:
            if self._sound is None:
                self._sound = sound_cells(chunk.cells)
            add_to_evidence(found.sign, chunk, self.plan.beside, self._sound)
        if not self.plan.fine:
            # the rounding to whole mV is done here, once, and checked; nobody needs the readings unrounded after
            for first in range(0, len(chunk.cells), CELLS_AT_ONCE):
                part = chunk.cells[first : first + CELLS_AT_ONCE]
                whole = np.rint(part)
                low, high = extremes(part - whole)
                if np.isfinite(low):
                    found.finest = max(found.finest, -low, high)
                part[:] = whole
            chunk.whole = True

    def _note(self, chunk: Chunk) -> None:
        if chunk.repeated_headers:
            self.repairs.add(
                "header_repeated", "header repeated in mid-file, {rows} skipped", chunk.repeated_headers
            )
        if chunk.nul_lines:
            self.repairs.add("nul_bytes", "{rows} with bytes of nought left out", chunk.nul_lines)
        if chunk.odd_quotes:
            self.repairs.add("open_quote", "{rows} with an open quote left out", chunk.odd_quotes)
        if chunk.stray_quotes:
            self.repairs.add("quote_stray", "{rows} with a stray quote, read without it", chunk.stray_quotes)
        if chunk.reckoned and self.plan.clock is not None and self.plan.clock.steady is not None:
            count = next(t.name for t in self.plan.columns if t.index == self.plan.clock.steady.index)
            sentence = f"the clock was not set: the time of {{rows}} is told by {count!r}, which counted on"
            self.repairs.add("clock_reckoned", sentence, chunk.reckoned, ["time"])
        if chunk.unreadable:
            rows = np.unique(np.concatenate(list(chunk.unreadable.values())))
            sentence = "fields that are no number made null in {rows} ({columns})"
            self.repairs.add(
                "unreadable", sentence, len(rows), list(chunk.unreadable), *self._span(chunk, rows)
            )
        self.findings.text_columns |= chunk.not_text


def _same_beside(chunk: Chunk, twin: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return the twins that agree with the row before in every other column too: a counter that moves denies it."""
    rows = np.flatnonzero(twin)
    same = np.ones(len(rows), dtype=bool)
    for values in chunk.others.values():
        here = values.take(arrow_numbers(rows)).to_pylist()
        before = values.take(arrow_numbers(rows - 1)).to_pylist()
        same &= np.array([a == b for a, b in zip(here, before)], dtype=bool)
    out = np.zeros_like(twin)
    out[rows[same]] = True
    return out


def _ends(time: npt.NDArray[np.int64]) -> tuple[int | None, int | None]:
    return (int(time[0]), int(time[-1])) if len(time) else (None, None)


def _last_good(
    block: npt.NDArray[np.float32], before: npt.NDArray[np.float32] | None
) -> npt.NDArray[np.float32]:
    """Return the last finite reading of each row of a block, the one before where it has none."""
    last = block[:, -1].copy()
    for k in np.flatnonzero(~np.isfinite(last)):
        good = np.flatnonzero(np.isfinite(block[k]))
        last[k] = block[k, good[-1]] if len(good) else (before[k] if before is not None else np.nan)
    return np.asarray(last, dtype=np.float32)
