"""Notes of people: on a log, on a moment in it, on a cell of a pack."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import BadInput, StoreError, printable
from bmslogs.store.files import write_atomic
from bmslogs.store.order.changes import (
    NOTHING_WRITTEN,
    SAFE,
    ChangedMeanwhile,
    day_and_time,
    name_of,
    now,
    touched,
)

if TYPE_CHECKING:
    from bmslogs.store.store import Store

FOLDER = "_remarks"
OF_PACK = "_pack"
"""Name of the file with the notes that belong to no log."""
MOST_CHARACTERS = 2000


@dataclass(frozen=True)
class Remark:
    """One note.

    Attributes
    ----------
    id
        Eight hex digits.
    text
        What was noted.
    by, when
        Who wrote or changed it last (empty where nobody said), and when, ISO 8601, UTC.
    at
        Moment in the log, ISO 8601, UTC; empty for the whole log.
    cell
        The cell that it is about, counted from 1; 0 for none.
    version
        Counts the changes, from 1.
    out
        Whether it was taken out; it can be put back.
    """

    id: str
    text: str
    by: str
    when: str
    at: str = ""
    cell: int = 0
    version: int = 1
    out: bool = False


def remarks(store: Store, pack: str, log: str = "", *, out: bool = False) -> list[Remark]:
    """Return the notes on a log, or those on the cells of a pack, oldest first.

    Parameters
    ----------
    log
        Empty for the notes that belong to no log.
    out
        Whether those that were taken out are among them.

    Raises
    ------
    StoreError
        They cannot be read.
    """
    path = _file(store.root, pack, log)
    try:
        found = [Remark(**row) for row in json.loads(path.read_text(encoding="utf-8"))]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError) as error:
        raise StoreError(f"{path.name}: the notes cannot be read ({printable(str(error), 100)})") from None
    return [r for r in found if out or not r.out]


def noted(store: Store, pack: str) -> set[str]:
    """Return the ids of the logs of a pack that have notes, from the names of files alone."""
    return {p.stem for p in (store.root / FOLDER / pack).glob("*.json") if not p.name.startswith("_")}


def add_remark(
    store: Store,
    pack: str,
    text: str,
    *,
    log: str = "",
    at: dt.datetime | None = None,
    cell: int = 0,
    by: str = "",
) -> Remark:
    """Note something on a log, on a moment in it (`at`), or on a cell of the pack.

    Raises
    ------
    BadInput
        No text, a moment outside the log, or no such cell.
    StoreError
        No such log or pack.
    """
    with store.locked():
        described = store.pack(pack)
        said = _said(text)
        if cell and not 1 <= cell <= described.cells_in_series:
            raise BadInput(f"cell {cell}", f"a cell from 1 to {described.cells_in_series}")
        if at is not None:
            _within(store, log, at)
        elif log and store.entry(log).pack != pack:
            raise StoreError(f"log {log} is none of pack {pack}")
        moment = at.astimezone(dt.UTC).isoformat() if at is not None else ""
        note = Remark(secrets.token_hex(4), said, name_of(by), now(), moment, cell)
        _write(store, pack, log, [*remarks(store, pack, log, out=True), note])
        return note


def change_remark(
    store: Store, pack: str, log: str, note: str, text: str, *, by: str = "", seen: int | None = None
) -> Remark:
    """Write a note anew.

    Parameters
    ----------
    seen
        Version that was read before.

    Raises
    ------
    ChangedMeanwhile
        Somebody else has changed it or taken it out since.
    BadInput
        No text.
    """
    said = _said(text)
    return _put(store, pack, log, note, seen, by, {"text": said, "out": False})


def take_out(
    store: Store, pack: str, log: str, note: str, *, by: str = "", seen: int | None = None
) -> Remark:
    """Take a note out; `put_back` undoes it."""
    return _put(store, pack, log, note, seen, by, {"out": True})


def put_back(
    store: Store, pack: str, log: str, note: str, *, by: str = "", seen: int | None = None
) -> Remark:
    """Put back a note that was taken out."""
    return _put(store, pack, log, note, seen, by, {"out": False})


def _put(
    store: Store, pack: str, log: str, note: str, seen: int | None, by: str, changes: dict[str, object]
) -> Remark:
    with store.locked():
        every = remarks(store, pack, log, out=True)
        old = next((r for r in every if r.id == note), None)
        if old is None:
            raise StoreError(f"no note {note!r} here")
        if seen is not None and seen != old.version:
            did = "taken out" if old.out else "changed"
            raise ChangedMeanwhile(
                f"the note was {did} by {old.by or 'somebody'} on {day_and_time(old.when)}, after you opened it; "
                f"{NOTHING_WRITTEN}"
            )
        new = replace(old, **changes, by=name_of(by) or old.by, when=now(), version=old.version + 1)  # type: ignore[arg-type]
        _write(store, pack, log, [new if r.id == note else r for r in every])
        return new


def _said(text: str) -> str:
    plain = text.strip()
    if not plain:
        raise BadInput("no text", "what is to be noted")
    if len(plain) > MOST_CHARACTERS:
        raise BadInput(f"a note of {len(plain)} characters", f"{MOST_CHARACTERS} at most")
    return "\n".join(printable(line) for line in plain.splitlines())


def _within(store: Store, log: str, at: dt.datetime) -> None:
    if not log:
        raise BadInput("a moment without a log", "the log that it lies in")
    entry = store.entry(log)
    if not entry.start <= at <= entry.end:
        first, last = day_and_time(entry.start.isoformat()), day_and_time(entry.end.isoformat())
        raise BadInput(f"a note at {day_and_time(at.isoformat())}", f"a moment of the log, {first} to {last}")


def _write(store: Store, pack: str, log: str, every: list[Remark]) -> None:
    write_atomic(
        _file(store.root, pack, log), json.dumps([asdict(r) for r in every], ensure_ascii=False, indent=1)
    )
    touched(store.root)


def _file(root: Path, pack: str, log: str) -> Path:
    if not SAFE.fullmatch(pack) or (log and not SAFE.fullmatch(log)):
        raise StoreError("no such log or pack")
    return root / FOLDER / pack / f"{log or OF_PACK}.json"
