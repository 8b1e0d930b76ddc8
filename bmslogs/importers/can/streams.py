"""Values over time: each message of each sender becomes a stream of times and values."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.importers.can import decode
from bmslogs.importers.can.database import Condition, Definitions, Message, Signal
from bmslogs.importers.can.frames import Frames

Times = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
GROUP = 0x03FFFF00
"""Bits of a 29-bit identifier that name the parameter group (SAE J1939-21): all but priority and sender."""
GROUP_TO_ONE = 0x03FF0000
"""The same where the middle byte names the receiver (formats below 240)."""
STEP_BACK_NS = 10**9
"""Choice [ns]: several buses are written out of turn by less; more, and the clock was set back."""
MOST_STEPS_BACK = 1000
MOST_IDENTIFIERS = 20_000
"""Choice: no bus carries as many; what it cannot mean is not counted one by one."""
_SELECTS = re.compile(
    r"(bank|index|idx|mux|group|page|module|mod|slave|board|cell_?(no|num|nr|id)|number|row)", re.I
)
_COUNTS = re.compile(r"(alive|roll|seq|crc|check|life|msg_?c|max|min|high|low|weak|worst|first|last)", re.I)
"""Counters that show that the sender lives, and numbers of the cell that is outermost."""
ROUND = 0.8
"""Choice: of a counter's steps as many go to the next number, round and round; the others are frames that were lost."""


@dataclass(frozen=True)
class Column:
    """A column of the table: one signal of one sender.

    Attributes
    ----------
    name
        ``message.signal (unit)``.
    decimals
        Digits behind the mark that its values carry; None where they are floating point.
    labels
        Texts of a state's raw values.
    single
        Whether floating point of single precision.
    """

    name: str
    unit: str
    decimals: int | None
    labels: tuple[tuple[int, str], ...] = ()
    single: bool = False


@dataclass(frozen=True)
class Stream:
    """Columns whose values come at the same time: those of a message, or of one of its multiplexed parts."""

    name: str
    columns: tuple[Column, ...]
    signals: tuple[Signal, ...] = ()


@dataclass(frozen=True)
class Events:
    """Values of a stream: times [ns] in order, values columns x times, NaN where there is no reading."""

    time: Times
    values: Floats


@dataclass
class Counted:
    """What became of the frames.

    Attributes
    ----------
    unknown
        Frames by identifier (with bit 31 for those of 29 bits) that the database lacks.
    codes
        Readings by column that were codes for "not available".
    short
        Frames by message that were shorter than a signal of it.
    strays
        Frames under another bus's number than nearly all others of their message.
    """

    frames: int = 0
    decoded: int = 0
    first: int = 2**62
    last: int = -(2**62)
    unknown: dict[int, int] = field(default_factory=dict)
    unknown_length: dict[int, int] = field(default_factory=dict)
    codes: dict[str, int] = field(default_factory=dict)
    short: dict[str, int] = field(default_factory=dict)
    steps_back: int = 0
    strays: int = 0


def key_of(ident: int, extended: bool) -> int:
    """Return an identifier with its kind as one number."""
    return ident | (0x80000000 if extended else 0)


def shown(key: int) -> str:
    """Return an identifier as people write it."""
    return f"0x{key & 0x1FFFFFFF:08X}" if key & 0x80000000 else f"0x{key & 0x7FF:03X}"


@dataclass(frozen=True)
class Sender:
    """A message as one sender sends it on one bus."""

    message: Message
    channel: int
    key: int
    name: str = ""


class Senders:
    """Which message an identifier is, for those of the database and those that share its layouts.

    Parameters
    ----------
    same_layout
        Other identifiers that messages of the database are sent with, by the message's name.
    """

    def __init__(
        self, definitions: Definitions, same_layout: Mapping[str, Iterable[int]] | None = None
    ) -> None:
        self.definitions = definitions
        self.exact: dict[int, Message] = {key_of(m.ident, m.extended): m for m in definitions.messages}
        self.groups: dict[int, Message] = {
            _group(m.ident): m for m in definitions.messages if m.extended and m.by_group
        }
        names = {m.name: m for m in definitions.messages}
        for name, idents in (same_layout or {}).items():
            if name not in names:
                raise BadInput(
                    f"no message {name!r} in the signal database",
                    f"one of {', '.join(sorted(names)[:8])}",
                    file=definitions.file,
                )
            for ident in idents:
                self.exact.setdefault(key_of(ident, names[name].extended or ident > 0x7FF), names[name])

    def message(self, key: int) -> Message | None:
        """Return the message of an identifier, None where the database lacks it."""
        found = self.exact.get(key)
        if found is None and key & 0x80000000:
            found = self.groups.get(_group(key & 0x1FFFFFFF))
        return found


def _group(ident: int) -> int:
    return ident & (GROUP_TO_ONE if (ident >> 16) & 0xFF < 240 else GROUP)


def named_senders(found: Iterable[tuple[int, int]], senders: Senders) -> list[Sender]:
    """Name the senders of a recording: by message, and by bus or sender where a message comes from several.

    Parameters
    ----------
    found
        Channel and key of identifiers that occur.
    """
    able = [(c, k, m) for c, k in sorted(found) if (m := senders.message(k)) is not None]
    boards = _numbered_boards([m for _, _, m in able])
    out = []
    for channel, key, message in able:
        alike = [(c, k) for c, k, m in able if m is message]
        name = boards.get(message.name, _clean(message.name))
        buses = sorted({c for c, _ in alike})
        keys = sorted({k for _, k in alike})
        if len(keys) > 1:
            by_sender = message.by_group and len({k & 0xFF for k in keys}) == len(keys)
            name = f"module {key & 0xFF if by_sender else keys.index(key) + 1} {name}"
        if len(buses) > 1:
            name = f"bus {buses.index(channel) + 1} {name}"
        out.append(Sender(message, channel, key, name))
    return out


def _numbered_boards(messages: list[Message]) -> dict[str, str]:
    """Return other names for messages of one layout whose names differ by their numbers alone.

    Their signals have the same names, so the numbers say which board speaks. They are put in front as such: behind a
    word for cells (``Cells2.U1``) the number would read as that of a cell.
    """
    families: dict[str, list[Message]] = {}
    for message in messages:
        families.setdefault(re.sub(r"\d+", "#", message.name), []).append(message)
    out: dict[str, str] = {}
    for family in families.values():
        names = {m.name for m in family}
        seen = [s.name for m in {m.name: m for m in family}.values() for s in m.signals]
        if len(names) < 2 or len(set(seen)) == len(seen):
            continue
        numbers = [re.findall(r"\d+", m.name) for m in family]
        varying = [k for k in range(len(numbers[0])) if len({n[k] for n in numbers}) > 1]
        for message, own in zip(family, numbers):
            words = [f"{word} {own[k]}" for word, k in zip(("module", *["group"] * len(own)), varying)]
            out[message.name] = f"{' '.join(words)} {_clean(_bare(message.name, varying)).strip('_ ')}"
    return out


def _bare(name: str, without: list[int]) -> str:
    """Return a name without some of its numbers."""
    pieces = re.split(r"(\d+)", name)
    return "".join(p for k, p in enumerate(pieces) if k % 2 == 0 or k // 2 not in without)


def _clean(text: str) -> str:
    """Return a name that stands in a header without harm."""
    return re.sub(r"[^\w .°%/()+-]", "_", " ".join(text.split()))[:80]


def streams_of(sender: Sender) -> list[Stream]:
    """Return the streams of a sender: one for each set of conditions that its signals have."""
    by_condition: dict[tuple[Condition, ...], list[Signal]] = {}
    for signal in sender.message.signals:
        by_condition.setdefault(signal.when, []).append(signal)
    out = []
    for when, signals in by_condition.items():
        columns = tuple(_column(sender.name, s) for s in signals)
        name = sender.name + "".join(f" {c.selector}={c.values[0]}" for c in when)
        out.append(Stream(name, columns, tuple(signals)))
    return out


def _column(prefix: str, signal: Signal) -> Column:
    unit = _clean(signal.unit)
    name = f"{prefix}.{_clean(signal.name)}" + (f" ({unit})" if unit and unit not in ("-", "1") else "")
    labels = signal.labels if signal.is_state else ()
    return Column(
        name, unit, signal.decimals, labels, signal.floating and signal.length <= 32 and signal.scale == 1
    )


def by_counter(message: Message, frames: decode.Frames) -> Message | None:
    """Return the message with its signals apart by a counter in it, where one says which cells a frame speaks of.

    Such a counter is a small whole number without a unit, named so, that goes round and round from frame to frame; a
    database may give it as a plain signal. A counter that only shows that the sender lives is none, nor is the number
    of the cell that reads highest.
    """
    if len(frames.length) < 20 or any(s.when for s in message.signals):
        return None
    for selector in message.signals:
        named = _SELECTS.search(selector.name) and not _COUNTS.search(selector.name)
        whole = (
            not selector.floating
            and not selector.signed
            and selector.scale == 1
            and 2 <= selector.length <= 16
        )
        if not named or not whole or selector.unit or selector.labels:
            continue
        others = [s for s in message.signals if s is not selector]
        if not any(_volts(s) for s in others):
            continue
        values = decode.scaled(selector, decode.raw_bits(selector, frames))
        distinct = np.unique(values)
        if not 2 <= len(distinct) <= 256:
            continue
        steps = np.diff(np.searchsorted(distinct, values)) % len(distinct)
        if float(np.mean(steps == 1)) < ROUND:
            continue
        apart = [selector]
        for value in distinct.astype(np.int64).tolist():
            when = (Condition(selector.name, (value,)),)
            apart += [replace(s, name=f"{selector.name} {value} {s.name}", when=when) for s in others]
        return replace(message, signals=tuple(apart))
    return None


def _volts(signal: Signal) -> bool:
    return signal.unit.strip().lower() in ("v", "mv", "volt", "millivolt") or bool(
        re.search(r"volt|spannung|(^|_)u(_|\d|cell)|(^|_)v(_|\d|cell)|cell", signal.name, re.I)
    )


class Decoder:
    """Takes frames apart into streams.

    Parameters
    ----------
    senders
        Those that are read; others are counted.
    strays
        Channel and key of what is no sender, but the odd frame under another bus's number.
    """

    def __init__(
        self, senders: list[Sender], known: Senders, strays: frozenset[tuple[int, int]] = frozenset()
    ) -> None:
        self.senders = senders
        self.known = known
        self.strays = strays
        self.streams: list[Stream] = []
        self.of_sender: list[list[int]] = []
        for sender in senders:
            made = streams_of(sender)
            self.of_sender.append(list(range(len(self.streams), len(self.streams) + len(made))))
            self.streams += made
        keys = np.array([s.key | s.channel << 32 for s in senders], dtype=np.int64)
        self._order = np.argsort(keys)
        self._keys = keys[self._order]
        self.counted = Counted()
        self.straight = Straight()
        self.later: set[tuple[int, int]] = set()

    def feed(self, frames: Frames) -> dict[int, Events]:
        """Return the events of a block of frames by the number of their stream."""
        if not len(frames):
            return {}
        time = self.straight.times(frames.time)
        if (np.diff(time) < 0).any():
            order = np.argsort(time, kind="stable")
            frames, time = frames.take(order), time[order]
        counted = self.counted
        counted.frames += len(frames)
        counted.first = min(counted.first, int(frames.time.min()))
        counted.last = max(counted.last, int(frames.time.max()))
        keys = frames.ident.astype(np.int64) | frames.extended.astype(np.int64) << 31
        keys |= frames.channel.astype(np.int64) << 32
        place = np.searchsorted(self._keys, keys) if len(self._keys) else np.zeros(len(keys), np.int64)
        place[place == len(self._keys)] = 0
        known = self._keys[place] == keys if len(self._keys) else np.zeros(len(keys), dtype=bool)
        number = np.where(known, self._order[place] if len(self._keys) else 0, len(self.senders)).astype(
            np.int16
        )
        order = np.argsort(number, kind="stable")
        cuts = np.searchsorted(number[order], np.arange(len(self.senders) + 2))
        self._count_unknown(keys[order[cuts[-2] :]], frames.length[order[cuts[-2] :]])
        out: dict[int, Events] = {}
        for k in range(len(self.senders)):
            which = order[cuts[k] : cuts[k + 1]]
            if len(which):
                counted.decoded += len(which)
                out |= self._take_apart(
                    k, time[which], decode.Frames(frames.data[which], frames.length[which])
                )
        return out

    def _count_unknown(self, keys: Times, lengths: npt.NDArray[np.uint8]) -> None:
        if not len(keys):
            return
        unique, first, counts = np.unique(keys, return_index=True, return_counts=True)
        for key, at, count in zip(unique.tolist(), first.tolist(), counts.tolist()):
            ident = key & 0xFFFFFFFF
            if (key >> 32, ident) in self.strays:
                self.counted.strays += count
            elif self.known.message(ident) is not None:
                self.later.add((key >> 32, ident))
            elif ident in self.counted.unknown or len(self.counted.unknown) < MOST_IDENTIFIERS:
                self.counted.unknown[ident] = self.counted.unknown.get(ident, 0) + count
                self.counted.unknown_length[ident] = int(lengths[at])

    def _take_apart(self, sender: int, time: Times, frames: decode.Frames) -> dict[int, Events]:
        message = self.senders[sender].message
        out: dict[int, Events] = {}
        there_of: dict[tuple[Condition, ...], npt.NDArray[np.bool_] | None] = {}
        for index in self.of_sender[sender]:
            stream = self.streams[index]
            when = stream.signals[0].when
            if when not in there_of:
                there_of[when] = _selected(stream.signals[0], message, frames)
            there = there_of[when]
            some, at = frames, time
            if there is not None:
                which = np.flatnonzero(there)
                if not len(which):
                    continue
                some = decode.Frames(frames.data[which], frames.length[which])
                at = time[which]
            values = np.empty((len(stream.signals), len(at)))
            for k, signal in enumerate(stream.signals):
                values[k] = self._values(signal, stream.columns[k], message, some)
            out[index] = Events(at, values)
        return out

    def _values(self, signal: Signal, column: Column, message: Message, frames: decode.Frames) -> Floats:
        bits = decode.raw_bits(signal, frames)
        values = decode.scaled(signal, bits)
        short = decode.within(signal, frames)
        codes = decode.not_available(signal, bits, values)
        if short is not None:
            codes &= short
        count = int(codes.sum())
        if count:
            self.counted.codes[column.name] = self.counted.codes.get(column.name, 0) + count
            values = np.where(codes, np.nan, values)
        if short is not None:
            missing = int((~short).sum())
            self.counted.short[message.name] = max(self.counted.short.get(message.name, 0), missing)
            values = np.where(short, values, np.nan)
        return values


def _selected(signal: Signal, message: Message, frames: decode.Frames) -> npt.NDArray[np.bool_] | None:
    """Return where a signal's multiplexers select it; None where it has none."""
    if not signal.when:
        return None
    selected = replace(signal, start=0, length=1)
    return decode.present(selected, message, frames)


class Straight:
    """A clock that never runs back: where the recording's does, time goes on from there, and the step is kept.

    Attributes
    ----------
    at, shift
        From which straight time on [ns] how much has been added [ns].
    """

    def __init__(self) -> None:
        self.at: list[int] = [-(2**62)]
        self.shift: list[int] = [0]
        self._last: int | None = None

    def times(self, time: Times) -> Times:
        """Return straight times of a block.

        Raises
        ------
        BadInput
            The clock runs back again and again.
        """
        before = time[0] if self._last is None else self._last - self.shift[-1]
        steps = np.diff(time, prepend=before)
        back = np.flatnonzero(steps < -STEP_BACK_NS)
        # frames late by more than that which are caught up at once are out of turn, no clock that was set
        out = time + self.shift[-1]
        for k in back.tolist():
            more = int(-steps[k]) + STEP_BACK_NS
            out[k:] += more
            self.at.append(int(out[k]))
            self.shift.append(self.shift[-1] + more)
        if len(self.at) > MOST_STEPS_BACK:
            raise BadInput(
                f"time steps back at more than {MOST_STEPS_BACK} places", "frames in order of time"
            )
        self._last = int(out.max()) if not len(back) else int(out[-1])
        return np.asarray(out)

    def real(self, straight: Times) -> Times:
        """Return the recording's own times."""
        if len(self.at) == 1:
            return straight
        where = np.searchsorted(np.array(self.at), straight, side="right") - 1
        return np.asarray(straight - np.array(self.shift)[where])
