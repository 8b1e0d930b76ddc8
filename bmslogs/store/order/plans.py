"""A change of several files: written down first, so that one that was interrupted is finished by whoever comes next."""

from __future__ import annotations

import contextlib
import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.store.files import folder_name, forget_given, store_errors, sync_folder, write_atomic
from bmslogs.store.given import given_file, given_in
from bmslogs.store.order.changes import Change, all_told
from bmslogs.store.order.relabel import Damaged, has_labels, relabelled

if TYPE_CHECKING:
    from bmslogs.store.store import Store

FOLDER = "_unfinished"
DERIVED = (("_history", "npz"), ("_estimates", "parquet"), ("_findings", "parquet"), ("_standing", "parquet"))
"""Folders and endings of what is gathered over a pack's logs; whoever needs it makes it again."""
VEHICLE_NAMED = DERIVED[1:]
"""Those of them that name the vehicle."""
SAID = ("_remarks", "_notes")
"""Folders with what people said of a log: notes, and judgements of its findings."""


@dataclass
class Step:
    """One log that gets other labels and, with them, perhaps another place.

    Attributes
    ----------
    source, target
        Places in the store, with ``/`` between folders.
    labels
        Metadata that it has afterwards.
    keep_answer
        Whether its diagnosis holds on (under another vehicle's name).
    """

    source: str
    target: str
    labels: dict[str, str]
    keep_answer: bool = False


@dataclass
class Plan:
    """A change of several files.

    Attributes
    ----------
    packs
        To be kept as described (their JSON).
    steps
        Logs to be labelled.
    changes
        What is told of them afterwards, by subject.
    folders
        Folders of vehicles that get another name: from, to.
    touched
        Ids of the packs whose logs lie in these.
    given
        Logs that get the description of the first of `packs`; they are not written again.
    """

    packs: list[str] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    changes: dict[str, Change] = field(default_factory=dict)
    folders: list[list[str]] = field(default_factory=list)
    touched: list[str] = field(default_factory=list)
    given: list[str] = field(default_factory=list)


def run(store: Store, plan: Plan) -> None:
    """Carry a plan out, the lock being held.

    Raises
    ------
    StoreError
        It cannot be carried out: nothing was changed, or the rest is done before the next change of the store.
    Damaged
        The others are done, but for a log whose readings cannot be read.
    """
    path = store.root / FOLDER / f"{secrets.token_hex(8)}.json"
    write_atomic(path, json.dumps(asdict(plan)))
    done: list[str] = []
    try:
        _carry_out(store, plan, done)
    except StoreError as error:
        if not done or isinstance(error, Damaged):
            path.unlink(missing_ok=True)
        raise
    with store_errors(path):
        path.unlink(missing_ok=True)


def finish(store: Store) -> int:
    """Finish what was interrupted, the lock being held; return how many plans there were."""
    count = 0
    for path in sorted((store.root / FOLDER).glob("*.json")):
        if path.name.startswith("_"):
            continue
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            changes = {k: Change(**c) for k, c in data["changes"].items()}
            plan = Plan(
                data["packs"], [Step(**s) for s in data["steps"]], changes, data.get("folders", []),
                data.get("touched", []), data.get("given", []),
            )  # fmt: skip
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue  # not written by this program
        with contextlib.suppress(Damaged):
            _carry_out(store, plan, [])
        with store_errors(path):
            path.unlink(missing_ok=True)
        count += 1
    return count


def _carry_out(store: Store, plan: Plan, done: list[str]) -> None:
    damaged: Damaged | None = None
    for source, target in plan.folders:
        rename_folder(store.root, source, target)
        done.append(source)
    for step in plan.steps:
        try:
            _take(store, step)
            done.append(step.source)
        except Damaged as error:
            damaged = error
    packs = [Pack.model_validate_json(text) for text in plan.packs]
    for pack in packs:
        store.save_pack(pack)
    labelled = {_names(p)[0] for s in plan.steps for p in (s.source, s.target)}
    if plan.given:
        _give(store.root, packs[0], plan.given)
        done += plan.given
        labelled.add(packs[0].id)
    named = {pack.id for pack in packs} | set(plan.touched)
    for name in labelled | named:
        drop_derived(store.root, name, DERIVED if name in labelled or not plan.folders else VEHICLE_NAMED)
    store._index.refresh()
    all_told(store, plan.changes)
    if damaged is not None:
        raise damaged


def _give(root: Path, pack: Pack, logs: Sequence[str]) -> None:
    """Give logs a description, whose answers of another one go."""
    folder = folder_name("pack", pack.id)
    write_atomic(given_file(root, folder), given_in(root, folder).with_logs(pack, logs).text())
    with store_errors(root):
        for log in logs:
            answer_file(root, pack.id, log).unlink(missing_ok=True)


def rename_folder(root: Path, source: str, target: str) -> None:
    """Give a vehicle's folder another name: in one step, or, where a folder of that name is left, part by part.

    One that was renamed already, wholly or in part, is only completed.

    Raises
    ------
    StoreError
        The system does not let it be renamed, as where a file in it is open; nothing was changed then.
    """
    with store_errors(root):
        _moved(root / source, root / target)
        sync_folder(root)


def _moved(source: Path, target: Path) -> None:
    if not source.is_dir():
        return
    if not target.exists() or source.samefile(target):  # the same folder: only capitals differ
        source.rename(target)
        return
    for part in sorted(source.iterdir()):
        if part.is_dir():
            _moved(part, target / part.name)
        else:
            part.replace(target / part.name)
    source.rmdir()


def _take(store: Store, step: Step) -> None:
    """Take one step; one that was taken already, wholly or in part, is only completed."""
    source, target = store.root / step.source, store.root / step.target
    arrived = target.exists() and has_labels(target, step.labels)
    if not arrived:
        if not source.exists():
            return  # it was removed or taken elsewhere since
        temporary = relabelled(store, source, step.labels)
        with store_errors(store.root):
            target.parent.mkdir(parents=True, exist_ok=True)
            temporary.replace(target)
            sync_folder(target.parent)
    for place in (step.source, step.target):  # it has a description of its own now
        forget_given(store.root, *_names(place))
    _carry_words(store.root, step)
    if step.source != step.target and source.exists() and not source.samefile(target):
        with store_errors(store.root):
            source.unlink(missing_ok=True)
        drop_empty(source.parent)


def _carry_words(root: Path, step: Step) -> None:
    """Let answer, notes and judgements follow a log; an answer of another pack or description goes."""
    (old_pack, old), (new_pack, new) = _names(step.source), _names(step.target)
    old_answer = root / "_answers" / old_pack / f"{old}.json"
    with store_errors(root):
        if step.keep_answer:
            _rename_in_answer(old_answer, step.labels["bmslogs.vehicle"])
        else:
            old_answer.unlink(missing_ok=True)
            (root / "_answers" / new_pack / f"{new}.json").unlink(missing_ok=True)
        if (old_pack, old) == (new_pack, new):
            return
        for folder in SAID:
            before, after = root / folder / old_pack / f"{old}.json", root / folder / new_pack / f"{new}.json"
            if before.exists():
                after.parent.mkdir(parents=True, exist_ok=True)
                before.replace(after)


def _rename_in_answer(path: Path, vehicle: str) -> None:
    """Write the vehicle's new name into a stored answer; one that cannot be read is made anew by whoever needs it."""
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        kept["answer"]["pack"]["vehicle"] = vehicle
    except FileNotFoundError:
        return
    except (OSError, ValueError, KeyError, TypeError):
        path.unlink(missing_ok=True)
        return
    write_atomic(path, json.dumps(kept))


def _names(place: str) -> tuple[str, str]:
    """Return pack, as its folders are named, and id of a log at a place."""
    folder, name = place.split("/")[-2:]
    return folder.removeprefix("pack="), name.removesuffix(".parquet")


def drop_derived(root: Path, pack: str, derived: Sequence[tuple[str, str]] = DERIVED) -> None:
    """Drop what was gathered over a pack's logs: it would go on telling of one that is gone."""
    name = folder_name("pack", pack).removeprefix("pack=")
    with store_errors(root):
        for folder, ending in derived:
            (root / folder / f"{name}.{ending}").unlink(missing_ok=True)


def drop_empty(folder: Path) -> None:
    """Remove a pack's folder, and its vehicle's, where no log is left in it."""
    with contextlib.suppress(OSError):
        folder.rmdir()
        folder.parent.rmdir()


def place_in(store: Store, path: Path) -> str:
    """Return where a file lies in the store."""
    return path.relative_to(store.root).as_posix()


def answer_file(root: Path, pack: str, log: str) -> Path:
    """Return where the diagnosis of a log lies."""
    return root / "_answers" / folder_name("pack", pack).removeprefix("pack=") / f"{log}.json"


def step_for(
    store: Store, path: Path, log: str, pack: Pack, labels: Mapping[str, str], *, keep_answer: bool
) -> Step:
    """Return the step that brings a log to the folder of a pack."""
    target = store.folder_of(pack) / f"{log}.parquet"
    return Step(place_in(store, path), place_in(store, target), dict(labels), keep_answer)
