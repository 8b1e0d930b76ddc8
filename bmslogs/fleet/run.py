"""Diagnose a whole store in parallel: only what is new or was made by an older method, whatever happens on the way.

Each worker keeps the diagnosis of a log in the store the moment it is made. So a worker that dies, or the whole run,
loses only what it was just at, and the next run does not repeat what is there.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Literal

from bmslogs.base.errors import BmsLogsError, StoreError, printable
from bmslogs.base.marks import HIDDEN, Count, Decimals, Key, Text
from bmslogs.base.published import Published
from bmslogs.base.version import __version__
from bmslogs.fleet.dataset import made_from, refresh
from bmslogs.fleet.files import Files, Stamp, StoredLog, made_by
from bmslogs.fleet.processes import Context, as_here, cheap_processes

Status = Literal["done", "known", "failed"]
Progress = Callable[[str], None]

MOST_DEATHS = 2
"""A log at which a worker died this often is given up, so that one log cannot stop the others."""


@dataclass(frozen=True)
class Outcome(Published):
    """What became of one log: ``done``, ``known`` (its diagnosis was there) or ``failed`` with the reason.

    `seconds` is the time that passed, `cpu_seconds` that in which a processor worked at it.
    """

    log: Annotated[Text, Key("id")]
    pack: Text
    status: Status
    reason: str | None = field(default=None, kw_only=True)
    seconds: Annotated[float, Decimals(3)] = 0.0
    cpu_seconds: Annotated[float, HIDDEN] = 0.0


@dataclass(frozen=True, kw_only=True)
class RunTold(Published):
    """What a run says to programs: its logs, how many of each status, and the whole time [s]."""

    schema: Literal["bmslogs.fleet/1"] = field(default="bmslogs.fleet/1", init=False)
    logs: tuple[Outcome, ...]
    done: Count
    known: Count
    failed: Count
    seconds: Annotated[float, Decimals(3)]


@dataclass(frozen=True)
class FleetRun:
    """A run over a store.

    Attributes
    ----------
    outcomes
        One a log of the store.
    seconds
        Whole time.
    packs_written
        Packs whose estimates were written again.
    """

    outcomes: tuple[Outcome, ...]
    seconds: float
    packs_written: tuple[str, ...]

    def of(self, status: Status) -> tuple[Outcome, ...]:
        """Return the outcomes of one status."""
        return tuple(o for o in self.outcomes if o.status == status)

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object of schema bmslogs.fleet/1."""
        done, known, failed = (len(self.of(status)) for status in ("done", "known", "failed"))
        return RunTold(
            logs=self.outcomes, done=done, known=known, failed=failed, seconds=self.seconds
        ).to_json()


def diagnose_store(
    root: str | Path,
    *,
    packs: Sequence[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> FleetRun:
    """Diagnose every log of a store that has no current diagnosis, then bring its datasets up to date.

    Parameters
    ----------
    root
        The store: a folder, or the address of one on any filesystem that pyarrow knows.
    packs
        Only these packs; None for all.
    workers
        Processes on this machine; None for one a core.
    scheduler
        Address of a Dask scheduler whose workers reach the same store; None for this machine.
    progress
        Called with the id of each log that is finished.

    Raises
    ------
    StoreError
        There is no such store, it is only read, or there is no such scheduler.
    """
    begun = time.perf_counter()
    files = Files(root)
    files.must_take_files()
    logs = [log for log in files.logs if packs is None or log.pack in packs]
    stamps = {pack: files.answers(pack) for pack in {log.pack for log in logs}}
    count = workers or os.cpu_count() or 1
    # the processes load what they need while this one does
    new = sum(log.id not in stamps[log.pack] for log in logs)
    context = cheap_processes() if not scheduler and min(count, new) > 1 else None
    known, pending = _sort(files, logs, stamps, current_method())
    pending.sort(key=lambda log: -log.size)  # a long log that begins last would keep one worker busy alone
    outcomes = [Outcome(log.id, log.pack, "known") for log in known]
    if scheduler:
        source = _on_cluster(str(root), pending, scheduler)
    else:
        source = _on_machine(str(root), pending, min(count, len(pending)), context)
    for outcome in source:
        outcomes.append(outcome)
        if progress:
            progress(outcome.log)
    written = refresh(files, packs)
    outcomes.sort(key=lambda o: (o.pack, o.log))
    return FleetRun(tuple(outcomes), time.perf_counter() - begun, tuple(written))


def current_method() -> str:
    """Return the version of program and method; a diagnosis of another one is made anew."""
    from bmslogs import findings

    return made_by(__version__, str(getattr(findings, "METHOD", "")))


def diagnose_one(root: str, log: StoredLog) -> Outcome:
    """Diagnose one log and keep the answer; what a worker does.

    Whatever goes wrong with one log is its outcome and stops no other.
    """
    from bmslogs.findings import diagnose

    begun, worked = time.perf_counter(), time.process_time()
    try:
        files = Files(root)
        document = diagnose(files.read(log)).to_json()
        files.write_answer(log.pack, log.id, document)
    except BmsLogsError as error:
        return Outcome(log.id, log.pack, "failed", time.perf_counter() - begun, reason=str(error))
    except Exception as error:
        reason = printable(f"{type(error).__name__}: {error}", 300)
        return Outcome(log.id, log.pack, "failed", time.perf_counter() - begun, reason=reason)
    took = time.perf_counter() - begun, time.process_time() - worked
    return Outcome(log.id, log.pack, "done", took[0], cpu_seconds=took[1])


def _sort(
    files: Files, logs: Sequence[StoredLog], stamps: Mapping[str, Mapping[str, Stamp]], method: str
) -> tuple[list[StoredLog], list[StoredLog]]:
    """Return the logs whose stored diagnosis is current, and the others."""
    known: list[StoredLog] = []
    pending: list[StoredLog] = []
    read = {pack: made_from(files, pack) for pack in stamps}
    for log in logs:
        stamp = stamps[log.pack].get(log.id)
        if stamp is None:
            pending.append(log)
            continue
        size, changed, by = read[log.pack].get(log.id, (-1, -1, ""))
        if (size, changed) != (stamp.size, stamp.changed):
            answer = files.read_answer(log.pack, log.id)
            by = answer.made_by if answer is not None else "not whole"
        (known if by == method else pending).append(log)
    return known, pending


def _on_machine(  # noqa: C901 - one pool until a worker dies
    root: str, pending: Sequence[StoredLog], count: int, context: Context | None
) -> Iterator[Outcome]:
    """Run on processes of this machine; after the death of a worker the rest goes on in a new pool."""
    if count <= 1:
        for log in pending:
            yield diagnose_one(root, log)
        return
    context = context or cheap_processes()
    waiting = list(reversed(pending))
    deaths: dict[str, int] = {}
    while waiting:
        # after a death the suspects go one by one, so that the next death names its log
        alone = any(deaths.get(log.path) for log in waiting)
        with ProcessPoolExecutor(1 if alone else count, context, as_here, (dict(os.environ),)) as pool:
            running: dict[Future[Outcome], StoredLog] = {}
            broken = False
            while (waiting or running) and not broken:
                while waiting and len(running) < (1 if alone else 2 * count):
                    if alone and not deaths.get(waiting[-1].path):
                        break
                    log = waiting.pop()
                    try:
                        running[pool.submit(diagnose_one, root, log)] = log
                    except BrokenProcessPool:  # a worker died while this one was handed over: it goes again
                        broken = True
                        waiting.append(log)
                        break
                if not running:
                    break
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    log = running.pop(future)
                    try:
                        yield future.result()
                        deaths.pop(log.path, None)
                    except BrokenProcessPool:
                        broken = True
                        deaths[log.path] = deaths.get(log.path, 0) + 1
                        if alone and deaths[log.path] >= MOST_DEATHS:
                            deaths.pop(log.path)
                            yield Outcome(log.id, log.pack, "failed", reason="the worker died at it twice")
                        else:
                            waiting.append(log)
            for log in running.values():
                deaths[log.path] = deaths.get(log.path, 0) + 1
                waiting.append(log)


def _on_cluster(root: str, pending: Sequence[StoredLog], scheduler: str) -> Iterator[Outcome]:
    """Run on a Dask cluster; it runs again elsewhere what a dead worker was at."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise StoreError("a scheduler needs the extra: pip install 'bmslogs[cluster]'") from None
    where = root if "://" in root else str(Path(root).resolve())
    try:
        client = distributed.Client(scheduler, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise StoreError(f"no scheduler answers at {scheduler} ({error})") from None
    with client:
        futures = {client.submit(diagnose_one, where, log, pure=False, retries=1): log for log in pending}
        for future in distributed.as_completed(futures, loop=client.loop):
            log = futures[future]
            if future.status == "finished":
                yield future.result()
            else:
                reason = printable(str(future.exception()), 300)
                yield Outcome(log.id, log.pack, "failed", reason=reason)
