"""What people said of findings: accepted, noted or set aside, by whom and why; kept in the store."""

from __future__ import annotations

import datetime as dt
import json
import os
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from bmslogs.base.errors import BadInput, StoreError, printable
from bmslogs.base.results import Finding

VERDICTS = {"accept": "Accepted", "note": "Noted", "set_aside": "Set aside"}
_LOCK = threading.Lock()


@dataclass(frozen=True)
class Note:
    """One judgement of one finding.

    Attributes
    ----------
    cause, cells, sensor
        Which finding.
    verdict
        ``accept``, ``note`` or ``set_aside``.
    name, reason
        Who says so, and why.
    when
        ISO 8601, UTC.
    """

    cause: str
    cells: tuple[int, ...]
    sensor: str | None
    verdict: str
    name: str
    reason: str
    when: str

    def belongs_to(self, finding: Finding) -> bool:
        """Return whether the note is about this finding."""
        return (self.cause, self.cells, self.sensor) == (finding.cause, finding.cells, finding.sensor)


def read_notes(root: Path, pack: str, log: str) -> list[Note]:
    """Return the notes on one log's findings, oldest first."""
    path = _file(root, pack, log)
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))
        return [Note(**{**row, "cells": tuple(row["cells"])}) for row in rows]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise StoreError(f"{path.name}: the notes cannot be read ({printable(str(error), 100)})") from None


def latest(notes: Sequence[Note], finding: Finding) -> Note | None:
    """Return the last word on a finding."""
    return next((n for n in reversed(notes) if n.belongs_to(finding)), None)


def add_note(root: Path, pack: str, log: str, finding: Finding, verdict: str, name: str, reason: str) -> Note:
    """Keep a judgement.

    Raises
    ------
    BadInput
        Unknown verdict, no name, or no reason.
    """
    name, reason = printable(name.strip(), 80), printable(reason.strip(), 1000)
    if verdict not in VERDICTS:
        raise BadInput(f"verdict {verdict!r}", "accept, note or set_aside")
    if not name:
        raise BadInput("no name", "the name of whoever judges")
    if not reason:
        raise BadInput("no reason", "a reason, one line")
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    note = Note(finding.cause, finding.cells, finding.sensor, verdict, name, reason, now)
    with _LOCK:
        notes = [*read_notes(root, pack, log), note]
        _write(_file(root, pack, log), json.dumps([asdict(n) for n in notes], ensure_ascii=False, indent=1))
    return note


def _file(root: Path, pack: str, log: str) -> Path:
    return Path(root) / "_notes" / pack / f"{log}.json"


def _write(path: Path, text: str) -> None:
    """Write beside and rename, so that a stop in between leaves the old notes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix="_new-")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    Path(name).replace(path)
