"""The formats of a bus recording: which one a file is by its content, and the reader of each."""

from __future__ import annotations

import re

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.blf import open_blf
from bmslogs.importers.can.frames import Recording
from bmslogs.importers.can.text_frames import open_text
from bmslogs.importers.can.trc import open_trc
from bmslogs.importers.text.source import Source

HEAD = 64 << 10


def recognised(source: Source, head: bytes) -> str | None:
    """Return the format of a recording, None where it is none; by content, not by name."""
    if head.startswith(b"LOGG"):
        return "BLF"
    if head.startswith((b"MDF  ", b"UnFinMF")):
        return "MF4"
    text = head[:HEAD].lstrip(b"\xef\xbb\xbf")
    lines = [x for x in text.split(b"\n")[:200] if x.strip()]
    if not lines:
        return None
    if (
        _CANDUMP.match(lines[0])
        and sum(bool(_CANDUMP.match(x)) for x in lines[:20]) >= min(len(lines), 20) * 0.7
    ):
        return "candump"
    if re.match(rb"\s*;\s*\$FILEVERSION\s*=", lines[0]) or (
        re.match(rb"\s*;\s*-{10,}", lines[0]) and _trc(lines)
    ):
        return "TRC"
    if any(re.match(rb"\s*base\s+(hex|dec)\b", x, re.IGNORECASE) for x in lines[:10]):
        return "ASC"
    return None


def _trc(lines: list[bytes]) -> bool:
    return any(re.match(rb"\s*\d+\)\s+\d+\.\d", x) for x in lines[:60])


_CANDUMP = re.compile(
    rb"\s*(?:\((?:\d+\.\d+|\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+)\)\s+)?[A-Za-z][\w.-]*\s+(?:(?:RX|TX)\s+[-BE ]+\s+)?"
    rb"[0-9A-Fa-f]{3,8}(?:##?[0-9A-FR]|\s+\[\d+\])"
)


def open_recording(source: Source, kind: str) -> Recording:
    """Return the reader of a recording.

    Raises
    ------
    BadInput
        It is damaged from the start, or its reader is not installed.
    """
    if kind in ("candump", "ASC"):
        return open_text(source, kind)
    if kind == "BLF":
        return open_blf(source)
    if kind == "TRC":
        return open_trc(source)
    raise BadInput(f"no reader of {kind}", "a recording of a bus", file=source.path)
