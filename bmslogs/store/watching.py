"""A folder whose files come in by themselves: what is new, what grows, what waits, what is refused once."""

from __future__ import annotations

import contextlib
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from bmslogs.base.errors import BadInput, BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.reading.growing import CannotGrow
from bmslogs.store.entries import Imported, mapping_key
from bmslogs.store.growing import GrowingLog, WasDescribed, WasReplaced, described
from bmslogs.store.leftovers import sweep
from bmslogs.store.store import Store
from bmslogs.store.taken_out import WasRemoved, refuse_taken_out

SETTLED_S = 2.0
"""Choice [s]: a file that does not change for so long is whole, where it can only be read whole."""
FINISHED_S = 10.0
"""Choice [s]: so long after its last change a refused file is named, and a last line without a line end is a line."""
EVERY_S = 2.0
"""Choice [s]: usual time between two looks."""
REST = 10.0
"""Choice: the watch rests as many times longer than it worked, so that it takes a tenth of a core at most."""
TRIED_AGAIN = 1.25
"""Choice: a refused file that grows is tried again once it is longer by a quarter; all tries cost a few reads."""
PARTIAL = (".part", ".partial", ".tmp", ".crdownload", ".download")
"""Endings of files that a program is still writing (common practice, no source)."""

What = Literal["new", "grown", "known", "refused", "replaced", "removed", "no folder"]


@dataclass(frozen=True)
class Event:
    """One thing that happened in the folder.

    Attributes
    ----------
    what
        ``new``, ``grown``, ``known``: of a log; ``refused``: with the reason; ``replaced``: the file is another now;
        ``removed``: its log was taken out of the store; ``no folder``.
    says
        One line where there is no log.
    """

    what: What
    file: str
    says: str = ""
    log: Imported | None = None


@dataclass
class _File:
    """What is known of one file."""

    path: Path
    stamp: tuple[int, int] = (-1, -1)
    since: float = 0.0
    growing: GrowingLog | None = None
    whole: bool = False
    finished: bool = False
    tried: int = 0
    reason: str = ""
    told: bool = False
    left: bool = False
    place: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def forget(self) -> None:
        """Drop what was kept for reading on."""
        if self.growing is not None:
            self.growing.close()
        self.place.close()
        self.growing = None


class Watch:
    """One folder, watched for one pack.

    Parameters
    ----------
    folder
        Its files, not those of folders in it; names that begin with a dot or ``_`` and half-written copies are passed.
    pack, profile, modules
        As for an import.
    profile_of
        Gives the profile of each file, where they are of several loggers.
    """

    def __init__(
        self,
        store: Store,
        folder: Path,
        pack: Pack,
        profile: Profile | None = None,
        modules: tuple[str, ...] | None = None,
        profile_of: Callable[[Path], Profile] | None = None,
    ) -> None:
        self.store, self.folder, self.pack = store, Path(folder), pack
        self._profile_of = profile_of
        self._profile, self._modules = profile or Profile(), modules
        self._files: dict[str, _File] = {}
        self._gone = False
        self._agreed = False
        sweep(store.root)

    def look(self, now: float | None = None, last: bool = False) -> list[Event]:
        """Look once; return what happened.

        Parameters
        ----------
        now
            Clock [s]; the program's own where None.
        last
            Whether files are taken as finished: nobody will look again.
        """
        now = time.monotonic() if now is None else now
        found = self._found()
        if found is None:
            first, self._gone = not self._gone, True
            return (
                [Event("no folder", str(self.folder), "is not there; it is looked for again")]
                if first
                else []
            )
        self._gone = False
        self._follow()
        for name in set(self._files) - {p.name for p in found}:
            self._files.pop(name).forget()
        events: list[Event] = []
        for path in found:
            one = self._files.setdefault(path.name, _File(path, since=now))
            try:
                events += self._look_at(one, now, last)
            except OSError:
                continue  # gone, or held by the program that writes it: the next look sees
        return events

    def _follow(self) -> None:
        """Take over what somebody changed of the pack since the store and the watch described it alike."""
        now = described(self.store, self.pack.id)
        if now == self.pack:
            self._agreed = True
        elif self._agreed and now is not None:
            self.pack = now
            for one in self._files.values():
                one.forget()

    def close(self) -> None:
        """Remove what was kept beside the store."""
        for one in self._files.values():
            one.forget()
        self._files = {}

    def _found(self) -> list[Path] | None:
        try:
            names = sorted(self.folder.iterdir())
        except OSError:
            return None
        return [
            p
            for p in names
            if not p.name.startswith((".", "_", "~")) and p.suffix.lower() not in PARTIAL and p.is_file()
        ]

    def _look_at(self, one: _File, now: float, last: bool) -> Iterator[Event]:
        state = one.path.stat()
        stamp = (state.st_size, state.st_mtime_ns)
        changed = stamp != one.stamp
        if changed:
            one.stamp, one.since, one.finished = stamp, now, False
        if one.left or not state.st_size:
            return
        still = now - one.since
        over = last or still >= FINISHED_S
        if one.whole:
            if not one.finished and (last or still >= SETTLED_S):
                yield from self._import(one)
                one.finished = True
        elif (changed and self._worth_trying(one)) or (over and not one.finished):
            yield from self._read_on(one, over)
            one.finished = over and not one.whole
            if one.whole and last:
                yield from self._import(one)
                one.finished = True
        if one.reason and over and not one.told:
            one.told = True
            yield Event("refused", str(one.path), one.reason)

    def _profile_for(self, path: Path) -> Profile:
        return self._profile if self._profile_of is None else self._profile_of(path)

    def _worth_trying(self, one: _File) -> bool:
        return not one.reason or one.stamp[0] >= TRIED_AGAIN * one.tried

    def _read_on(self, one: _File, over: bool) -> Iterator[Event]:
        one.tried = one.stamp[0]
        try:
            if one.growing is None:
                if _only_whole(one.path):
                    raise CannotGrow
                made = tempfile.TemporaryDirectory(prefix="bmslogs-watch-", ignore_cleanup_errors=True)
                folder = Path(one.place.enter_context(made))
                profile = self._profile_for(one.path)
                one.growing = GrowingLog(self.store, one.path, self.pack, profile, self._modules, folder)
            log = one.growing.read(whole=over)
        except CannotGrow:
            one.forget()
            one.whole, one.finished = True, False
        except WasRemoved as error:
            one.forget()
            one.left = True
            yield Event("removed", str(one.path), str(error))
        except WasDescribed:
            one.forget()
            self._files[one.path.name] = _File(one.path)
        except WasReplaced:
            one.forget()
            self._files[one.path.name] = _File(one.path)
            yield Event("replaced", str(one.path), "shrank or was replaced; it is taken as a new file")
        except BadInput as error:
            one.reason = str(error.in_file(one.path))
        else:
            yield from self._stored(one, log)

    def _import(self, one: _File) -> Iterator[Event]:
        profile = self._profile_for(one.path)
        try:
            refuse_taken_out(self.store, one.path, self.pack, mapping_key(profile.canonical(), self._modules))
        except WasRemoved as error:
            one.left = True
            yield Event("removed", str(one.path), str(error))
            return
        report = self.store.import_files([one.path], self.pack, profile, modules=self._modules)
        if report.refused:
            one.reason = report.refused[0].reason
            if not one.told:
                one.told = True
                yield Event("refused", str(one.path), one.reason)
            return
        yield from self._stored(one, report.logs[0])

    def _stored(self, one: _File, log: Imported | None) -> Iterator[Event]:
        if log is None:
            return
        one.reason, one.told = "", False
        what: What = "grown" if log.status == "grown" else "known" if log.status == "known" else "new"
        yield Event(what, str(one.path), log=log)


def _only_whole(path: Path) -> bool:
    """Whether a file is packed or a recording of any kind: nothing can be read before it is whole."""
    from bmslogs.importers.can.into_table import recording_kind
    from bmslogs.importers.recordings.registry import HEAD_BYTES, reader_of
    from bmslogs.importers.text.source import open_source

    try:
        if recording_kind(path) is not None:
            return True
        source = open_source(path)
        return source.kind != "plain" or reader_of(source.head(HEAD_BYTES)) is not None
    except BadInput:
        return True


def watch(one: Watch, tell: Callable[[Event], None], stop: threading.Event, every: float = EVERY_S) -> None:
    """Look again and again until `stop` is set: when the file system tells of a change, and from time to time.

    An error of the store (a full disk, another process that holds it) is told once and tried again.
    """
    failed = ""
    try:
        while not stop.is_set():
            began = time.monotonic()
            try:
                for event in one.look():
                    tell(event)
                failed = ""
            except BmsLogsError as error:
                if str(error) != failed:
                    failed = str(error)
                    tell(Event("refused", str(one.folder), failed))
            _wait(one.folder, stop, max(0.2, REST * (time.monotonic() - began)), every)
    finally:
        one.close()


def _wait(folder: Path, stop: threading.Event, least: float, most: float) -> None:
    """Wait until something changes in the folder: `least` [s] at least, `most` at most where that is longer.

    The folder is looked at after `most` in any case: network drives and memory cards tell of nothing.
    """
    if stop.wait(least) or most <= least:
        return
    try:
        from watchfiles import watch as changes

        told = changes(
            folder,
            stop_event=stop,
            rust_timeout=int(1000 * (most - least)),
            yield_on_timeout=True,
            recursive=False,
            debounce=200,
            raise_interrupt=False,
        )
        next(iter(told), None)
    except (OSError, RuntimeError, ImportError):  # no folder, no more watches to be had, no such library here
        stop.wait(most - least)
