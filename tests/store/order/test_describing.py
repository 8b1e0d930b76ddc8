"""Packs described as of a day, vehicles renamed, packs removed; nobody overwrites anybody."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from bmslogs.base.errors import BadPack, StoreError
from bmslogs.fleet.files import Files
from bmslogs.log import read_log
from bmslogs.store import Store, bringing, index
from bmslogs.store.order import (
    ChangedMeanwhile,
    bring_back,
    bring_back_pack,
    describe_pack,
    move_log,
    pack_version,
    packs_in_bin,
    plans,
    remove_log,
    remove_pack,
    rename_vehicle,
    state_of,
    vehicle_version,
)
from bmslogs.store.order.relabel import labels
from dashboard.open_log import OpenLog
from tests.store.order.conftest import Workshop

BETWEEN = dt.date(2026, 6, 1)


@pytest.mark.parametrize(
    ("since", "given"), [(None, 0), (BETWEEN, 1), (dt.date(2026, 6, 20), 1), (dt.date.min, 2)]
)
def test_logs_from_a_day_on_get_the_description(
    workshop: Workshop, since: dt.date | None, given: int
) -> None:
    store, logs = workshop.store, workshop.logs()
    new = workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0})
    ids = describe_pack(store, new, since=since, by="Ann")
    assert ids == [e.id for e in logs][2 - given :]
    assert store.pack("heron-main") == new
    for entry in logs:
        as_told = new if entry.id in ids else workshop.heron
        assert read_log(store.log_path(entry.id)).pack == as_told
        assert (store.answer(entry.id) is None) == (entry.id in ids)
    assert store.check().problems == ()


def test_another_number_of_cells_is_refused_where_a_log_speaks_against_it(workshop: Workshop) -> None:
    store = workshop.store
    new = workshop.heron.model_copy(update={"cells_in_series": 11})
    with pytest.raises(BadPack, match="the log of 2026-06-20 has 12 cells, the description 11"):
        describe_pack(store, new, since=BETWEEN)
    assert store.pack("heron-main") == workshop.heron
    assert describe_pack(store, new, since=dt.date(2026, 7, 1)) == []


def test_the_second_of_two_authors_is_told_who_changed_what(workshop: Workshop) -> None:
    store, seen = workshop.store, pack_version(workshop.heron)
    state = state_of(store.root)
    describe_pack(store, workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0}), by="Ann", seen=seen)
    assert state_of(store.root) != state
    with pytest.raises(
        ChangedMeanwhile, match=r"pack heron-main was changed \(nominal capacity Ah\) by Ann on"
    ):
        describe_pack(store, workshop.heron.model_copy(update={"design": "x"}), by="Bo", seen=seen)
    assert store.pack("heron-main").nominal_capacity_Ah == 90.0 and store.pack("heron-main").design is None
    with pytest.raises(ChangedMeanwhile, match="heron-main was changed"):
        describe_pack(store, workshop.heron, seen="")  # as a new pack


def test_a_renamed_vehicle_is_renamed_everywhere(workshop: Workshop) -> None:
    store, logs = workshop.store, workshop.logs()
    readings = read_log(logs[0].path).cell_voltage
    assert rename_vehicle(store, "Heron", " Great Heron ", by="Ann") == 2
    assert [(e.id, e.vehicle) for e in store.logs()] == [(e.id, "Great Heron") for e in logs]
    assert store.pack("heron-main").vehicle == "Great Heron"
    assert not list(store.root.glob("vehicle=Heron"))
    log = read_log(store.log_path(logs[0].id))
    assert log.pack.vehicle == "Great Heron" and (log.cell_voltage == readings).all()
    answer = store.answer(logs[0].id)
    assert answer is not None and answer["pack"]["vehicle"] == "Great Heron"
    assert store.check().problems == ()


@pytest.mark.parametrize("name", ["Plover", "Heron"])
def test_two_vehicles_need_two_names(workshop: Workshop, name: str) -> None:
    with pytest.raises(StoreError, match="already"):
        rename_vehicle(workshop.store, "Heron", name)


@pytest.mark.parametrize("name", ["", "  ", "x" * 81])
def test_a_name_that_is_none(workshop: Workshop, name: str) -> None:
    with pytest.raises(BadPack, match="1 to 80"):
        rename_vehicle(workshop.store, "Heron", name)


def test_two_people_rename_one_vehicle(workshop: Workshop) -> None:
    store = workshop.store
    seen = vehicle_version(store, "Heron")
    describe_pack(store, workshop.heron.model_copy(update={"design": "x"}), by="Ann")
    with pytest.raises(ChangedMeanwhile, match=r"vehicle Heron was changed \(design\) by Ann"):
        rename_vehicle(store, "Heron", "Egret", seen=seen)
    rename_vehicle(store, "Heron", "Egret", seen=vehicle_version(store, "Heron"))
    with pytest.raises(StoreError, match="renamed by somebody else"):
        rename_vehicle(store, "Heron", "Stork", seen=seen)


def test_a_renaming_writes_no_log_and_no_answer_again(workshop: Workshop) -> None:
    store, logs = workshop.store, workshop.logs()
    for folder in ("_history/heron-main.npz", "_estimates/heron-main.parquet"):
        (store.root / folder).parent.mkdir(exist_ok=True)
        (store.root / folder).write_bytes(b"gathered")
    said = [*store.root.glob("_answers/heron-main/*.json"), store.root / "_history/heron-main.npz"]
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in [*(e.path for e in logs), *said]}
    rename_vehicle(store, "Heron", "Egret")
    after = [*(e.path for e in Store(store.root).logs("heron-main")), *said]
    assert {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in after} == before
    assert not (store.root / "_estimates/heron-main.parquet").exists()  # it names the vehicle


def test_the_new_name_is_told_whoever_reads_the_store(workshop: Workshop) -> None:
    root, (a, _) = workshop.store.root, workshop.logs()
    rename_vehicle(workshop.store, "Heron", "Éider & co. 2%")
    (root / "_index.json").unlink()
    (root / "_packs" / "heron-main.json").unlink()
    files = Files(root)
    held = files.read_answer("heron-main", a.id)
    assert held is not None and held.document["pack"]["vehicle"] == "Éider & co. 2%"
    (log,) = [files.read(x) for x in files.logs if x.id == a.id]
    told = [
        log.pack,
        files.pack("heron-main"),
        Store(root).pack("heron-main"),
        OpenLog(Path(files.logs[0].path)).pack,
    ]
    assert {p.vehicle for p in told if p is not None} == {"Éider & co. 2%"} and None not in told
    assert Store(root).entry(a.id).vehicle == "Éider & co. 2%"


def test_the_index_is_not_read_anew_from_all_logs_of_a_renamed_vehicle(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = workshop.store
    workshop.logs()
    monkeypatch.setattr(index, "read_metadata", lambda path: pytest.fail(f"{path} was read"))
    rename_vehicle(store, "Heron", "Egret")
    assert {e.vehicle for e in Store(store.root).logs("heron-main")} == {"Egret"}


@pytest.mark.parametrize("at", ["before", "folder", "part", "packs"])
def test_a_renaming_that_was_stopped_is_finished(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    store, rename = workshop.store, plans.rename_folder

    def until(root: Path, source: str, target: str) -> None:
        if at == "part":  # between the logs of a folder that was there already
            (root / target / "pack=heron-main").mkdir(parents=True)
            (log, *_) = (root / source / "pack=heron-main").glob("*.parquet")
            log.replace(root / target / "pack=heron-main" / log.name)
        if at == "folder":
            rename(root, source, target)
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        if at == "packs":
            broken.setattr(store, "save_pack", lambda _: (_ for _ in ()).throw(KeyboardInterrupt))
        else:
            broken.setattr(plans, "rename_folder", until)
        with pytest.raises(KeyboardInterrupt):
            rename_vehicle(store, "Heron", "Egret")
    assert len(store.logs()) == 2
    with store.locked():
        pass
    assert {e.vehicle for e in store.logs()} == {"Egret"} and store.pack("heron-main").vehicle == "Egret"
    assert [p.name for p in store.root.glob("vehicle=*")] == ["vehicle=Egret"]
    assert store.check().problems == () and not list((store.root / "_unfinished").glob("*.json"))


def test_what_the_system_refuses_leaves_the_store_as_it_was(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, logs = workshop.store, workshop.logs()

    def refused(*_: object) -> None:
        raise PermissionError(13, "a file in it is open")

    with monkeypatch.context() as broken:
        broken.setattr(Path, "rename", refused)
        with pytest.raises(StoreError, match="a file in it is open"):
            rename_vehicle(store, "Heron", "Egret")
    with store.locked():
        pass
    assert store.logs() == logs and store.pack("heron-main").vehicle == "Heron"


def test_a_folder_that_was_left_under_the_new_name_is_no_hindrance(workshop: Workshop) -> None:
    store = workshop.store
    (store.root / "vehicle=Egret" / "pack=heron-main").mkdir(parents=True)
    (store.root / "vehicle=Egret" / "thoughts.txt").write_text("no log", encoding="utf-8")
    assert rename_vehicle(store, "Heron", "Egret") == 2
    assert {e.vehicle for e in store.logs()} == {"Egret"} and store.check().problems == ()
    assert not (store.root / "vehicle=Heron").exists()


def test_a_plan_that_labels_every_log_is_still_finished(workshop: Workshop) -> None:
    """Versions before wrote the name into every log and answer; one of theirs may have been interrupted."""
    store, logs = workshop.store, workshop.logs()
    own = workshop.heron.model_copy(update={"vehicle": "Egret"})
    steps = [asdict(plans.step_for(store, e.path, e.id, own, labels(own), keep_answer=True)) for e in logs]
    plan = {"packs": [own.model_dump_json()], "steps": steps, "changes": {}}
    (store.root / "_unfinished").mkdir(exist_ok=True)
    (store.root / "_unfinished" / "0123456789abcdef.json").write_text(json.dumps(plan), encoding="utf-8")
    with store.locked():
        pass
    assert {e.vehicle for e in store.logs()} == {"Egret"} and store.pack("heron-main").vehicle == "Egret"
    assert store.check().problems == ()


def test_a_log_that_was_removed_after_the_renaming_comes_back_under_the_new_name(workshop: Workshop) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    rename_vehicle(store, "Heron", "Egret")
    for entry in (a, b):
        remove_log(store, entry.id)
    remove_pack(store, "heron-main")
    assert bring_back(store, a.id).vehicle == "Egret" and store.pack("heron-main").vehicle == "Egret"
    assert read_log(store.log_path(a.id)).pack.vehicle == "Egret"


def test_a_damaged_log_does_not_hold_up_the_others(workshop: Workshop) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    whole = a.path.read_bytes()
    a.path.write_bytes(whole[:600] + bytes(200) + whole[800:])
    new = workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0})
    assert describe_pack(store, new, since=dt.date.min) == [a.id, b.id]  # its readings are not touched
    assert read_log(store.log_path(b.id)).pack == new
    with pytest.raises(StoreError, match=r"\.parquet: damaged"):
        move_log(store, a.id, "plover-main")
    assert not list((store.root / "_unfinished").glob("*.json"))
    assert rename_vehicle(store, "Heron", "Egret") == 2
    assert {e.id: e.vehicle for e in store.logs()} == {a.id: "Egret", b.id: "Egret"}


def test_only_a_pack_without_logs_is_removed_and_it_can_be_brought_back(workshop: Workshop) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    with pytest.raises(StoreError, match="pack heron-main has 2 logs; move or remove them first"):
        remove_pack(store, "heron-main")
    remove_log(store, a.id)
    remove_log(store, b.id)
    with pytest.raises(ChangedMeanwhile):
        remove_pack(store, "heron-main", seen="older")
    remove_pack(store, "heron-main", by="Ann", seen=pack_version(workshop.heron))
    assert "heron-main" not in {p.id for p in store.packs()}
    assert [(p, by) for p, _, by in packs_in_bin(store)] == [(workshop.heron, "Ann")]
    assert bring_back_pack(store, "heron-main") == workshop.heron
    assert packs_in_bin(store) == [] and store.pack("heron-main") == workshop.heron


def test_an_import_does_not_undo_a_description_made_meanwhile(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, new = workshop.store, workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0})
    remove_log(store, workshop.logs()[0].id)
    shared = bringing.shared_rows

    def meanwhile(*given: Any) -> Any:
        store.save_pack(new)  # what another process does while this one reads
        return shared(*given)

    monkeypatch.setattr(bringing, "shared_rows", meanwhile)
    assert store.import_files([workshop.files[0]], workshop.heron).logs[0].status == "new"
    assert store.pack("heron-main") == new
    monkeypatch.undo()
    assert store.import_files([workshop.files[0]], workshop.heron).logs[0].status == "known"
    corrected = workshop.heron.model_copy(update={"design": "x"})
    assert store.import_files([workshop.files[0]], corrected).logs[0].status == "new"
    assert store.pack("heron-main") == corrected  # a pack file that was given on purpose
