"""The index of a store: a cache of what the Parquet files say of themselves, never the truth."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from bmslogs.base.errors import StoreError
from bmslogs.store.entries import LogEntry, entry_from
from bmslogs.store.files import NewerStore, read_metadata, refuse_newer, write_atomic
from bmslogs.store.given import FOLDER as GIVEN
from bmslogs.store.given import description_id, given_in

_KEPT = (
    "schema",
    "version",
    "pack",
    "vehicle",
    "start",
    "end",
    "rows",
    "source",
    "source_sha256",
    "content_sha256",
    "mapping",
    "source_bytes",
    "repairs",
    "moved_from",
)


def _place(path: Path) -> str:
    """Return where a log lies in its store: vehicle, pack and file."""
    return "/".join(path.parts[-3:])


def _name(place: str) -> str:
    """Return the part of a place that stays when a vehicle is renamed: pack and file."""
    return place.split("/", 1)[-1]


def _folders(folder: str | Path, prefix: str) -> Iterator[str]:
    """Yield the paths of the folders in a folder whose names begin so."""
    try:
        with os.scandir(folder) as found:
            for entry in found:
                if entry.name.startswith(prefix) and entry.is_dir():
                    yield entry.path
    except OSError:
        return


def _logs(folder: str) -> list[tuple[str, list[int]]]:
    """Return the paths of the logs in a pack's folder, with size and time of change [ns]."""
    out = []
    try:
        with os.scandir(folder) as found:
            for entry in found:
                if entry.name.endswith(".parquet") and not entry.name.startswith(("_", ".")):
                    state = entry.stat()
                    out.append((entry.path, [state.st_size, state.st_mtime_ns]))
    except OSError:
        return out
    return out


def _changed(folder: str) -> int:
    """Return when a folder was changed last [ns]; -1 where it is gone."""
    try:
        return Path(folder).stat().st_mtime_ns
    except OSError:
        return -1


SETTLED_NS = 2_000_000_000
"""Choice: a folder whose time of change is less than this ago [ns] may change again without another time."""


PAUSE_S = 0.1
"""Choice: a page that asks for its logs a hundred times asks the folders once in this time [s]."""


class Index:
    """Entries of the logs in a store, read again where a file changed.

    Parameters
    ----------
    root
        Folder of the store.
    patience_s
        So long [s] a folder that has not changed answers for the files in it. Whoever writes into the store moves whole
        files into place, which changes the folder; what is written into a file by other means is seen after this time.
    """

    def __init__(self, root: Path, patience_s: float = 0.0) -> None:
        self.root = root
        self.patience_s = patience_s
        self.version = 0
        """Another number whenever the entries are others."""
        self._out: list[LogEntry] = []
        self._looked = -float("inf")
        """When the files were found to be as held, by the monotonic clock [s]."""
        self._asked = -float("inf")
        """When the folders were found to be as they were, by the same clock."""
        self._settled = False
        self._folders: tuple[tuple[str, ...], dict[str, int]] = ((), {})
        self.path = root / "_index.json"
        self.unreadable: list[str] = []
        self._entries: dict[str, tuple[list[int], LogEntry]] = {}
        """By place: size and time of change of a file, and its entry, as this process read them last."""
        self._by_id: dict[str, tuple[list[int], LogEntry]] = {}

    def files(self) -> list[Path]:
        """Return the log files, found by their place alone."""
        return [path for path, _ in self._listed()]

    def _listed(self) -> list[tuple[Path, list[int]]]:
        """Return the log files with size and time of change [ns].

        A folder is listed by the system's own call: matching and comparing paths takes seconds for thousands of logs.
        """
        began = time.time_ns()
        vehicles = sorted(_folders(self.root, "vehicle="))
        stamps: dict[str, int] = {}
        found: list[tuple[str, list[int]]] = []
        for vehicle in vehicles:
            stamps[vehicle] = _changed(vehicle)
            for pack in _folders(vehicle, "pack="):
                stamps[pack] = _changed(pack)
                found += _logs(pack)
        self._looked = -float("inf")
        described = str(self.root / GIVEN)
        stamps[described] = _changed(described)
        self._folders = (tuple(vehicles), stamps)
        self._settled = all(changed < began - SETTLED_NS for changed in stamps.values())
        found.sort()
        return [(Path(path), stamp) for path, stamp in found]

    def _undisturbed(self) -> bool:
        """Return whether no folder has changed since the files were looked at, not too long ago."""
        now = time.monotonic()
        if now - self._looked >= self.patience_s:
            return False
        if now - self._asked < PAUSE_S:
            return True
        vehicles, stamps = self._folders
        if tuple(sorted(_folders(self.root, "vehicle="))) != vehicles:
            return False
        same = all(_changed(folder) == changed for folder, changed in stamps.items())
        self._asked = now if same else -float("inf")
        return same

    def look_again(self) -> None:
        """Have the files looked at again by whoever asks next."""
        self._looked = self._asked = -float("inf")

    def entries(self) -> list[LogEntry]:
        """Return the entry of every readable log.

        Raises
        ------
        NewerStore
            One of them was written by a newer version of this program.
        """
        held = self._held()
        if held is not None:
            return held
        known = self._load()
        of_name = {_name(key): record for key, record in known.items()}
        out, fresh, changed = [], {}, False
        entries: dict[str, tuple[list[int], LogEntry]] = {}
        given: dict[str, Mapping[str, str]] = {}
        self.unreadable = []
        for path, stamp in self._listed():
            key = _place(path)
            try:
                record = known.get(key) or of_name.get(_name(key))  # else in a vehicle that was renamed
                if not isinstance(record, dict) or record.get("stamp") != stamp or "described" not in record:
                    meta = read_metadata(path)
                    record = {"stamp": stamp, "meta": {k: meta.get(f"bmslogs.{k}", "") for k in _KEPT}}
                    record["described"] = description_id(meta.get("bmslogs.pack_json", ""))
                    changed = True
                else:
                    refuse_newer(str(record["meta"].get("schema", "")), path.name)
                entry = entry_from(path, {f"bmslogs.{k}": v for k, v in record["meta"].items()})
                folder = path.parent.name
                if folder not in given:
                    given[folder] = given_in(self.root, folder).logs
                holds = given[folder].get(entry.id, str(record["described"]))
                entry = replace(entry, description=holds)
                out.append(entry)
                fresh[key] = record
                entries[key] = (stamp, entry)
            except NewerStore:
                raise
            except (StoreError, OSError, KeyError, ValueError, TypeError) as error:
                self.unreadable.append(f"{key}: {' '.join(str(error).split())[:200]}")
        if changed or set(fresh) != set(known):
            self._save(fresh)
        self._entries = {} if self.unreadable else entries
        by_id: dict[str, tuple[list[int], LogEntry]] = {}
        for held_entry in self._entries.values():
            by_id.setdefault(held_entry[1].id, held_entry)
        self._by_id = by_id
        self._out = out
        self.version += 1
        return list(out)

    def _held(self) -> list[LogEntry] | None:
        """Return what this process read last, if no file has come, gone or changed since."""
        held = self._entries
        if not held:
            return None
        if self._undisturbed():
            return list(self._out)
        described = self._folders[1].get(str(self.root / GIVEN))
        listed = self._listed()
        if len(listed) != len(held) or self._folders[1][str(self.root / GIVEN)] != described:
            return None
        for path, stamp in listed:
            if held.get(_place(path), (None, None))[0] != stamp:
                return None
        self._looked = time.monotonic() if self._settled else -float("inf")
        return list(self._out)

    def entry(self, log_id: str) -> LogEntry | None:
        """Return the entry of one log as this process read it last, if its file is the same; it looks at no other."""
        stamp, entry = self._by_id.get(log_id, (None, None))
        if entry is None:
            return None
        try:
            state = entry.path.stat()
        except OSError:
            return None
        if self._folders[1].get(str(self.root / GIVEN)) != _changed(str(self.root / GIVEN)):
            return None
        return entry if stamp == [state.st_size, state.st_mtime_ns] else None

    def refresh(self) -> None:
        """Bring the index up to the files."""
        self.look_again()
        self.entries()

    def rebuild(self) -> None:
        """Forget what was known and read every file again."""
        self._entries, self._by_id = {}, {}
        self.path.unlink(missing_ok=True)
        self.entries()

    def _load(self) -> dict[str, Any]:
        try:
            data = json.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return data if isinstance(data, dict) else {}

    def _save(self, records: dict[str, Any]) -> None:
        try:
            write_atomic(self.path, json.dumps(records))
        except StoreError:
            # a store that cannot be written can still be read
            return
