"""The estimates of all logs, read by three general libraries."""

from __future__ import annotations

import datetime as dt
import json
import shutil

import duckdb
import pandas as pd
import pytest

from bmslogs.base.errors import StoreError
from bmslogs.base.results import Diagnosis
from bmslogs.findings import diagnose_pack
from bmslogs.fleet import diagnose_store, overview, read_estimates, read_findings, read_standing, refresh
from bmslogs.fleet.files import Files

from .conftest import pack_of, write_log


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    root = tmp_path_factory.mktemp("fleet") / "store"
    for name in ("Heron", "Wren"):
        for day in range(2):
            write_log(root, pack_of(name), day)
    diagnose_store(root, workers=1)
    return root


def test_three_readers_agree_with_the_answers(finished):
    truth = {}
    for path in (finished / "_answers").rglob("*.json"):
        answer = json.loads(path.read_text())["answer"]
        for e in answer["estimates"]:
            if e["quantity"] == "resistance_10s":
                truth[answer["pack"]["id"], answer["log"]["id"], e["cell"]] = e["value"]
    assert len(truth) == 2 * 2 * 8
    frame = pd.read_parquet(finished / "_estimates")
    frame = frame[frame["quantity"] == "resistance_10s"]
    assert {(r.pack, r.log, r.cell): r.value for r in frame.itertuples()} == truth
    with duckdb.connect() as connection:  # the shared one may hold another test's open result
        rows = connection.sql(
            f"select pack, log, cell, value from '{finished.as_posix()}/_estimates/*.parquet' "
            "where quantity = 'resistance_10s'"
        ).fetchall()
    assert {(p, i, c): v for p, i, c, v in rows} == truth
    table = read_estimates(finished, ["value"], quantity="resistance_10s", pack=["heron-main"])
    assert table.num_rows == 16


def test_logs_alone_are_seen_by_a_reader_of_the_store(finished):
    # names that begin with an underscore are skipped: pandas reads the logs, not the answers' datasets
    assert len(pd.read_parquet(finished, columns=["current_A"])) == 4 * 600


def test_address_of_any_filesystem(finished):
    assert read_estimates(finished.as_uri()).num_rows == read_estimates(finished).num_rows
    assert len(Files(finished.as_uri()).logs) == 4
    with pytest.raises(StoreError, match="no column"):
        read_estimates(finished, quality=1)
    with pytest.raises(StoreError, match="reached"):
        read_estimates("nosuchscheme://x/y")


def test_forgotten_logs_and_packs_leave(finished, tmp_path):
    root = tmp_path / "store"
    shutil.copytree(finished, root)
    assert refresh(Files(root)) == []  # same size and time: nothing to do
    edited = pack_of("Wren").model_copy(update={"current_accuracy": 0.02})
    (root / "_packs").mkdir()
    (root / "_packs" / "wren-main.json").write_text(edited.model_dump_json())
    assert refresh(Files(root)) == ["wren-main"]  # a changed pack file is weighed anew
    next((root / "vehicle=Heron").rglob("*.parquet")).unlink()
    assert refresh(Files(root)) == ["heron-main"]
    assert len(set(read_estimates(root, ["log"], pack="heron-main").column("log").to_pylist())) == 1
    shutil.rmtree(root / "vehicle=Heron")
    refresh(Files(root))
    assert set(read_estimates(root, ["pack"]).column("pack").to_pylist()) == {"wren-main"}


def test_overview_tells_the_latest_log(finished):
    lines = overview(finished)
    assert {p.pack for p in lines} == {"heron-main", "wren-main"}
    heron = next(p for p in lines if p.pack == "heron-main")
    assert heron.logs == 2 and heron.last.date() == dt.date(2026, 5, 2)
    answers = [
        json.loads(p.read_text())["answer"] for p in (finished / "_answers" / "heron-main").glob("*.json")
    ]
    whole = diagnose_pack([Diagnosis.from_json(a) for a in answers], pack_of("Heron"))
    standing = read_standing(finished, pack="heron-main").to_pylist()
    assert [f["says"] for f in standing] == [f.says for f in whole.findings]
    assert (heron.act + heron.look + heron.note, heron.worst) == (len(whole.findings), whole.findings[0].says)
    assert read_findings(finished, pack="heron-main").num_rows == sum(len(a["findings"]) for a in answers)
    assert overview(finished.parent / "empty") == [] if (finished.parent / "empty").mkdir() is None else False
