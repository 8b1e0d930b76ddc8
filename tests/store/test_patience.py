"""A store that is asked often: its folders answer for the files in them, and no change is overlooked."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bmslogs.store import Store, index
from bmslogs.store.order import remove_log, rename_vehicle
from tests.importers.writing import Dialect, drive, pack_for, write

LONG_S = 1000.0


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A store of three logs in two packs whose folders have rested for an hour."""
    store = Store(tmp_path / "store")
    for n, pack_id in enumerate(("heron-main", "heron-main", "plover-main")):
        truth = drive(seed=n)
        folder = tmp_path / str(n)
        folder.mkdir()
        report = store.import_files(
            [write(truth, Dialect(), folder)], pack_for(truth, id=pack_id, vehicle=pack_id[:5])
        )
        assert not report.refused
    _rested(store.root)
    return store.root


def _rested(root: Path) -> None:
    then = time.time() - 3600
    for folder in [*root.glob("vehicle=*"), *root.glob("vehicle=*/pack=*")]:
        os.utime(folder, (then, then))


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The folders whose files were looked at."""
    seen: list[str] = []
    logs = index._logs

    def look(folder: str) -> list[tuple[str, list[int]]]:
        seen.append(folder)
        return logs(folder)

    monkeypatch.setattr(index, "_logs", look)
    monkeypatch.setattr(index, "PAUSE_S", 0.0)
    return seen


def test_files_are_looked_at_once_while_their_folders_rest(root: Path, counted: list[str]) -> None:
    patient = Store(root, LONG_S)
    first = patient.logs()
    patient.logs()  # the first reads them, the second finds them as they were
    counted.clear()
    assert patient.logs() == first == Store(root).logs() and len(first) == 3
    assert [p.id for p in patient.packs()] == ["heron-main", "plover-main"]
    assert len(counted) == 2  # by the impatient one


def _another(root: Path) -> None:
    truth = drive(seed=9)
    (root.parent / "9").mkdir()
    pack = pack_for(truth, id="heron-main", vehicle="heron")
    Store(root).import_files([write(truth, Dialect(), root.parent / "9")], pack)


def _grown(root: Path) -> None:
    (one, *_) = sorted(root.glob("vehicle=heron/pack=*/*.parquet"))
    aside = root / "_incoming" / "x.parquet"
    shutil.copy(one, aside)
    aside.replace(one)


CHANGES: dict[str, Callable[[Path], object]] = {
    "another log": _another,
    "a log that grew": _grown,
    "a log removed": lambda root: remove_log(Store(root), Store(root).logs()[0].id),
    "a vehicle renamed": lambda root: rename_vehicle(Store(root), "heron", "egret"),
    "the last log of a vehicle removed": lambda root: remove_log(
        Store(root), Store(root).logs("plover-main")[0].id
    ),
    "a folder taken away": lambda root: shutil.rmtree(root / "vehicle=plove"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_by_another_process_is_seen_at_once(root: Path, counted: list[str], change: str) -> None:
    patient = Store(root, LONG_S)
    for _ in range(3):
        patient.logs()
    CHANGES[change](root)
    assert patient.logs() == Store(root).logs()
    _rested(root)  # and what is changed after that is seen as well
    for _ in range(3):
        patient.logs()
    CHANGES["a log that grew" if change == "another log" else "another log"](root)
    assert patient.logs() == Store(root).logs()


def test_a_folder_that_changed_just_now_is_looked_into_each_time(root: Path, counted: list[str]) -> None:
    patient = Store(root, LONG_S)
    for _ in range(2):
        patient.logs()
    (root / "vehicle=heron" / "pack=heron-main").touch()
    counted.clear()
    for _ in range(3):
        patient.logs()
    assert len(counted) == 6  # two folders each time: it may have changed twice within the clock's step


def test_what_is_written_into_a_file_is_seen_after_a_while(root: Path, counted: list[str]) -> None:
    patient = Store(root, LONG_S)
    for _ in range(2):
        before = patient.logs()
    entry = before[0]
    entry.path.write_bytes(b"no log")
    assert patient.logs() == before
    patient.look_again()
    assert [e.id for e in patient.logs()] == [e.id for e in before[1:]]


def test_a_description_that_was_changed_is_read_anew(root: Path) -> None:
    patient, other = Store(root, LONG_S), Store(root)
    old = patient.pack("heron-main")
    assert patient.pack("heron-main") is old
    other.save_pack(old.model_copy(update={"design": "three-box"}))
    assert patient.pack("heron-main").design == "three-box"
    (root / "_packs" / "heron-main.json").unlink()
    assert patient.pack("heron-main").design is None  # as its oldest log tells it
