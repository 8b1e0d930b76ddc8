"""The store of normalised logs: one Parquet file a log, found again from the files alone."""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import Profile
from bmslogs.store.entries import CheckReport, ImportReport, LogEntry
from bmslogs.store.files import (
    folder_name,
    forget_given,
    pack_of_log,
    renamed_in,
    store_errors,
    sync_file,
    sync_folder,
    write_atomic,
)  # fmt: skip
from bmslogs.store.index import Index

LOCK_SECONDS = 60.0
"""Choice: as long as a commit waits for another process; a commit takes milliseconds."""
UNFINISHED = "_unfinished"
"""Folder of what several files change together, as it was planned; see `bmslogs.store.order.plans`."""
Progress = Callable[[str], None]


class Store:
    """A folder of logs.

    Parameters
    ----------
    root
        The folder; made by the first import.
    patience_s
        For whoever asks often: so long [s] a folder that has not changed answers for the files in it.

    Notes
    -----
    Everything that is no log lies under names that begin with ``_``, which Parquet readers skip.
    """

    def __init__(self, root: str | Path, patience_s: float = 0.0) -> None:
        self.root = Path(root)
        self._index = Index(self.root, patience_s)
        self._sorted: tuple[int, dict[str | None, list[LogEntry]]] = (-1, {})
        """Version of the index, and the logs in order of time by pack (None: all)."""
        self._read: dict[str, tuple[tuple[int, int], Pack]] = {}
        """Descriptions of packs by file, with its size and time of change."""
        self._told: dict[Path, tuple[LogEntry, Pack]] = {}
        """Packs that only a log tells of."""
        self._begun: dict[str, Pack] = {}
        """Packs that were described like this when an import of theirs began, by id."""

    # --- logs ---------------------------------------------------------------------------------------------------

    def logs(self, pack_id: str | None = None) -> list[LogEntry]:
        """Return the logs, oldest first, of one pack or of all."""
        return list(self._by_pack().get(pack_id, ()))

    def _by_pack(self) -> dict[str | None, list[LogEntry]]:
        entries = self._index.entries()
        version, held = self._sorted
        if version != self._index.version:
            version, held = self._index.version, {None: sorted(entries, key=lambda e: (e.start, e.id))}
            for entry in held[None]:
                held.setdefault(entry.pack, []).append(entry)
            self._sorted = (version, held)
        return held

    def entry(self, log_id: str) -> LogEntry:
        """Return one log's entry.

        Raises
        ------
        StoreError
            No such log.
        """
        held = self._index.entry(log_id)
        if held is not None:
            return held
        for entry in self._index.entries():
            if entry.id == log_id:
                return entry
        raise StoreError(f"no log {log_id!r} in the store; `bmslogs logs` lists them")

    def log_path(self, log_id: str) -> Path:
        """Return the Parquet file of a log."""
        return self.entry(log_id).path

    def import_files(
        self,
        files: Iterable[str | Path],
        pack: Pack,
        profile: Profile | None = None,
        *,
        together: bool = False,
        modules: Iterable[str] | None = None,
        strict: bool = False,
        progress: Progress | None = None,
        signals: str | Path | None = None,
        read: Callable[[int, int], None] | None = None,
    ) -> ImportReport:
        """Bring loggers' files into the store.

        Parameters
        ----------
        files
            Each is one log; with `together` they are parts of one.
        pack
            The pack that was logged.
        profile
            What the headers do not say.
        modules
            Names of the modules that were logged, where the pack was split.
        strict
            Refuse a log that needs any repair.
        progress
            Called with the name of what comes next.
        signals
            Database of the signals in CAN recordings; None takes that which is kept with the pack.
        read
            Called with the bytes of a file that were read and those of all of it, again where it is read again; what
            it raises ends the import, and the store is as it was.

        Returns
        -------
        ImportReport
            A file that is refused leaves the others and the store as they were.
        """
        from bmslogs.store.bringing import bring_in

        if any(known == pack for known in self.packs()):
            self._begun[pack.id] = pack
        else:
            self._begun.pop(pack.id, None)
        return bring_in(
            self,
            [Path(f) for f in files],
            pack,
            profile or Profile(),
            together=together,
            modules=tuple(modules) if modules else None,
            strict=strict,
            progress=progress,
            signals=Path(signals) if signals is not None else None,
            read=read,
        )

    def look_again(self) -> None:
        """Have the files looked at again by whoever asks next, however patient the store is."""
        self._index.look_again()

    def remove(self, log_id: str, *, by: str = "", seen: str | None = None) -> None:
        """Put a log into the bin, where it can be brought back from for thirty days; what was said of it goes.

        Parameters
        ----------
        by
            Who removes it.
        seen
            Version of the log that was seen, `order.log_version`; None asks for no check.

        Raises
        ------
        StoreError
            No such log.
        """
        from bmslogs.store.order import remove_log

        remove_log(self, log_id, by=by, seen=seen)

    def _remove(self, entry: LogEntry) -> None:
        with store_errors(self.root):
            entry.path.unlink(missing_ok=True)
            self._answer_path(entry).unlink(missing_ok=True)

    def check(self) -> CheckReport:
        """Verify every log, bring older schemas up, and rebuild the index from the files alone."""
        from bmslogs.store.checking import verify_store

        return verify_store(self)

    # --- committing ---------------------------------------------------------------------------------------------

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the lock that every change of the store holds, whatever was left unfinished being finished first.

        Raises
        ------
        StoreError
            Another process holds it for too long, or the folder cannot be written.
        """
        with store_errors(self.root):
            self.root.mkdir(parents=True, exist_ok=True)
        lock = FileLock(self.root / "_lock", timeout=LOCK_SECONDS)
        try:
            lock.acquire()
        except Timeout:
            raise StoreError(
                f"{self.root}: another process holds the store for more than {LOCK_SECONDS:g} s"
            ) from None
        except OSError as error:
            raise StoreError(f"{self.root}: cannot be written ({error.strerror or error})") from None
        try:
            if any((self.root / UNFINISHED).glob("*.json")):
                from bmslogs.store.order.plans import finish

                finish(self)
            yield
        finally:
            lock.release()

    def incoming(self) -> Path:
        """Return the path of a new temporary file, in the store's own file system."""
        folder = self.root / "_incoming"
        with store_errors(self.root):
            folder.mkdir(parents=True, exist_ok=True)
        return folder / f"{os.getpid()}-{secrets.token_hex(6)}.parquet"

    def folder_of(self, pack: Pack) -> Path:
        """Return the folder of a pack's logs."""
        return self.root / folder_name("vehicle", pack.vehicle) / folder_name("pack", pack.id)

    def commit(self, temporary: Path, log_id: str, pack: Pack, replaced: Iterable[LogEntry] = ()) -> Path:
        """Move a finished file to its place, whole or not at all; what it replaces goes after it is there."""
        target = self.folder_of(pack) / f"{log_id}.parquet"
        with store_errors(self.root):
            sync_file(temporary)
            target.parent.mkdir(parents=True, exist_ok=True)
            temporary.replace(target)
            sync_folder(target.parent)
        forget_given(self.root, target.parent.name, log_id)
        for entry in replaced:
            if entry.path != target:
                self._remove(entry)
            else:
                self._answer_path(entry).unlink(missing_ok=True)
        if not self._described_since(pack):
            self.save_pack(pack)
        self._index.refresh()
        return target

    def _described_since(self, pack: Pack) -> bool:
        """Return whether somebody has described a pack anew while a log of it was read."""
        path = self.root / "_packs" / f"{pack.id}.json"
        return self._begun.get(pack.id) == pack and path.exists() and _read_pack(path) != pack

    # --- packs --------------------------------------------------------------------------------------------------

    def packs(self) -> list[Pack]:
        """Return the packs that the store knows, by id."""
        found: dict[str, Pack] = {}
        for name in sorted(_json_in(self.root / "_packs")):
            pack = self._described(name)
            found[pack.id] = pack
        for pack_id, logs in self._by_pack().items():
            if pack_id is not None and pack_id not in found:
                found[pack_id] = self._pack_of_log(min(logs, key=lambda e: str(e.path)))
        return [found[k] for k in sorted(found)]

    def _described(self, name: str) -> Pack:
        """Return the description in a file; it is read again where that has changed."""
        path = self.root / "_packs" / name
        with store_errors(path):
            state = path.stat()
        stamp = (state.st_size, state.st_mtime_ns)
        held = self._read.get(name)
        if held is None or held[0] != stamp:
            held = (stamp, _read_pack(path))
            self._read[name] = held
        return held[1]

    def pack(self, pack_id: str) -> Pack:
        """Return one pack.

        Raises
        ------
        StoreError
            The store knows no such pack.
        """
        for pack in self.packs():
            if pack.id == pack_id:
                return pack
        raise StoreError(f"no pack {pack_id!r} in the store")

    def save_pack(self, pack: Pack) -> None:
        """Keep a pack as its pack file describes it now."""
        path = self.root / "_packs" / f"{pack.id}.json"
        text = pack.model_dump_json(indent=1)
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            write_atomic(path, text)

    def signals_of(self, pack: Pack) -> Path | None:
        """Return the signal database that is kept with a pack, None where none is."""
        from bmslogs.store.signals import KeptSignals

        return KeptSignals(self, pack, None).kept()

    def _pack_of_log(self, entry: LogEntry) -> Pack:
        held = self._told.get(entry.path)
        if held is None or held[0] is not entry:
            held = (entry, pack_of_log(entry.path))
            self._told[entry.path] = held
        return held[1]

    # --- answers ------------------------------------------------------------------------------------------------

    def save_answer(self, diagnosis: dict[str, Any], log_id: str) -> None:
        """Keep the diagnosis of a log (its JSON object)."""
        from bmslogs.base.version import __version__

        entry = self.entry(log_id)
        text = json.dumps(
            {"version": __version__, "method": diagnosis.get("method", ""), "answer": diagnosis}
        )
        write_atomic(self._answer_path(entry), text)

    def answer(self, log_id: str, method: str | None = None) -> dict[str, Any] | None:
        """Return the diagnosis that was kept for a log; None where there is none or it was made otherwise.

        Parameters
        ----------
        log_id
            The log.
        method
            Version of the method that would be used now; None accepts that of this program's version.
        """
        from bmslogs.base.version import __version__

        entry = self.entry(log_id)
        path = self._answer_path(entry)
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            answer = kept["answer"]
            same = kept["version"] == __version__ and (method is None or kept["method"] == method)
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return renamed_in(answer, entry.vehicle) if same and isinstance(answer, dict) else None

    def has_answer(self, entry: LogEntry) -> bool:
        """Return whether a diagnosis was kept for a log, however it was made."""
        return self._answer_path(entry).exists()

    def _answer_path(self, entry: LogEntry) -> Path:
        return (
            self.root
            / "_answers"
            / folder_name("pack", entry.pack).removeprefix("pack=")
            / f"{entry.id}.json"
        )


def _json_in(folder: Path) -> list[str]:
    """Return the names of the JSON files in a folder that are no temporary ones."""
    try:
        return [p.name for p in folder.iterdir() if p.suffix == ".json" and not p.name.startswith("_")]
    except OSError:
        return []


def _read_pack(path: Path) -> Pack:
    try:
        return Pack.model_validate_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        line = " ".join(str(error).split())[:200]
        raise StoreError(f"{path.name}: not a pack ({line})") from None
