"""A file that grows: whatever the steps, its rows are those of one import of the whole."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.recognise import look
from bmslogs.importers.text.dialect import HEAD_BYTES
from bmslogs.store import Store
from bmslogs.store.files import read_metadata
from bmslogs.store.growing import CannotGrow, GrowingLog, WasRemoved, WasReplaced
from tests.importers.writing import Dialect, Truth, drive, pack_for, write

SAID = ("bmslogs.seal", "bmslogs.first_sha256", "bmslogs.first_start")


def grown(
    data: bytes, cuts: list[int], pack: Pack, folder: Path, name: str = "log.csv"
) -> tuple[Store, GrowingLog]:
    """Let a file grow to `data` in steps; refusals on the way are those of a file that is too short."""
    folder.mkdir(parents=True, exist_ok=True)
    store, path = Store(folder / "store"), folder / name
    (folder / "copy").mkdir()
    path.write_bytes(b"")
    log = GrowingLog(store, path, pack, Profile(), None, folder / "copy")
    at = 0
    for cut in [*sorted(c for c in cuts if c < len(data)), len(data)]:
        with path.open("ab") as handle:
            handle.write(data[at:cut])
        at = cut
        try:
            log.read(whole=cut == len(data))
        except BadInput:
            if cut == len(data):
                raise
    return store, log


def once(data: bytes, pack: Pack, folder: Path, name: str = "log.csv") -> tuple[Store, list[str]]:
    folder.mkdir(parents=True, exist_ok=True)
    path, store = folder / name, Store(folder / "store")
    path.write_bytes(data)
    report = store.import_files([path], pack)
    return store, [r.reason for r in report.refused]


def assert_one_log_as_that(one: Store, other: Store) -> None:
    """Rows, columns with their sources, and metadata are equal."""
    (a,), (b,) = one.logs(), other.logs()
    mine, theirs = pq.read_table(a.path), pq.read_table(b.path)
    assert mine.schema.equals(theirs.schema)
    assert [f.metadata for f in mine.schema] == [f.metadata for f in theirs.schema]
    assert mine.equals(theirs)
    told, wanted = read_metadata(a.path), read_metadata(b.path)
    for key in wanted:
        if key not in SAID:
            assert told[key] == wanted[key], key


DIALECTS = {
    "plain": Dialect(),
    "comma": Dialect(delimiter=";", decimal=","),
}


def bytes_of(truth: Truth, folder: Path, dialect: Dialect) -> bytes:
    folder.mkdir(parents=True, exist_ok=True)
    return write(truth, dialect, folder).read_bytes()


@pytest.mark.parametrize("name", DIALECTS)
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    shares=st.lists(st.floats(0, 1), max_size=6),
    rows=st.integers(30, 500),
    seed=st.integers(0, 10_000),
    cut_end=st.booleans(),
)
def test_any_growth_is_the_one_import(
    tmp_path: Path, name: str, shares: list[float], rows: int, seed: int, cut_end: bool
) -> None:
    folder = tmp_path / f"{random.Random(f'{shares}{rows}{seed}{cut_end}').getrandbits(60)}"
    truth = drive(rows=rows, seed=seed)
    data = bytes_of(truth, folder, DIALECTS[name])
    data = data[:-7] if cut_end else data
    pack = pack_for(truth)
    whole, refused = once(data, pack, folder / "once")
    try:
        store, _ = grown(data, [int(s * len(data)) for s in shares], pack, folder / "grown")
    except BadInput:
        assert refused
        return
    assert not refused
    assert_one_log_as_that(store, whole)


def long_log(rows: int = 13000, cells: int = 24) -> Truth:
    """Over two megabytes of text: several blocks that will not change."""
    return drive(rows=rows, cells=cells)


@pytest.mark.parametrize("steps", [3, 17])
def test_blocks_that_do_not_change_are_parsed_once(tmp_path: Path, steps: int) -> None:
    truth = long_log()
    data = bytes_of(truth, tmp_path / "made", Dialect())
    assert len(data) > 1 << 21
    pack = pack_for(truth)
    whole, _ = once(data, pack, tmp_path / "once")
    cuts = [k * len(data) // steps for k in range(1, steps)]
    store, log = grown(data, cuts, pack, tmp_path / "grown")
    assert_one_log_as_that(store, whole)
    if steps == 17:
        assert log.parsed < 1.6 * (1 << 20)  # the open block and the last that closed, of one pass
    assert pq.ParquetFile(store.logs()[0].path).metadata.num_row_groups > 1
    assert store.check().problems == ()


def test_odd_rows_on_the_way_come_out_alike(tmp_path: Path) -> None:
    truth = long_log(12000, 16)
    lines = bytes_of(truth, tmp_path / "made", Dialect()).decode().splitlines(keepends=True)
    lines[2000] = "# logger woke\n"
    lines[3000] = lines[3000][: len(lines[3000]) // 2] + "\n"
    lines[4000:4000] = [lines[0]]
    lines[5000] = lines[5000].replace(lines[5000].split(",")[3], "65535", 1)
    data = "".join(lines).encode()
    pack = pack_for(truth)
    whole, refused = once(data, pack, tmp_path / "once")
    assert not refused
    store, _ = grown(data, [k * len(data) // 9 for k in range(1, 9)], pack, tmp_path / "grown")
    assert_one_log_as_that(store, whole)
    assert len(json.loads(read_metadata(store.logs()[0].path)["bmslogs.repairs"])) >= 2


def test_id_and_notes_stay_and_the_old_answer_goes(tmp_path: Path) -> None:
    truth = drive(rows=600)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    pack = pack_for(truth)
    store, log = grown(data[: len(data) // 2], [], pack, tmp_path / "grown")
    (before,) = store.logs()
    store.save_answer({"method": "1"}, before.id)
    with log.path.open("ab") as handle:
        handle.write(data[len(data) // 2 :])
    told = log.read()
    (after,) = store.logs()
    assert told is not None and told.status == "grown"
    assert after.id == before.id and after.rows > before.rows
    assert store.answer(after.id) is None
    assert store.check().problems == ()


def test_a_cut_last_line_waits_for_the_rest(tmp_path: Path) -> None:
    truth = drive(rows=300)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    lines = data.splitlines(keepends=True)
    folder = tmp_path / "grown"
    (folder / "copy").mkdir(parents=True)
    path, store = folder / "log.csv", Store(folder / "store")
    path.write_bytes(b"".join(lines[:250]) + lines[250][:9])
    log = GrowingLog(store, path, pack_for(truth), Profile(), None, folder / "copy")
    log.read()
    assert store.logs()[0].rows == 249 and store.logs()[0].repairs == ()
    assert log.read() is None
    path.write_bytes(b"".join(lines[:251]))
    log.read()
    assert store.logs()[0].rows == 250 and store.logs()[0].repairs == ()


def test_another_process_goes_on_where_one_stopped(tmp_path: Path) -> None:
    truth = drive(rows=600)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    pack = pack_for(truth)
    store, log = grown(data[: len(data) // 2], [], pack, tmp_path / "grown")
    held = store.logs()[0].id
    log.path.write_bytes(data)
    (tmp_path / "second").mkdir()
    again = GrowingLog(store, log.path, pack, Profile(), None, tmp_path / "second")
    told = again.read()
    assert told is not None and (told.id, told.status) == (held, "grown")
    assert_one_log_as_that(store, once(data, pack, tmp_path / "once")[0])


def test_a_shrunk_or_replaced_file_is_no_longer_that_log(tmp_path: Path) -> None:
    truth = drive(rows=400)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    _, log = grown(data, [], pack_for(truth), tmp_path / "grown")
    log.path.write_bytes(data[: len(data) // 3])
    with pytest.raises(WasReplaced):
        log.read()
    log.path.write_bytes(data.replace(b"2026", b"2025") + data)
    with pytest.raises(WasReplaced):
        log.read()


def test_a_removed_log_is_not_put_back(tmp_path: Path) -> None:
    truth = drive(rows=400)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    store, log = grown(data[: len(data) // 2], [], pack_for(truth), tmp_path / "grown")
    store.remove(store.logs()[0].id)
    with log.path.open("ab") as handle:
        handle.write(data[len(data) // 2 :])
    with pytest.raises(WasRemoved):
        log.read()
    assert store.logs() == []


def test_newest_row_first_is_left_to_the_whole_import(tmp_path: Path) -> None:
    truth = drive(rows=300)
    head, *rows = bytes_of(truth, tmp_path / "made", Dialect()).splitlines(keepends=True)
    with pytest.raises(CannotGrow):
        grown(head + b"".join(rows[::-1]), [], pack_for(truth), tmp_path / "grown")


def test_a_write_that_fails_leaves_the_log_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    truth = drive(rows=400)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    store, log = grown(data[: len(data) // 2], [], pack_for(truth), tmp_path / "grown")
    before = store.logs()[0].path.read_bytes()
    with log.path.open("ab") as handle:
        handle.write(data[len(data) // 2 :])

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(Exception, match="disk is full"):
            log.read()
    assert store.logs()[0].path.read_bytes() == before
    assert not list((store.root / "_incoming").glob("*"))


def test_an_import_of_the_longer_file_takes_the_place_and_the_shorter_is_known(tmp_path: Path) -> None:
    truth = drive(rows=600)
    data = bytes_of(truth, tmp_path / "made", Dialect())
    lines = data.splitlines(keepends=True)
    store, path, pack = Store(tmp_path / "store"), tmp_path / "log.csv", pack_for(truth)
    path.write_bytes(b"".join(lines[:301]))
    first = store.import_files([path], pack).logs[0]
    other = tmp_path / "copied.csv"
    other.write_bytes(data)
    second = store.import_files([other], pack).logs[0]
    assert (second.status, second.id, len(store.logs())) == ("new", first.id, 1)
    assert any("takes its place" in n for n in second.notes) and not any("shares" in n for n in second.notes)
    again = store.import_files([path], pack).logs[0]
    assert (again.status, again.id, again.rows) == ("known", first.id, 600)
    assert store.check().problems == ()
    assert store.import_files([other], pack).logs[0].status == "known"


def test_the_beginning_of_a_file_that_grows_is_made_out_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    made_out = look.sniff
    monkeypatch.setattr(
        look, "sniff", lambda head, *more: (asked.append(len(head)), made_out(head, *more))[1]
    )
    look._sniffed.cache_clear()
    truth = drive(rows=900, cells=96)
    data = bytes_of(truth, tmp_path, Dialect())
    assert len(data) > 2 * HEAD_BYTES
    pack = pack_for(truth)
    cuts = [HEAD_BYTES // 2, HEAD_BYTES + 90_000, HEAD_BYTES + 150_000, HEAD_BYTES + 200_000]
    one, _ = grown(data, cuts, pack, tmp_path / "grown")
    assert len(asked) == 2 and asked[1] == HEAD_BYTES  # before it was whole, and once it was
    other, refused = once(data, pack, tmp_path / "once")
    assert not refused
    assert_one_log_as_that(one, other)
