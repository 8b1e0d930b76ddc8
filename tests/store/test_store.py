"""The store: content-addressed, atomic, shared by processes, readable by others, mended from its files alone."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.writing import Dialect, assert_same, drive, imported, pack_for, refusal, write

ROOT = Path(__file__).resolve().parents[2]
D = Dialect()


def files_of(store: Path) -> list[Path]:
    return sorted(store.glob("vehicle=*/pack=*/*.parquet"))


def test_the_same_file_twice_is_one_log_and_says_so(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    first = store.import_files([path], pack_for(truth)).logs[0]
    copy = tmp_path / "renamed.csv"
    shutil.copy(path, copy)
    again = store.import_files([copy], pack_for(truth)).logs[0]
    assert (first.status, again.status) == ("new", "known") and first.id == again.id
    assert len(files_of(store.root)) == 1


def test_another_pack_makes_another_log(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    a = store.import_files([path], pack_for(truth)).logs[0]
    b = store.import_files([path], pack_for(truth, id="plover-main", vehicle="Plover")).logs[0]
    assert b.status == "new" and a.id != b.id
    assert [e.pack for e in store.logs()] == ["heron-main", "plover-main"] or len(store.logs()) == 2
    assert [e.id for e in store.logs("plover-main")] == [b.id]


def test_a_corrected_mapping_replaces_what_it_corrects(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    old = store.import_files([path], pack_for(truth)).logs[0]
    store.save_answer({"method": "1"}, old.id)
    profile = parse_profile({"time": {"zone": "Europe/Oslo"}})
    new = store.import_files([path], pack_for(truth), profile).logs[0]
    assert new.status == "new" and new.replaces == (old.id,) and any(old.id in n for n in new.notes)
    assert [e.id for e in store.logs()] == [new.id]
    assert not list((store.root / "_answers").rglob("*.json"))


def test_a_pack_file_that_changed_is_taken_over(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    store.import_files([path], pack_for(truth))
    again = store.import_files([path], pack_for(truth, nominal_capacity_Ah=90.0)).logs[0]
    assert again.status == "new" and len(store.logs()) == 1
    assert read_log(store.log_path(again.id)).pack.nominal_capacity_Ah == 90.0
    assert store.pack("heron-main").nominal_capacity_Ah == 90.0


def test_zip_beside_its_csv_is_noticed(tmp_path: Path) -> None:
    truth = drive()
    store = Store(tmp_path / "store")
    first = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    again = store.import_files([write(truth, D, tmp_path, "log.csv.zip")], pack_for(truth)).logs[0]
    assert again.status == "known" and again.id == first.id and len(store.logs()) == 1
    assert any("same" in n for n in again.notes)


def test_a_longer_export_of_the_same_rows_is_noticed(tmp_path: Path) -> None:
    truth = drive(rows=600)
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    lines = path.read_text().splitlines(keepends=True)
    short = tmp_path / "short.csv"
    short.write_text("".join(lines[:301]))
    old = store.import_files([short], pack_for(truth)).logs[0]
    new = store.import_files([path], pack_for(truth)).logs[0]
    assert new.status == "new" and any(old.id in n for n in new.notes)


def test_remove(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    log = store.import_files([path], pack_for(truth)).logs[0]
    store.save_answer({"method": "1"}, log.id)
    store.remove(log.id)
    assert store.logs() == [] and files_of(store.root) == [] and path.exists()
    assert not list((store.root / "_answers").rglob("*.json"))
    with pytest.raises(StoreError, match="no log"):
        store.remove(log.id)


def test_answers(tmp_path: Path) -> None:
    truth = drive()
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    assert store.answer(log.id) is None
    store.save_answer({"schema": "x", "method": "2"}, log.id)
    assert store.answer(log.id) == {"schema": "x", "method": "2"}
    assert store.answer(log.id, method="3") is None
    (kept,) = (store.root / "_answers" / "heron-main").glob("*.json")
    kept.write_text(kept.read_text().replace('"version": "', '"version": "0.0.'))
    assert store.answer(log.id) is None


def test_names_cannot_leave_the_store(tmp_path: Path) -> None:
    truth = drive()
    pack = pack_for(truth, vehicle='../../<b>Heron & "co"/..')
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack).logs[0]
    path = store.log_path(log.id)
    assert (
        path.resolve().is_relative_to(store.root.resolve()) and len(path.relative_to(store.root).parts) == 3
    )
    assert store.logs()[0].vehicle == pack.vehicle


def test_control_characters_in_a_file_name_stay_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "evil\n\x1b[31mname.csv"
    path.write_text("nothing")
    reason = refusal(path, pack_for(drive()), tmp_path / "store")
    assert "\x1b" not in reason and "\n" not in reason


def test_others_read_the_store_without_help(tmp_path: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    import pandas as pd

    truth = drive()
    store = Store(tmp_path / "store")
    store.import_files([write(truth, D, tmp_path)], pack_for(truth))
    frame = pd.read_parquet(store.root)
    assert len(frame) == len(truth.time) and frame["pack"].iloc[0] == "heron-main"
    with duckdb.connect() as connection:
        rows = connection.execute(
            f"select count(*), max(cell_003_mV) from '{store.root}/vehicle=*/pack=*/*.parquet'"
        ).fetchone()
    assert rows == (len(truth.time), round(truth.cells[:, 2].max() * 1000))


def test_the_file_keeps_the_promised_metadata(tmp_path: Path) -> None:
    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")
    log = store.import_files([path], pack_for(truth)).logs[0]
    footer = pq.read_metadata(store.log_path(log.id)).metadata
    schema = pq.read_schema(store.log_path(log.id))
    for key in (
        "schema",
        "version",
        "pack",
        "vehicle",
        "source",
        "source_sha256",
        "profile",
        "repairs",
        "pack_json",
        "voltage_step_V",
        "start",
        "end",
    ):
        assert footer[f"bmslogs.{key}".encode()] == schema.metadata[f"bmslogs.{key}".encode()]
    import hashlib

    assert footer[b"bmslogs.source_sha256"].decode() == hashlib.sha256(path.read_bytes()).hexdigest()
    assert schema.field("time").type == pa.timestamp("us", "UTC")
    assert schema.field("cell_001_mV").type == pa.int16()
    assert schema.names[:3] == ["time", "current_A", "cell_001_mV"]
    assert Pack.model_validate_json(footer[b"bmslogs.pack_json"]) == pack_for(truth)


def test_check_finds_changed_bytes_and_names(tmp_path: Path) -> None:
    truth = drive()
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    assert store.check().problems == () and store.check().logs == 1
    path = store.log_path(log.id)
    data = bytearray(path.read_bytes())
    data[len(data) // 4] ^= 0x10
    path.write_bytes(bytes(data))
    assert any(log.id in p for p in store.check().problems)
    data[len(data) // 4] ^= 0x10
    path.write_bytes(bytes(data))
    assert store.check().problems == ()
    path.rename(path.with_name("20200101-0000-000000000000.parquet"))
    assert any("name" in p for p in store.check().problems)


def test_the_index_is_rebuilt_from_the_files(tmp_path: Path) -> None:
    truth = drive()
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    for rubbish in ("", "[1, 2]", '{"x": 3}', json.dumps({"vehicle=Heron/pack=heron-main/x.parquet": {}})):
        (store.root / "_index.json").write_text(rubbish)
        assert [e.id for e in Store(store.root).logs()] == [log.id]
    shutil.rmtree(store.root / "_packs")
    assert store.pack("heron-main") == pack_for(truth)


def test_an_older_schema_is_brought_up(tmp_path: Path) -> None:
    """A file as schema 0 wrote it: unsigned cells, repairs as sentences, no step of the readings."""
    truth = drive()
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    path = store.log_path(log.id)
    table = pq.read_table(path, partitioning=None)
    for k, name in enumerate(table.column_names):
        if name.startswith("cell_"):
            table = table.set_column(k, name, table.column(name).cast(pa.uint16()))
    meta = {k: v for k, v in pq.read_metadata(path).metadata.items() if k.startswith(b"bmslogs.")}
    meta |= {b"bmslogs.schema": b"bmslogs.log/0", b"bmslogs.repairs": b'["a sentence"]'}
    for gone in (b"bmslogs.voltage_step_V", b"bmslogs.rows", b"bmslogs.seal"):
        meta.pop(gone)
    pq.write_table(table.replace_schema_metadata(meta), path)
    report = store.check()
    assert report.upgraded == (log.id,) and report.problems == ()
    back = read_log(path)
    assert_same(back, truth)
    assert back.repairs[0]["says"] == "a sentence" and back.voltage_step == 0.001
    assert [e.id for e in store.logs()] == [log.id]


def test_a_newer_schema_is_left_alone_and_named(tmp_path: Path) -> None:
    truth = drive()
    store = Store(tmp_path / "store")
    log = store.import_files([write(truth, D, tmp_path)], pack_for(truth)).logs[0]
    path = store.log_path(log.id)
    table = pq.read_table(path, partitioning=None)
    meta = dict(pq.read_metadata(path).metadata) | {b"bmslogs.schema": b"bmslogs.log/9"}
    pq.write_table(
        table.replace_schema_metadata({k: v for k, v in meta.items() if k.startswith(b"bmslogs")}), path
    )
    before = path.read_bytes()
    assert any("newer version" in p for p in store.check().problems)
    assert path.read_bytes() == before


IMPORT = """
import sys
from bmslogs.base.pack import Pack
from bmslogs.store import Store
pack = Pack.model_validate_json(sys.argv[2])
for path in sys.argv[3:]:
    report = Store(sys.argv[1]).import_files([path], pack)
    assert not report.refused, report.refused
"""


def process(store: Path, pack: Pack, files: list[Path]) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", IMPORT, str(store), pack.model_dump_json(), *map(str, files)]
    return subprocess.Popen(command, env=environment, stderr=subprocess.PIPE)


def test_many_processes_at_once(tmp_path: Path) -> None:
    truths = [drive(rows=300, seed=k) for k in range(4)]
    files = [write(t, D, tmp_path, f"{k}.csv") for k, t in enumerate(truths)]
    pack, store = pack_for(truths[0]), tmp_path / "store"
    running = [process(store, pack, files), process(store, pack, files[::-1]), process(store, pack, files)]
    for p in running:
        _, errors = p.communicate(timeout=120)
        assert p.returncode == 0, errors.decode()
    assert len(files_of(store)) == 4 and len(Store(store).logs()) == 4
    assert Store(store).check().problems == ()
    assert not list((store / "_incoming").iterdir())


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL to try")
def test_a_kill_at_any_moment_shows_nothing_half_written(tmp_path: Path) -> None:
    truth = drive(rows=20_000)
    path, store = write(truth, D, tmp_path), tmp_path / "store"
    pack = pack_for(truth)
    for delay in (0.25, 0.45, 0.6, 0.8):
        p = process(store, pack, [path])
        time.sleep(delay)
        p.send_signal(signal.SIGKILL)
        p.communicate()
        for entry in Store(store).logs():
            assert read_log(entry.path).rows == len(truth.time)
        assert Store(store).check().problems == ()
    log = imported(path, pack, store)
    assert_same(log, truth)
    assert len(files_of(store)) == 1


def test_a_full_disk_is_one_clear_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    from bmslogs.importers.reading import table_writer as table

    truth = drive()
    path, store = write(truth, D, tmp_path), Store(tmp_path / "store")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(table, "finish_parquet", full)
    with pytest.raises(StoreError, match="disk is full"):
        store.import_files([path], pack_for(truth))
    assert files_of(store.root) == [] and not list((store.root / "_incoming").iterdir())


def test_a_file_given_up_says_nothing_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What stopped it closed the file below it; its writer, as it is forgotten, would fail a second time."""
    import gc
    import sys

    import pyarrow as pa

    from bmslogs.importers.reading.table_writer import open_parquet

    told: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", told.append)
    table = pa.table({"cell_1": pa.array(range(1000), pa.int32())})

    def give_up() -> None:
        with pa.OSFile(str(tmp_path / "given_up.parquet"), "wb") as sink:
            writer = open_parquet(sink, table.schema)
            writer.write_table(table)

    give_up()
    gc.collect()
    assert told == []


def test_a_store_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "store").write_text("a file where the folder should be")
    truth = drive()
    with pytest.raises(StoreError):
        Store(tmp_path / "store").import_files([write(truth, D, tmp_path)], pack_for(truth))


def test_a_refused_file_leaves_the_others(tmp_path: Path) -> None:
    truth = drive()
    bad = tmp_path / "bad.csv"
    bad.write_text("nothing here\n")
    store = Store(tmp_path / "store")
    report = store.import_files([bad, write(truth, D, tmp_path), tmp_path / "gone.csv"], pack_for(truth))
    assert len(report.logs) == 1 and [Path(r.file).name for r in report.refused] == ["bad.csv", "gone.csv"]
    assert np.array_equal(read_log(store.log_path(report.logs[0].id)).time, truth.time)
