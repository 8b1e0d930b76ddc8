"""The bin: a removed log lies in it for thirty days and can be brought back; it is emptied after that, not before."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.store.entries import LogEntry, entry_from, moment
from bmslogs.store.files import folder_name, read_metadata, store_errors, sync_folder, write_atomic
from bmslogs.store.given import given_in
from bmslogs.store.order.changes import (
    SAFE,
    Change,
    known_pack,
    last_touched,
    log_version,
    name_of,
    now,
    refuse_other,
    told,
    touched,
)
from bmslogs.store.order.plans import SAID, answer_file, drop_derived, drop_empty
from bmslogs.store.order.relabel import relabelled

if TYPE_CHECKING:
    from bmslogs.store.store import Store

FOLDER = "_bin"
KEPT_DAYS = 30
"""A removed log can be brought back for so long [days] (choice)."""
SURE = dt.timedelta(days=1)
"""Choice: a log goes when its time was found to be over twice, a day apart: one wrong clock empties no bin."""


@dataclass(frozen=True)
class Removed:
    """A log in the bin.

    Attributes
    ----------
    log, pack, vehicle, start, end, rows, source
        As it was in the store; times ISO 8601, UTC.
    removed
        When, ISO 8601, UTC; empty where that cannot be read: such a log is never emptied.
    by
        Who removed it.
    due
        When its time was found to be over, ISO 8601, UTC; empty before.
    """

    log: str
    pack: str
    vehicle: str
    start: str
    end: str
    rows: int
    source: str
    removed: str = ""
    by: str = ""
    due: str = ""

    def until(self) -> dt.datetime | None:
        """Return when it may be emptied."""
        return moment(self.removed) + dt.timedelta(days=KEPT_DAYS) if self.removed else None


def remove_log(store: Store, log_id: str, *, by: str = "", seen: str | None = None) -> Removed:
    """Put a log into the bin, its answers gone, its notes kept for when it comes back.

    Raises
    ------
    ChangedMeanwhile
        It is not the log that was `seen` any more.
    StoreError
        No such log.
    """
    with store.locked():
        entry = held(store, log_id, seen)
        item = _about(entry, by)
        file, note = _places(store.root, log_id)
        write_atomic(note, json.dumps(asdict(item), ensure_ascii=False, indent=1))
        with store_errors(store.root):
            entry.path.replace(file)
            sync_folder(file.parent)
            answer_file(store.root, entry.pack, log_id).unlink(missing_ok=True)
        drop_empty(entry.path.parent)
        drop_derived(store.root, entry.pack)
        store._index.refresh()
        change = Change("removed", item.by, item.removed, entry.pack, entry.vehicle, item.start)
        told(store, f"log-{log_id}", change)
        _empty(store, moment(item.removed))
    return item


def held(store: Store, log_id: str, seen: str | None) -> LogEntry:
    """Return a log that is about to be changed, if it is the one that was seen."""
    entry = next((e for e in store.logs() if e.id == log_id), None)
    if entry is None:
        if seen is not None:
            refuse_other(store, (f"log-{log_id}",), f"log {log_id}", seen, "")
        raise StoreError(f"no log {log_id!r} in the store; `bmslogs logs` lists them")
    subjects = (f"log-{log_id}", f"pack-{entry.pack}")
    refuse_other(store, subjects, f"the log of {_day(entry)}", seen, log_version(entry))
    return entry


def in_bin(store: Store) -> list[Removed]:
    """Return the logs in the bin, the last removed first."""
    found = [_read(path) for path in sorted((store.root / FOLDER).glob("*.parquet"))]
    return sorted(
        (item for item in found if item is not None), key=lambda i: (i.removed, i.log), reverse=True
    )


def bring_back(store: Store, log_id: str, *, by: str = "") -> LogEntry:
    """Put a removed log back where it was, with its notes; it is diagnosed anew by whoever asks.

    Raises
    ------
    StoreError
        It is not in the bin, or a log of this id is in the store again.
    """
    with store.locked():
        file, note = _places(store.root, log_id)
        item = _read(file) if file.exists() else None
        if item is None:
            raise StoreError(f"no log {log_id!r} in the bin; `bmslogs bin` lists what is in it")
        if any(e.id == log_id for e in store.logs()):
            raise StoreError(
                f"log {log_id} was brought in again since it was removed; it is in the store already"
            )
        meta = read_metadata(file)
        given = given_in(store.root, folder_name("pack", item.pack)).pack(log_id)
        own = given or Pack.model_validate_json(meta["bmslogs.pack_json"])
        pack = known_pack(store, item.pack)
        if pack is None:
            pack = own.model_copy(update={"vehicle": item.vehicle or own.vehicle})
            store.save_pack(pack)
        path = file
        if pack.vehicle != own.vehicle:  # the vehicle was renamed meanwhile
            own = own.model_copy(update={"vehicle": pack.vehicle})
            changed = {"bmslogs.vehicle": pack.vehicle, "bmslogs.pack_json": own.model_dump_json()}
            path = relabelled(store, file, changed)
        target = store.folder_of(own) / f"{log_id}.parquet"
        with store_errors(store.root):
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
            sync_folder(target.parent)
            file.unlink(missing_ok=True)
            note.unlink(missing_ok=True)
        drop_derived(store.root, own.id)
        store._index.refresh()
        change = Change("brought back", name_of(by), now(), own.id, own.vehicle, item.start)
        told(store, f"log-{log_id}", change)
        return store.entry(log_id)


def empty_bin(store: Store, at: dt.datetime | None = None) -> list[Removed]:
    """Delete what has been in the bin for longer than `KEPT_DAYS`; return it.

    It is marked when that is found first and goes a day later at the soonest, if it still holds then.

    Parameters
    ----------
    at
        The moment to count to, UTC; None for now.
    """
    if not in_bin(store):
        return []
    with store.locked():
        return _empty(store, at or dt.datetime.now(dt.UTC))


def _empty(store: Store, at: dt.datetime) -> list[Removed]:
    gone = []
    for item in in_bin(store):
        until = item.until()
        file, note = _places(store.root, item.log)
        if until is None or not _surely(store.root, item, until, at):
            continue
        back = any(e.id == item.log for e in store.logs())
        with store_errors(store.root):
            file.unlink(missing_ok=True)
            note.unlink(missing_ok=True)
            for folder in SAID if not back else ():
                (store.root / folder / item.pack / f"{item.log}.json").unlink(missing_ok=True)
        if not back:
            what = f"emptied from the bin, {KEPT_DAYS} days after it was removed"
            told(
                store,
                f"log-{item.log}",
                Change(what, item.by, item.removed, item.pack, item.vehicle, item.start),
            )
        gone.append(item)
    return gone


def _surely(root: Path, item: Removed, until: dt.datetime, at: dt.datetime) -> bool:
    """Return whether a log's time is over and was so a day ago; a first finding is written down, a wrong one undone.

    A change that was made since by an earlier clock shows that the finding was one of a wrong clock. Where the log was
    removed before it ends, that clock was wrong: its days count from the first finding.
    """
    wait = SURE if moment(item.removed) >= moment(item.end) else dt.timedelta(days=KEPT_DAYS)
    over = until < at
    seen = item.due if over else ""
    last = last_touched(root)
    if seen and moment(seen) <= at and (not last or moment(last) >= moment(seen)):
        return at - moment(seen) >= wait
    due = at.isoformat() if over else ""
    if due != item.due:
        text = json.dumps(asdict(replace(item, due=due)), ensure_ascii=False, indent=1)
        write_atomic(_places(root, item.log)[1], text)
        touched(root, due or at.isoformat())
    return False


def _about(entry: LogEntry, by: str) -> Removed:
    start, end = (t.isoformat() for t in (entry.start, entry.end))
    return Removed(
        entry.id, entry.pack, entry.vehicle, start, end, entry.rows, entry.source, now(), name_of(by)
    )


def _read(file: Path) -> Removed | None:
    """Return what is known of a file in the bin: its note, or else what the log says of itself."""
    try:
        item = Removed(**json.loads(file.with_suffix(".json").read_text(encoding="utf-8")))
        item.until()
        return item
    except (OSError, ValueError, TypeError):
        pass
    try:
        return replace(_about(entry_from(file, read_metadata(file)), ""), removed="")
    except (StoreError, KeyError, ValueError):
        return None


def _places(root: Path, log_id: str) -> tuple[Path, Path]:
    if not SAFE.fullmatch(log_id):
        raise StoreError(f"{log_id[:80]!r} is no id of a log")
    return root / FOLDER / f"{log_id}.parquet", root / FOLDER / f"{log_id}.json"


def _day(entry: LogEntry) -> str:
    return f"{entry.start.day} {entry.start:%b %Y, %H:%M} UTC"
