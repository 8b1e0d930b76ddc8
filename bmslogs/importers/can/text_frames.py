"""Recordings as text (candump, ASC): lines of one shape are read together, by the places of the first of them.

Most lines of a recording have the same length and the same places of digits. A pattern reads one line of each shape;
the others of that shape are read by its places as whole columns of bytes. What fits no shape is read line by line.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.frames import BLOCK_BYTES, FAR_ON_NS, Frames, Recording, Tally, joined, none_of
from bmslogs.importers.text.source import Source, lines_of

Bytes = npt.NDArray[np.uint8]
LONGEST = 512
"""Bytes: a frame of 64 bytes with all that may stand around it."""
FEWEST_ALIKE = 8
"""Choice: fewer lines of one shape are read one by one."""
MOST_SHAPES = 12
"""Choice: as many shapes of one length are kept from block to block."""
NS = 10**9

_HEX = np.full(256, 255, dtype=np.uint8)
for _i, _c in enumerate(b"0123456789"):
    _HEX[_c] = _i
for _i, _c in enumerate(b"abcdef"):
    _HEX[_c] = _HEX[_c - 32] = 10 + _i
_IS_HEX = _HEX < 16
_MIX = np.random.default_rng(1).integers(1, 2**63, LONGEST // 8 + 1, dtype=np.uint64) | np.uint64(1)

_STAMP = rb"\((?:(?P<day>\d{4}-\d\d-\d\d) (?P<clock>\d\d:\d\d:\d\d)|(?P<t>\d{1,11}))\.(?P<f>\d{1,9})\)"
CANDUMP = (
    re.compile(
        rb"\s*" + _STAMP + rb"\s+(?P<chan>\S+)\s+(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?"
        rb"(?P<data>(?:[0-9A-Fa-f]{2}\.?)*)(?:_[0-9A-Fa-f])?(?:\s+[TR])?\s*"
    ),
    re.compile(
        rb"\s*"
        + _STAMP
        + rb"\s+(?P<chan>\S+)\s+(?:(?:RX|TX)\s+[-BE ]+\s+)?(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
        rb"\s+\[(?P<len>\d+)\]\s*(?P<data>(?:\s[0-9A-Fa-f]{2}(?![0-9A-Za-z]))*)\s*(?:'.*')?\s*"
    ),
)
CANDUMP_REMOTE = re.compile(
    rb"\s*\([^)]*\)\s+\S+\s+.*(?:#R\d?(?:_[0-9A-Fa-f])?(?:\s+[TR])?|remote request)\s*"
)
ASC = (
    re.compile(
        rb"\s*(?P<t>\d{1,11})\.(?P<f>\d{1,9})\s+(?P<chan>\d+)\s+(?P<id>[0-9A-Fa-f]{1,8})(?P<x>[xX]?)\s+"
        rb"(?:Rx|Tx|TxRq)\s+[dD]\s+(?P<len>[0-9A-Fa-f]{1,2})(?P<data>(?:\s+[0-9A-Fa-f]{2}(?![0-9A-Za-z]))*)(?:\s.*)?",
        re.DOTALL,
    ),
    re.compile(
        rb"\s*(?P<t>\d{1,11})\.(?P<f>\d{1,9})\s+CANFD\s+(?P<chan>\d+)\s+(?:Rx|Tx|TxRq)\s+(?P<id>[0-9A-Fa-f]{1,8})"
        rb"(?P<x>[xX]?)\s+(?:(?!\d\s)\S+\s+)?[01]\s+[01]\s+[0-9A-Fa-f]\s+(?P<size>\d{1,2})"
        rb"(?P<data>(?:\s+[0-9A-Fa-f]{2}(?![0-9A-Za-z]))*)(?:\s.*)?",
        re.DOTALL,
    ),
)
ASC_DECIMAL = tuple(
    re.compile(
        p.pattern.replace(rb"\s+[0-9A-Fa-f]{2}(?![0-9A-Za-z])", rb"\s+\d{1,3}(?![0-9A-Za-z])").replace(
            rb"(?P<id>[0-9A-Fa-f]{1,8})", rb"(?P<id>\d{1,9})"
        ),
        p.flags,
    )
    for p in ASC
)
"""The same where the header says that numbers are decimal."""
ASC_REMOTE = re.compile(rb"\s*\d+\.\d+\s+(?:CANFD\s+)?\d+\s+\S+\s+(?:Rx|Tx|TxRq)\s+[rR]\b.*", re.DOTALL)
ASC_FRAME = re.compile(rb"\s*\d+\.\d+\s+(?:CANFD\s+\d+|\d+\s+[0-9A-Fa-f]+[xX]?\s+(?:Rx|Tx))\s")
FD_LENGTH = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Bytes that a data length code stands for (ISO 11898-1)."""


@dataclass(frozen=True)
class Shape:
    """Where the fields stand in lines of one shape.

    Attributes
    ----------
    spans
        Field name to first byte and end.
    pairs
        First digits of the bytes of data.
    fixed
        Places that must read as in the first line.
    """

    spans: dict[str, tuple[int, int]]
    pairs: tuple[int, ...]
    fixed: npt.NDArray[np.int64]


@dataclass
class Reader:
    """Reads blocks of lines of one format."""

    kind: str
    tally: Tally
    base: int = 16
    start: int = 0
    patterns: tuple[re.Pattern[bytes], ...] = ()

    def __post_init__(self) -> None:
        self.patterns = CANDUMP if self.kind == "candump" else ASC if self.base == 16 else ASC_DECIMAL
        self.names: dict[bytes, int] = {}
        self.shapes: dict[int, list[tuple[bytes, Shape]]] = {}
        self.line = 0

    def block(self, text: bytes) -> Frames:  # noqa: C901 - each line read once, by the first way that fits
        """Return the frames of whole lines."""
        buffer = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(buffer == 10)
        if not len(ends) or ends[-1] != len(buffer) - 1:
            ends = np.append(ends, len(buffer))
        starts = np.concatenate([[0], ends[:-1] + 1])
        sizes = ends - starts
        parts: list[Frames] = []
        where: list[npt.NDArray[np.int64]] = []
        alone: list[npt.NDArray[np.int64]] = []
        long = np.flatnonzero(sizes > LONGEST)
        if len(long):
            alone.append(long)
        lengths = np.flatnonzero(np.bincount(np.minimum(sizes, LONGEST + 1)))
        for size in lengths[(lengths > 0) & (lengths <= LONGEST)]:
            which = np.flatnonzero(sizes == size)
            rows = np.lib.stride_tricks.sliding_window_view(buffer, int(size))[starts[which]]
            for line, shape in self.shapes.get(int(size), ()):
                done, frames = self._together(rows, line, shape)
                if done.any():
                    parts.append(frames)
                    where.append(which[done])
                    which, rows = which[~done], rows[~done]
                if not len(which):
                    break
            for members in _alike(rows) if len(rows) else ():
                if len(members) < FEWEST_ALIKE or self.base != 16:
                    alone.append(which[members])
                    continue
                whole = len(members) == len(rows)
                done, frames = self._learned(rows if whole else rows[members])
                good = np.flatnonzero(done)
                if len(good):
                    parts.append(frames)
                    where.append(which[members[good]])
                if len(good) < len(members):
                    alone.append(which[members[~done]])
        if alone:
            order = np.sort(np.concatenate(alone))
            frames, good = self._one_by_one(text, starts, ends, order)
            parts.append(frames)
            where.append(good)
        self.line += len(starts)
        if not parts:
            return none_of()
        if len(parts) == 1:
            return parts[0]
        everything = joined(parts)
        order = np.argsort(np.concatenate(where), kind="stable")
        return everything.take(order)

    def _match(self, line: bytes) -> re.Match[bytes] | None:
        for pattern in self.patterns:
            match = pattern.fullmatch(line)
            if match is not None:
                return match
        return None

    def _learned(self, rows: Bytes) -> tuple[npt.NDArray[np.bool_], Frames]:
        """Read lines like the first of them, and keep its shape for the blocks that follow."""
        line = rows[0].tobytes()
        match = self._match(line)
        shape = None if match is None else self._shape(line, match)
        if shape is None:
            return np.zeros(len(rows), dtype=bool), none_of()
        done, frames = self._together(rows, line, shape)
        kept = self.shapes.setdefault(len(line), [])
        if done.sum() > 0.01 * len(rows) and len(kept) < MOST_SHAPES:
            kept.append((line, shape))
        return done, frames

    def _together(self, rows: Bytes, line: bytes, shape: Shape) -> tuple[npt.NDArray[np.bool_], Frames]:
        """Read lines of one shape; says which could be read so."""
        model = np.frombuffer(line, dtype=np.uint8)
        good = (rows[:, shape.fixed] == model[shape.fixed]).all(axis=1)
        if not good.any():
            return good, none_of()
        time, timed = self._times(rows, shape)
        if timed is not None:
            good &= timed
        first, end = shape.spans["id"]
        ident = np.zeros(len(rows), dtype=np.uint32)
        for k in range(first, end):
            digit = _HEX[rows[:, k]]
            good &= digit < 16
            ident = (ident << np.uint32(4)) | digit
        pairs = np.array(shape.pairs, dtype=np.int64)
        data = np.zeros((len(rows), 8 if len(pairs) <= 8 else 64), dtype=np.uint8)
        if len(pairs):
            step = int(pairs[1] - pairs[0]) if len(pairs) > 1 else 2
            even = len(pairs) > 1 and bool((np.diff(pairs) == step).all())
            places = slice(int(pairs[0]), int(pairs[-1]) + 1, step) if even else pairs
            after = slice(int(pairs[0]) + 1, int(pairs[-1]) + 2, step) if even else pairs + 1
            high, low = _HEX[rows[:, places]], _HEX[rows[:, after]]
            good &= ((high | low) < 16).all(axis=1)
            data[:, : len(pairs)] = (high << 4) | low
        extended = self._is_extended(shape.spans, line)
        first, end = shape.spans["chan"]
        names = rows[:, first:end]
        good &= ((names > 32) if self.kind == "candump" else (names - np.uint8(48) < 10)).all(axis=1)
        if not good.any():
            return good, none_of()
        channel = self._channels(rows, shape.spans["chan"], good)
        frames = Frames(
            time,
            ident,
            np.full(len(rows), extended),
            np.full(len(rows), len(pairs), dtype=np.uint8),
            data,
            channel,
        )
        errors = self._errors(frames)
        if errors.any():
            good &= ~errors
        return good, frames if good.all() else frames.take(good)

    def _shape(self, line: bytes, match: re.Match[bytes]) -> Shape | None:
        spans = {k: match.span(k) for k, v in match.groupdict().items() if v is not None}
        size = self._size(match)
        pairs = [spans["data"][0] + m.start() for m in re.finditer(rb"[0-9A-Fa-f]{2}", match.group("data"))]
        if size is not None and len(pairs) < size:
            return None
        pairs = pairs[:size]
        variable = {
            k for name in ("t", "f", "id", "chan", "day", "clock") for k in range(*spans.get(name, (0, 0)))
        }
        variable |= {k for p in pairs for k in (p, p + 1)}
        # what stands behind the data of an ASC frame is of other kinds; candump's says how long the data are
        behind = match.end("data") if self.kind == "ASC" else len(line)
        fixed = [k for k in range(len(line)) if k not in variable and k < behind]
        return Shape(spans, tuple(pairs), np.array(fixed, dtype=np.int64))

    def _size(self, match: re.Match[bytes]) -> int | None:
        """Return how many bytes a line says it has; None where they are as many as stand there."""
        fields = match.groupdict()
        if fields.get("size"):
            return int(fields["size"])
        if not fields.get("len"):
            return None
        if self.kind == "candump":
            return int(fields["len"])
        code = int(fields["len"], 16)
        return min(FD_LENGTH[code], 8) if code < 16 else 8

    def _times(self, rows: Bytes, shape: Shape) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_] | None]:
        first, end = shape.spans["f"]
        part, good = _decimal(rows, first, end)
        part *= 10 ** (9 - (end - first))
        if "t" in shape.spans:
            seconds, fine = _decimal(rows, *shape.spans["t"])
            return self.start + seconds * NS + part, good & fine
        day, clock = shape.spans["day"][0], shape.spans["clock"][0]
        text = np.ascontiguousarray(rows[:, [*range(day, day + 10), *range(clock, clock + 8)]])
        stamps = np.full((len(rows), 19), ord("T"), dtype=np.uint8)
        stamps[:, :10], stamps[:, 11:] = text[:, :10], text[:, 10:]
        try:
            whole = stamps.view("S19").ravel().astype("U19").astype("datetime64[s]").astype(np.int64)
        except ValueError:
            return part, np.zeros(len(rows), dtype=bool)
        return whole * NS + part, good

    def _is_extended(self, spans: dict[str, tuple[int, int]], line: bytes) -> bool:
        if self.kind == "candump":
            return spans["id"][1] - spans["id"][0] == 8
        first, end = spans.get("x", (0, 0))
        return end > first

    def _errors(self, frames: Frames) -> npt.NDArray[np.bool_]:
        """Return error frames, which candump writes as an identifier of more than 29 bits."""
        return frames.ident > np.uint32(0x1FFFFFFF)

    def _channels(
        self, rows: Bytes, span: tuple[int, int], good: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.int16]:
        first, end = span
        names = rows[:, first:end]
        out = np.zeros(len(rows), dtype=np.int16)
        left = good.copy()
        while left.any():
            name = names[int(np.argmax(left))]
            same = left & (names == name).all(axis=1)
            out[same] = self._channel(name.tobytes())
            left &= ~same
        return out

    def _channel(self, name: bytes) -> int:
        if name not in self.names:
            digits = re.search(rb"\d{1,3}$", name)
            number = int(digits.group()) + (self.kind == "candump") if digits else len(self.names) + 1
            while number in self.names.values():
                number += 1
            if len(self.names) > 255:
                raise BadInput("frames of more than 255 buses", "a recording of one vehicle")
            self.names[name] = number
            self.tally.channels[number] = name.decode("ascii", "replace")
        return self.names[name]

    def _one_by_one(
        self,
        text: bytes,
        starts: npt.NDArray[np.int64],
        ends: npt.NDArray[np.int64],
        order: npt.NDArray[np.int64],
    ) -> tuple[Frames, npt.NDArray[np.int64]]:
        rows: list[tuple[int, int, bool, bytes, int]] = []
        good: list[int] = []
        for k in order.tolist():
            line = text[starts[k] : min(ends[k], starts[k] + 4 * LONGEST)]
            if not line.strip():
                continue
            match = self._match(line)
            row = self._row(match) if match is not None else None
            if row is None:
                self._count(line, self.line + k + 1)
            elif row[1] > 0x1FFFFFFF:
                self.tally.errors += 1
            else:
                rows.append(row)
                good.append(k)
        data = np.zeros((len(rows), 64 if any(len(r[3]) > 8 for r in rows) else 8), dtype=np.uint8)
        for k, row in enumerate(rows):
            data[k, : len(row[3])] = np.frombuffer(row[3], dtype=np.uint8)
        frames = Frames(
            np.array([r[0] for r in rows], dtype=np.int64),
            np.array([r[1] for r in rows], dtype=np.uint32),
            np.array([r[2] for r in rows], dtype=bool),
            np.array([len(r[3]) for r in rows], dtype=np.uint8),
            data,
            np.array([r[4] for r in rows], dtype=np.int16),
        )
        return frames, np.array(good, dtype=np.int64)

    def _row(self, match: re.Match[bytes]) -> tuple[int, int, bool, bytes, int] | None:
        fields = match.groupdict()
        spans = {k: match.span(k) for k, v in fields.items() if v is not None}
        if fields.get("t") is not None:
            time = self.start + int(fields["t"]) * NS
        else:
            stamp = f"{fields['day'].decode()} {fields['clock'].decode()}"
            try:
                moment = dt.datetime.strptime(stamp, "%Y-%m-%d %H:%M:%S").replace(tzinfo=dt.UTC)
            except ValueError:
                return None
            time = int(moment.timestamp()) * NS
        time += int(fields["f"].ljust(9, b"0"))
        size = self._size(match)
        texts = fields["data"].split() if self.base != 16 else None
        try:
            if texts is not None:
                data = bytes(int(b) for b in texts)
                ident = int(fields["id"])
            else:
                data = bytes.fromhex(fields["data"].decode().replace(".", ""))
                ident = int(fields["id"], 16)
        except ValueError:
            return None
        if (size is not None and len(data) < size) or len(data[:size]) > 64:
            return None
        return time, ident, self._is_extended(spans, b""), data[:size], self._channel(fields["chan"])

    def _count(self, line: bytes, number: int) -> None:
        remote = CANDUMP_REMOTE if self.kind == "candump" else ASC_REMOTE
        if remote.fullmatch(line):
            self.tally.remote += 1
        elif b"ErrorFrame" in line or b"ERRORFRAME" in line:
            self.tally.errors += 1
        elif self.kind == "candump" or ASC_FRAME.match(line):
            self.tally.broken += 1
            text = line.decode("utf-8", "replace").strip()[:60]
            self.tally.first_broken = self.tally.first_broken or f"line {number}, {text!r}"
        else:
            self.tally.others += 1


def _alike(rows: Bytes) -> list[npt.NDArray[np.int64]]:
    """Return the lines of each shape: the same places hold hexadecimal digits."""
    bits = np.packbits(_IS_HEX[rows], axis=1)
    if (bits == bits[0]).all():
        return [np.arange(len(rows))]
    wide = np.zeros((len(bits), -(-bits.shape[1] // 8) * 8), dtype=np.uint8)
    wide[:, : bits.shape[1]] = bits
    words = wide.view(np.uint64)
    with np.errstate(over="ignore"):
        keys = (words * _MIX[: words.shape[1]]).sum(axis=1, dtype=np.uint64)
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    inverse = inverse.ravel()
    order = np.argsort(inverse, kind="stable")
    cuts = np.cumsum(np.bincount(inverse))[:-1]
    out = []
    for k, members in enumerate(np.split(order, cuts)):
        same = (bits[members] == bits[first[k]]).all(axis=1)
        out += [members] if same.all() else [members[same], members[~same]]
    return out


def _decimal(rows: Bytes, first: int, end: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Return the whole numbers in some columns of text, and which are such."""
    out = np.zeros(len(rows), dtype=np.int64)
    good = np.ones(len(rows), dtype=bool)
    for at in range(first, end, 4):
        stop = min(at + 4, end)
        piece = np.zeros(len(rows), dtype=np.int16)
        for k in range(at, stop):
            digit = rows[:, k] - np.uint8(48)
            good &= digit < 10
            piece = piece * np.int16(10) + digit
        out = out * 10 ** (stop - at) + piece
    return out, good


def open_text(source: Source, kind: str) -> Recording:
    """Return the reader of a candump log or an ASC recording."""
    head = source.head(64 << 10)
    base, start, dated, zone = 16, 0, True, "UTC"
    if kind == "ASC":
        base, start = _asc_header(head, source)
        dated, zone = start >= FAR_ON_NS, ""
    else:
        dated = _candump_clock(head, source)

    def frames(tally: Tally) -> Iterator[Frames]:
        reader = Reader(kind, tally, base, start)
        for text in lines_of(source.reads(1 << 20), BLOCK_BYTES, source.path):
            yield reader.block(text)

    return Recording(kind, dated, zone, frames)


def _candump_clock(head: bytes, source: Source) -> bool:
    """Return whether the times of a candump log are dates.

    Raises
    ------
    BadInput
        It has no times, or the steps between frames only.
    """
    reader = Reader("candump", Tally())
    frames = reader.block(head[: head.rfind(b"\n") + 1] or head)
    if not len(frames):
        lines = [x for x in head.split(b"\n")[:20] if x.strip()]
        if lines and not any(x.lstrip().startswith(b"(") for x in lines):
            raise BadInput("a candump log without times", "candump -l, or candump -t a", file=source.path)
        raise BadInput("a candump log in which no line is a frame", "frames", file=source.path)
    if np.median(frames.time) >= FAR_ON_NS:
        return True
    steps = np.diff(frames.time)
    if len(steps) > 5 and float(np.mean(steps < 0)) > 0.05:
        raise BadInput(
            "the times are the steps from frame to frame (candump -t d)",
            "time since the start or dates: candump -t z, -t a or -l",
            file=source.path,
        )
    return False


_MONTHS = {
    "jan": 1, "feb": 2, "mar": 3, "mär": 3, "mrz": 3, "apr": 4, "may": 5, "mai": 5, "jun": 6, "jul": 7, "aug": 8,
    "sep": 9, "oct": 10, "okt": 10, "nov": 11, "dec": 12, "dez": 12,
}  # fmt: skip


def _asc_header(head: bytes, source: Source) -> tuple[int, int]:
    """Return base of the numbers and start [ns], 0 where no date is given."""
    text = head[:8192].decode("utf-8", "replace")
    base = 10 if re.search(r"^\s*base\s+dec\b", text, re.IGNORECASE | re.MULTILINE) else 16
    if re.search(r"^\s*base\s+\w+\s+timestamps\s+relative", text, re.IGNORECASE | re.MULTILINE):
        raise BadInput(
            "the times are the steps from event to event (timestamps relative)",
            "an ASC recording with timestamps absolute",
            file=source.path,
        )
    stamps = re.findall(r"^\s*(?:date|begin\s+triggerblock)\s+(\S.*)$", text, re.IGNORECASE | re.MULTILINE)
    moments = [m for m in (_asc_date(s) for s in stamps) if m is not None]
    if not moments:
        return base, 0
    # the second is that of the measurement's own start, to which the times count
    return base, moments[min(1, len(moments) - 1)]


def _asc_date(text: str) -> int | None:
    match = re.match(
        r"(?:\w+\.?\s+)?(\w{3})\w*\.?\s+(\d{1,2})\s+(\d{1,2}):(\d\d):(\d\d)(?:\.(\d{1,6}))?\s*(am|pm)?\s+(\d{4})",
        text.strip(),
        re.IGNORECASE,
    )
    month = _MONTHS.get(match.group(1).lower()) if match else None
    if match is None or month is None:
        return None
    hour = int(match.group(3))
    if match.group(7):
        hour = hour % 12 + (12 if match.group(7).lower() == "pm" else 0)
    part = int((match.group(6) or "0").ljust(6, "0"))
    try:
        moment = dt.datetime(
            int(match.group(8)), month, int(match.group(2)), hour, int(match.group(4)), int(match.group(5)), part,
            tzinfo=dt.UTC,
        )  # fmt: skip
    except ValueError:
        return None
    return int((moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)) / dt.timedelta(microseconds=1)) * 1000
