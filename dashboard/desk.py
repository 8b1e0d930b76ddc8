"""What the pages ask of the store: packs, logs, diagnoses, notes; the answers kept at hand."""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding
from bmslogs.faces.answers import answer
from bmslogs.findings import diagnose_pack
from bmslogs.findings.evidence.overlaid import Ground
from bmslogs.findings.history.building import Weighed, weigh
from bmslogs.fleet.dataset import refresh
from bmslogs.fleet.files import Files
from bmslogs.fleet.gathering import answers_stamp, gather
from bmslogs.log import Log, read_log
from bmslogs.store import Store
from bmslogs.store.order import state_of
from dashboard.drawn import Drawn
from dashboard.held import Held
from dashboard.notes import Note, add_note, noted_logs, read_notes
from dashboard.open_log import OpenLog, OpenLogs

MANY = 60
"""Logs of a pack whose answers are read and weighed together behind the page, where they are not yet (choice)."""
GATHERING_S = 0.4
"""Longest time that a page spends on answers that are new to a pack's history [s]; the rest follows (choice)."""
PATIENCE_S = 30.0
"""So long the folders of the store answer for the files in them [s] (choice): a page asks for its logs many times."""
STRETCH_S = 4.0
"""Time that is spent behind a page before what was gathered meanwhile is shown [s] (choice)."""
KEPT_DRAWN = 128
"""Pictures and comparisons that stay in memory (choice)."""
KEPT_ESTIMATES = 100_000
"""Estimates of diagnoses that stay in memory, at some 300 bytes each (choice)."""
KEPT = 4  # whole logs held in memory for proof pictures (choice)


class Desk:
    """The store as the pages see it.

    Parameters
    ----------
    root
        Folder of the store; it need not exist yet.
    zone
        The workshop's time zone; None for that of this machine.
    """

    def __init__(self, root: Path, zone: dt.tzinfo | None = None) -> None:
        self.root = Path(root)
        self.zone = zone
        self.store = Store(self.root, PATIENCE_S)
        self.drawn = Drawn(KEPT_DRAWN)
        self._open = OpenLogs()
        self._logs: OrderedDict[str, Ground] = OrderedDict()
        self._diagnoses = Held(KEPT_ESTIMATES)
        self._standing: dict[str, tuple[object, Diagnosis | None]] = {}
        self._of_many: dict[str, tuple[object, Diagnosis | None, int, int]] = {}
        """Packs with many logs: stamp, what stands, logs still without an answer, logs that it was made of."""
        self._histories: dict[str, tuple[object, Weighed]] = {}
        self._turns: dict[str, threading.Lock] = {}
        self._asked: set[str] = set()
        self._hopeless: dict[str, str] = {}
        self._contents: dict[str, str] = {}
        self._gathering: set[str] = set()
        self._gather_turn = threading.Lock()
        self._gatherer = ThreadPoolExecutor(1, thread_name_prefix="gather")
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="weigh")
        self._lock = threading.RLock()
        self._state = state_of(self.root)

    def packs(self) -> list[Pack]:
        """Return the packs by vehicle and id."""
        return sorted(self.store.packs(), key=lambda p: (p.vehicle.lower(), p.id))

    def pack(self, pack_id: str) -> Pack | None:
        """Return one pack, None where the store has none of this id."""
        return next((p for p in self.packs() if p.id == pack_id), None)

    def logs(self, pack_id: str) -> list[Any]:
        """Return the log entries of one pack, newest first."""
        return sorted(self.store.logs(pack_id), key=lambda e: e.start, reverse=True)

    def with_logs(self) -> list[Pack]:
        """Return the packs that have a log, by vehicle and id."""
        have = {e.pack for e in self.store.logs()}
        return [p for p in self.packs() if p.id in have]

    def has(self, log_id: str) -> bool:
        """Return whether the store has this log."""
        return any(e.id == log_id for e in self.store.logs())

    def open(self, log_id: str) -> OpenLog:
        """Return a log opened for looking at."""
        return self._open.get(Path(self.store.log_path(log_id)))

    def _notice(self, log_id: str) -> None:
        """Drop what is held of a log that has grown or got another description since, by whatever process."""
        entry = self.store.entry(log_id)
        content = f"{entry.sha256} {entry.description}"
        with self._lock:
            if self._contents.get(log_id, content) != content:
                self._logs.pop(log_id, None)
                self._diagnoses.drop(log_id)
                self._hopeless.pop(log_id, None)
                self._standing.clear()
                self._histories.clear()
            self._contents[log_id] = content

    def log(self, log_id: str) -> Log:
        """Return a whole log as arrays; the last few stay in memory."""
        return self.ground(log_id).log

    def ground(self, log_id: str) -> Ground:
        """Return a whole log with what its courses share; the last few stay in memory."""
        self._notice(log_id)
        with self._lock:
            if log_id not in self._logs:
                self._logs[log_id] = Ground(read_log(self.store.log_path(log_id), extra=False))
                while len(self._logs) > KEPT:
                    self._logs.popitem(last=False)
            self._logs.move_to_end(log_id)
            return self._logs[log_id]

    def diagnosis(self, log_id: str) -> Diagnosis:
        """Return the diagnosis of a log: the stored one, else made now and stored; others need not wait for it."""
        self._notice(log_id)
        known = self._diagnoses.get(log_id)
        if known is not None:
            return known
        with self._lock:
            turn = self._turns.setdefault(log_id, threading.Lock())
        with turn:
            known = self._diagnoses.get(log_id)
            return known if known is not None else self._diagnoses.keep(log_id, answer(self.store, log_id))

    def standing(self, pack_id: str) -> tuple[Diagnosis | None, int]:
        """Return what the logs of a pack that are weighed say together, and how many are still to be weighed.

        Those are weighed by a thread of their own: a page that shows many packs does not wait for them.
        """
        entries = self.logs(pack_id)
        if len(entries) > MANY:
            return self._standing_of_many(pack_id, entries)
        found = self.weighed(pack_id)
        missing = [e.id for e in entries if self.at_hand(e.id) is None and e.id not in self._hopeless]
        for log_id in missing:
            self._weigh(log_id)
        pack = self.pack(pack_id)
        made_of = tuple(str(d.log["id"]) for d in found), repr(pack)
        held = self._standing.get(pack_id)
        if held is None or held[0] != made_of:
            held = self._standing[pack_id] = made_of, diagnose_pack(found, pack) if found else None
        return held[1], len(missing)

    def _standing_of_many(self, pack_id: str, entries: list[Any]) -> tuple[Diagnosis | None, int]:
        """Return what stands of a pack with so many logs that a page would wait for their answers to be read.

        Until that is done behind the page, what was found before is shown, and all that came since counts as waiting.
        """
        stamp = answers_stamp(self.store, pack_id), repr(self.pack(pack_id))
        held = self._of_many.get(pack_id)
        if held is not None and held[0] == stamp:
            return held[1], held[2]
        with self._lock:
            if pack_id not in self._asked:
                self._asked.add(pack_id)
                self._worker.submit(self._weigh_many, pack_id, stamp)
        return (held[1], max(1, len(entries) - held[3])) if held is not None else (None, len(entries))

    def _weigh_many(self, pack_id: str, stamp: object) -> None:
        """Weigh the answers of a pack's logs together; those without one come after, each by itself."""
        try:
            found = self.weighed(pack_id)
            pack = self.pack(pack_id)
            missing = [e.id for e in self.logs(pack_id) if e.id not in {str(d.log["id"]) for d in found}]
            standing = diagnose_pack(found, pack) if found else None
            open_ones = [i for i in missing if i not in self._hopeless]
            self._of_many[pack_id] = (stamp, standing, len(open_ones), len(found))
            for log_id in open_ones:
                self._weigh(log_id)
        finally:
            self._asked.discard(pack_id)

    def history(self, pack: Pack) -> tuple[Weighed, int]:
        """Return the history of a pack from its stored answers, and how many of its logs are still to come.

        A page waits for no log: those without an answer are weighed behind it, and of many new answers it takes as many
        as a moment allows.
        """
        stamp = (answers_stamp(self.store, pack.id), repr(pack))
        held = self._histories.get(pack.id)
        if held is None or (held[0] != stamp and pack.id not in self._gathering):
            held = self._gather(pack, stamp, GATHERING_S)
        if held[1].gathered.uncounted or self._unread(held[1]):
            self._gather_behind(pack)
        for log_id in held[1].gathered.unanswered:
            if log_id not in self._hopeless:
                self._weigh(log_id)
        found = held[1].gathered
        hopeless = sum(i in self._hopeless for i in found.unanswered)
        return held[1], found.missing - hopeless + found.uncounted

    @staticmethod
    def _unread(of: Weighed) -> int:
        """Return how many stored answers of a pack are not gathered yet."""
        return of.gathered.missing - len(of.gathered.unanswered)

    def _gather(self, pack: Pack, stamp: object, seconds: float) -> tuple[object, Weighed]:
        with self._gather_turn:
            held = (stamp, weigh(gather(self.store, pack, seconds=seconds)))
            self._histories[pack.id] = held
        return held

    def _gather_behind(self, pack: Pack) -> None:
        """Gather the rest of a pack's answers behind the page, a stretch at a time, so that it can be followed."""
        with self._lock:
            if pack.id in self._gathering:
                return
            self._gathering.add(pack.id)

        def work() -> None:
            try:
                before, left = -1, 0
                while before != left:  # what cannot be read stays over
                    before = left
                    stamp = (answers_stamp(self.store, pack.id), repr(pack))
                    _, made = self._gather(pack, stamp, STRETCH_S)
                    left = self._unread(made) + made.gathered.uncounted
            finally:
                self._gathering.discard(pack.id)

        self._gatherer.submit(work)

    def weighed(self, pack_id: str) -> list[Diagnosis]:
        """Return the diagnoses at hand of one pack's logs, newest first."""
        found = []
        for entry in self.logs(pack_id):
            same = self._contents.get(entry.id) == f"{entry.sha256} {entry.description}"
            known = self._diagnoses.get(entry.id) if same else None
            held = known if known is not None else self.at_hand(entry.id)
            if held is not None:
                found.append(held)
        return found

    def unread(self, pack_id: str) -> int:
        """Return how many logs of a pack with many of them still have to be read; that is done behind the page."""
        return self.standing(pack_id)[1] if len(self.logs(pack_id)) > MANY else 0

    def waiting(self) -> int:
        """Return how many logs of all packs are still to be weighed; they are, behind the page."""
        return sum(self.standing(p.id)[1] for p in self.packs())

    def not_weighed(self, pack_id: str) -> list[tuple[Any, str]]:
        """Return the logs of one pack that no diagnosis can be made of, each with the reason."""
        return [(e, self._hopeless[e.id]) for e in self.logs(pack_id) if e.id in self._hopeless]

    def at_hand(self, log_id: str) -> Diagnosis | None:
        """Return a diagnosis that need not be made."""
        self._notice(log_id)
        known = self._diagnoses.get(log_id)
        if known is not None:
            return known
        stored = self.store.answer(log_id)
        return None if stored is None else self._diagnoses.keep(log_id, Diagnosis.from_json(stored))

    def _weigh(self, log_id: str) -> None:
        """Have a log diagnosed behind the page, once."""
        with self._lock:
            if log_id in self._asked:
                return
            self._asked.add(log_id)

        def work() -> None:
            try:
                found = self.diagnosis_or_reason(log_id)
                if isinstance(found, str):
                    self._hopeless[log_id] = found
            finally:
                self._asked.discard(log_id)

        self._worker.submit(work)

    def diagnosis_or_reason(self, log_id: str) -> Diagnosis | str:
        """Return the diagnosis of a log, or one line why there is none."""
        try:
            return self.diagnosis(log_id)
        except BmsLogsError as error:
            return str(error)

    def forget_answers(self) -> None:
        """Drop what is held in memory, after the store has changed."""
        with self._lock:
            self._diagnoses.clear()
            self._standing.clear()
            self._of_many.clear()
            self.drawn.clear()
            self._hopeless.clear()
            self._histories.clear()
            self._logs.clear()

    def baseline(self, pack_id: str, log_id: str, quantity: str) -> tuple[str, list[Estimate]]:
        """Return id and estimates of the earliest other log that determines `quantity`; empty where none does."""
        for entry in reversed(self.logs(pack_id)):
            if entry.id == log_id:
                return "", []
            found = self.diagnosis_or_reason(entry.id)
            if isinstance(found, Diagnosis):
                estimates = [e for e in found.of(quantity) if e.status == "determined"]
                if estimates:
                    return entry.id, estimates
        return "", []

    def notes(self, pack_id: str, log_id: str) -> list[Note]:
        """Return the notes on one log's findings."""
        return read_notes(self.root, pack_id, log_id)

    def notes_on(self, pack_id: str) -> list[Note]:
        """Return the notes on the findings of all logs of a pack, oldest first."""
        logs = noted_logs(self.root, pack_id)
        every = [n for e in self.logs(pack_id) if e.id in logs for n in self.notes(pack_id, e.id)]
        return sorted(every, key=lambda n: n.when)

    def judge(
        self,
        pack_id: str,
        log_id: str,
        finding: Finding,
        verdict: str,
        name: str,
        reason: str,
        seen: int | None = None,
    ) -> None:
        """Keep a judgement of a finding of a log; `seen` is how many there were when the page was laid out."""
        add_note(self.root, pack_id, log_id, finding, verdict, name, reason, seen=seen)
        self.changed()

    def release(self) -> None:
        """Close the logs that are held open, where the system does not let an open file be moved."""
        if os.name == "nt":
            self._open.release()

    def state(self) -> str:
        """Return what is another text after every change of order; drop what such a change has made stale."""
        now = state_of(self.root)
        if now != self._state:
            self._state = now
            self.store.look_again()
            self.forget_answers()
        return now

    def changed(self, *packs: str) -> str:
        """Return the state after a change, with what was gathered over these packs for all vehicles made again."""
        gathered = self.root / "_estimates"
        if packs and gathered.is_dir() and any(gathered.glob("*.parquet")):
            self._worker.submit(refresh, Files(self.root), packs)
        return self.state()
