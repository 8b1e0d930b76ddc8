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
from bmslogs.store import Store
from bmslogs.store.order.changes import NOTHING_WRITTEN, ChangedMeanwhile, day_and_time, touched

VERDICTS = {"accept": "Accepted", "note": "Noted", "set_aside": "Set aside", "take_back": "Taken back"}
_LOCK = threading.Lock()


@dataclass(frozen=True)
class Note:
    """One judgement of one finding.

    Attributes
    ----------
    cause, cells, sensor
        Which finding.
    verdict
        ``accept``, ``note``, ``set_aside`` or ``take_back``.
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


def noted_logs(root: Path, pack: str) -> set[str]:
    """Return the ids of the logs of a pack whose findings were judged, from the names of files alone."""
    return {p.stem for p in (Path(root) / "_notes" / pack).glob("*.json") if not p.name.startswith("_")}


def latest(notes: Sequence[Note], finding: Finding) -> Note | None:
    """Return the last word on a finding."""
    return next((n for n in reversed(notes) if n.belongs_to(finding)), None)


def add_note(
    root: Path,
    pack: str,
    log: str,
    finding: Finding,
    verdict: str,
    name: str,
    reason: str,
    *,
    seen: int | None = None,
) -> Note:
    """Keep a judgement.

    Parameters
    ----------
    seen
        How many judgements of this finding its author saw; None asks for no check.

    Raises
    ------
    BadInput
        Unknown verdict, no name, or no reason.
    ChangedMeanwhile
        Somebody else has judged it since.
    """
    name, reason = printable(name.strip(), 80), printable(reason.strip(), 1000)
    if verdict not in VERDICTS:
        raise BadInput(f"verdict {verdict!r}", "one of: " + ", ".join(VERDICTS))
    if not name:
        raise BadInput("no name", "the name of whoever judges")
    if not reason:
        raise BadInput("no reason", "a reason, one line")
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    note = Note(finding.cause, finding.cells, finding.sensor, verdict, name, reason, now)
    with _LOCK, Store(root).locked():
        before = read_notes(root, pack, log)
        others = [n for n in before if n.belongs_to(finding)]
        if seen is not None and len(others) > seen:
            last = others[-1]
            did = f"{VERDICTS[last.verdict].lower()} by {last.name} on {day_and_time(last.when)}"
            raise ChangedMeanwhile(f"the finding was {did}, after you opened it; {NOTHING_WRITTEN}")
        _write(
            _file(root, pack, log),
            json.dumps([asdict(n) for n in [*before, note]], ensure_ascii=False, indent=1),
        )
        touched(Path(root))
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
