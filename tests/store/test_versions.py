"""A store of the first version is read and brought up; one of a newer version is refused in one clear line.

`first_version.zip` is the store that the first commit with one (69f7aa1) wrote of `drive(rows=120, cells=4, sensors=1)`
as the plainest CSV. Its schema has the number of today's; schema 0 was written before the first commit.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from bmslogs.base.errors import BmsLogsError
from bmslogs.faces.answers import answer
from bmslogs.findings import diagnose
from bmslogs.importers.reading.table_writer import finish_parquet, open_parquet
from bmslogs.log import read_log
from bmslogs.store import Store
from bmslogs.store.entries import seal
from bmslogs.store.files import read_metadata
from bmslogs.store.order import add_remark, bring_back, move_log, remove_log
from tests.importers.writing import Dialect, assert_same, drive, pack_for, write

TRUTH = drive(rows=120, cells=4, sensors=1)


@pytest.fixture
def first(tmp_path: Path) -> Store:
    with zipfile.ZipFile(Path(__file__).with_name("first_version.zip")) as archive:
        archive.extractall(tmp_path / "store")
    return Store(tmp_path / "store")


def with_schema(path: Path, schema: str) -> None:
    """Write a log as a version with that schema would."""
    meta = {**read_metadata(path), "bmslogs.schema": schema}
    meta["bmslogs.seal"] = seal(meta)
    table = pq.read_table(path, partitioning=None)
    bare = table.schema.remove_metadata()
    writer = open_parquet(path, bare)
    writer.write_table(table.cast(bare))
    finish_parquet(writer, bare, meta)


def test_the_first_version_is_read_answered_and_verified(first: Store) -> None:
    (entry,) = first.logs()
    assert_same(read_log(entry.path), TRUTH)
    made = answer(first, entry.id)
    assert made.to_json() == diagnose(read_log(entry.path, extra=False)).to_json()
    assert first.check().problems == ()
    assert json.loads((first.root / "_index.json").read_text(encoding="utf-8"))


def test_the_first_version_is_brought_up_and_goes_on(first: Store, tmp_path: Path) -> None:
    """The same file again is the same log, of today's version; order is kept in it as in any store."""
    (old,) = first.logs()
    report = first.import_files([write(TRUTH, Dialect(), tmp_path, "drive.csv")], pack_for(TRUTH))
    (entry,) = first.logs()
    assert not report.refused and entry.rows == old.rows == 120
    assert first.check().problems == ()
    add_remark(first, entry.pack, "kept since", log=entry.id)
    remove_log(first, entry.id)
    bring_back(first, entry.id)
    first.save_pack(pack_for(TRUTH, id="plover-main", vehicle="Plover"))
    assert move_log(first, entry.id, "plover-main").pack == "plover-main"
    assert_same(read_log(first.logs()[0].path), TRUTH)


def test_schema_0_is_brought_up(first: Store) -> None:
    (entry,) = first.logs()
    with_schema(entry.path, "bmslogs.log/0")
    report = first.check()
    assert report.upgraded == (entry.id,) and report.problems == ()
    assert_same(read_log(entry.path), TRUTH)


ACTS: dict[str, Callable[[Store, str], object]] = {
    "logs": lambda store, log: store.logs(),
    "answer": answer,
    "remove": remove_log,
    "move": lambda store, log: move_log(store, log, "heron-main"),
    "read": lambda store, log: read_log(next(store.root.glob("vehicle=*/*/*.parquet"))),
    "note": lambda store, log: add_remark(store, "heron-main", "odd", log=log),
}


@pytest.mark.parametrize("act", ACTS)
@pytest.mark.parametrize("known", [False, True])
def test_a_newer_store_is_refused_in_one_line(first: Store, act: str, known: bool) -> None:
    """Whether its newer log is in the index already, written by the newer program, or is met first here."""
    (entry,) = first.logs()
    with_schema(entry.path, "bmslogs.log/2")
    if known:
        state, index = entry.path.stat(), json.loads((first.root / "_index.json").read_text(encoding="utf-8"))
        (record,) = index.values()
        record["stamp"], record["meta"]["schema"] = [state.st_size, state.st_mtime_ns], "bmslogs.log/2"
        (first.root / "_index.json").write_text(json.dumps(index), encoding="utf-8")
    before = entry.path.read_bytes()
    with pytest.raises(
        BmsLogsError, match=r"newer version of this program .*bmslogs.log/2.*update bmslogs"
    ) as caught:
        ACTS[act](Store(first.root), entry.id)
    assert "\n" not in str(caught.value)
    assert entry.path.read_bytes() == before
    (problem,) = Store(first.root).check().problems if not known else (str(caught.value),)
    assert "newer version" in problem


def test_a_newer_store_is_told_of_by_verify_and_imports_nothing(first: Store, tmp_path: Path) -> None:
    (entry,) = first.logs()
    with_schema(entry.path, "bmslogs.log/2")
    other = drive(rows=60, cells=4, sensors=1, seed=5)
    with pytest.raises(BmsLogsError, match="newer version"):
        Store(first.root).import_files([write(other, Dialect(), tmp_path, "other.csv")], pack_for(other))
    assert len(list(first.root.glob("vehicle=*/*/*.parquet"))) == 1
