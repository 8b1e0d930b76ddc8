"""Removed, brought back, emptied: nothing is lost early, nothing stale stays."""

from __future__ import annotations

import datetime as dt
import json

import pytest

from bmslogs.base.errors import StoreError
from bmslogs.log import read_log
from bmslogs.store import Store
from bmslogs.store.order import (
    KEPT_DAYS,
    ChangedMeanwhile,
    add_remark,
    bring_back,
    describe_pack,
    empty_bin,
    gone,
    in_bin,
    log_version,
    remarks,
    remove_log,
    rename_vehicle,
)
from tests.store.order.conftest import Workshop


def test_what_is_removed_comes_back_byte_for_byte_with_its_notes(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    before = log.path.read_bytes()
    add_remark(store, log.pack, "new contactor", log=log.id, by="Ann")
    for folder, ending in (("_history", "npz"), ("_estimates", "parquet"), ("_standing", "parquet")):
        (store.root / folder).mkdir()
        (store.root / folder / f"heron-main.{ending}").write_bytes(b"gathered over both logs")
    item = remove_log(store, log.id, by="Ann")
    assert [e.id for e in store.logs()] == [workshop.logs()[0].id] != [log.id]
    assert not list(store.root.rglob(f"_answers/*/{log.id}.json"))
    assert not list(store.root.rglob("heron-main.npz")) and not list(
        store.root.rglob("_standing/heron-main.*")
    )
    assert [(i.log, i.pack, i.by) for i in in_bin(store)] == [(log.id, "heron-main", "Ann")]
    told = gone(store, log.id)
    assert told is not None and told.in_bin and "removed by Ann" in str(told.change)
    assert item.until() == dt.datetime.fromisoformat(item.removed) + dt.timedelta(days=30)
    back = bring_back(store, log.id)
    assert back.path == log.path and back.path.read_bytes() == before
    assert [r.text for r in remarks(store, log.pack, log.id)] == ["new contactor"]
    assert in_bin(store) == [] and gone(store, log.id) is None
    assert store.check().problems == ()


def test_the_bin_lies_where_no_reader_of_logs_looks(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    remove_log(store, log.id)
    (file,) = store.root.rglob(f"{log.id}.parquet")
    assert file.relative_to(store.root).parts[0].startswith("_")
    assert [e.id for e in Store(store.root).logs()] != [] and log.id not in {
        e.id for e in Store(store.root).logs()
    }


@pytest.mark.parametrize(
    ("days", "left"), [(0, 1), (KEPT_DAYS - 1e-6, 1), (KEPT_DAYS, 1), (KEPT_DAYS + 1e-6, 0)]
)
def test_the_bin_is_emptied_after_thirty_days_and_not_before(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, days: float, left: int
) -> None:
    monkeypatch.setattr("bmslogs.store.order.bin.now", lambda: "2026-07-01T09:00:00+00:00")
    store, log = workshop.store, workshop.logs()[0]
    add_remark(store, log.pack, "odd", log=log.id)
    removed = dt.datetime.fromisoformat(remove_log(store, log.id).removed)
    assert empty_bin(store, removed + dt.timedelta(days=days - 1)) == []
    empty_bin(store, removed + dt.timedelta(days=days))
    emptied = empty_bin(store, removed + dt.timedelta(days=days if left else days + 1))
    assert len(in_bin(store)) == left and len(emptied) == 1 - left
    assert len(list(store.root.rglob(f"*{log.id}*.parquet"))) == left
    assert len(remarks(store, log.pack, log.id)) == left
    told = gone(store, log.id)
    assert told is not None and told.in_bin == bool(left)
    assert ("emptied from the bin" in str(told.change)) == (not left)


def test_a_log_whose_day_of_removal_cannot_be_read_is_never_emptied(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    remove_log(store, log.id)
    (store.root / "_bin" / f"{log.id}.json").write_text("{", encoding="utf-8")
    assert empty_bin(store, dt.datetime(2100, 1, 1, tzinfo=dt.UTC)) == []
    assert [(i.log, i.removed) for i in in_bin(store)] == [(log.id, "")]
    assert bring_back(store, log.id).id == log.id


def test_a_log_brought_in_again_is_not_overwritten_from_the_bin(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    remove_log(store, log.id)
    assert store.import_files([workshop.files[0]], workshop.heron).logs[0].id == log.id
    with pytest.raises(StoreError, match="in the store already"):
        bring_back(store, log.id)
    assert gone(store, log.id) is None
    add_remark(store, log.pack, "kept", log=log.id)
    empty_bin(store, dt.datetime(2100, 1, 1, tzinfo=dt.UTC))
    assert [r.text for r in remarks(store, log.pack, log.id)] == [
        "kept"
    ]  # they belong to the log that is there


def test_it_comes_back_under_the_name_that_its_vehicle_has_by_then(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    readings = read_log(log.path)
    remove_log(store, log.id)
    rename_vehicle(store, "Heron", "Great Heron")
    back = bring_back(store, log.id)
    assert back.vehicle == "Great Heron" and read_log(back.path).pack.vehicle == "Great Heron"
    assert (read_log(back.path).cell_voltage == readings.cell_voltage).all()
    assert store.check().problems == ()


def test_a_log_of_a_pack_that_is_gone_brings_its_pack_back(workshop: Workshop) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    remove_log(store, a.id)
    remove_log(store, b.id)
    (store.root / "_packs" / "heron-main.json").unlink()
    bring_back(store, a.id)
    assert store.pack("heron-main") == workshop.heron


def test_two_people_at_one_log(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    seen = log_version(log)
    described = workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0})
    describe_pack(store, described, since=dt.date(2026, 1, 1), by="Ann")
    with pytest.raises(ChangedMeanwhile, match=r"was changed \(nominal capacity Ah\) by Ann"):
        remove_log(store, log.id, seen=seen)
    seen = log_version(store.entry(log.id))
    remove_log(store, log.id, by="Ann", seen=seen)
    with pytest.raises(ChangedMeanwhile, match="removed by Ann"):
        remove_log(store, log.id, by="Bo", seen=seen)
    with pytest.raises(StoreError, match="no log"):
        remove_log(store, log.id)


@pytest.mark.parametrize("name", ["../x", "", "a/b", "x" * 200])
def test_names_that_are_no_ids_reach_no_file(workshop: Workshop, name: str) -> None:
    assert gone(workshop.store, name) is None
    with pytest.raises(StoreError):
        bring_back(workshop.store, name)


def test_a_removal_that_was_killed_before_it_moved_the_file_removed_nothing(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    remove_log(store, log.id)
    note = (store.root / "_bin" / f"{log.id}.json").read_text(encoding="utf-8")
    bring_back(store, log.id)
    (store.root / "_bin" / f"{log.id}.json").write_text(note, encoding="utf-8")
    assert json.loads(note)["log"] == log.id
    assert in_bin(store) == [] and log.id in {e.id for e in store.logs()}


@pytest.mark.parametrize("wrong", [-9_000, 45])
def test_one_wrong_clock_empties_no_bin(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, wrong: int
) -> None:
    """The clock stood in another year while a log was removed, or jumped ahead while another was."""
    store, log = workshop.store, workshop.logs()[0]
    right = dt.datetime(2026, 7, 1, tzinfo=dt.UTC)
    away = right + dt.timedelta(days=wrong)
    with monkeypatch.context() as patched:
        patched.setattr("bmslogs.store.order.bin.now", lambda: (away if wrong < 0 else right).isoformat())
        remove_log(store, log.id)
    later = [right + dt.timedelta(days=k) for k in (0, 2, 20)]
    moments = later if wrong < 0 else [away, right, away, right]
    assert [empty_bin(store, m) for m in moments] == [[]] * len(moments)
    assert bring_back(store, log.id).id == log.id
