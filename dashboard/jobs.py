"""Work behind the page: files are inspected and brought in by a thread of their own, one after the other."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from bmslogs.base.errors import BadInput, BadProfile, BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.base.toml import NotToml, parse_toml
from bmslogs.importers.can.into_table import NO_SIGNALS
from dashboard.mapping import columns_of, profile_of
from dashboard.offered import Offer, offered, with_answer
from dashboard.remembered import recall, remember

if TYPE_CHECKING:
    from bmslogs.store import Store

State = Literal["waiting", "inspecting", "confirm", "queued", "importing", "done", "refused"]
BUSY = ("waiting", "inspecting", "queued", "importing")
QUEUE = ("queued", "importing")
TAKEN_BACK = "Cancelled: nothing of it was stored."
FIRST_GUESS_S = 1.0
"""Choice [s]: until then an import's own pace says nothing of the time that is left."""


OPEN_CARDS = 4
"""Choice: more files at once than these lie folded where they ask nothing; their tables would hold the page up."""


LOCAL_CLOCKS = ("stamp", "two", "strptime")
"""Kinds of clocks that say date and time of day; what counts from a start is dated by its profile."""
ZONED = re.compile(r":\d\d(?:[.,]\d+)?\s*(?:Z|UTC|GMT|[+-]\d\d(?::?\d\d)?)$", re.IGNORECASE)
"""A stamp that says its own zone."""


class Cancelled(Exception):
    """The reader took an import back."""


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
    log_id, rows, repairs, notes, start, end
        Of a log that was brought in.
    chosen
        What the reader chose columns to be: role and unit by index.
    sign
        ``positive`` or ``negative``: what the reader chose as the logger's sign of discharge.
    apart
        Whether every column has its own drop-downs.
    picture, answer
        The sign as a picture (an address that holds it), and which way the cells go where the current goes up.
    remembered
        File and day that the mapping was kept for, empty where none is used.
    folded
        Whether its columns wait behind a button: one of many files that ask nothing.
    looking, cancelled
        Whether its columns are being looked at again; whether the reader took it back.
    stamp
        Counts what changed but how far it is.
    size
        Of the file [bytes].
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
    start: Any = None
    end: Any = None
    chosen: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    sign: str = ""
    apart: bool = False
    picture: str = ""
    answer: str = ""
    remembered: str = ""
    folded: bool = False
    looking: bool = False
    cancelled: bool = False
    stamp: int = 0
    size: int = 0
    order: int = field(default=0, compare=False)

    @property
    def busy(self) -> bool:
        """Whether it is being worked on."""
        return self.state in BUSY or self.looking


class Jobs:
    """All files brought in since the page was served, and the thread that works on them."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="bring-in")
        self._looker = ThreadPoolExecutor(1, thread_name_prefix="look-at")
        self._began: tuple[str, float] = ("", 0.0)
        self._paced = (0, 0.0)
        self._count = 0
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
        return any(j.busy for j in self.all())

    def unconfirmed(self) -> int:
        """Return how many files are looked at or wait to be confirmed."""
        return sum(j.state in ("waiting", "inspecting", "confirm") for j in self.all())

    def left_s(self) -> float | None:
        """Return about how long the queue will take [s], None where nothing tells yet."""
        queue = [j for j in self.all() if j.state in QUEUE]
        size, seconds = self._paced
        token, began = self._began
        running = next((j for j in queue if j.token == token and j.fraction > 0), None)
        took = time.monotonic() - began
        if running is not None and took > FIRST_GUESS_S:
            size, seconds = size + int(running.size * running.fraction), seconds + took
        if not queue or not size or not seconds:
            return None
        return sum(j.size * (1.0 - j.fraction) for j in queue) * seconds / size

    def add(self, token: str, name: str, path: Path) -> None:
        """Take in a file that has arrived."""
        with self._lock:
            size = path.stat().st_size if path.exists() else 0
            self._count += 1
            self._jobs[token] = Job(token, name, path, order=self._count, size=size)
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
                job = self._jobs[token]
                more: dict[str, Any] = {} if set(what) <= {"fraction"} else {"stamp": job.stamp + 1}
                self._jobs[token] = replace(job, **what, **more)
                self.version += 1

    def cancel(self, token: str) -> None:
        """Take an import back: it stops at the next piece of the file, and waits to be confirmed again."""
        job = self.get(token)
        if job is not None and job.state in QUEUE:
            self.change(token, cancelled=True)

    def put_away(self) -> None:
        """Forget all files that are done."""
        for job in self.all():
            if job.state == "done":
                self.drop(job.token)

    def drop(self, token: str) -> None:
        """Forget a file and remove its copy."""
        with self._lock:
            job = self._jobs.pop(token, None)
            self.version += 1
        if job is not None:
            job.path.unlink(missing_ok=True)

    def run(self, token: str, state: State, work: Callable[[Job], dict[str, Any]]) -> None:
        """Work on a file behind the page; what `work` returns is what changes, a `BmsLogsError` refuses the file."""
        importing = state == "importing"
        before = self.get(token)
        if before is None:
            return
        if not importing and before.state in ("confirm", "refused") and before.inspection is not None:
            self.change(token, looking=True)  # its card stays as it is meanwhile
        else:
            self.change(token, state="queued" if importing else state, says="", fraction=0.0, cancelled=False)

        def task() -> None:
            job = self.get(token)
            if job is None:
                return
            try:
                if importing:
                    self._refuse_cancelled(token)
                    self.change(token, state=state)
                    self._began = (token, time.monotonic())
                self.change(token, **{"says": "", "looking": False, **work(job)})
                if importing:
                    took = time.monotonic() - self._began[1]
                    self._paced = (self._paced[0] + job.size, self._paced[1] + took)
            except Cancelled:
                back: State = "confirm" if job.inspection is not None else "refused"
                self.change(token, state=back, says=TAKEN_BACK, fraction=0.0, cancelled=False)
            except BmsLogsError as error:
                self.change(token, state="refused", says=str(error), looking=False)
            except Exception as error:  # a defect must not leave the file waiting for ever
                says = f"this program failed on the file: {type(error).__name__}"
                self.change(token, state="refused", says=says, looking=False)
                raise

        (self._worker if importing else self._looker).submit(task)

    def _refuse_cancelled(self, token: str) -> None:
        job = self.get(token)
        if job is None or job.cancelled:
            raise Cancelled

    def reading(self, tokens: Sequence[str]) -> Callable[[int, int], None]:
        """Return what an import tells its bytes to: it moves the bar, and stops what was cancelled."""

        def told(done: int, total: int) -> None:
            for token in tokens:
                self._refuse_cancelled(token)
                self.change(token, fraction=READ_SHARE * done / max(total, 1))

        return told


READ_SHARE = 0.85
"""Share of an import that is reading; the rest is weighing (choice)."""


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
        from bmslogs.importers.can.database import FORMATS

        if job.path.suffix.lower() in FORMATS:
            return _keep_signals(jobs, job, store, pack)
        looked = _looked(job, pack, profile_text, known, store)
        folded = job.folded if job.inspection is not None else jobs.unconfirmed() > OPEN_CARDS
        return {**looked, "folded": folded and not looked["inspection"].problems}

    jobs.run(token, "inspecting", work)


def _looked(
    job: Job, pack: Pack | None, profile_text: str, modules: tuple[str, ...], store: Store | None
) -> dict[str, Any]:
    """Look at a file's columns, with the mapping that is kept for its logger where the reader gave none."""
    from bmslogs.importers import inspect_file

    signals = store.signals_of(pack) if store is not None and pack is not None else None

    def look(text: str) -> Any:
        return inspect_file(
            job.path, pack=pack, profile=_profile(text), modules=modules or None, signals=signals
        )

    found, remembered = look(profile_text), ""
    if not profile_text and store is not None and pack is not None:
        kept = recall(store.root, pack.id, [t.name for t in found.plan.columns])
        if kept is not None:
            found, profile_text = look(kept.profile), kept.profile
            remembered = f"{kept.file}, {kept.day}"
    picture = _picture(job.path, found) if job.inspection is None or not job.picture else None
    drawn = {} if picture is None else {"picture": picture.address(), "answer": picture.answer}
    return {
        "state": "confirm",
        "inspection": found,
        "profile": profile_text or found.profile_toml(),
        "changed": bool(profile_text),
        "remembered": remembered,
        "chosen": job.chosen if found.problems else {},
        "sign": _sign_of(profile_text),
        **drawn,
    }


def _picture(path: Path, found: Any) -> Any:
    """Return the picture of the sign; None where the file gives none."""
    from bmslogs.importers.recognise.look import look_at
    from dashboard.sign_picture import sign_picture

    if found.signals:
        return None
    try:
        job = look_at(path)
        return sign_picture(replace(job, plan=found.plan))
    except BmsLogsError:
        return None


def _sign_of(profile_text: str) -> str:
    """Return the sign that a profile says."""
    profile = _profile(profile_text)
    said = profile.current.discharge if profile is not None and profile.current is not None else None
    return said or ""


def choose(
    jobs: Jobs,
    token: str,
    pack: Pack | None,
    chosen: Mapping[int, tuple[str, str]],
    sign: str = "",
    store: Store | None = None,
) -> None:
    """Take what the reader chose of columns and sign, and look at the file again."""
    job = jobs.get(token)
    if job is None or job.inspection is None:
        return
    # all columns as they are meant, not those changed alone: a plan that is refused forgets what it took others for
    meant = columns_of(job.inspection.plan, {**job.chosen, **chosen})
    wanted = {c.index: (c.role, c.unit) for c in meant}
    before = job.profile if job.changed else ""
    text, wrong = profile_of(before, job.inspection.plan, wanted, sign or job.sign)
    jobs.change(token, chosen=wanted, sign=sign or job.sign, says=wrong)
    if not wrong and text:
        inspect(jobs, token, pack, text, job.modules, store)


def answer_question(jobs: Jobs, token: str, pack: Pack | None, line: str, store: Store | None = None) -> None:
    """Take an answer that a file's question offers, by its line, and look at the file again."""
    job = jobs.get(token)
    offer = next((o for o in offers_of(job) if o.line == line), None) if job is not None else None
    if job is None or job.busy or offer is None:
        return
    inspect(jobs, token, pack, with_answer(job.profile if job.changed else "", offer), job.modules, store)


def put_zone(jobs: Jobs, token: str, pack: Pack | None, zone: str, store: Store | None = None) -> None:
    """Take the zone in which a logger's clock stood, and look at the file again."""
    job = jobs.get(token)
    if job is None or job.busy or not by_local_clock(job) or job.inspection.plan.clock.zone == zone:
        return
    text = with_answer(job.profile if job.changed else "", Offer("zone", zone, zone))
    inspect(jobs, token, pack, text, job.modules, store)


def by_local_clock(job: Job) -> bool:
    """Whether the stamps of a file say date and time without the zone that they are of."""
    plan: Any = getattr(job.inspection, "plan", None)
    clock = plan.clock if plan is not None else None
    if clock is None or clock.kind not in LOCAL_CLOCKS or clock.base:
        return False
    shown = [t.examples[0] for t in plan.columns if t.index in clock.columns and t.examples]
    return not any(ZONED.search(text.strip()) for text in shown)


def offers_of(job: Job) -> tuple[Offer, ...]:
    """Return the answers that the questions of a file, or the reason of its refusal, offer."""
    lines = [job.says] if job.state == "refused" else list(getattr(job.inspection, "problems", ()) or ())
    return tuple(o for line in lines for o in offered(line))


def _keep_signals(jobs: Jobs, job: Job, store: Store | None, pack: Pack | None) -> dict[str, Any]:
    """Keep a signal database with the pack, and look again at the recordings that lacked it."""
    from bmslogs.store.signals import KeptSignals

    if store is None or pack is None:
        raise BadInput("is a signal database, kept with a pack", "the pack to be chosen above", file=job.name)
    kept = KeptSignals(store, pack, job.path)
    definitions = kept.definitions
    kept.keep()
    for other in jobs.all():
        if other.state == "refused" and NO_SIGNALS in other.says and other.pack in ("", pack.id):
            inspect(jobs, other.token, pack, modules=other.modules, store=store)
    count = len(definitions.messages) if definitions is not None else 0
    return {
        "state": "done",
        "says": f"signal database of {count} messages, kept with the pack for its recordings",
    }


def bring_in(jobs: Jobs, token: str, desk: Any, pack: Pack, profile_text: str = "") -> None:
    """Import a file behind the page and diagnose it."""

    text = _meant(jobs.get(token), profile_text)

    def work(job: Job) -> dict[str, Any]:
        done = _import(jobs, [job], desk, pack, text)
        if done["state"] == "done" and text and job.inspection is not None:
            names = [t.name for t in job.inspection.plan.columns]
            remember(desk.store.root, pack.id, names, text, job.name)
        return done

    jobs.run(token, "importing", work)


def bring_all_in(jobs: Jobs, desk: Any) -> int:
    """Import every file that is to be confirmed and asks nothing; return how many."""
    able = [j for j in jobs.all() if ready(j)]
    for job in able:
        pack = desk.pack(job.pack)
        if pack is not None:
            bring_in(jobs, job.token, desk, pack)
    return len(able)


def ready(job: Job) -> bool:
    """Whether a file can be brought in as it stands: its pack is chosen, and nothing is asked."""
    asked = list(getattr(job.inspection, "problems", ()) or ())
    return job.state == "confirm" and not job.looking and bool(job.pack) and not asked


def _meant(job: Job | None, typed: str) -> str:
    """Return the mapping that the reader chose or typed; empty where the file speaks for itself."""
    if typed:
        return typed
    return job.profile if job is not None and job.changed else ""


def bring_in_together(
    jobs: Jobs, tokens: Sequence[str], desk: Any, pack: Pack, profile_text: str = ""
) -> None:
    """Import files behind the page as parts of one log and diagnose it.

    The first stands for the log afterwards; where one is refused, it keeps the reason and the others wait as before.
    """
    for token in tokens:
        jobs.change(token, state="queued", says="", fraction=0.0)

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

    report = desk.store.import_files(
        [j.path for j in parts],
        pack,
        _profile(profile_text),
        together=len(parts) > 1,
        modules=parts[0].modules or None,
        read=jobs.reading([j.token for j in parts]),
    )
    if report.refused:
        return {"state": "refused", "says": str(report.refused[0].reason)}
    made = report.logs[0]
    desk.forget_answers()
    jobs.change(parts[0].token, fraction=0.9, start=made.start, end=made.end)
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


def _profile(text: str) -> Any:
    """Read a profile from its text, None from none."""
    if not text.strip():
        return None
    from bmslogs.importers.plan.profile import parse_profile

    try:
        return parse_profile(parse_toml(text))
    except NotToml as error:
        raise BadProfile(str(error), "a profile in TOML") from None
