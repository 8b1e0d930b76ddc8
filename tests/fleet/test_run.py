"""A store diagnosed in parallel: nothing lost, nothing repeated, whatever dies."""

from __future__ import annotations

import multiprocessing
import subprocess
import sys
import threading
import time
from pathlib import Path

import jsonschema
import pytest

from bmslogs import findings
from bmslogs.base.errors import StoreError
from bmslogs.base.results import Diagnosis
from bmslogs.base.schema import schema_of
from bmslogs.fleet import diagnose_store, run
from bmslogs.store import Store

from .conftest import pack_of, write_log


def answers(store: Path) -> dict[str, int]:
    return {
        str(p.relative_to(store)): p.stat().st_mtime_ns for p in sorted((store / "_answers").rglob("*.json"))
    }


def test_all_logs_once_and_readable_by_the_store(store):
    first = diagnose_store(store, workers=1)
    assert [len(first.of(s)) for s in ("done", "known", "failed")] == [6, 0, 0], [
        o.reason for o in first.of("failed")
    ]
    kept = answers(store)
    assert len(kept) == 6
    again = diagnose_store(store, workers=1)
    assert [len(again.of(s)) for s in ("done", "known", "failed")] == [0, 6, 0]
    assert answers(store) == kept and again.packs_written == ()
    # the store itself takes what a worker kept, and the answer names the planted cell
    log = Store(store).logs("heron-main")[0].id
    found = Diagnosis.from_json(Store(store).answer(log))
    highest = max(found.of("resistance_10s"), key=lambda e: e.value or 0.0)
    assert highest.cell == 3


def test_only_what_is_new_or_of_an_older_method(store, monkeypatch):
    diagnose_store(store, workers=1)
    write_log(store, pack_of("Wren"), 9)
    added = diagnose_store(store, workers=1)
    assert [len(added.of(s)) for s in ("done", "known")] == [1, 6] and added.packs_written == ("wren-main",)
    monkeypatch.setattr(run, "current_method", lambda: "0/later")
    assert len(diagnose_store(store, workers=1, packs=["heron-main"]).of("done")) == 3


def test_a_bad_log_stops_no_other(store, monkeypatch):
    broken = next(store.rglob("*.parquet"))
    broken.write_bytes(b"PAR1 no more")
    told = diagnose_store(store, workers=1)
    assert [len(told.of(s)) for s in ("done", "failed")] == [5, 1]
    assert "cannot be read" in told.of("failed")[0].reason
    document = told.to_json()
    jsonschema.validate(document, schema_of(run.RunTold))
    assert list(document) == [
        "schema",
        "logs",
        "done",
        "known",
        "failed",
        "seconds",
    ]  # as programs have read it
    assert [document[k] for k in ("schema", "done", "known", "failed")] == ["bmslogs.fleet/1", 5, 0, 1]
    assert all(list(log) == ["id", "pack", "status", "reason", "seconds"] for log in document["logs"])

    def fails(log):
        raise ZeroDivisionError("two\nlines")

    monkeypatch.setattr(findings, "diagnose", fails)
    monkeypatch.setattr(run, "current_method", lambda: "0/later")
    told = diagnose_store(store, workers=1)
    assert len(told.of("failed")) == 6 and "\n" not in told.of("failed")[-1].reason


def test_killed_worker_loses_nothing(store):
    for day in range(3, 5):
        write_log(store, pack_of("Heron"), day)
    killed = []

    def kill_one():
        until = time.monotonic() + 60
        while time.monotonic() < until and not killed:
            children = multiprocessing.active_children()
            if len(children) == 2 and len(list(store.rglob("_answers/*/*.json"))) >= 1:
                children[0].kill()
                killed.append(children[0].pid)
            time.sleep(0.002)

    watcher = threading.Thread(target=kill_one)
    watcher.start()
    told = diagnose_store(store, workers=2)
    watcher.join()
    assert killed
    assert [len(told.of(s)) for s in ("done", "failed")] == [8, 0]
    assert len(answers(store)) == 8 and not list(store.rglob("*.part"))


def test_killed_run_repeats_nothing(store):
    code = f"from bmslogs.fleet import diagnose_store; diagnose_store({str(store)!r}, workers=1)"
    process = subprocess.Popen([sys.executable, "-c", code])
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until and not list((store / "_answers").rglob("2*.json")):
            time.sleep(0.002)
    finally:
        process.kill()
        process.wait()
    before = answers(store)
    assert 0 < len(before) < 6
    told = diagnose_store(store, workers=1)
    after = answers(store)
    assert len(after) == 6 and len(told.of("known")) == len(before)
    assert {p: t for p, t in after.items() if p in before} == before


def test_no_store_and_no_scheduler(tmp_path):
    with pytest.raises(StoreError, match="no store here"):
        diagnose_store(tmp_path / "nowhere")


def test_on_a_cluster(store):
    distributed = pytest.importorskip("distributed", reason="the extra [cluster] is not installed")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, processes=False
    ) as cluster:
        told = diagnose_store(store, scheduler=cluster.scheduler_address)
    assert len(told.of("done")) == 6
