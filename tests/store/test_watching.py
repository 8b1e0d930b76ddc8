"""A watched folder: files come in, grow, wait, are named once; a kill leaves the store whole."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from bmslogs.base.errors import StoreError
from bmslogs.store import Store
from bmslogs.store.order import bring_back, in_bin, move_log, remove_log, rename_vehicle
from bmslogs.store.watching import Watch, watch
from tests.importers.recordings.kinds import KINDS, typed
from tests.importers.writing import Dialect, drive, pack_for, write

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "in"
    made.mkdir()
    return made


def lines_for(tmp_path: Path, rows: int = 300) -> tuple[list[bytes], object]:
    truth = drive(rows=rows)
    (tmp_path / "made").mkdir(exist_ok=True)
    return write(truth, Dialect(), tmp_path / "made").read_bytes().splitlines(keepends=True), pack_for(truth)


def watching(tmp_path: Path, folder: Path, pack: object) -> Watch:
    return Watch(Store(tmp_path / "store"), folder, pack)  # type: ignore[arg-type]


def test_new_files_come_in_and_one_that_grows_stays_one_log(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    assert one.look(0.0) == []
    log = folder / "drive.csv"
    log.write_bytes(b"".join(lines[:200]) + lines[200][:5])
    (new,) = one.look(1.0)
    assert (new.what, new.log.rows if new.log else 0) == ("new", 199)
    assert one.look(2.0) == []
    log.write_bytes(b"".join(lines))
    (grown,) = one.look(3.0)
    assert grown.what == "grown" and grown.log and new.log and grown.log.id == new.log.id
    assert [e.rows for e in one.store.logs()] == [300]
    again = watching(tmp_path, folder, pack)  # the program was started anew
    assert [e.what for e in again.look(0.0)] == ["known"]


def test_a_last_line_without_its_end_is_a_line_once_the_file_rests(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    (folder / "drive.csv").write_bytes(b"".join(lines).rstrip())
    assert [e.log.rows for e in one.look(0.0) if e.log] == [299]
    assert one.look(5.0) == []
    assert [e.log.rows for e in one.look(11.0) if e.log] == [300]
    assert one.look(30.0) == []


def test_a_refused_file_is_named_once_when_it_rests(tmp_path: Path, folder: Path) -> None:
    _, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    (folder / "letter.txt").write_text("Dear workshop,\nthe pack is fine.\n", encoding="utf-8")
    assert one.look(0.0) == []
    told = [e for t in range(1, 60) for e in one.look(float(t))]
    assert [(e.what, Path(e.file).name) for e in told] == [("refused", "letter.txt")]
    assert "\n" not in told[0].says


def test_a_file_too_short_to_tell_is_tried_again_as_it_grows(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    told = []
    for k, end in enumerate((1, 2, 3, 10, 120, 300)):
        (folder / "drive.csv").write_bytes(b"".join(lines[:end]))
        told += one.look(float(k))
    assert {e.what for e in told} <= {"new", "grown"} and one.store.logs()[0].rows == 299


def test_a_packed_file_waits_until_it_is_whole(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    data = gzip.compress(b"".join(lines))
    (folder / "drive.csv.gz").write_bytes(data[: len(data) // 2])
    assert one.look(0.0) == [] and one.look(1.0) == []
    (folder / "drive.csv.gz").write_bytes(data)
    assert one.look(1.5) == []
    assert [e.what for e in one.look(4.0)] == ["new"]
    assert one.look(9.0) == []


def test_a_shrunk_file_is_said_once_and_taken_as_new(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    log = folder / "drive.csv"
    log.write_bytes(b"".join(lines))
    one.look(0.0)
    log.write_bytes(lines[0] + b"".join(lines[150:290]))
    told = [e for t in (1.0, 2.0, 3.0) for e in one.look(t)]
    assert [e.what for e in told] == ["replaced", "new"]
    assert sorted(e.rows for e in one.store.logs()) == [140, 300]


def test_what_the_store_could_not_take_is_tried_again(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    (folder / "drive.csv").write_bytes(b"".join(lines))

    def full(*_: object) -> None:
        raise StoreError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(Store, "commit", full)
        for now in (0.0, 11.0):
            with pytest.raises(StoreError):
                one.look(now)
    assert one.store.logs() == []
    assert [e.what for t in (12.0, 13.0, 30.0) for e in one.look(t)] == ["new"]
    assert one.store.logs()[0].rows == 300


def test_a_removed_log_and_a_missing_folder_are_said_once(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    log = folder / "drive.csv"
    log.write_bytes(b"".join(lines[:200]))
    one.look(0.0)
    one.store.remove(one.store.logs()[0].id)
    log.write_bytes(b"".join(lines))
    assert [e.what for t in (1.0, 2.0, 20.0) for e in one.look(t)] == ["removed"]
    log.unlink()
    folder.rmdir()
    assert [e.what for t in (21.0, 22.0) for e in one.look(t)] == ["no folder"]


def test_the_loop_hears_of_changes_and_stops(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    stop, told = threading.Event(), []
    thread = threading.Thread(target=watch, args=(watching(tmp_path, folder, pack), told.append, stop, 1.0))
    thread.start()
    try:
        time.sleep(0.3)
        (folder / "drive.csv").write_bytes(b"".join(lines))
        until = time.monotonic() + 60
        while not told and time.monotonic() < until:
            time.sleep(0.05)
    finally:
        stop.set()
        thread.join(30)
    assert [e.what for e in told] == ["new"] and not thread.is_alive()


def test_killed_at_any_moment_the_store_is_whole_and_the_watch_goes_on(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path, 3000)
    store = tmp_path / "store"
    Store(store).save_pack(pack)  # type: ignore[arg-type]
    log = folder / "drive.csv"
    log.write_bytes(b"".join(lines[:100]))
    command = [
        sys.executable,
        "-m",
        "bmslogs",
        "watch",
        str(folder),
        "--pack",
        "heron-main",
        "--every",
        "0.2",
    ]
    at = 100
    for seconds in (1.7, 2.3, 3.1):
        program = subprocess.Popen([*command, "--store", str(store)], cwd=ROOT, stdout=subprocess.DEVNULL)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            with log.open("ab") as handle:
                handle.write(b"".join(lines[at : at + 7]))
            at += 7
            time.sleep(0.03)
        program.kill()
        program.wait(30)
        found = Store(store)
        assert found.check().problems == ()
        assert len(found.logs()) <= 1
    with log.open("ab") as handle:
        handle.write(b"".join(lines[at:]))
    one = watching(tmp_path, folder, pack)
    one.look(last=True)
    assert [e.rows for e in one.store.logs()] == [3000]
    assert one.store.check().problems == ()


@pytest.mark.parametrize("kind", ["xlsx", "parquet", "JSON lines", "ods"])
def test_a_recording_waits_until_it_is_whole_and_is_refused_by_no_half(
    tmp_path: Path, folder: Path, kind: str
) -> None:
    truth = drive(rows=60)
    write_kind, name = KINDS[kind]
    whole = write_kind(typed(truth), tmp_path / name).read_bytes()
    one = watching(tmp_path, folder, pack_for(truth))
    (folder / name).write_bytes(whole)
    assert [e.what for t in (0.0, 1.0, 31.0, 33.0) for e in one.look(t)] == ["new"]


@pytest.mark.parametrize("packed", [False, True])
def test_a_watch_that_begins_anew_leaves_removed_and_moved_logs_alone(
    tmp_path: Path, folder: Path, packed: bool
) -> None:
    """The log of a file that grew keeps the name that its first bytes gave."""
    lines, pack = lines_for(tmp_path)
    if packed:
        (folder / "drive.csv.gz").write_bytes(gzip.compress(b"".join(lines)))
    one = watching(tmp_path, folder, pack)
    for end in (150, 300) if not packed else ():
        (folder / "drive.csv").write_bytes(b"".join(lines[:end]))
        one.look(float(end))
    one.look(400.0, last=True)
    one.close()
    store = one.store
    store.save_pack(pack.model_copy(update={"id": "plover-main", "vehicle": "Plover"}))  # type: ignore[attr-defined]

    def told_anew() -> list[str]:
        again = watching(tmp_path, folder, pack)
        events = [e for t in (3.0, 20.0, 40.0) for e in again.look(t)]
        again.close()
        assert {e.what for e in events} <= {"removed", "known"}
        return [e.says for e in events]

    (entry,) = store.logs()
    remove_log(store, entry.id)
    assert ["taken out" in says for says in told_anew()] == [True] and store.logs() == []
    bring_back(store, entry.id)
    assert told_anew() == [""]
    move_log(store, entry.id, "plover-main")
    assert ["moved to Plover (plover-main)" in says for says in told_anew()] == [True]
    assert [e.pack for e in store.logs()] == ["plover-main"]
    # whatever is done to it there, it is the log of this file
    store.save_pack(pack.model_copy(update={"id": "wren-main", "vehicle": "Wren"}))  # type: ignore[attr-defined]
    move_log(store, store.logs()[0].id, "wren-main")
    assert ["moved to Wren (wren-main)" in says for says in told_anew()] == [True]
    remove_log(store, store.logs()[0].id)
    assert ["taken out" in says for says in told_anew()] == [True] and store.logs() == []
    bring_back(store, in_bin(store)[0].log)
    assert ["moved to Wren (wren-main)" in says for says in told_anew()] == [True]
    assert [e.pack for e in store.logs()] == ["wren-main"]


def test_what_a_killed_watch_left_is_removed_by_the_next(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, pack = lines_for(tmp_path)
    system = tmp_path / "system"
    left = [
        system / "bmslogs-watch-abc" / "drive.csv", system / "bmslogs-x1.tsv",
        tmp_path / "store" / "_incoming" / "7-ab.parquet", tmp_path / "store" / "__index.json.7-01234567",
        tmp_path / "store" / "_answers" / "heron-main" / "_a.json.77-0123abcd",
    ]  # fmt: skip
    kept = [system / "bmslogs-report.csv", tmp_path / "store" / "_remarks" / "heron-main" / "_pack.json"]
    monkeypatch.setattr("tempfile.tempdir", str(system))
    for path in (*left, *kept):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x", encoding="utf-8")
    watching(tmp_path, folder, pack).close()
    assert all(p.exists() for p in (*left, *kept))
    for off in (2 * 86_400, -2 * 86_400):
        for path in (*left, *kept):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("x", encoding="utf-8")
            os.utime(path, (time.time() - off,) * 2)
            if path.parent.name.startswith("bmslogs-watch"):
                os.utime(path.parent, (time.time() - off,) * 2)
        watching(tmp_path, folder, pack).close()
        assert not any(p.exists() for p in left) and all(p.exists() for p in kept)


def test_a_watch_follows_what_somebody_changes_of_the_pack(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    log = folder / "drive.csv"
    for k, end in enumerate((100, 200)):
        log.write_bytes(b"".join(lines[:end]))
        one.look(float(k))
    rename_vehicle(one.store, "Heron", "Golden Heron")
    log.write_bytes(b"".join(lines))
    for t in (3.0, 4.0, 20.0):
        one.look(t)
    one.close()
    (entry,) = one.store.logs()
    assert (entry.rows, entry.vehicle, one.store.pack(entry.pack).vehicle) == (
        300,
        "Golden Heron",
        "Golden Heron",
    )
    assert one.store.check().problems == ()


def test_a_log_that_grew_keeps_a_sound_name_when_it_is_moved(tmp_path: Path, folder: Path) -> None:
    lines, pack = lines_for(tmp_path)
    one = watching(tmp_path, folder, pack)
    for k, end in enumerate((100, 300)):
        (folder / "drive.csv").write_bytes(b"".join(lines[:end]))
        one.look(float(k))
    one.close()
    one.store.save_pack(pack.model_copy(update={"id": "plover-main", "vehicle": "Plover"}))  # type: ignore[attr-defined]
    move_log(one.store, one.store.logs()[0].id, "plover-main")
    assert one.store.check().problems == ()
