"""Many rates to one log: rows at the cells' scan, every value read, none made up.

A row begins with the lead, the part of the cells' scan that comes first. What else is read until the next lead stands
in the same row, each with its usual delay behind the row's time. A lead that was lost is put where it was due, so that
the other cells of that scan keep their row; a bus that is silent has no rows. Current and pack voltage are taken as
read nearest to the middle of the scan, or not at all; states and temperatures stay as last said, no longer than one and
a half of their own periods. Where the current steps in the midst of a scan, the row is parted there: cells read before
it stand with the current before, those read after with that after.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bmslogs.importers.can.streams import Events, Floats, Straight, Stream, Times

LOST = 1.6
"""Choice: a lead is lost where the next comes after as many periods."""
NEIGHBOURS = 9
"""Choice: the period is the middle of as many gaps, so that it may change with the pack's state."""
HELD = 1.5
"""Choice: a value stands for as many of its own periods, so that one lost frame ends it."""
NEAR = 0.6
"""Choice: a reading belongs to a row within as much of the period; half would lose those on the edge."""
PAUSE = 1.5
"""Choice: the pause between two scans is longer than any within by this factor, or the first cell leads."""
STEADY = 0.2
"""Choice: a delay that moves by more of the period through the log is none that could be told in one figure."""
FLUSH_PERIODS = 100
"""Choice: rows are given out while the lead is silent as long."""


@dataclass(frozen=True)
class Layout:
    """How rows are made.

    Attributes
    ----------
    pace
        Streams that hold cells.
    lead
        That which begins a row.
    near
        Streams whose values are readings at a moment: current, pack voltage.
    current
        Stream and column of the current that parts rows, where there is one.
    step
        What of a change of the current matters [its unit].
    period, own
        Of the scan and of each stream [ns].
    middle, span
        Of the scan, behind the lead [ns].
    """

    pace: tuple[int, ...]
    lead: int
    near: frozenset[int]
    current: tuple[int, int] | None
    step: float
    period: int
    own: dict[int, int]
    middle: int
    span: int


@dataclass
class Rows:
    """Finished rows: time [ns], and the values of each stream's columns (columns x rows)."""

    time: Times
    values: dict[int, Floats]


@dataclass
class Made:
    """What was done to make rows."""

    rows: int = 0
    parted: int = 0
    twice: int = 0
    leads_lost: int = 0
    without_current: int = 0
    delays: dict[int, list[tuple[float, float, float]]] = field(default_factory=dict)

    def note(self, stream: int, delays: Times) -> None:
        """Take down how long after their rows' times some values of a stream were read [ns]."""
        low, middle, high = np.percentile(delays, (10, 50, 90))
        self.delays.setdefault(stream, []).append((float(low), float(middle), float(high)))

    def delay(self, stream: int, period: int) -> float | None:
        """Return the usual delay of a stream's values behind their row's time [s], None where there is no usual one.

        Senders with clocks of their own drift against each other: their delay is another from hour to hour.
        """
        seen = self.delays.get(stream)
        if not seen or max(s[2] for s in seen) - min(s[0] for s in seen) > STEADY * period:
            return None
        return float(np.median([s[1] for s in seen])) * 1e-9


def lay_out(
    events: dict[int, Events],
    streams: list[Stream],
    pace: list[int],
    near: set[int],
    current: tuple[int, int] | None,
) -> Layout:
    """Work out from a sample how rows are made.

    Parameters
    ----------
    events
        Of every stream, over the sample.
    pace
        Streams with cells, that of the first cell first.
    near, current
        As in `Layout`.
    """
    own = {k: _usual(e.time) for k, e in events.items()}
    most = max(len(events[k].time) for k in pace)
    able = [k for k in pace if len(events[k].time) >= 0.8 * most]
    lead = _lead(events, able)
    period = own[lead] or 10**9
    starts = events[lead].time
    delays = []
    for k in pace:
        at = np.searchsorted(starts, events[k].time, side="right") - 1
        good = at >= 0
        if good.any():
            behind = events[k].time[good] - starts[at[good]]
            delays.append(float(np.median(behind)))
    step = np.inf
    if current is not None and current[0] in events:
        amps = events[current[0]].values[current[1]]
        amps = amps[np.isfinite(amps)]
        largest = float(np.percentile(np.abs(amps), 99)) if len(amps) else 0.0
        # a change of a twentieth moves a cell's drop by as much: below, the estimators' own scatter is larger
        step = max(0.05 * largest, 1e-9)
    return Layout(
        tuple(pace),
        lead,
        frozenset(near),
        current,
        step,
        period,
        own,
        int(np.median(delays)) if delays else 0,
        int(max(delays, default=0)),
    )


def _usual(time: Times) -> int:
    steps = np.diff(time)
    steps = steps[steps > 0]
    return int(np.median(steps)) if len(steps) else 0


def _lead(events: dict[int, Events], able: list[int]) -> int:
    """Return the stream that comes first after the pause between two scans."""
    if len(able) == 1:
        return able[0]
    time = np.concatenate([events[k].time for k in able])
    which = np.concatenate([np.full(len(events[k].time), i) for i, k in enumerate(able)])
    order = np.argsort(time, kind="stable")
    gaps = np.diff(time[order])
    after = which[order][1:]
    pauses = np.array(
        [float(np.median(gaps[after == i])) if (after == i).any() else 0.0 for i in range(len(able))]
    )
    first = int(np.argmax(pauses))
    rest = np.delete(pauses, first)
    return able[first] if pauses[first] > PAUSE * max(float(rest.max()), 1.0) else able[0]


class Assembler:
    """Makes rows of events, block by block, memory bounded by the slowest stream."""

    def __init__(self, layout: Layout, streams: list[Stream], straight: Straight) -> None:
        self.layout = layout
        self.streams = streams
        self.straight = straight
        self.made = Made()
        self._held: dict[int, Events] = {}
        self._gaps: list[int] = []
        self._last_row = -(2**62)

    def feed(self, events: dict[int, Events]) -> Rows | None:
        """Add a block; return the rows that it completes."""
        for k, e in events.items():
            self._held[k] = _behind(self._held.get(k), e)
        newest = max((int(e.time[-1]) for e in events.values() if len(e.time)), default=None)
        return None if newest is None else self._rows(newest, final=False)

    def end(self) -> Rows | None:
        """Return the last rows."""
        newest = max((int(e.time[-1]) for e in self._held.values() if len(e.time)), default=None)
        return None if newest is None else self._rows(newest + 1, final=True)

    def _rows(self, newest: int, final: bool) -> Rows | None:
        layout = self.layout
        leads = self._held[layout.lead].time if layout.lead in self._held else np.zeros(0, np.int64)
        others = [self._held[k].time for k in layout.pace if k != layout.lead and k in self._held]
        quiet = not len(leads) or newest - int(leads[-1]) > FLUSH_PERIODS * layout.period
        starts, real = self._starts(leads, others, final or quiet, newest)
        if not len(starts):
            return None
        if final:
            until = newest
        elif quiet:
            until = newest - layout.period
            cut = int(np.searchsorted(starts, until))
            starts, real = starts[:cut], real[:cut]
        else:
            # the last row is whole only when the next lead has come
            until = int(starts[-1])
            starts, real = starts[:-1], real[:-1]
        if not len(starts):
            return None
        rows = self._fill(starts, real, until)
        self._forget(until)
        return rows

    def _starts(
        self, leads: Times, others: list[Times], open_end: bool, newest: int
    ) -> tuple[Times, npt.NDArray[np.bool_]]:
        """Return where rows begin, and whether a lead was read there."""
        period = self.layout.period
        usual = np.zeros(0, np.int64)
        if len(leads) > 1:
            gaps = np.diff(leads)
            usual = _local(gaps, self._gaps, period)
            self._gaps = [*self._gaps, *gaps[-NEIGHBOURS:].tolist()][-NEIGHBOURS:]
        due: list[Times] = []
        last = int(np.median(self._gaps)) if self._gaps else period
        for time in others:
            if not len(leads):
                due.append(
                    time[0] + (time - time[0]) // period * period if open_end and len(time) else time[:0]
                )
                continue
            early = time[time < leads[0]]
            if len(early):
                due.append(leads[0] - -(-(leads[0] - early) // last) * last)
            at = np.searchsorted(leads, time, side="right") - 1
            inside = (at >= 0) & (at < len(leads) - 1)
            if inside.any() and len(usual):
                a = at[inside]
                k = (time[inside] - leads[a]) // np.maximum(usual[a], 1)
                gap = leads[a + 1] - leads[a]
                k = np.minimum(k, np.rint(gap / np.maximum(usual[a], 1)).astype(np.int64) - 1)
                lost = (gap >= LOST * usual[a]) & (k >= 1)
                due.append(leads[a[lost]] + k[lost] * usual[a[lost]])
            if open_end:
                k = (time - leads[-1]) // last
                late = (at == len(leads) - 1) & (k >= 1)
                due.append(leads[-1] + k[late] * last)
        put = np.unique(np.concatenate(due)) if due else np.zeros(0, np.int64)
        put = put[~np.isin(put, leads)]
        starts = np.concatenate([leads, put])
        order = np.argsort(starts, kind="stable")
        real = np.concatenate([np.ones(len(leads), bool), np.zeros(len(put), bool)])[order]
        starts = starts[order]
        fresh = np.append(True, np.diff(starts) > 0) if len(starts) else np.zeros(0, bool)
        return starts[fresh], real[fresh]

    def _fill(self, starts: Times, real: npt.NDArray[np.bool_], until: int) -> Rows | None:
        """Return rows with everything that was read in them."""
        count = len(starts)
        values: dict[int, Floats] = {}
        read_at: dict[int, Times] = {}
        first = np.full(count, 2**62)
        last = np.full(count, -(2**62))
        for k in self.layout.pace:
            out = np.full((len(self.streams[k].columns), count), np.nan)
            at_row = np.full(count, 2**62)
            held = self._held.get(k)
            if held is not None and len(held.time):
                take = held.time < until
                time, some = held.time[take], held.values[:, take]
                row = np.searchsorted(starts, time, side="right") - 1
                inside = row >= 0
                row, time, some = row[inside], time[inside], some[:, inside]
                self.made.twice += int((np.diff(row) == 0).sum())
                out[:, row] = some
                at_row[row] = time
                first[row] = np.minimum(first[row], time)
                last[row] = np.maximum(last[row], time)
                good = real[row]
                if good.any():
                    self.made.note(k, time[good] - starts[row[good]])
            values[k], read_at[k] = out, at_row
        full = last > -(2**62)
        times = np.where(real, starts, first)
        self.made.leads_lost += int((full & ~real).sum())
        parts = self._parts(times, first, last)
        middle = np.where(real, starts + self.layout.middle, np.where(full, (first + last) // 2, starts))
        if parts is not None:
            times, middle, full, values, real = self._parted(
                parts, times, middle, full, values, read_at, real
            )
        for k in range(len(self.streams)):
            if k in values:
                continue
            near = k in self.layout.near
            values[k] = self._near(k, middle, times, real) if near else self._latest(k, times)
        # one time may stand in one row only: a lead that was put and one that came early could share it
        full &= np.append(times[:1] > self._last_row, np.diff(times) > 0)
        if not full.any():
            return None
        if not full.all():
            times, values = times[full], {k: v[:, full] for k, v in values.items()}
        self._last_row = int(times[-1])
        if self.layout.current is not None:
            k, c = self.layout.current
            self.made.without_current += int(np.isnan(values[k][c]).sum())
        self.made.rows += len(times)
        return Rows(self.straight.real(times), values)

    def _near(self, k: int, middle: Times, times: Times, real: npt.NDArray[np.bool_]) -> Floats:
        """Return the readings nearest to the middle of each scan, each in one row only."""
        out = np.full((len(self.streams[k].columns), len(middle)), np.nan)
        held = self._held.get(k)
        if held is None or not len(held.time):
            return out
        own, period = self.layout.own.get(k, 0), self.layout.period
        after = np.clip(np.searchsorted(held.time, middle), 1, max(len(held.time) - 1, 1))
        after = np.minimum(after, len(held.time) - 1)
        before = np.maximum(after - 1, 0)
        nearer = np.abs(held.time[before] - middle) <= np.abs(held.time[after] - middle)
        at = np.where(nearer, before, after)
        off = np.abs(held.time[at] - middle)
        limit = int(NEAR * period) if own >= period or not own else int(min(NEAR * period, HELD * own))
        good = off <= limit
        same = np.flatnonzero(np.diff(at) == 0)
        if own >= 0.5 * period:
            good[same[off[same] > off[same + 1]]] = False
            good[same[off[same] <= off[same + 1]] + 1] = False
        out[:, good] = held.values[:, at[good]]
        whole = good & real
        if whole.any():
            self.made.note(k, held.time[at[whole]] - times[whole])
        return out

    def _latest(self, k: int, times: Times) -> Floats:
        """Return what was last said by the end of each scan, where that is no older than the stream's own period."""
        out = np.full((len(self.streams[k].columns), len(times)), np.nan)
        held = self._held.get(k)
        if held is None or not len(held.time):
            return out
        own = self.layout.own.get(k, 0) or self.layout.period
        # what comes once a scan or slower belongs to the row in whose first half it comes
        end = times + (max(self.layout.period // 2, self.layout.span) if self.once(k) else self.layout.span)
        at = np.searchsorted(held.time, end, side="right") - 1
        good = at >= 0
        if self.keeps_pace(k) and good.any():
            self.made.note(k, held.time[at[good]] - times[good])
        good &= end - held.time[np.maximum(at, 0)] <= HELD * max(own, self.layout.period)
        out[:, good] = held.values[:, at[good]]
        return out

    def once(self, k: int) -> bool:
        """Whether a stream says something about once a scan or less often."""
        return self.layout.own.get(k, 0) >= 0.5 * self.layout.period

    def keeps_pace(self, k: int) -> bool:
        """Whether a stream says something about once a scan."""
        return self.once(k) and self.layout.own.get(k, 0) <= 1.5 * self.layout.period

    def _parts(self, times: Times, first: Times, last: Times) -> tuple[Times, Times] | None:
        """Return rows in which the current steps between two cells, and when."""
        if self.layout.current is None or not np.isfinite(self.layout.step):
            return None
        k, c = self.layout.current
        held = self._held.get(k)
        if held is None or len(held.time) < 2 or self.layout.own.get(k, 0) >= self.layout.period:
            return None
        amps = held.values[c]
        good = np.isfinite(amps)
        time, amps = held.time[good], amps[good]
        steps = np.abs(np.diff(amps))
        large = np.flatnonzero(steps >= self.layout.step)
        if not len(large):
            return None
        when = (time[large] + time[large + 1]) // 2
        row = np.searchsorted(times, when, side="right") - 1
        inside = (row >= 0) & (when > first[np.maximum(row, 0)]) & (when < last[np.maximum(row, 0)])
        row, when, size = row[inside], when[inside], steps[large[inside]]
        if not len(row):
            return None
        order = np.lexsort((-size, row))
        row, when = row[order], when[order]
        once = np.append(True, np.diff(row) > 0)
        return row[once], when[once]

    def _parted(
        self,
        parts: tuple[Times, Times],
        times: Times,
        middle: Times,
        full: npt.NDArray[np.bool_],
        values: dict[int, Floats],
        read_at: dict[int, Times],
        real: npt.NDArray[np.bool_],
    ) -> tuple[Times, Times, npt.NDArray[np.bool_], dict[int, Floats], npt.NDArray[np.bool_]]:
        """Part rows where the current steps: a second row holds the cells that were read after the step."""
        row, when = parts
        source = np.concatenate([np.arange(len(times)), row])
        second = np.concatenate([np.zeros(len(times), bool), np.ones(len(row), bool)])
        cut = np.full(len(times), 2**62)
        cut[row] = when
        sums = np.zeros((2, len(times)))
        counts = np.zeros((2, len(times)))
        begin = np.full(len(times), 2**62)
        out: dict[int, Floats] = {}
        for k, block in values.items():
            there = read_at[k] < 2**62
            late = there & (read_at[k] >= cut)
            for half, mask in ((0, there & ~late), (1, late)):
                offset = np.where(mask, read_at[k] - times, 0)
                sums[half] += offset
                counts[half] += mask
            begin = np.where(late, np.minimum(begin, read_at[k]), begin)
            wide = block[:, source]
            wide[:, np.where(second, ~late[source], late[source])] = np.nan
            out[k] = wide
        half_middle = times + (sums / np.maximum(counts, 1)).astype(np.int64)
        new_times = np.where(second, begin[source], times[source])
        new_middle = np.where(
            np.isin(source, row), half_middle[np.where(second, 1, 0), source], middle[source]
        )
        order = np.argsort(new_times, kind="stable")
        self.made.parted += len(row)
        whole = real[source] & ~np.isin(source, row)
        return (
            new_times[order],
            new_middle[order],
            full[source][order],
            {k: v[:, order] for k, v in out.items()},
            whole[order],
        )

    def _forget(self, until: int) -> None:
        """Drop what no later row can need."""
        back = until - self.layout.period
        for k, held in self._held.items():
            if k in self.layout.pace:
                cut = int(np.searchsorted(held.time, until))
            else:
                cut = max(int(np.searchsorted(held.time, back)) - 1, 0)
            if cut:
                self._held[k] = Events(held.time[cut:].copy(), held.values[:, cut:].copy())


def _behind(held: Events | None, more: Events) -> Events:
    if held is None or not len(held.time):
        return more
    time = np.concatenate([held.time, more.time])
    values = np.concatenate([held.values, more.values], axis=1)
    if len(more.time) and more.time[0] < held.time[-1]:
        order = np.argsort(time, kind="stable")
        time, values = time[order], values[:, order]
    return Events(time, values)


def _local(gaps: Times, before: list[int], period: int) -> Times:
    """Return the usual gap around each: the middle of its neighbours."""
    padded = np.concatenate([np.array(before[-(NEIGHBOURS // 2) :], dtype=np.int64), gaps])
    lead = len(padded) - len(gaps)
    if len(padded) < NEIGHBOURS:
        return np.full(len(gaps), int(np.median(padded)) if len(padded) > 2 else period)
    half = NEIGHBOURS // 2
    edge = np.concatenate([np.full(half - min(lead, half), padded[0]), padded, np.full(half, padded[-1])])
    windows = np.lib.stride_tricks.sliding_window_view(edge, NEIGHBOURS)
    middle = np.median(windows, axis=1).astype(np.int64)
    return np.asarray(middle[-len(gaps) :] if len(middle) >= len(gaps) else np.full(len(gaps), period))
