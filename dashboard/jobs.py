"""Work behind the page: files are inspected and brought in by a thread of their own, one after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from bmslogs.base.errors import BadInput, BadProfile, BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.base.toml import NotToml, parse_toml
from bmslogs.importers.can.into_table import NO_SIGNALS

if TYPE_CHECKING:
    from bmslogs.store import Store

State = Literal["waiting", "inspecting", "confirm", "importing", "done", "refused"]
BUSY = ("waiting", "inspecting", "importing")


@dataclass(frozen=True)
class Job:
    """One file on its way into the store.

    Attributes
    ----------
    token, name, path
        Its key, its name as the reader knows it, where it lies meanwhile.
    state
        Where it is on its way.
    pack
        Id of the pack that it is of; empty until chosen.
    modules
        Names of the modules that were logged, where the pack was split; empty for the whole pack.
    profile
        Mapping as profile text, as inspected or as changed by the reader.
    inspection
        What the columns were taken for.
    changed
        Whether the reader changed the mapping.
    says
        One line: the reason of a refusal, or what came of it.
    fraction
        Done 0..1 while importing.
    log_id, rows, repairs, notes
        Of a log that was brought in.
    """

    token: str
    name: str
    path: Path
    state: State = "waiting"
    pack: str = ""
    modules: tuple[str, ...] = ()
    profile: str = ""
    inspection: Any = None
    changed: bool = False
    says: str = ""
    fraction: float = 0.0
    log_id: str = ""
    rows: int = 0
    repairs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    order: int = field(default=0, compare=False)


class Jobs:
    """All files brought in since the page was served, and the thread that works on them."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="bring-in")
        self.version = 0

    def all(self) -> list[Job]:
        """Return the files in the order in which they came."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda j: j.order)

    def get(self, token: str) -> Job | None:
        """Return one file."""
        with self._lock:
            return self._jobs.get(token)

    def busy(self) -> bool:
        """Return whether any file is being worked on."""
        return any(j.state in BUSY for j in self.all())

    def add(self, token: str, name: str, path: Path) -> None:
        """Take in a file that has arrived."""
        with self._lock:
            self._jobs[token] = Job(token, name, path, order=len(self._jobs))
            self.version += 1

    def claim(self) -> list[str]:
        """Take all files that nobody works on yet; each is given out once."""
        with self._lock:
            tokens = [t for t, j in self._jobs.items() if j.state == "waiting"]
            for token in tokens:
                self._jobs[token] = replace(self._jobs[token], state="inspecting")
            return tokens

    def change(self, token: str, **what: Any) -> None:
        """Change what is known of a file."""
        with self._lock:
            if token in self._jobs:
                self._jobs[token] = replace(self._jobs[token], **what)
                self.version += 1

    def drop(self, token: str) -> None:
        """Forget a file and remove its copy."""
        with self._lock:
            job = self._jobs.pop(token, None)
            self.version += 1
        if job is not None:
            job.path.unlink(missing_ok=True)

    def run(self, token: str, state: State, work: Callable[[Job], dict[str, Any]]) -> None:
        """Work on a file behind the page; what `work` returns is what changes, a `BmsLogsError` refuses the file."""
        self.change(token, state=state, says="", fraction=0.0)

        def task() -> None:
            job = self.get(token)
            if job is None:
                return
            try:
                self.change(token, **work(job))
            except BmsLogsError as error:
                self.change(token, state="refused", says=str(error))
            except Exception as error:  # a defect must not leave the file waiting for ever
                self.change(
                    token, state="refused", says=f"this program failed on the file: {type(error).__name__}"
                )
                raise

        self._worker.submit(task)


def inspect(
    jobs: Jobs,
    token: str,
    pack: Pack | None,
    profile_text: str = "",
    modules: Sequence[str] = (),
    store: Store | None = None,
) -> None:
    """Find out behind the page what a file's columns are; a signal database is kept with the pack."""
    known = tuple(modules) if pack else ()
    jobs.change(
        token,
        pack=pack.id if pack else "",
        modules=known,
        changed=bool(profile_text),
        **_typed(profile_text),
    )

    def work(job: Job) -> dict[str, Any]:
        from bmslogs.importers import inspect_file
        from bmslogs.importers.can.database import FORMATS

        if job.path.suffix.lower() in FORMATS:
            return _keep_signals(jobs, job, store, pack)
        signals = store.signals_of(pack) if store is not None and pack is not None else None
        found = inspect_file(
            job.path, pack=pack, profile=_profile(profile_text), modules=known or None, signals=signals
        )
        return {"state": "confirm", "inspection": found, "profile": profile_text or found.profile_toml()}

    jobs.run(token, "inspecting", work)


def _keep_signals(jobs: Jobs, job: Job, store: Store | None, pack: Pack | None) -> dict[str, Any]:
    """Keep a signal database with the pack, and look again at the recordings that lacked it."""
    from bmslogs.store.signals import KeptSignals

    if store is None or pack is None:
        raise BadInput(
            "is a signal database, kept with a pack", "the pack to be chosen above", file=job.name
        )
    kept = KeptSignals(store, pack, job.path)
    definitions = kept.definitions
    kept.keep()
    for other in jobs.all():
        if other.state == "refused" and NO_SIGNALS in other.says and other.pack in ("", pack.id):
            inspect(jobs, other.token, pack, modules=other.modules, store=store)
    count = len(definitions.messages) if definitions is not None else 0
    return {"state": "done", "says": f"signal database of {count} messages, kept with the pack for its recordings"}


def bring_in(jobs: Jobs, token: str, desk: Any, pack: Pack, profile_text: str = "") -> None:
    """Import a file behind the page and diagnose it."""

    def work(job: Job) -> dict[str, Any]:
        return _import(jobs, [job], desk, pack, profile_text)

    jobs.run(token, "importing", work)


def bring_in_together(
    jobs: Jobs, tokens: Sequence[str], desk: Any, pack: Pack, profile_text: str = ""
) -> None:
    """Import files behind the page as parts of one log and diagnose it.

    The first stands for the log afterwards; where one is refused, it keeps the reason and the others wait as before.
    """
    for token in tokens:
        jobs.change(token, state="importing", says="", fraction=0.0)

    def work(first: Job) -> dict[str, Any]:
        parts = [job for t in tokens if (job := jobs.get(t)) is not None]
        try:
            done = _import(jobs, parts, desk, pack, profile_text)
        except BaseException:
            _back(jobs, tokens[1:])
            raise
        if done["state"] == "done":
            for job in parts[1:]:
                jobs.drop(job.token)
            return {**done, "name": " + ".join(job.name for job in parts)}
        guilty = next((j for j in parts if j.path.name in str(done["says"])), parts[0])
        _back(jobs, [j.token for j in parts if j is not guilty])
        if guilty.token == first.token:
            return done
        jobs.change(guilty.token, **done)
        return {"state": "confirm"}

    jobs.run(tokens[0], "importing", work)


def _back(jobs: Jobs, tokens: Sequence[str]) -> None:
    for token in tokens:
        jobs.change(token, state="confirm", fraction=0.0)


def _import(jobs: Jobs, parts: list[Job], desk: Any, pack: Pack, profile_text: str) -> dict[str, Any]:
    """Import one log from its file or files; return what changes of the job that stands for it."""

    def progress(*done: Any) -> None:
        for part in parts:
            jobs.change(part.token, fraction=_fraction(done))

    report = desk.store.import_files(
        [j.path for j in parts],
        pack,
        _profile(profile_text),
        together=len(parts) > 1,
        modules=parts[0].modules or None,
        progress=progress,
    )
    if report.refused:
        return {"state": "refused", "says": str(report.refused[0].reason)}
    made = report.logs[0]
    desk.forget_answers()
    jobs.change(parts[0].token, fraction=0.9)
    reason = desk.diagnosis_or_reason(made.id)
    says = "known already" if made.status == "known" else "brought in"
    if isinstance(reason, str):
        says += f"; no diagnosis: {reason}"
    for job in parts:
        job.path.unlink(missing_ok=True)
    return {
        "state": "done",
        "says": says,
        "log_id": made.id,
        "rows": made.rows,
        "fraction": 1.0,
        "repairs": tuple(_sentence(r) for r in made.repairs),
        "notes": (*map(str, made.notes), *(f"It replaces log {old}." for old in made.replaces)),
    }


def _typed(profile_text: str) -> dict[str, str]:
    """Keep what the reader typed even where the file is refused for it."""
    return {"profile": profile_text} if profile_text else {}


def _sentence(repair: Any) -> str:
    return str(repair.get("says", repair)) if isinstance(repair, dict) else str(repair)


def _fraction(parts: tuple[Any, ...]) -> float:
    """Return the fraction done from what an importer reports: a fraction, or done and total."""
    numbers = [float(p) for p in parts if isinstance(p, int | float)]
    if len(numbers) >= 2 and numbers[1] > 0:
        return min(0.85, 0.85 * numbers[0] / numbers[1])
    return min(0.85, 0.85 * numbers[0]) if numbers else 0.4


def _profile(text: str) -> Any:
    """Read a profile from its text, None from none."""
    if not text.strip():
        return None
    from bmslogs.importers.plan.profile import parse_profile

    try:
        return parse_profile(parse_toml(text))
    except NotToml as error:
        raise BadProfile(str(error), "a profile in TOML") from None
