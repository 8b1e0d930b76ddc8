"""Who changed what, and when: what a second author is told instead of overwriting the first."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import StoreError, printable
from bmslogs.base.pack import Pack
from bmslogs.store.entries import LogEntry
from bmslogs.store.files import write_atomic

if TYPE_CHECKING:
    from bmslogs.store.store import Store

FOLDER = "_changes"
NOTHING_WRITTEN = "nothing of yours was written. Look at it and try again"
LAST = "_last.json"
"""The newest change of all: its stamp tells others that something is new."""
SAFE = re.compile(r"[A-Za-z0-9_-]{1,100}")


class ChangedMeanwhile(StoreError):
    """Somebody else was first; the text says who, when and what, and nothing was written."""


@dataclass(frozen=True)
class Change:
    """The newest change of a log, pack or note.

    Attributes
    ----------
    what
        In the past tense, without the name: ``removed``, ``moved to pack plover-main``.
    by
        Who, as typed; empty where nobody said.
    when
        ISO 8601, UTC.
    pack, vehicle, start, to
        Whose log it is or was, when that began (ISO 8601, UTC), and the id that it has now where it was moved.
    """

    what: str
    by: str
    when: str
    pack: str = ""
    vehicle: str = ""
    start: str = ""
    to: str = ""

    def __str__(self) -> str:
        return f"{self.what} by {self.by or 'somebody'} on {day_and_time(self.when)}"


def now() -> str:
    """Return this moment, ISO 8601, UTC, to the microsecond."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")


def day_and_time(moment: str) -> str:
    """Return an ISO stamp as people write it: ``3 May 2026, 09:10 UTC``."""
    when = dt.datetime.fromisoformat(moment).astimezone(dt.UTC)
    return f"{when.day} {when:%b %Y, %H:%M} UTC"


def name_of(by: str) -> str:
    """Return a typed name as one short line."""
    return printable(by.strip(), 80)


def told(store: Store, subject: str, change: Change) -> None:
    """Keep a change as the newest of its subject (``log-..``, ``pack-..``) and of the store."""
    all_told(store, {subject: change})


def all_told(store: Store, changes: Mapping[str, Change]) -> None:
    """Keep several changes, by subject."""
    for subject, change in changes.items():
        write_atomic(_file(store.root, subject), json.dumps(asdict(change), ensure_ascii=False, indent=1))
    touched(store.root)


def touched(root: Path, when: str = "") -> None:
    """Tell whoever looks at the store that something in it has changed, now where no moment is given."""
    write_atomic(root / FOLDER / LAST, json.dumps({"when": when or now()}))


def last_touched(root: Path) -> str:
    """Return when something in the store was changed last, by the clock of then; empty where nothing was."""
    try:
        return str(json.loads((root / FOLDER / LAST).read_text(encoding="utf-8"))["when"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def last_change(store: Store, subject: str) -> Change | None:
    """Return the newest change of a subject; None where none is known."""
    try:
        return Change(**json.loads(_file(store.root, subject).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def state_of(root: Path) -> str:
    """Return a text that is another one after every change of order; one stat, whatever the store's size."""
    try:
        return f"{(root / FOLDER / LAST).stat().st_mtime_ns:x}"
    except OSError:
        return "0"


def log_version(entry: LogEntry) -> str:
    """Return the version of a stored log: another one when its file was written again or it was described anew."""
    try:
        state = entry.path.stat()
    except OSError:
        return ""
    return f"{state.st_size:x}-{state.st_mtime_ns:x}-{entry.description}"


def known_pack(store: Store, pack_id: str) -> Pack | None:
    """Return a pack by its id, None where the store has none."""
    return next((p for p in store.packs() if p.id == pack_id), None)


def pack_version(pack: Pack | None) -> str:
    """Return the version of a pack's description: a hash of it; empty where there is none."""
    return hashlib.sha256(pack.model_dump_json().encode()).hexdigest()[:16] if pack is not None else ""


def refuse_other(store: Store, subjects: Sequence[str], name: str, seen: str | None, current: str) -> None:
    """Refuse where what is there is not what its author saw.

    Parameters
    ----------
    subjects, name
        Whose changes may have changed it (a log's own, and its pack's), and how people call it.
    seen
        The version that was seen; None asks for no check.

    Raises
    ------
    ChangedMeanwhile
        One line: what was changed, by whom, when.
    """
    if seen is None or seen == current:
        return
    changes = [change for s in subjects if (change := last_change(store, s)) is not None]
    said = str(max(changes, key=lambda c: c.when)) if changes else "changed by somebody else"
    raise ChangedMeanwhile(f"{name} was {said}, after you opened it; {NOTHING_WRITTEN}")


def _file(root: Path, subject: str) -> Path:
    if not SAFE.fullmatch(subject):
        raise StoreError(f"{printable(subject, 80)!r} is no name of a log or pack")
    return root / FOLDER / f"{subject}.json"
