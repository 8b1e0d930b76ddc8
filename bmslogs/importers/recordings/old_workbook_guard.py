"""What the sheets of an .xls ask for, by the records of its workbook stream.

Source: the public descriptions of the compound file and of the record format, from memory.
"""

from __future__ import annotations

import struct
from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.workbook_count import MOST_CELLS, MOST_TEXT

MOST_BYTES = 96 << 20
"""Choice [bytes]: an .xls has 65,536 rows a sheet; it is held in memory."""
_END = 0xFFFFFFFA
"""Sector numbers from here on are marks."""
_PLACED = frozenset([0x06, 0x27E, 0x203, 0xBD, 0xFD, 0x204, 0x205, 0x201, 0xBE, 0xD6, 0x3, 0x4, 0x5, 0x2])
"""Records that hold cells: row and column are their first two numbers."""
_RUNS = frozenset([0xBD, 0xBE])
_BEGIN, _SST, _CONTINUE, _LABEL_SHARED, _LOCKED = 0x809, 0xFC, 0x3C, 0xFD, 0x2F


def guard_old(path: Path, file: Path) -> None:
    """Refuse an .xls that would fill the memory.

    Raises
    ------
    BadInput
        One line.
    """
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise BadInput(
            f"an .xls of {size >> 20} MB",
            f"{MOST_BYTES >> 20} MB at most; export the sheet as CSV",
            file=file,
        )
    try:
        stream = _stream(path.read_bytes(), file)
    except (struct.error, IndexError, ValueError) as error:
        raise BadInput(f"the workbook is broken ({error})", "a whole workbook", file=file) from None
    _walk(stream, file)


def _stream(data: bytes, file: Path) -> bytes:  # noqa: C901 - the format, field by field
    """Return the workbook's stream out of a compound file."""
    sector = 1 << struct.unpack_from("<H", data, 30)[0]
    if sector not in (512, 4096):
        raise ValueError("sectors of an unusual size")
    fat_count, directory, _, cutoff, mini_fat, _, more, more_count = struct.unpack_from("<IIIIIIII", data, 44)
    fat_sectors = list(struct.unpack_from("<109I", data, 76))
    while more < _END and more_count:
        part = struct.unpack_from(f"<{sector // 4}I", data, (more + 1) * sector)
        fat_sectors += part[:-1]
        more, more_count = part[-1], more_count - 1
    fat: list[int] = []
    for number in fat_sectors[:fat_count]:
        if number < _END:
            fat += struct.unpack_from(f"<{sector // 4}I", data, (number + 1) * sector)

    def chain(start: int, links: list[int]) -> list[int]:
        out: list[int] = []
        while start < _END:
            out.append(start)
            if len(out) > len(links):
                raise ValueError("its parts run in a circle")
            start = links[start]
        return out

    def read(start: int) -> bytes:
        return b"".join(data[(k + 1) * sector : (k + 2) * sector] for k in chain(start, fat))

    entries = read(directory)
    root = b""
    for at in range(0, len(entries) - 127, 128):
        length = min(struct.unpack_from("<H", entries, at + 64)[0], 64)
        name = entries[at : at + max(length - 2, 0)].decode("utf-16-le", "replace")
        start, size = struct.unpack_from("<IQ", entries, at + 116)
        size &= 0xFFFFFFFF
        if name == "Root Entry":
            root = read(start) if start < _END else b""
        if name in ("EncryptedPackage", "EncryptionInfo"):
            raise _locked(file)
        if name.lower() in ("workbook", "book"):
            if size >= cutoff:
                return read(start)[:size]
            table = read(mini_fat)
            links = list(struct.unpack(f"<{len(table) // 4}I", table[: len(table) // 4 * 4]))
            return b"".join(root[k * 64 : (k + 1) * 64] for k in chain(start, links))[:size]
    raise ValueError("no workbook in it")


def _walk(stream: bytes, file: Path) -> None:  # noqa: C901 - one line a record
    """Count the rectangles of all sheets and the texts that their cells name."""
    cells = text = rows = columns = 0
    lengths: list[int] = []
    shared: list[bytes] = []
    kind = at = 0
    unpack = struct.Struct("<HH").unpack_from
    while at + 4 <= len(stream):
        last = kind
        kind, size = unpack(stream, at)
        body = at + 4
        at = body + size
        if kind in _PLACED and size >= 4:
            row, column = unpack(stream, body)
            if kind in _RUNS:
                column = (
                    unpack(stream, at - 4)[1] if size < 6 else int.from_bytes(stream[at - 2 : at], "little")
                )
            rows, columns = max(rows, row + 1), max(columns, column + 1)
            if kind == _LABEL_SHARED and size >= 10:
                index = int.from_bytes(stream[body + 6 : body + 10], "little")
                text += lengths[index] if index < len(lengths) else 0
                _refuse(cells + rows * columns, text, file)
            elif size > 256:
                text += size
        elif kind == _SST:
            shared = [stream[body:at]]
        elif kind == _CONTINUE and last in (_SST, _CONTINUE) and shared:
            shared.append(stream[body:at])
            kind = _CONTINUE
        elif kind == _BEGIN:
            if shared:
                lengths, shared = _text_lengths(shared), []
            cells += rows * columns
            rows = columns = 0
        elif kind == _LOCKED:
            raise _locked(file)
        _refuse(cells + rows * columns, text, file)


def _locked(file: Path) -> BadInput:
    return BadInput("the workbook is locked with a password", "an open workbook", file=file)


def _refuse(cells: int, text: int, file: Path) -> None:
    if cells > MOST_CELLS:
        raise BadInput(f"sheets of {cells} cells", f"{MOST_CELLS} at most; export them as CSV", file=file)
    if text > MOST_TEXT:
        raise BadInput(
            f"cells with more than {MOST_TEXT >> 20} MB of text", "a workbook of readings", file=file
        )


def _text_lengths(parts: list[bytes]) -> list[int]:
    """Return the bytes of each shared text; a text may go on in the next part, which then begins with a flag."""
    out: list[int] = []
    part, at = 0, 8
    try:
        while part < len(parts):
            data = parts[part]
            if at >= len(data):
                part, at = part + 1, at - len(data)
                continue
            letters, flags = int.from_bytes(data[at : at + 2], "little"), data[at + 2]
            at += 3
            tail = 0
            if flags & 8:
                tail += 4 * int.from_bytes(data[at : at + 2], "little")
                at += 2
            if flags & 4:
                tail += int.from_bytes(data[at : at + 4], "little")
                at += 4
            out.append(2 * letters)
            wide = 1 + (flags & 1)
            while letters:
                here = min(letters, (len(parts[part]) - at) // wide)
                letters, at = letters - here, at + here * wide
                if letters:
                    part, at = part + 1, 1
                    wide = 1 + (parts[part][0] & 1)
            at += tail
    except IndexError:
        # cut off or twisted: what follows counts as long as the format allows
        out.append(65536)
    return out
