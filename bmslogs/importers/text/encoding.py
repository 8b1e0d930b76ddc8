"""Text encodings: which one a log uses, and its pieces turned into UTF-8."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from pathlib import Path

from bmslogs.base.errors import BadInput

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_LOST = re.compile(rb"\0{8,}")
"""What a file system leaves where a write was lost, and behind the last row of a file made long beforehand."""


def find_encoding(head: bytes, file: Path) -> str:
    """Return the encoding of a log from its first bytes: a UTF one, or ``cp1252`` for the old single-byte ones.

    Raises
    ------
    BadInput
        Not text.
    """
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name
    filled = _LOST.sub(b"", head)
    if not filled:
        raise BadInput("is not text (nothing but bytes of nought)", "a CSV file", file=file)
    head = filled
    if head.count(0) > len(head) // 50:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        half = max(len(head) // 2, 1)
        if odd > 0.3 * half and even < 0.05 * half:
            return "utf-16-le"
        if even > 0.3 * half and odd < 0.05 * half:
            return "utf-16-be"
        raise BadInput("is not text (bytes of nought in it)", "a CSV file", file=file)
    odd_bytes = sum(head.count(b) for b in range(32) if b not in (0, 9, 10, 11, 12, 13, 26, 27))
    if odd_bytes > len(head) // 50:
        raise BadInput("is not text (control characters in it)", "a CSV file", file=file)
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=False)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def to_text(data: bytes, encoding: str) -> str:
    """Decode bytes that may end within a character; what does not decode is read as cp1252 or marked."""
    if encoding == "utf-8":
        data = data.removeprefix(codecs.BOM_UTF8)
        try:
            return codecs.getincrementaldecoder("utf-8")().decode(data, final=False)
        except UnicodeDecodeError:
            return data.decode("cp1252", errors="replace")
    if encoding == "cp1252":
        return data.decode("cp1252", errors="replace")
    return codecs.getincrementaldecoder(encoding)("replace").decode(data, final=False).removeprefix("\ufeff")


def to_utf8(pieces: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    """Turn pieces of wide encodings into UTF-8 pieces without a byte order mark; others pass."""
    if encoding in ("utf-8", "cp1252"):
        first = True
        for piece in pieces:
            yield piece.removeprefix(codecs.BOM_UTF8) if first else piece
            first = False
        return
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    first = True
    for piece in pieces:
        text = decoder.decode(piece)
        yield (text.removeprefix("\ufeff") if first else text).encode()
        first = False
    yield decoder.decode(b"", final=True).encode()


def block_to_utf8(block: bytes) -> bytes:
    """Return a block of lines as valid UTF-8: lines that are not are read as cp1252 (mixed encodings)."""
    if block.isascii():
        return block
    try:
        block.decode("utf-8")
        return block
    except UnicodeDecodeError:
        pass
    lines = block.split(b"\n")
    for i, line in enumerate(lines):
        if not line.isascii():
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                lines[i] = line.decode("cp1252", errors="replace").encode()
    return b"\n".join(lines)
