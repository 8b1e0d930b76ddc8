"""The days of a workshop: loggers write, a watch looks, two users change things, pages are asked for."""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BmsLogsError, StoreError
from bmslogs.base.pack import Pack
from bmslogs.faces.answers import answer
from bmslogs.store import LogEntry, Store, order
from bmslogs.store.watching import Watch
from tests.soak import injections
from tests.soak.loggers import START, Archived, Written, packs, written
from tests.soak.pages import Served

CARD_DAYS = 3
"""A logger's card is emptied after so many days."""
WRONG_CLOCKS = (-3600.0, 3600.0, -86_400.0, 45 * 86_400.0, -26 * 365 * 86_400.0)
"""[s] beside the true time: winter time, a day, a battery of the clock that is empty, a year mistyped."""


@dataclass
class Kept:
    """One log as it must be in the store.

    Attributes
    ----------
    pack
        Where it belongs now.
    removed
        True time of its removal, None while it is in the store.
    """

    written: Archived
    own: str
    pack: str
    removed: dt.datetime | None = None


@dataclass
class Figures:
    """What is printed at the end."""

    counts: Counter[str] = field(default_factory=Counter)
    memory: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)


class Workshop:
    """A store, what it must hold, and everybody who works on it.

    Parameters
    ----------
    base
        Folder for the store, the loggers' cards and the archive.
    """

    def __init__(self, base: Path, seed: int, rows: int) -> None:
        self.base, self.rows, self.rng = base, rows, random.Random(seed)
        self.root, self.archive = base / "store", base / "archive"
        self.archive.mkdir(parents=True)
        self.packs: dict[str, Pack] = packs()
        self.kept: dict[str, Kept] = {}
        self.figures = Figures()
        self.mono = 0.0
        self.true = START
        self.store = Store(self.root)
        self.looks: dict[str, Watch] = {}
        self.serving: Served | None = None
        self.children: list[tuple[subprocess.Popen[str], str, bool]] = []

    def open(self) -> None:
        """Begin: injections, cards, watches, the dashboard."""
        injections.install(str(self.root))
        injections.set_clock(self.true)
        for pack in self.packs.values():
            self.card(pack.id).mkdir(parents=True)
            self.store.save_pack(pack)
            self.looks[pack.id] = Watch(self.store, self.card(pack.id), pack)
        self.serving = Served(self.root)

    def close(self) -> None:
        """End the watches and the dashboard."""
        for one in self.looks.values():
            one.close()
        if self.serving is not None:
            self.serving.close()

    def card(self, pack: str) -> Path:
        """Return the folder that a logger writes to."""
        return self.base / "cards" / pack

    # --- a day --------------------------------------------------------------------------------------------------

    def day(self, day: int) -> None:
        """Live through one day."""
        self.true = START + dt.timedelta(days=day, hours=18)
        self._set_clock()
        self._empty_cards(day)
        for pack_id, pack in self.packs.items():
            vehicle = pack.vehicle
            for one in written(vehicle, day, self.rng, self.archive, self.rows):
                self._log_comes(pack_id, one)
        self._child(day)
        for _ in range(3):
            self._user()
        self._diagnose_some()
        self._pages()
        self._reap()
        self._set_clock(right=True)
        self.figures.memory.append(memory())
        self.figures.files.append(open_files())

    def _set_clock(self, right: bool = False) -> None:
        shift = 0.0
        if not right and self.rng.random() < 0.3:
            shift = self.rng.choice(WRONG_CLOCKS)
            self.figures.counts["clock changes"] += 2
        injections.set_clock(self.true + dt.timedelta(seconds=shift))

    def _disk(self) -> int | None:
        if self.rng.random() >= 0.12:
            return None
        self.figures.counts["full disks"] += 1
        return self.rng.randrange(1, 30)

    def _empty_cards(self, day: int) -> None:
        for pack in self.packs:
            for path in self.card(pack).iterdir():
                if int(path.name.split("-")[1]) < day - CARD_DAYS:
                    path.unlink()

    def _log_comes(self, pack: str, one: Written) -> None:
        path = self.card(pack) / one.name
        self.kept[one.name] = Kept(one.archived(self.archive), pack, pack)
        for end in one.pieces:
            path.write_bytes(one.data[:end])
            self._look(pack)
        path.write_bytes(one.data)
        if self.rng.random() < 0.2:  # cards whose clock was never set
            os.utime(path, (315_532_800 + self.rng.randrange(86_400),) * 2)
        self._look(pack)
        self.mono += 30
        self._look(pack)

    def _look(self, pack: str) -> None:
        self.mono += 1
        try:
            with injections.full_disk(self._disk()):
                for event in self.looks[pack].look(self.mono):
                    self.figures.counts[f"watch: {event.what}"] += 1
                    assert event.what != "refused", (event.says, Path(event.file).stat())
        except BmsLogsError as error:
            self._one_line(error)

    def _one_line(self, error: Exception) -> None:
        assert "\n" not in str(error) and "Traceback" not in str(error), str(error)
        self.figures.counts["refused in one line"] += 1

    # --- processes that end ------------------------------------------------------------------------------------

    def _child(self, day: int) -> None:
        pack = self.rng.choice(list(self.packs.values()))
        kind = self.rng.choice(("watch", "watch", "diagnose", "rename", "verify"))
        task: dict[str, Any] = {
            "store": str(self.root), "work": kind, "clock": self.true.isoformat(),
            "killed_after": self.rng.randrange(1, 50) if self.rng.random() < 0.75 else None,
        }  # fmt: skip
        if kind == "watch":
            extra = written(pack.vehicle, 1000 + day, self.rng, self.archive, self.rows)[0]
            (self.card(pack.id) / extra.name).write_bytes(extra.data)
            self.kept[extra.name] = Kept(extra.archived(self.archive), pack.id, pack.id)
            task |= {
                "folder": str(self.card(pack.id)),
                "pack": json.loads(self.store.pack(pack.id).model_dump_json()),
            }
        elif kind == "diagnose":
            task["logs"] = [e.id for e in self.store.logs()[-6:]]
        elif kind == "rename":
            now = self.store.pack(pack.id).vehicle
            task |= {"vehicle": now, "to": pack.vehicle if now != pack.vehicle else f"{pack.vehicle} II"}
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.soak.child", json.dumps(task)], stderr=subprocess.PIPE, text=True
        )
        self.children.append((child, kind, task["killed_after"] is not None))

    def _reap(self) -> None:
        for child, kind, _ in self.children:
            _, said = child.communicate(timeout=300)
            assert "Traceback" not in said, f"{kind}: {said[-2000:]}"
            assert child.returncode in (0, 2, 137), (kind, child.returncode, said[-500:])
            self.figures.counts[
                "processes killed" if child.returncode == 137 else "processes that ended well"
            ] += 1
        self.children = []

    # --- two users ----------------------------------------------------------------------------------------------

    def _user(self) -> None:
        logs = self.store.logs()
        if not logs:
            return
        entry = self.rng.choice(logs[-40:])
        act = self.rng.choice(
            (self._note, self._note, self._remove, self._bring_back, self._move, self._two_at_once)
        )
        self.figures.counts[f"user: {act.__name__[1:]}"] += 1
        try:
            with injections.full_disk(self._disk()):
                act(entry)
        except StoreError as error:
            self._one_line(error)
            self._settle()

    def _note(self, entry: LogEntry) -> None:
        made = order.add_remark(self.store, entry.pack, "contactor clicks", log=entry.id, by="Ann")
        order.change_remark(
            self.store, entry.pack, entry.id, made.id, "contactor is fine", by="Bob", seen=made.version
        )
        self._refused(
            lambda: order.take_out(self.store, entry.pack, entry.id, made.id, by="Ann", seen=made.version)
        )

    def _remove(self, entry: LogEntry) -> None:
        order.remove_log(self.store, entry.id, by="Bob")
        self.kept[entry.source].removed = self.true

    def _bring_back(self, _: LogEntry) -> None:
        items = order.in_bin(self.store)
        if items:
            item = self.rng.choice(items)
            order.bring_back(self.store, item.log, by="Ann")
            self.kept[item.source].removed = None

    def _move(self, entry: LogEntry) -> None:
        to = self.rng.choice([p for p in self.packs if p != entry.pack])
        order.move_log(self.store, entry.id, to, by="Ann")
        self.kept[entry.source].pack = to

    def _two_at_once(self, entry: LogEntry) -> None:
        seen = order.log_version(entry)
        self._move(entry)
        self._refused(lambda: order.remove_log(self.store, entry.id, by="Bob", seen=seen))

    def _refused(self, act: Callable[[], object]) -> None:
        try:
            act()
        except order.ChangedMeanwhile:
            self.figures.counts["second author told"] += 1
        else:
            raise AssertionError("the second author was not told")

    def _settle(self) -> None:
        """Take down where the logs are after a change that was stopped: done or not done, and nothing between."""
        with self.store.locked():
            pass
        there = {e.source: e.pack for e in self.store.logs()}
        binned = {i.source for i in order.in_bin(self.store)}
        for name, kept in self.kept.items():
            if name in there:
                kept.pack, kept.removed = there[name], None
            elif name in binned and kept.removed is None:
                kept.removed = self.true

    # --- answers and pages -------------------------------------------------------------------------------------

    def _diagnose_some(self) -> None:
        for entry in self.store.logs()[-4:]:
            try:
                with injections.full_disk(self._disk()):
                    answer(self.store, entry.id)
            except StoreError as error:
                self._one_line(error)
            self.figures.counts["diagnoses"] += 1

    def _pages(self) -> None:
        assert self.serving is not None
        pack = self.rng.choice(list(self.packs))
        logs = self.store.logs(pack)
        view = {"pack": pack, **({"log": logs[-1].id} if logs else {})}
        for path in self.rng.sample(self.serving.paths(), 4):
            self.serving.page(path, **view)
            self.figures.counts["pages"] += 1
        if logs:
            assert b"<html" in self.serving.record(pack)
            self.figures.counts["records"] += 1


def memory() -> float:
    """Return the memory of this process [MB], nought where the system does not tell."""
    status = Path("/proc/self/status")
    if not status.exists():
        return 0.0
    line = next(x for x in status.read_text().splitlines() if x.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024


def open_files() -> int:
    """Return how many files this process has open, nought where the system does not tell."""
    folder = Path("/proc/self/fd")
    return sum(1 for _ in folder.iterdir()) if folder.exists() else 0
