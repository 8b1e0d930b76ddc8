"""Logs whose file grew: which stored log a file begins with, and what that was named by."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from bmslogs.store.entries import MOVED_FROM, LogEntry
from bmslogs.store.files import read_metadata

FIRST = ("bmslogs.first_sha256", "bmslogs.first_start")
"""What a log was named by when it was stored first, before its file grew."""
_READ = 1 << 20


def first_names(entry: LogEntry) -> dict[str, str]:
    """Return what a stored log was named by when it was stored first."""
    meta = read_metadata(entry.path)
    return {
        FIRST[0]: meta.get(FIRST[0], meta["bmslogs.source_sha256"]),
        FIRST[1]: meta.get(FIRST[1], meta["bmslogs.start"]),
    }


def handed_on(entry: LogEntry) -> dict[str, str]:
    """Return what the longer log that takes a stored one's place has from it: its first names, where it lay before."""
    moved = {MOVED_FROM: json.dumps(entry.moved_from)} if entry.moved_from else {}
    return first_names(entry) | moved


def beginning_of(path: Path, size: int, entries: Iterable[LogEntry], mapping: str) -> LogEntry | None:
    """Return the longest stored log with whose bytes a file begins, or which it is; None where there is none.

    Parameters
    ----------
    path, size
        A plain file, and how many of its bytes count.
    entries
        The pack's logs.
    mapping
        Logs that were read with another one are others.
    """
    able: dict[int, list[LogEntry]] = {}
    for entry in entries:
        if entry.mapping == mapping and 0 < entry.source_bytes <= size and entry.sha256:
            able.setdefault(entry.source_bytes, []).append(entry)
    found: LogEntry | None = None
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        at = 0
        for end in sorted(able):
            while at < end and (piece := handle.read(min(_READ, end - at))):
                digest.update(piece)
                at += len(piece)
            found = next((e for e in able[end] if e.sha256 == digest.hexdigest()), found)
    return found
