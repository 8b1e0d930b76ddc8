"""A log that was brought in under the wrong pack is moved to the right one."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.store.beginnings import first_names
from bmslogs.store.entries import MOVED_FROM, LogEntry, content_key, log_id, moment
from bmslogs.store.files import pack_of_log
from bmslogs.store.order.bin import held, in_bin
from bmslogs.store.order.changes import SAFE, Change, last_change, name_of, now
from bmslogs.store.order.plans import Plan, run, step_for
from bmslogs.store.order.relabel import labels

if TYPE_CHECKING:
    from bmslogs.store.store import Store


@dataclass(frozen=True)
class Gone:
    """Why an id is no log of the store any more.

    Attributes
    ----------
    change
        What became of it.
    in_bin
        Whether it can be brought back.
    """

    change: Change
    in_bin: bool

    @property
    def to(self) -> str:
        """Id that it has now where it was moved, else empty."""
        return self.change.to


def gone(store: Store, log: str) -> Gone | None:
    """Return what became of a log that is not in the store; None where nothing is known of it."""
    if not SAFE.fullmatch(log) or any(e.id == log for e in store.logs()):
        return None
    item = next((i for i in in_bin(store) if i.log == log), None)
    change = last_change(store, f"log-{log}")
    if item is not None and (change is None or change.what != "removed"):  # stopped before it could be told
        change = Change("removed", item.by, item.removed or now(), item.pack, item.vehicle, item.start)
    if change is None or not (change.to or change.what == "removed" or change.what.startswith("emptied")):
        return None
    return Gone(change, item is not None)


def move_log(store: Store, log: str, to: str, *, by: str = "", seen: str | None = None) -> LogEntry:
    """Move a log to another pack; its notes go with it, its diagnosis is made anew for that pack.

    Parameters
    ----------
    to
        Id of the pack that was logged in truth.

    Returns
    -------
    LogEntry
        The log as it is now, under another id.

    Raises
    ------
    ChangedMeanwhile
        It is not the log that was `seen` any more.
    StoreError
        One line: the pack has another number of cells, or that log already.
    """
    with store.locked():
        entry = held(store, log, seen)
        pack = store.pack(to)
        reason = why_not(store, entry, pack)
        if reason:
            raise StoreError(reason)
        new = _id_in(entry, pack)
        lain = tuple(dict.fromkeys((*entry.moved_from, entry.pack)))
        wanted = {**labels(pack), MOVED_FROM: json.dumps(lain)}
        step = step_for(store, entry.path, new, pack, wanted, keep_answer=False)
        when, name = now(), name_of(by)
        moved = Change(f"moved to {pack.vehicle} ({pack.id})", name, when, entry.pack, entry.vehicle,
                       entry.start.isoformat(), new)  # fmt: skip
        here = Change(f"moved here from {entry.vehicle} ({entry.pack})", name, when, pack.id, pack.vehicle,
                      entry.start.isoformat())  # fmt: skip
        run(store, Plan([pack.model_dump_json()], [step], {f"log-{log}": moved, f"log-{new}": here}))
        return store.entry(new)


def why_not(store: Store, entry: LogEntry, pack: Pack) -> str:
    """Return why a log cannot be moved to a pack, one line; empty where it can."""
    if entry.pack == pack.id:
        return f"the log lies in pack {pack.id} already"
    own = pack_of_log(entry.path)
    if own.cells_in_series != pack.cells_in_series:
        return (
            f"the log was taken of a pack of {own.cells_in_series} cells and {pack.vehicle} ({pack.id}) has "
            f"{pack.cells_in_series}: it was not moved"
        )
    reason = other_modules(entry, own, pack)
    if reason:
        return reason
    new = _id_in(entry, pack)
    for other in store.logs(pack.id):
        if other.id == new or (entry.sha256 and other.sha256 == entry.sha256):
            return f"{pack.vehicle} ({pack.id}) has this log already, as {other.id}: it was not moved"
    return ""


def other_modules(entry: LogEntry, own: Pack, pack: Pack) -> str:
    """Return why a log of some modules only does not fit a pack's description; empty where it fits."""
    try:
        only = json.loads(entry.mapping or "{}").get("modules") or ()
    except (ValueError, AttributeError):
        only = ()
    mine, theirs = ({m.name: m.cells for m in p.modules} for p in (own, pack))
    wrong = next((name for name in only if mine.get(name) != theirs.get(name)), None)
    if wrong is None:
        return ""
    return f"the log was taken of module {wrong}, which {pack.id} does not have with the same cells"


def _id_in(entry: LogEntry, pack: Pack) -> str:
    """Return the id of a log as one of another pack: from what named it first, where its file has grown since."""
    sha256, start = first_names(entry).values()
    return log_id(moment(start), content_key(sha256, pack.id, entry.mapping))
