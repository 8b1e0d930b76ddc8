"""Recordings as BLF: packed containers of objects; those of one kind and size are taken out together.

The layout of containers and objects is that which python-can reads and writes; the tests hold this reader to it.
"""

from __future__ import annotations

import datetime as dt
import struct
import zlib
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.frames import FAR_ON_NS, Frames, Recording, Tally, joined, none_of
from bmslogs.importers.text.source import MOST_UNPACKED_RATIO, RATIO_FREE_BYTES, Source

BLOCK = 8 << 20
"""Choice [bytes] of unpacked objects that are read together: some 150,000 frames."""
MOST_CONTAINER = 64 << 20
"""Choice [bytes]: recorders write containers of 128 kB."""
_FILE = struct.Struct("<4sL")
_BASE = struct.Struct("<4sHHLL")
_CONTAINER = struct.Struct("<H6xL4x")
CONTAINER, MESSAGE, ERROR, ERROR_EXT, MESSAGE2, FD, FD_64 = 10, 1, 2, 73, 86, 100, 101
REMOTE, EXTENDED = 0x80, 0x80000000


def open_blf(source: Source) -> Recording:
    """Return the reader of a BLF recording.

    Raises
    ------
    BadInput
        The header is damaged.
    """
    head = source.head(144)
    if len(head) < 72:
        raise BadInput("a BLF recording cut within its header", "a whole recording", file=source.path)
    start = _moment(struct.unpack_from("<8H", head, 40))
    header = _FILE.unpack_from(head)[1]

    def frames(tally: Tally) -> Iterator[Frames]:
        carry = b""
        pieces: list[bytes] = []
        size = 0
        whole = 0
        for piece in _unpacked(source, header, tally):
            pieces.append(piece)
            size += len(piece)
            whole += len(piece)
            if whole > RATIO_FREE_BYTES and whole > MOST_UNPACKED_RATIO * source.size:
                raise BadInput(
                    f"unpacks to more than {MOST_UNPACKED_RATIO} times its size",
                    "a recording",
                    file=source.path,
                )
            if size >= BLOCK:
                block, carry = _objects(b"".join([carry, *pieces]), start, tally)
                pieces, size = [], 0
                yield block
        block, carry = _objects(b"".join([carry, *pieces]), start, tally)
        tally.cut |= bool(carry.strip(b"\0"))
        yield block

    return Recording("BLF", start >= FAR_ON_NS, "", frames)


def _moment(fields: tuple[int, ...]) -> int:
    """Return a date and time of the recorder [ns], 0 where it is none."""
    year, month, _, day, hour, minute, second, milli = fields
    try:
        moment = dt.datetime(year, month, day, hour, minute, second, milli * 1000, tzinfo=dt.UTC)
    except ValueError:
        return 0
    return int(moment.timestamp() * 1000 + 0.5) * 10**6


def _unpacked(source: Source, header: int, tally: Tally) -> Iterator[bytes]:  # noqa: C901 - one pass over the bytes
    """Yield the objects' bytes; objects outside of containers as they are."""
    held = bytearray()
    skip = header
    for piece in source.reads(1 << 20):
        held += piece
        if skip:
            gone = min(skip, len(held))
            del held[:gone]
            skip -= gone
            if skip:
                continue
        at = 0
        while len(held) - at >= _BASE.size:
            mark, _, _, size, kind = _BASE.unpack_from(held, at)
            if mark != b"LOBJ" or size < _BASE.size:
                found = held.find(b"LOBJ", at + 1)
                tally.broken += 1
                tally.first_broken = tally.first_broken or "bytes between containers that are no object"
                at = found if found > 0 else len(held) - 3
                continue
            if size > MOST_CONTAINER:
                raise BadInput(f"a container of {size} bytes", "a BLF recording", file=source.path)
            if len(held) - at < size:
                break
            if kind == CONTAINER:
                yield _inflated(bytes(held[at + _BASE.size : at + size]), source, tally)
            else:
                yield bytes(held[at : at + size])
            at = min(at + size + size % 4, len(held))
        del held[:at]
    if held.strip(b"\0"):
        tally.cut = True
        if len(held) > 32 and held[:4] == b"LOBJ" and _BASE.unpack_from(held)[4] == CONTAINER:
            yield _inflated(bytes(held[_BASE.size :]), source, tally)


def _inflated(body: bytes, source: Source, tally: Tally) -> bytes:
    if len(body) < _CONTAINER.size:
        return b""
    method, size = _CONTAINER.unpack_from(body)
    packed = body[_CONTAINER.size :]
    if method == 0:
        return packed
    if method != 2:
        raise BadInput(f"packed by an unknown method ({method})", "zlib", file=source.path)
    try:
        unpacker = zlib.decompressobj()
        out = unpacker.decompress(packed, min(size, MOST_CONTAINER) + 1)
    except zlib.error:
        tally.broken += 1
        tally.first_broken = tally.first_broken or "a container that cannot be unpacked"
        return b""
    if len(out) > size:
        raise BadInput("a container unpacks to more than it says", "a BLF recording", file=source.path)
    return out


def _objects(data: bytes, start: int, tally: Tally) -> tuple[Frames, bytes]:
    """Return the frames among objects, and the bytes of a last one that is not whole."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    places, sizes, kinds, versions, end = _chain(buffer, tally)
    parts: list[Frames] = []
    order: list[npt.NDArray[np.int64]] = []
    wanted = np.isin(kinds, (MESSAGE, MESSAGE2, FD, FD_64)) & np.isin(versions, (1, 2)) & (sizes >= 48)
    tally.errors += int(np.isin(kinds, (ERROR, ERROR_EXT)).sum())
    tally.others += int((~wanted).sum() - np.isin(kinds, (ERROR, ERROR_EXT)).sum())
    keys = kinds * 2**24 + sizes * 4 + versions
    for key in np.unique(keys[wanted]):
        which = np.flatnonzero(wanted & (keys == key))
        size, kind, version = int(sizes[which[0]]), int(kinds[which[0]]), int(versions[which[0]])
        rows = np.lib.stride_tricks.sliding_window_view(buffer, size)[places[which]]
        made = _frames(rows, kind, version, start, tally)
        if made is not None:
            keep, frames = made
            parts.append(frames)
            order.append(which[keep])
    if not parts:
        return none_of(), data[end:]
    out = parts[0]
    if len(parts) > 1:
        out = joined(parts).take(np.argsort(np.concatenate(order), kind="stable"))
    return out, data[end:]


Ints = npt.NDArray[np.int64]


def _chain(buffer: npt.NDArray[np.uint8], tally: Tally) -> tuple[Ints, Ints, Ints, Ints, int]:
    """Return place, size, kind and header version of the objects one behind the other, and where the last ends."""
    marks = np.flatnonzero(buffer[:-3] == ord("L")) if len(buffer) >= 16 else np.zeros(0, np.int64)
    marks = marks[buffer[marks + 1] == ord("O")]
    marks = marks[(buffer[marks + 2] == ord("B")) & (buffer[marks + 3] == ord("J"))]
    marks = marks[marks + 16 <= len(buffer)]
    heads = (
        np.lib.stride_tricks.sliding_window_view(buffer, 16)[marks]
        if len(marks)
        else np.zeros((0, 16), np.uint8)
    )
    sizes = _number(heads, 8, 4)
    versions, kinds = _number(heads, 6, 2), _number(heads, 12, 4)
    whole = (marks + sizes <= len(buffer)) & (sizes >= 16)
    after = marks + sizes
    # an object is followed by the next within its padding; a mark inside data is followed by none at its place
    following = np.append(marks[1:], len(buffer))
    fits = (following >= after) & (following - after < 8)
    if len(marks) and marks[0] < 8 and fits[:-1].all() and whole[:-1].all():
        count = len(marks) if whole[-1] else len(marks) - 1
        end = int(after[count - 1]) if count else 0
        if count == len(marks) or count == 0:
            return marks[:count], sizes[:count], kinds[:count], versions[:count], max(end, 0)
        return marks[:count], sizes[:count], kinds[:count], versions[:count], int(marks[count])
    keep, end = _walk(marks, sizes, len(buffer), tally)
    return marks[keep], sizes[keep], kinds[keep], versions[keep], end


def _walk(marks: Ints, sizes: Ints, room: int, tally: Tally) -> tuple[Ints, int]:
    """Go from object to object where marks stand inside of data too."""
    keep: list[int] = []
    places, lengths = marks.tolist(), sizes.tolist()
    at = end = k = 0
    while k < len(places):
        if places[k] < at:
            k += 1
            continue
        if places[k] >= at + 8:
            tally.broken += 1
            tally.first_broken = tally.first_broken or "bytes between objects that are no object"
        if lengths[k] < 16 or places[k] + lengths[k] > room:
            if lengths[k] >= 16 and lengths[k] < BLOCK and places[k] + lengths[k] > room:
                return np.array(keep, dtype=np.int64), places[k]
            tally.broken += 1
            tally.first_broken = tally.first_broken or "an object of an impossible size"
            at = places[k] + 4
            k += 1
            continue
        keep.append(k)
        at = end = places[k] + lengths[k]
        k += 1
    return np.array(keep, dtype=np.int64), end


def _number(rows: npt.NDArray[np.uint8], at: int, size: int) -> Ints:
    """Return little-endian numbers of some bytes of each row."""
    kind = {1: "u1", 2: "<u2", 4: "<u4", 8: "<u8"}[size]
    return np.ascontiguousarray(rows[:, at : at + size]).view(kind).ravel().astype(np.int64)


def _frames(
    rows: npt.NDArray[np.uint8], kind: int, version: int, start: int, tally: Tally
) -> tuple[npt.NDArray[np.bool_], Frames] | None:
    """Return the data frames among objects of one kind and size, and which they are."""
    at = 32 if version == 1 else 40
    least = {MESSAGE: 16, MESSAGE2: 16, FD: 84, FD_64: 40}[kind]
    if rows.shape[1] < at + least:
        tally.broken += len(rows)
        return None
    ticks = np.where(_number(rows, 16, 4) == 1, 10_000, 1)
    time = start + _number(rows, 24, 8) * ticks
    if kind in (MESSAGE, MESSAGE2):
        channel, flags, length = _number(rows, at, 2), rows[:, at + 2], rows[:, at + 3]
        ident, data = _number(rows, at + 4, 4), rows[:, at + 8 : at + 16]
        remote = (flags & REMOTE) > 0
        length = np.minimum(length, 8)
    elif kind == FD:
        channel, flags = _number(rows, at, 2), rows[:, at + 2]
        ident, length, data = _number(rows, at + 4, 4), rows[:, at + 14], rows[:, at + 20 : at + 84]
        remote = (flags & REMOTE) > 0
    else:
        channel, length, ident = _number(rows, at, 1), rows[:, at + 2], _number(rows, at + 8, 4)
        remote = (_number(rows, at + 20, 4) & 0x10) > 0
        offset = rows[:, at + 35].astype(np.int64)
        header = _number(rows, 4, 2)
        room = np.where(offset > 0, offset, rows.shape[1]) - header - 40
        data = np.zeros((len(rows), 64), dtype=np.uint8)
        some = rows[:, at + 40 : at + 104]
        data[:, : some.shape[1]] = some
        data[np.arange(64)[None, :] >= room[:, None]] = 0
    length = np.minimum(length, 64).astype(np.uint8)
    tally.remote += int(remote.sum())
    keep = ~remote
    data = np.array(data, dtype=np.uint8)
    if int(length.min(initial=64)) < data.shape[1]:
        data[np.arange(data.shape[1])[None, :] >= length[:, None]] = 0
    frames = Frames(
        time,
        (ident & 0x1FFFFFFF).astype(np.uint32),
        (ident & EXTENDED) > 0,
        length,
        data,
        channel.astype(np.int16),
    )
    return keep, frames if keep.all() else frames.take(keep)
