"""Workbooks of strangers, looked through before they are opened: whatever they would unpack to is counted first.

A reader of spreadsheets lays a sheet out as a rectangle from its first filled cell to its last and copies a shared text
into each cell that names it, so a file of a few bytes can ask for all memory there is. Nothing here follows a reference
out of the file.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.ods_guard import guard_content
from bmslogs.importers.recordings.old_workbook_guard import guard_old
from bmslogs.importers.recordings.workbook_count import Count

MOST_PARTS = 5000
"""Choice: files in the archive that a workbook is."""
_PIECE = 4 << 20
_LONGEST_TAG = 64 << 10
_SHEET = re.compile(r"xl/(worksheets|chartsheets|dialogsheets|macrosheets)/[^/]*\.xml", re.I)


def guard(path: Path, file: Path) -> int:
    """Refuse a workbook that would fill the memory or names things outside itself.

    Parameters
    ----------
    path, file
        Where it lies, and its name for messages.

    Returns
    -------
    unworked
        Cells with a formula whose value does not stand in the file; of an .xlsx alone.

    Raises
    ------
    BadInput
        One line.
    """
    with path.open("rb") as handle:
        packed = handle.read(2) == b"PK"
    if not packed:
        guard_old(path, file)
        return 0
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
        return _guard_parts(path, infos, file)
    except (zipfile.BadZipFile, NotImplementedError, zlib.error, EOFError, OSError, ValueError) as error:
        raise BadInput(f"the workbook is broken ({error})", "a whole workbook", file=file) from None


def _guard_parts(path: Path, infos: list[zipfile.ZipInfo], file: Path) -> int:
    if len(infos) > MOST_PARTS:
        raise BadInput(f"a workbook of {len(infos)} parts", f"{MOST_PARTS} at most", file=file)
    names = {i.filename for i in infos}
    if "xl/workbook.bin" in names:
        raise BadInput("is a binary workbook (.xlsb)", "an .xlsx, .xls or .ods; save it as one", file=file)
    if any(i.flag_bits & 1 for i in infos) or "EncryptedPackage" in names:
        raise BadInput("the workbook is locked with a password", "an open workbook", file=file)
    size = path.stat().st_size
    count = Count(file)
    with path.open("rb") as handle:
        for info in infos:
            name = info.filename.lower()
            if not name.endswith((".xml", ".rels")):
                continue
            pieces = count.unpacked(_inflated(handle, info), size)
            if name == "content.xml":
                guard_content(pieces, count)
            elif name == "xl/sharedstrings.xml":
                count.shared_texts(_whole_tags(pieces, file))
            elif _SHEET.fullmatch(name):
                count.sheet(_whole_tags(pieces, file, b"<row "))
            else:
                for _ in pieces:
                    pass
    count.close()
    return count.unworked


def _inflated(handle: IO[bytes], info: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield what a part unpacks to, however long the archive says it is."""
    handle.seek(info.header_offset)
    head = handle.read(30)
    if head[:4] != b"PK\x03\x04":
        raise zipfile.BadZipFile("a part is not where the archive says")
    handle.seek(int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little"), 1)
    left = info.compress_size
    if info.compress_type == zipfile.ZIP_STORED:
        while left > 0 and (piece := handle.read(min(_PIECE, left))):
            left -= len(piece)
            yield piece
        return
    if info.compress_type != zipfile.ZIP_DEFLATED:
        raise zipfile.BadZipFile("a part is packed in an unusual way")
    inflate = zlib.decompressobj(-15)
    data = b""
    while not inflate.eof:
        if not data:
            data = handle.read(min(1 << 20, left))
            left -= len(data)
            if not data:
                return
        piece = inflate.decompress(data, _PIECE)
        data = inflate.unconsumed_tail
        if piece:
            yield piece


def _whole_tags(pieces: Iterator[bytes], file: Path, tag: bytes = b"<") -> Iterator[bytes]:
    """Yield pieces that begin at a tag and end before one, of a kind where there is one."""
    carry = b""
    for piece in pieces:
        data = carry + piece
        cut = data.rfind(tag)
        if cut <= 0:
            cut = data.rfind(b"<")
        if cut <= 0:
            if len(data) > _PIECE + _LONGEST_TAG:
                raise BadInput("a text without end in a cell", "a workbook of readings", file=file)
            carry = data
            continue
        yield data[:cut]
        carry = data[cut:]
    if carry:
        yield carry
