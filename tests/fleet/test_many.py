"""A run over many logs: their order, what it reports, broken ones among them, packs chosen, how workers begin."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from types import ModuleType

import pytest

from bmslogs.base.errors import BadInput, StoreError
from bmslogs.fleet import diagnose_store
from bmslogs.fleet import run as running
from bmslogs.fleet.files import Files, StoredLog
from bmslogs.fleet.processes import _no_main, as_here, cheap_processes
from bmslogs.fleet.run import FleetRun, Outcome

from .answered import write
from .conftest import pack_of, write_log


def test_the_longest_log_goes_first_and_the_report_is_in_order_of_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "store"
    ids = [write_log(root, pack_of("Heron"), n, rows=rows) for n, rows in enumerate((50, 4000, 400))]
    begun: list[str] = []

    def note(_root: str, log: StoredLog) -> Outcome:
        begun.append(log.id)
        return Outcome(log.id, log.pack, "done")

    monkeypatch.setattr(running, "diagnose_one", note)
    told: list[str] = []
    run = diagnose_store(root, workers=1, progress=told.append)
    assert begun == told == [ids[1], ids[2], ids[0]]
    assert [o.log for o in run.outcomes] == ids


BROKEN = {
    "cut off": lambda whole: whole[: len(whole) // 2],
    "empty": lambda whole: b"",
    "text": lambda whole: b"time,current\n1,2\n",
    "no metadata": None,
}


@pytest.mark.parametrize("how", BROKEN)
def test_a_broken_log_among_many_is_named_and_the_others_are_done(tmp_path: Path, how: str) -> None:
    root = tmp_path / "store"
    for n in range(3):
        write_log(root, pack_of("Heron"), n, rows=60)
    path = sorted(root.rglob("*.parquet"))[1]
    change = BROKEN[how]
    if change is None:
        import pyarrow.parquet as pq

        pq.write_table(pq.read_table(path).replace_schema_metadata({}), path)
    else:
        path.write_bytes(change(path.read_bytes()))
    run = diagnose_store(root, workers=1)
    assert [o.status for o in run.outcomes] == ["done", "failed", "done"]
    (bad,) = run.of("failed")
    assert bad.log == path.stem and bad.reason and "\n" not in bad.reason
    assert bad.reason.startswith(f"{path.stem}.parquet: ")
    assert len(Files(root).answers("heron-main")) == 2
    # it is no better the next time, and the others are not made again
    assert [o.status for o in diagnose_store(root, workers=1).outcomes] == ["known", "failed", "known"]


def test_a_run_over_some_packs_leaves_the_others(tmp_path: Path) -> None:
    root = tmp_path / "store"
    for vehicle in ("Heron", "Wren"):
        write_log(root, pack_of(vehicle), 0, rows=60)
    run = diagnose_store(root, packs=["wren-main"], workers=1)
    assert [o.pack for o in run.outcomes] == ["wren-main"] and run.packs_written == ("wren-main",)
    assert not (root / "_estimates" / "heron-main.parquet").exists()
    nothing = diagnose_store(root, packs=["no-such-pack"], workers=1)
    assert nothing.outcomes == () and nothing.packs_written == ()
    assert not (root / "_estimates" / "no-such-pack.parquet").exists()


def test_the_report_counts_each_log_once() -> None:
    run = FleetRun(
        (
            Outcome("a", "p", "done", 1.23456),
            Outcome("b", "p", "known"),
            Outcome("c", "q", "failed", 0.5, reason="cannot be read"),
        ),
        2.0004,
        ("p",),
    )
    told = json.loads(json.dumps(run.to_json()))
    assert told["schema"] == "bmslogs.fleet/1"
    assert (told["done"], told["known"], told["failed"]) == (1, 1, 1)
    assert [x["seconds"] for x in told["logs"]] == [1.235, 0.0, 0.5] and told["seconds"] == 2.0
    assert [x["reason"] for x in told["logs"]] == [None, None, "cannot be read"]


def test_an_error_of_any_kind_is_the_outcome_of_its_log_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "store"
    write_log(root, pack_of("Heron"), 0, rows=60)
    (log,) = Files(root).logs
    for error, reason in (
        (BadInput("no rows", file="x.csv"), "x.csv: no rows"),
        (KeyError("a\nb"), "KeyError: 'a\\nb'"),
        (MemoryError("x" * 1000), "MemoryError: xxx"),
    ):

        def fail(_self: Files, _log: StoredLog, error: Exception = error) -> None:
            raise error

        monkeypatch.setattr(Files, "read", fail)
        one = running.diagnose_one(str(root), log)
        assert one.status == "failed" and one.reason is not None
        assert one.reason.startswith(reason) and len(one.reason) <= 300 and "\n" not in one.reason


def test_a_store_that_is_only_read_is_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "store"
    write(root, "Heron", 0)
    monkeypatch.setattr(Files, "kind", "sftp")
    with pytest.raises(StoreError, match="of kind 'sftp' no file can be put in one piece"):
        diagnose_store(root, workers=1)


# ---- files --------------------------------------------------------------------------------------------------------


def test_a_file_takes_its_place_whole_and_leaves_nothing_beside(tmp_path: Path) -> None:
    files = Files(tmp_path)
    for content in (b"one", b"two, longer"):
        files.write(files.path("_x", "y", "z.json"), content)
        assert [p.name for p in (tmp_path / "_x" / "y").iterdir()] == ["z.json"]
        assert (tmp_path / "_x" / "y" / "z.json").read_bytes() == content
    files.remove(files.path("_x", "y", "z.json"))
    files.remove(files.path("_x", "y", "z.json"))  # it may be gone already
    assert list((tmp_path / "_x" / "y").iterdir()) == []


def test_logs_are_listed_by_pack_and_id_with_their_vehicle(tmp_path: Path) -> None:
    for vehicle, n in (("Wren", 1), ("Heron", 2), ("Heron", 0)):
        write_log(tmp_path, pack_of(vehicle), n, rows=2)
    logs = Files(tmp_path).logs
    assert [(log.vehicle, log.pack) for log in logs] == [
        ("Heron", "heron-main"),
        ("Heron", "heron-main"),
        ("Wren", "wren-main"),
    ]
    assert logs[0].id < logs[1].id and all(log.size > 0 for log in logs)


def test_the_pack_is_as_the_store_keeps_it_else_as_its_newest_log_has_it(tmp_path: Path) -> None:
    files = Files(tmp_path)
    assert files.pack("heron-main") is None
    write_log(tmp_path, pack_of("Heron"), 0, rows=2)
    newer = pack_of("Heron").model_copy(update={"nominal_capacity_Ah": 61.0})
    write_log(tmp_path, newer, 1, rows=2)
    found = Files(tmp_path).pack("heron-main")
    assert found is not None and found.nominal_capacity_Ah == 61.0
    (tmp_path / "_packs").mkdir()
    kept = newer.model_copy(update={"nominal_capacity_Ah": 62.0})
    (tmp_path / "_packs" / "heron-main.json").write_text(kept.model_dump_json())
    found = Files(tmp_path).pack("heron-main")
    assert found is not None and found.nominal_capacity_Ah == 62.0


# ---- processes ----------------------------------------------------------------------------------------------------


def test_a_worker_has_the_environment_of_its_caller(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BMSLOGS_OF_A_TEST", raising=False)
    as_here({"BMSLOGS_OF_A_TEST": "here"})
    assert os.environ.pop("BMSLOGS_OF_A_TEST") == "here"


def test_the_program_is_hidden_only_while_a_worker_starts() -> None:
    own = sys.modules["__main__"]
    with pytest.raises(ZeroDivisionError), _no_main():
        assert isinstance(sys.modules["__main__"], ModuleType) and sys.modules["__main__"] is not own
        raise ZeroDivisionError
    assert sys.modules["__main__"] is own


def test_workers_are_no_copies_of_this_process() -> None:
    """A plain copy would take this process's locks along."""
    assert cheap_processes().get_start_method() in ("forkserver", "spawn")
