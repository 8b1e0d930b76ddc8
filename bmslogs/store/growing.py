"""A log that takes its place again as its file grows: the same id, its notes kept, only what was added parsed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import IO

from bmslogs.base.columns import SCHEMA
from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.version import __version__
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.plan.profile_text import profile_toml
from bmslogs.importers.reading.growing import CannotGrow, GrowingFile, Grown
from bmslogs.importers.reading.stream import metadata
from bmslogs.importers.recognise.look import Job, look_at
from bmslogs.importers.text.source import open_source
from bmslogs.store.beginnings import beginning_of, handed_on
from bmslogs.store.entries import (
    Imported,
    LogEntry,
    RepairEntry,
    content_key,
    log_id,
    mapping_key,
    moment,
    seal,
)
from bmslogs.store.files import store_errors
from bmslogs.store.pack_notes import pack_notes, refuse_unit, thinned_reading
from bmslogs.store.store import Store
from bmslogs.store.taken_out import TAKEN_OUT, WasRemoved, refuse_taken_out

_READ = 1 << 20
"""Choice [bytes]: as much is copied at once."""


class WasDescribed(Exception):
    """Somebody described the pack anew, or renamed its vehicle, since the file was begun."""


class WasReplaced(Exception):
    """The file no longer begins with the bytes that were read: it shrank, or another took its name."""


class GrowingLog:
    """One file that grows, and its log in the store.

    Parameters
    ----------
    folder
        Of its own, for a copy of the whole lines that were read: what is read again cannot change meanwhile.
    """

    def __init__(
        self,
        store: Store,
        path: Path,
        pack: Pack,
        profile: Profile,
        modules: tuple[str, ...] | None,
        folder: Path,
    ) -> None:
        self.path = path
        self.log_id: str | None = None
        self.parsed = 0
        self._store, self._pack, self._profile, self._modules = store, pack, profile, modules
        self._mapping = mapping_key(profile.canonical(), modules)
        self._copy = folder / path.name
        self._copy.write_bytes(b"")
        self._file = GrowingFile(self._copy, pack, folder)
        self._size = self._stored = 0
        self._asked = False
        self._agreed = described(store, pack.id) == pack

    def read(self, whole: bool = False) -> Imported | None:
        """Take in what was added; return the log as it is stored now, None where no line was added.

        Parameters
        ----------
        whole
            Whether the file is finished, so that a last line without a line end is a line.

        Raises
        ------
        BadInput
            The file as it is now is refused.
        CannotGrow
            It must be imported as a whole.
        WasDescribed, WasRemoved, WasReplaced
            See there.
        """
        if not self._take(whole):
            return None
        if not self._asked:
            self._asked = True
            begun = beginning_of(self._copy, self._size, self._store.logs(self._pack.id), self._mapping)
            self.log_id = begun.id if begun is not None else None
            if begun is None:
                refuse_taken_out(self._store, self._copy, self._pack, self._mapping, self._size)
            if begun is not None and begun.source_bytes == self._size and begun.version == __version__:
                self._stored = self._size
                return _imported(begun, self.path, "known")
        if open_source(self._copy).kind != "plain":
            raise CannotGrow
        job = look_at(self._copy, self._profile, self._pack, self._modules)
        if job.plan.problems:
            raise min(job.plan.problems, key=lambda p: isinstance(p, Ambiguous))
        grown = self._file.read(job.source, job.plan, job.corrections, job.never, job.regular)
        self.parsed = grown.parsed
        return self._store_it(grown, job)

    def close(self) -> None:
        """Remove what was kept beside the store."""
        self._file.close()
        self._copy.unlink(missing_ok=True)

    def _take(self, whole: bool) -> bool:
        """Copy the whole lines that were added; return whether there are any that are not stored."""
        try:
            with self.path.open("rb") as theirs, self._copy.open("rb+") as ours:
                self._same(theirs, ours)
                theirs.seek(self._size)
                ours.seek(self._size)
                while piece := theirs.read(_READ):
                    ours.write(piece)
                end = ours.tell()
                if not whole:
                    end = max(_last_line_end(ours, self._size, end), self._size)
                    ours.truncate(end)
                self._size = end
        except FileNotFoundError:
            raise WasReplaced from None
        except OSError as error:
            raise BadInput(f"cannot be read ({error})", "a readable log file", file=self.path) from None
        return self._size > self._stored

    def _same(self, theirs: IO[bytes], ours: IO[bytes]) -> None:
        """Compare the beginning and the end of what was read."""
        for at in {0, max(self._size - 4096, 0)}:
            pieces = []
            for handle in (theirs, ours):
                handle.seek(at)
                pieces.append(handle.read(min(4096, self._size - at)))
            if pieces[0] != pieces[1]:
                raise WasReplaced

    def _store_it(self, grown: Grown, job: Job) -> Imported:
        reading, store, pack = grown.reading, self._store, self._pack
        thinned = thinned_reading(reading)
        refuse_unit(self._profile, thinned, pack, self.path)
        said = pack_notes(store, pack, thinned, reading.sha256)
        if said:
            reading.plan = replace(reading.plan, notes=(*reading.plan.notes, *said))
        meta = metadata(reading, job.source, pack, profile_toml(reading.plan), __version__, SCHEMA)
        meta |= {"bmslogs.refresh_s": json.dumps(job.refresh), "bmslogs.mapping": self._mapping}
        temporary = store.incoming()
        try:
            with store.locked():
                if self._agreed and described(store, pack.id) not in (pack, None):
                    raise WasDescribed
                old = self._held()
                new_id = self._named(old, meta, reading.sha256)
                meta["bmslogs.seal"] = seal(meta)
                with store_errors(store.root):
                    grown.table.write(temporary, grown.last, grown.sign, meta)
                store.commit(temporary, new_id, pack, [old] if old is not None else [])
        finally:
            temporary.unlink(missing_ok=True)
        status = "grown" if old is not None else "new"
        self.log_id, self._stored, self._agreed = new_id, self._size, True
        return _imported(store.entry(new_id), self.path, status, reading.notes)

    def _held(self) -> LogEntry | None:
        """Return the log whose place is taken."""
        if self.log_id is None:
            return None
        for entry in self._store.logs(self._pack.id):
            if entry.id == self.log_id:
                return entry
        raise WasRemoved(TAKEN_OUT)

    def _named(self, old: LogEntry | None, meta: dict[str, str], sha256: str) -> str:
        if old is not None:
            meta |= handed_on(old)
            return old.id
        return log_id(moment(meta["bmslogs.start"]), content_key(sha256, self._pack.id, self._mapping))


def described(store: Store, pack_id: str) -> Pack | None:
    """Return a pack as the store describes it now, None where it does not."""
    return next((p for p in store.packs() if p.id == pack_id), None)


def _last_line_end(handle: IO[bytes], start: int, end: int) -> int:
    """Return the place behind the last line end between two places, 0 where there is none."""
    while end > start:
        first = max(start, end - _READ)
        handle.seek(first)
        cut: int = handle.read(end - first).rfind(b"\n")
        if cut >= 0:
            return first + cut + 1
        end = first
    return 0


def _imported(entry: LogEntry, path: Path, status: str, notes: tuple[str, ...] = ()) -> Imported:
    repairs = tuple(RepairEntry(r) for r in entry.repairs)
    return Imported(entry.id, str(path), entry.rows, entry.start, entry.end, status, repairs, notes)
