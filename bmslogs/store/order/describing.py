"""Packs and vehicles: described anew as of a date, renamed, removed where no log is left."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from typing import TYPE_CHECKING

from bmslogs.base.errors import BadPack, StoreError
from bmslogs.base.pack import Pack
from bmslogs.store.entries import LogEntry
from bmslogs.store.files import folder_name, pack_of_log, store_errors, write_atomic
from bmslogs.store.order.bin import FOLDER as BIN
from bmslogs.store.order.changes import Change, known_pack, name_of, now, pack_version, refuse_other, told
from bmslogs.store.order.moving import other_modules
from bmslogs.store.order.plans import Plan, drop_derived, run

if TYPE_CHECKING:
    from bmslogs.store.store import Store


def describe_pack(
    store: Store, pack: Pack, *, since: dt.date | None = None, by: str = "", seen: str | None = None
) -> list[str]:
    """Keep a pack's description and give it to its logs from a day on.

    Parameters
    ----------
    since
        Logs that began on this day (UTC) or later get it too, and are diagnosed anew; earlier ones keep the pack as
        it was described then. No log is written again: what it was given stands beside it (`given.py`).
        None leaves all stored logs as they are.
    seen
        Version of the description that was changed, `pack_version`; empty where a new pack is described.

    Returns
    -------
    list[str]
        Ids of the logs that were given it.

    Raises
    ------
    ChangedMeanwhile
        Somebody else has changed it since.
    BadPack
        It does not fit one of these logs.
    """
    with store.locked():
        old = known_pack(store, pack.id)
        refuse_other(store, (f"pack-{pack.id}",), f"pack {pack.id}", seen, pack_version(old))
        given: list[str] = []
        if since is not None:
            given = _others([e for e in store.logs(pack.id) if e.start.date() >= since], pack)
        what = f"changed ({differences(old, pack)})" if old is not None else "described"
        changes = {f"pack-{pack.id}": Change(what, name_of(by), now(), pack.id, pack.vehicle)}
        run(store, Plan([pack.model_dump_json()], [], changes, given=given))
        return given


def _others(logs: list[LogEntry], pack: Pack) -> list[str]:
    """Return the ids of the logs for which another description holds; logs that share one are asked once.

    Raises
    ------
    BadPack
        The new one does not fit one of these logs.
    """
    known: dict[str, Pack] = {}
    out = []
    for entry in logs:
        own = known.get(entry.description) or pack_of_log(entry.path)
        known[entry.description] = own
        if own != pack:
            _must_fit(entry, own, pack)
            out.append(entry.id)
    return out


def _must_fit(entry: LogEntry, own: Pack, pack: Pack) -> None:
    day = entry.start.date().isoformat()
    if own.cells_in_series != pack.cells_in_series:
        raise BadPack(
            f"the log of {day} has {own.cells_in_series} cells, the description {pack.cells_in_series}",
            "the same number, or a date after that log",
        )
    reason = other_modules(entry, own, pack)
    if reason:
        raise BadPack(f"the log of {day}: {reason}")


def differences(old: Pack, new: Pack) -> str:
    """Return what two descriptions say unlike each other, in a few words."""
    names = [k.replace("_", " ") for k in type(old).model_fields if getattr(old, k) != getattr(new, k)]
    return ", ".join(names) or "nothing"


def vehicle_version(store: Store, vehicle: str) -> str:
    """Return the version of a vehicle: of the descriptions of all packs in it."""
    versions = sorted(f"{p.id} {pack_version(p)}" for p in store.packs() if p.vehicle == vehicle)
    return hashlib.sha256("\n".join(versions).encode()).hexdigest()[:16] if versions else ""


def rename_vehicle(store: Store, vehicle: str, to: str, *, by: str = "", seen: str | None = None) -> int:
    """Give a vehicle another name; return how many logs it has.

    The name stands in the packs' descriptions and in the name of the folder that holds its logs: that folder is renamed
    in one step, and no log or answer is written again, however many there are.

    Raises
    ------
    ChangedMeanwhile
        A pack of it has been changed since it was `seen`.
    StoreError
        No such vehicle, or another one has that name.
    """
    name = to.strip()
    with store.locked():
        packs = [p for p in store.packs() if p.vehicle == vehicle]
        logs = [e for e in store.logs() if e.vehicle == vehicle]
        if not packs and not logs:
            raise StoreError(
                f"no vehicle {vehicle!r} in the store; it may have been renamed by somebody else"
            )
        if packs:
            subjects = [f"pack-{p.id}" for p in packs]
            refuse_other(store, subjects, f"vehicle {vehicle}", seen, vehicle_version(store, vehicle))
        taken = {p.vehicle for p in store.packs()} | {e.vehicle for e in store.logs()}
        if name in taken:
            raise StoreError(f"there is a vehicle {name!r} already; two vehicles need two names")
        renamed = [_renamed(p, name) for p in packs]
        if not packs:
            _renamed(pack_of_log(logs[0].path), name)  # raises where that is no name
        folders = [[folder_name("vehicle", vehicle), folder_name("vehicle", name)]]
        touched = sorted({p.id for p in packs} | {e.pack for e in logs})
        what = f"renamed from {vehicle} to {name}"
        changes = {f"pack-{p.id}": Change(what, name_of(by), now(), p.id, name) for p in renamed}
        run(store, Plan([p.model_dump_json() for p in renamed], [], changes, folders, touched))
        return len(logs)


def _renamed(pack: Pack, vehicle: str) -> Pack:
    try:
        return Pack.model_validate(pack.model_dump() | {"vehicle": vehicle})
    except ValueError:
        raise BadPack(f"vehicle {vehicle[:90]!r}", "a name of 1 to 80 characters") from None


def remove_pack(store: Store, pack_id: str, *, by: str = "", seen: str | None = None) -> Pack:
    """Put the description of a pack without logs into the bin.

    Raises
    ------
    ChangedMeanwhile
        It has been changed since it was `seen`.
    StoreError
        It has logs, or there is no such pack.
    """
    with store.locked():
        pack = store.pack(pack_id)
        refuse_other(store, (f"pack-{pack_id}",), f"pack {pack_id}", seen, pack_version(pack))
        count = len(store.logs(pack_id))
        if count:
            raise StoreError(
                f"pack {pack_id} has {count} log{'s' if count != 1 else ''}; move or remove "
                f"{'them' if count != 1 else 'it'} first"
            )
        kept = {"removed": now(), "by": name_of(by), "pack": pack.model_dump_json()}
        write_atomic(store.root / BIN / "packs" / f"{pack_id}.json", json.dumps(kept, ensure_ascii=False))
        with store_errors(store.root):
            (store.root / "_packs" / f"{pack_id}.json").unlink(missing_ok=True)
        drop_derived(store.root, pack_id)
        told(store, f"pack-{pack_id}", Change("removed", kept["by"], kept["removed"], pack_id, pack.vehicle))
        return pack


def packs_in_bin(store: Store) -> list[tuple[Pack, str, str]]:
    """Return the removed packs: description, when (ISO 8601, UTC), by whom; the last removed first."""
    out = []
    for path in sorted((store.root / BIN / "packs").glob("*.json")):
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            out.append((Pack.model_validate_json(data["pack"]), str(data["removed"]), str(data["by"])))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return sorted(out, key=lambda found: found[1], reverse=True)


def bring_back_pack(store: Store, pack_id: str, *, by: str = "") -> Pack:
    """Keep a removed pack again as it was described.

    Raises
    ------
    StoreError
        It is not in the bin, or one of this id was described since.
    """
    with store.locked():
        pack = next((p for p, _, _ in packs_in_bin(store) if p.id == pack_id), None)
        if pack is None:
            raise StoreError(f"no pack {pack_id!r} in the bin")
        if known_pack(store, pack_id) is not None:
            raise StoreError(f"a pack {pack_id} was described again since; it is in the store already")
        store.save_pack(pack)
        with store_errors(store.root):
            (store.root / BIN / "packs" / f"{pack_id}.json").unlink(missing_ok=True)
        told(store, f"pack-{pack_id}", Change("brought back", name_of(by), now(), pack_id, pack.vehicle))
        return pack
