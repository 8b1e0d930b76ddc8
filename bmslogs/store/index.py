"""The index of a store: a cache of what the Parquet files say of themselves, never the truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from bmslogs.base.errors import StoreError
from bmslogs.store.entries import LogEntry, entry_from
from bmslogs.store.files import NewerStore, read_metadata, refuse_newer, write_atomic

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
)


def _place(path: Path) -> str:
    """Return where a log lies in its store: vehicle, pack and file."""
    return "/".join(path.parts[-3:])


def _name(place: str) -> str:
    """Return the part of a place that stays when a vehicle is renamed: pack and file."""
    return place.split("/", 1)[-1]


class Index:
    """Entries of the logs in a store, read again where a file changed."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.path = root / "_index.json"
        self.unreadable: list[str] = []
        self._entries: dict[str, tuple[list[int], LogEntry]] = {}
        """By place: size and time of change of a file, and its entry, as this process read them last."""
        self._by_id: dict[str, tuple[list[int], LogEntry]] = {}

    def files(self) -> list[Path]:
        """Return the log files, found by their place alone."""
        found = (p for p in self.root.glob("vehicle=*/pack=*/*.parquet") if not p.name.startswith(("_", ".")))
        return sorted(found, key=str)  # comparing paths part by part takes seconds for thousands of logs

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
        self.unreadable = []
        for path in self.files():
            key = _place(path)
            try:
                state = path.stat()
                stamp = [state.st_size, state.st_mtime_ns]
                record = known.get(key) or of_name.get(_name(key))  # else in a vehicle that was renamed
                if not isinstance(record, dict) or record.get("stamp") != stamp:
                    meta = read_metadata(path)
                    record = {"stamp": stamp, "meta": {k: meta.get(f"bmslogs.{k}", "") for k in _KEPT}}
                    changed = True
                else:
                    refuse_newer(str(record["meta"].get("schema", "")), path.name)
                entry = entry_from(path, {f"bmslogs.{k}": v for k, v in record["meta"].items()})
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
        return out

    def _held(self) -> list[LogEntry] | None:
        """Return what this process read last, if no file has come, gone or changed since."""
        held = self._entries
        if not held:
            return None
        out = []
        for path in self.files():
            key = _place(path)
            stamp, entry = held.get(key, (None, None))
            try:
                state = path.stat()
            except OSError:
                return None
            if entry is None or stamp != [state.st_size, state.st_mtime_ns]:
                return None
            out.append(entry)
        return out if len(out) == len(held) else None

    def entry(self, log_id: str) -> LogEntry | None:
        """Return the entry of one log as this process read it last, if its file is the same; it looks at no other."""
        stamp, entry = self._by_id.get(log_id, (None, None))
        if entry is None:
            return None
        try:
            state = entry.path.stat()
        except OSError:
            return None
        return entry if stamp == [state.st_size, state.st_mtime_ns] else None

    def refresh(self) -> None:
        """Bring the index up to the files."""
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
