"""The questions of the door to stored logs: what is wrong, what differs, what to log next, all logs of a store."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bmslogs.base.errors import BadInput
from bmslogs.base.results import Diagnosis as _Diagnosis
from bmslogs.base.results import Estimate, Finding, LogTold, PackTold, by_urgency
from bmslogs.door.frames import diagnosis_frame, table
from bmslogs.door.logs import Log, Place, Store, kept_store, log_id_of, pack_of, profile_of
from bmslogs.door.showing import Shown, count
from bmslogs.faces import answers
from bmslogs.faces.documents import plan_document
from bmslogs.faces.places import DEFAULT_STORE
from bmslogs.findings.compare.shape import Comparison as _Comparison
from bmslogs.log import log as stored_logs

if TYPE_CHECKING:
    import pandas as pd

    from bmslogs.analysis.bench_charge import BenchPlan
    from bmslogs.analysis.planner import Plan as _Plan
    from bmslogs.base.pack import Pack
    from bmslogs.fleet.run import FleetRun
    from bmslogs.importers.plan.profile import Profile
    from bmslogs.store import Store as _Store


@dataclass(frozen=True, repr=False)
class Diagnosis(Shown):
    """What one log, or all logs of a pack, say: what is wrong, how surely, and what stays unknown."""

    _made: _Diagnosis
    _pack: Pack | None = None
    _of_logs: tuple[Diagnosis, ...] = ()
    _read: Callable[[], stored_logs.Log] | None = None

    @property
    def log(self) -> LogTold:
        """The log: `id`, `start`, `end` (ISO 8601, UTC), `rows`, `kinds`."""
        return self._made.log

    @property
    def logs(self) -> tuple[LogTold, ...]:
        """Of a whole pack: one entry like `log` a log that was weighed."""
        return self._made.logs

    @property
    def pack(self) -> PackTold:
        """The pack: `id`, `vehicle`, `cells`."""
        return self._made.pack

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """The estimates: `quantity`, `cell`, `value`, `low`, `high` (95 %), `unit`, `status`, `conditions`, `why`."""
        return self._made.estimates

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, most urgent first: `cause`, `level`, `cells`, `size`, `says`, `because`, `next`."""
        return tuple(by_urgency(self._made.findings))

    @property
    def repairs(self) -> tuple[str, ...]:
        """What the importer mended, a sentence each."""
        return self._made.repairs

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before anybody acts on it."""
        return self._made.cautions

    @property
    def method(self) -> str:
        """Version of the method that made it."""
        return self._made.method

    def of(self, quantity: str) -> tuple[Estimate, ...]:
        """Return the estimates of one quantity, cells in order."""
        return self._made.of(quantity)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs diagnose --json` writes (schema ``bmslogs.diagnosis/2``)."""
        return self._made.to_json()

    def to_frame(self) -> pd.DataFrame:
        """Return one row a finding, most urgent first, and one an estimate; `unit` is that of value, low and high."""
        return diagnosis_frame(self._made)

    def _title(self) -> str:
        told = sum(e.status != "not_determinable" for e in self.estimates)
        of = f"{len(self.logs)} logs" if self.logs else f"log {self.log.get('id')}"
        return (
            f"Diagnosis of {of}: {self.pack.get('vehicle')}, pack {self.pack.get('id')}, "
            f"{self.pack.get('cells')} cells; {count(len(self.findings), 'finding')}, "
            f"{told} of {count(len(self.estimates), 'estimate')} known"
        )

    def _lines(self) -> list[tuple[str, str]]:
        from bmslogs.faces.unknown import nothing_found

        if not self.findings:
            return [("none", line) for line in nothing_found(self.estimates)]
        return [(f.level, f.says) for f in self.findings]


@dataclass(frozen=True, repr=False)
class Comparison(Shown):
    """Packs side by side, or one pack before and after work on it."""

    _made: _Comparison

    @property
    def quantities(self) -> tuple[Any, ...]:
        """What was compared: `quantity`, `comparable`, `packs`, `reference`, `why_not`."""
        return self._made.quantities

    @property
    def differences(self) -> tuple[Any, ...]:
        """Ratios of two packs' medians with their 95 % intervals; `differ` where 1 lies outside."""
        return self._made.differences

    @property
    def positions(self) -> tuple[Any, ...]:
        """Places that stand out in every vehicle of a design."""
        return self._made.positions

    @property
    def trends(self) -> tuple[Any, ...]:
        """Changes per year, of packs and of single cells."""
        return self._made.trends

    @property
    def changes(self) -> tuple[Any, ...] | None:
        """Cells after against before; None where packs stand side by side."""
        return self._made.changes

    @property
    def notes(self) -> tuple[str, ...]:
        """What to bear in mind when reading it."""
        return self._made.notes

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before anybody acts on it."""
        return self._made.cautions

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs compare --json` writes (schema ``bmslogs.comparison/1``)."""
        return self._made.to_json()

    def to_frame(self) -> pd.DataFrame:
        """Return one row a pack, cell, ratio, place, trend or change (`kind`); `unit` is that of value, low, high."""
        from bmslogs.faces.spreadsheet import COMPARED_COLUMNS, comparison_rows

        rows = [r for r in comparison_rows(self._made) if r["kind"] != "caution"]
        return table(rows, COMPARED_COLUMNS, cautions=self.cautions)

    def _title(self) -> str:
        if self.changes is not None:
            changed = sum(c.finding for c in self.changes)
            return f"Comparison before and after: {changed} of {count(len(self.changes), 'value')} changed"
        able = sum(q.comparable for q in self.quantities)
        return f"Comparison: {able} of {len(self.quantities)} quantities comparable"

    def _lines(self) -> list[tuple[str, str]]:
        from bmslogs.faces.comparison_text import comparison_lines

        return comparison_lines(self._made)


@dataclass(frozen=True, repr=False)
class Plan(Shown):
    """Which logs to take next, cheapest first, and what each is expected to settle."""

    _log_id: str
    _made: _Plan
    _bench: BenchPlan | None = None

    @property
    def steps(self) -> tuple[Any, ...]:
        """The logs to take: `candidate` (what to do, hours) and `expected` (what it would settle, how closely)."""
        return self._made.steps

    @property
    def left_open(self) -> tuple[tuple[str, str], ...]:
        """Quantities that none of them settles, each with what would."""
        return self._made.left_open

    @property
    def bench(self) -> BenchPlan | None:
        """What to charge on the bench; None where that saves nothing."""
        return self._bench

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before anybody acts on it."""
        return self._made.cautions

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs plan --json` writes (schema ``bmslogs.plan/1``)."""
        return plan_document(self._log_id, self._made, self._bench)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a log and question; `now` and `then` are half widths of the 95 % interval [`unit`]."""
        rows = [
            {"step": number, "log": step.candidate.key, "says": step.candidate.says, "hands_h": step.candidate.hands_h,
             "elapsed_h": step.candidate.elapsed_h, "opens_pack": step.candidate.opens, **asdict(one)}
            for number, step in enumerate(self.steps, 1)
            for one in step.expected
        ]  # fmt: skip
        columns = ("step", "log", "says", "hands_h", "elapsed_h", "opens_pack", "quantity", "cells", "unit", "now",
                   "then", "enough")  # fmt: skip
        return table(rows, columns, cautions=self.cautions)

    def _title(self) -> str:
        return f"Plan after log {self._log_id}: {count(len(self.steps), 'log')} to take"

    def _lines(self) -> list[tuple[str, str]]:
        said = [(str(number), step.candidate.says) for number, step in enumerate(self.steps, 1)]
        return said or [("", "Nothing is open that a log would settle.")]


@dataclass(frozen=True, repr=False)
class StoreRun(Shown):
    """What became of each log of a store: `done`, `known` or `failed` with the reason."""

    _made: FleetRun
    _packs: tuple[Any, ...] = ()

    @property
    def outcomes(self) -> tuple[Any, ...]:
        """One a log: `log`, `pack`, `status`, `seconds`, `reason`."""
        return self._made.outcomes

    @property
    def packs(self) -> tuple[Any, ...]:
        """One a pack, most urgent first: `pack`, `vehicle`, `logs`, `act`, `look`, `note`, `worst`."""
        return self._packs

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs diagnose --all --json` writes (schema ``bmslogs.fleet/1``)."""
        return self._made.to_json()

    def to_frame(self) -> pd.DataFrame:
        """Return one row a log, its time in seconds."""
        rows = [
            {"log": o.log, "pack": o.pack, "status": o.status, "seconds": o.seconds, "reason": o.reason}
            for o in self.outcomes
        ]
        return table(rows, ("log", "pack", "status", "seconds", "reason"))

    def _title(self) -> str:
        done, known, failed = (len(self._made.of(s)) for s in ("done", "known", "failed"))
        return f"Store diagnosed: {done} logs done, {known} known already, {failed} failed"

    def _lines(self) -> list[tuple[str, str]]:
        said = [("failed", f"{o.log}: {o.reason}") for o in self._made.of("failed")]
        for p in self.packs:
            worst = f"; {p.worst}" if p.worst else ""
            found = f"{p.act} to act on, {p.look} to look at, {p.note} noted"
            said.append((p.pack, f"{p.vehicle}, {count(p.logs, 'log')}: {found}{worst}"))
        return said


def diagnose(
    log: stored_logs.Log | Place,
    pack: Pack | Place | None = None,
    *,
    profile: Profile | Place | None = None,
    store: Store | Place | None = None,
) -> Diagnosis:
    """Say what is wrong with a pack by one log, how surely, and what the log cannot tell.

    Parameters
    ----------
    log
        A log that was read, its id in the store (or enough of the beginning), or a logger's file, which is brought
        into the store first.
    pack
        A pack, a pack file, or the id of a pack that the store knows; needed for a logger's file.
    profile
        A logger profile or its file, where the header of the logger's file does not speak for itself.
    store
        As for `open_store`. The answer of a stored log is kept there and taken from there.

    Returns
    -------
    The diagnosis: `findings`, `estimates`, `of(quantity)`, `cautions`.

    Raises
    ------
    BmsLogsError
        There is no such log, or its file is refused; one line says why.

    Examples
    --------
    >>> import bmslogs
    >>> answer = bmslogs.diagnose("sample_logs/heron-2-test-drive.csv.gz", "sample_logs/heron-main.toml")
    >>> answer.pack["vehicle"], answer.findings[0].level
    ('Heron', 'act')
    >>> table = answer.to_frame()
    >>> set(table["kind"]) == {"finding", "estimate"}
    True
    """
    if isinstance(log, stored_logs.Log):
        from bmslogs.findings import diagnose as diagnose_log

        read = log
        return Diagnosis(diagnose_log(read), read.pack, (), lambda: read)
    path = Path(log)
    if path.suffix == ".parquet" and path.exists():
        return diagnose(stored_logs.read_log(path))
    if not path.exists():
        kept = kept_store(store)
        return _stored(kept, log_id_of(str(log), kept))
    if pack is None:
        raise BadInput("a logger's file without its pack", "a pack file as well", file=path)
    kept = kept_store(store, new=True)
    report = kept.import_files([path], pack_of(pack, kept), profile_of(profile))
    if report.refused:
        raise BadInput(report.refused[0].reason)
    if len(report.logs) != 1:
        ids = ", ".join(one.id for one in report.logs)
        raise BadInput(f"it holds {len(report.logs)} logs", f"one; they are stored now: {ids}", file=path)
    return _stored(kept, report.logs[0].id)


def diagnose_pack(pack: str | Iterable[Diagnosis], *, store: Store | Place | None = None) -> Diagnosis:
    """Weigh all logs of one pack together: what still stands, and how surely.

    Parameters
    ----------
    pack
        The pack's id in the store; or the diagnoses of its logs.
    store
        As for `open_store`.

    Returns
    -------
    A diagnosis like that of one log, with `logs` beside `log`.

    Raises
    ------
    BmsLogsError
        The store holds no log of this pack.

    Examples
    --------
    >>> import bmslogs
    >>> whole = bmslogs.diagnose_pack("heron-main")
    >>> len(whole.logs)
    4
    """
    from bmslogs.findings import diagnose_pack as weigh

    if isinstance(pack, str):
        kept = kept_store(store)
        parts = tuple(_of(kept, made) for made in answers.log_answers(kept, pack))
        described: Pack | None = kept.pack(pack)
    else:
        parts = tuple(pack)
        described = parts[-1]._pack if parts else None
    if len({str(one.pack["id"]) for one in parts}) > 1:
        raise BadInput("logs of several packs", "those of one pack; `compare` sets packs side by side")
    return Diagnosis(weigh([one._made for one in parts], described), described, parts)


def compare(
    *packs: str,
    before: Place | stored_logs.Log | Diagnosis | None = None,
    after: Place | stored_logs.Log | Diagnosis | None = None,
    store: Store | Place | None = None,
) -> Comparison:
    """Set packs side by side, or one pack before and after a repair.

    Parameters
    ----------
    *packs
        Ids of packs of the store, reduced to one temperature and one band of charge inside the data.
    before, after
        Instead of packs: a log before the repair and one after it, by id, as logs or as diagnoses.
    store
        As for `open_store`.

    Returns
    -------
    The comparison: `quantities`, `differences`, `changes`; what cannot be compared says why.

    Raises
    ------
    BmsLogsError
        It is not clear what to compare, or a pack or log is not in the store.

    Examples
    --------
    >>> import bmslogs
    >>> repair = bmslogs.compare(before="20260509", after="20260516")
    >>> any(change.finding for change in repair.changes)
    True
    """
    if bool(packs) == (before is not None or after is not None):
        raise BadInput("what to compare is not clear", "packs, or before and after")
    if (before is None) != (after is None):
        raise BadInput("only one of before and after", "both")
    if before is not None and after is not None:
        from bmslogs.findings.compare import compare_before_after

        first, last = (x if isinstance(x, Diagnosis) else diagnose(x, store=store) for x in (before, after))
        described = first._pack or kept_store(store).pack(str(first.pack["id"]))
        return Comparison(compare_before_after(first._made, last._made, described))
    from bmslogs.findings.compare import compare_packs

    kept = kept_store(store)
    told = {pack: answers.log_answers(kept, pack) for pack in packs}
    return Comparison(compare_packs(told, {pack: kept.pack(pack) for pack in told}))


def plan(log: stored_logs.Log | Place, *, store: Store | Place | None = None) -> Plan:
    """Say which log to take next, cheapest first, and how close its answer would come.

    Parameters
    ----------
    log
        A log that was read, or its id in the store.
    store
        As for `open_store`.

    Returns
    -------
    The plan: `steps`, `left_open`, `bench`.

    Raises
    ------
    BmsLogsError
        There is no such log, or it has no current.

    Examples
    --------
    >>> import bmslogs
    >>> next_logs = bmslogs.plan("20260516")
    >>> next_logs.to_frame()["log"].tolist()[0]
    'charge'
    """
    from bmslogs.analysis.planner import plan as planned
    from bmslogs.faces.on_bench import bench_of

    answer = diagnose(log, store=store)
    assert answer._read is not None
    read = answer._read()
    return Plan(read.id, planned(read, answer._made), bench_of(answer._made, read.pack))


def diagnose_store(
    store: Store | Place | None = None,
    *,
    packs: Sequence[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[str], None] | None = None,
) -> StoreRun:
    """Diagnose every log of a store that has no current diagnosis, on all cores or on a cluster.

    A script needs no ``if __name__ == "__main__"`` for it: the workers do not run the script again.

    Parameters
    ----------
    store
        As for `open_store`; or the address of a store on another filesystem, such as ``s3://bucket/store``.
    packs
        Ids of the packs to weigh; None for all.
    workers
        Processes on this machine; None for one a core.
    scheduler
        Address of a Dask scheduler whose workers reach the same store.
    progress
        Called with the id of each log that is finished.

    Returns
    -------
    What became of each log (`outcomes`), and one line a pack (`packs`).

    Raises
    ------
    BmsLogsError
        There is no such store, or no such scheduler.

    Examples
    --------
    >>> import bmslogs
    >>> run = bmslogs.diagnose_store("bms_store", workers=2)
    >>> set(run.to_frame()["status"]) <= {"done", "known"}
    True
    """
    from bmslogs.faces.places import ADDRESS
    from bmslogs.fleet import diagnose_store as run_over
    from bmslogs.fleet import overview

    if isinstance(store, Store):
        root = str(store.root)
    else:
        root = str(store or os.environ.get("BMSLOGS_STORE") or DEFAULT_STORE)
    if not ADDRESS.match(root):
        kept_store(root)
    made = run_over(root, packs=packs, workers=workers, scheduler=scheduler, progress=progress)
    return StoreRun(made, tuple(overview(root)))


def _stored(kept: _Store, log_id: str) -> Diagnosis:
    return _of(kept, answers.answer(kept, log_id))


def _of(kept: _Store, made: _Diagnosis) -> Diagnosis:
    log_id = str(made.log["id"])
    return Diagnosis(
        made,
        kept.pack(str(made.pack["id"])),
        (),
        lambda: Log.of(stored_logs.read_log(kept.log_path(log_id), extra=False)),
    )
