"""Where events come from: frames and a database, or the groups of an MF4 file that hold signals already."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np

from bmslogs.base.errors import BadInput
from bmslogs.importers.can import decode
from bmslogs.importers.can.database import Definitions, places
from bmslogs.importers.can.frames import FAR_ON_NS, Frames, Recording, Tally, joined
from bmslogs.importers.can.streams import (
    Column,
    Counted,
    Decoder,
    Events,
    Sender,
    Senders,
    Straight,
    Stream,
    _clean,
    by_counter,
    named_senders,
)
from bmslogs.importers.text.source import Source

SAMPLE = 300_000
"""Choice: frames by which is decided what the messages are; minutes of any bus."""
GROUP_CHUNK = 50_000
MOST_COLUMNS = 2_000
"""Choice: signals that become columns; a battery's bus carries hundreds."""

MOST_STRAYS = 3
STRAY_BELOW = 20
"""Choice: three frames at most, and a twentieth of those of the same identifier on another bus, are no sender."""


class Later(Exception):
    """A message of the database came for the first time behind the sample: the table is made again with it."""


class Feed(Protocol):
    """What gives events.

    Attributes
    ----------
    format
        Of the recording.
    streams
        By their number in the events.
    """

    format: str
    dated: bool
    zone: str
    streams: list[Stream]
    counted: Counted
    straight: Straight
    tally: Tally

    def sample(self) -> list[dict[int, Events]]:
        """Return the events of the beginning."""
        ...

    def blocks(self) -> Iterator[dict[int, Events]]:
        """Yield all events from the start."""
        ...

    def texts(self, stream: int, column: int) -> tuple[tuple[int, str], ...]:
        """Return the texts of a state's values."""
        ...


class FrameFeed:
    """Events of a recording's frames by a database."""

    def __init__(
        self,
        recording: Recording,
        definitions: Definitions,
        source: Source,
        same_layout: dict[str, list[int]] | None = None,
    ) -> None:
        self.format, self.dated, self.zone = recording.format, recording.dated, recording.zone
        self.recording = recording
        self.known = Senders(definitions, same_layout)
        self.tally = Tally()
        first = self._first(source)
        found, self.strays = _without_strays(_found(first, self.known))
        if not found:
            unknown = sorted({int(k) & 0x1FFFFFFF for f in first[:1] for k in np.unique(f.ident)})[:5]
            raise BadInput(
                f"none of the recording's identifiers ({', '.join(f'0x{k:X}' for k in unknown)} ..) is in "
                f"{definitions.file}",
                "the database of this vehicle",
                file=source.path,
            )
        self._first_blocks = first
        self._with(found)

    def _first(self, source: Source) -> list[Frames]:
        first: list[Frames] = []
        for block in self.recording.frames(Tally()):
            if len(block):
                first.append(block)
            if sum(map(len, first)) >= SAMPLE:
                break
        if not first:
            raise BadInput(f"is a CAN recording ({self.format}) without a frame", "frames", file=source.path)
        return first

    def _with(self, found: set[tuple[int, int]]) -> None:
        self.found = found
        senders = named_senders(found, self.known)
        whole = joined(self._first_blocks)
        self.senders = [_apart(s, whole) for s in senders]
        self._fresh()

    def _fresh(self) -> None:
        self.decoder = Decoder(self.senders, self.known, self.strays)
        self.streams = self.decoder.streams
        self.counted, self.straight = self.decoder.counted, self.decoder.straight

    def again(self) -> None:
        """Take the messages in that came behind the sample."""
        self._with(self.found | self.decoder.later)

    def sample(self) -> list[dict[int, Events]]:
        """Return the events of the beginning."""
        self._fresh()
        return [self.decoder.feed(block) for block in self._first_blocks]

    def blocks(self) -> Iterator[dict[int, Events]]:
        """Yield all events from the start.

        Raises
        ------
        Later
            A message came that the sample did not have.
        """
        self._first_blocks_kept = True
        self._fresh()
        self.tally = Tally()
        for block in self.recording.frames(self.tally):
            events = self.decoder.feed(block)
            if self.decoder.later:
                raise Later
            yield events

    def texts(self, stream: int, column: int) -> tuple[tuple[int, str], ...]:
        """Return the texts of a state's values."""
        return self.streams[stream].columns[column].labels


def _found(blocks: list[Frames], known: Senders) -> dict[tuple[int, int], int]:
    """Return how many frames there are by channel and key of an identifier that the database has."""
    out: dict[tuple[int, int], int] = {}
    for f in blocks:
        keys = f.ident.astype(np.int64) | f.extended.astype(np.int64) << 31 | f.channel.astype(np.int64) << 32
        unique, counts = np.unique(keys, return_counts=True)
        for key, count in zip(unique.tolist(), counts.tolist()):
            if known.message(key & 0xFFFFFFFF) is not None:
                place = (key >> 32, key & 0xFFFFFFFF)
                out[place] = out.get(place, 0) + count
    return out


def _without_strays(
    found: dict[tuple[int, int], int],
) -> tuple[set[tuple[int, int]], frozenset[tuple[int, int]]]:
    """Part what is sent from the odd frame whose bus's number is damaged: it would pass for a board of its own."""
    most: dict[int, int] = {}
    for (_, key), count in found.items():
        most[key] = max(most.get(key, 0), count)
    strays = {p for p, n in found.items() if n <= MOST_STRAYS and most[p[1]] >= STRAY_BELOW * n}
    return set(found) - strays, frozenset(strays)


def _apart(sender: Sender, frames: Frames) -> Sender:
    """Return a sender whose signals are apart by a counter in the message, where there is one."""
    ident, extended = sender.key & 0x1FFFFFFF, bool(sender.key & 0x80000000)
    which = (frames.ident == ident) & (frames.extended == extended) & (frames.channel == sender.channel)
    message = by_counter(sender.message, decode.Frames(frames.data[which], frames.length[which]))
    if message is None:
        return sender
    return Sender(message, sender.channel, sender.key, sender.name)


class GroupFeed:
    """Events of an MF4 file whose groups hold signals with their times."""

    def __init__(self, source: Source, mdf: Any) -> None:
        from bmslogs.importers.can import mf4

        self.format = "MF4 of decoded signals"
        self.source = source
        self.mdf = mdf
        self.start, self.zone = mf4.start_of(self.mdf)
        self.dated = self.start >= FAR_ON_NS
        self.tally, self.counted, self.straight = Tally(), Counted(), Straight()
        self._texts: dict[tuple[int, int], dict[str, int]] = {}
        self.streams = []
        self._channels: list[tuple[int, list[tuple[str, int]]]] = []
        names: dict[str, int] = {}
        for index, group in enumerate(self.mdf.groups):
            columns, places = [], []
            for place, channel in enumerate(group.channels):
                if place == self.mdf.masters_db.get(index) or not _is_value(channel):
                    continue
                column = _mdf_column(channel, names)
                columns.append(column)
                places.append((str(channel.name), place))
            if columns and int(group.channel_group.cycles_nr):
                name = str(group.channel_group.acq_name or f"group {index}")
                self.streams.append(Stream(name, tuple(columns)))
                self._channels.append((index, places))
        if not self.streams:
            raise BadInput("an MF4 file without signals", "frames or signals", file=source.path)

    def sample(self) -> list[dict[int, Events]]:
        """Return the events of the beginning."""
        out: list[dict[int, Events]] = []
        for block in self.blocks():
            out.append(block)
            if sum(len(e.time) for b in out for e in b.values()) >= SAMPLE:
                break
        return out

    def blocks(self) -> Iterator[dict[int, Events]]:
        """Yield all events from the start, of all groups up to the same time."""
        self.counted, self.straight = Counted(), Straight()
        runs = {k: self._of_group(k) for k in range(len(self.streams))}
        waiting: dict[int, Events] = {}
        while runs or waiting:
            for k in [k for k in runs if k not in waiting]:
                block = next(runs[k], None)
                if block is None:
                    del runs[k]
                elif len(block.time):
                    waiting[k] = block
            until = min((int(waiting[k].time[-1]) for k in waiting if k in runs), default=2**62)
            out: dict[int, Events] = {}
            for k in list(waiting):
                cut = int(np.searchsorted(waiting[k].time, until, side="right"))
                out[k] = Events(waiting[k].time[:cut], waiting[k].values[:, :cut])
                waiting[k] = Events(waiting[k].time[cut:], waiting[k].values[:, cut:])
                if not len(waiting[k].time):
                    del waiting[k]
                if not cut:
                    del out[k]
            for e in out.values():
                self.counted.frames += len(e.time)
                self.counted.decoded += len(e.time)
                self.counted.first = min(self.counted.first, int(e.time[0]))
                self.counted.last = max(self.counted.last, int(e.time[-1]))
            if out:
                yield out

    def _of_group(self, stream: int) -> Iterator[Events]:
        from bmslogs.importers.can import mf4

        group, places = self._channels[stream]
        total = int(self.mdf.groups[group].channel_group.cycles_nr)
        for offset in range(0, total, GROUP_CHUNK):
            count = min(GROUP_CHUNK, total - offset)
            rows: list[Any] = []
            time = None
            for k, (name, place) in enumerate(places):
                signal = mf4.get_physical(self.mdf, name, group, place, offset, count, self.source)
                time = signal.timestamps if time is None else time
                rows.append(self._numbers(signal, stream, k))
            at = self.start + np.rint(np.asarray(time) * 1e9).astype(np.int64)
            if (np.diff(at) < 0).any():
                raise BadInput(
                    f"times of {self.streams[stream].name} run back", "rising times", file=self.source.path
                )
            yield Events(at, np.array(rows))

    def _numbers(self, signal: Any, stream: int, column: int) -> Any:
        """Return samples as numbers, those that the file calls invalid as NaN; texts by a number of their own."""
        samples = np.asarray(signal.samples)
        if samples.dtype.kind in "SUO":
            known = self._texts.setdefault((stream, column), {})
            unique, inverse = np.unique(samples.astype("U80"), return_inverse=True)
            if len(known) + len(unique) > 10_000:
                return np.full(len(samples), np.nan)
            codes = np.array([known.setdefault(_clean(str(t)), len(known)) for t in unique], dtype=float)
            values = codes[inverse.ravel()]
        else:
            values = samples.astype(np.float64)
        bits = getattr(signal, "invalidation_bits", None)
        if bits is not None and np.asarray(bits).any():
            values = np.where(np.asarray(bits, dtype=bool), np.nan, values)
        return values

    def texts(self, stream: int, column: int) -> tuple[tuple[int, str], ...]:
        """Return the texts of a state's values."""
        return tuple((n, t) for t, n in self._texts.get((stream, column), {}).items())


def _is_value(channel: Any) -> bool:
    """Whether a channel holds one number or text a record."""
    return channel.channel_type in (0, 3) and channel.data_type in range(0, 10) and not channel.component_addr


def _mdf_column(channel: Any, names: dict[str, int]) -> Column:
    unit = _clean(str(channel.unit or ""))
    conversion = channel.conversion
    if not unit and conversion is not None and getattr(conversion, "unit", None):
        unit = _clean(str(conversion.unit))
    name = _clean(str(channel.name))
    names[name] = names.get(name, 0) + 1
    if names[name] > 1:
        name += f" {names[name]}"
    whole = channel.data_type in (0, 1, 2, 3)
    decimals: int | None = 0 if whole and conversion is None else None
    if whole and conversion is not None and conversion.conversion_type == 1:
        decimals = max(places(float(conversion.a)), places(float(conversion.b)))
        decimals = decimals if decimals <= 12 else None
    single = not whole and channel.bit_count == 32 and conversion is None
    full = f"{name} ({unit})" if unit and unit not in ("-", "1") else name
    return Column(full, unit, decimals, (), single)
