"""A description given to stored logs stands beside them: no log is written again, and every reader tells it."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.fleet.files import Files, put_logs
from bmslogs.log import read_log
from bmslogs.store import Store, index
from bmslogs.store.given import given_file
from bmslogs.store.order import (
    bring_back,
    describe_pack,
    move_log,
    plans,
    remove_log,
    rename_vehicle,
)
from dashboard.desk import Desk
from dashboard.open_log import OpenLog, OpenLogs
from tests.store.order.conftest import Workshop

ALL = dt.date.min


@pytest.fixture
def new(workshop: Workshop) -> Pack:
    return workshop.heron.model_copy(update={"nominal_capacity_Ah": 90.0})


def held(store: Store, log: str) -> Pack:
    return read_log(store.log_path(log)).pack


def test_no_log_is_written_again(workshop: Workshop, new: Pack) -> None:
    store, logs = workshop.store, workshop.logs()
    before = {e.path: (e.path.read_bytes(), e.path.stat().st_mtime_ns) for e in logs}
    assert describe_pack(store, new, since=ALL) == [e.id for e in logs]
    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in before} == before
    assert describe_pack(store, new, since=ALL) == []  # they have it already
    assert store.check().problems == ()


def test_logs_of_one_description_are_read_once(
    workshop: Workshop, new: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bmslogs.store.order import describing

    store, asked = workshop.store, []
    ask = describing.pack_of_log
    store.logs()
    monkeypatch.setattr(index, "read_metadata", lambda path: pytest.fail(f"{path} was read"))
    monkeypatch.setattr(describing, "pack_of_log", lambda path: (asked.append(path), ask(path))[1])
    assert len(describe_pack(store, new, since=ALL)) == 2
    assert len(asked) == 1


def test_every_reader_tells_it(workshop: Workshop, new: Pack) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    other, opened, desk = Store(store.root), OpenLogs(), Desk(store.root)
    assert other.entry(b.id).description == a.description  # both as they came in
    assert opened.get(b.path).pack == desk.log(b.id).pack == workshop.heron
    describe_pack(store, new, since=b.start.date())
    assert other.entry(b.id).description != a.description == other.entry(a.id).description
    assert opened.get(b.path).pack == desk.log(b.id).pack == OpenLog(b.path).pack == new
    files = Files(store.root)
    assert {log.id: files.read(log).pack for log in files.logs if log.pack == "heron-main"} == {
        a.id: workshop.heron,
        b.id: new,
    }


def test_a_second_description_takes_the_place_of_the_first(workshop: Workshop, new: Pack) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    describe_pack(store, new, since=ALL)
    third = new.model_copy(update={"design": "two-box"})
    assert describe_pack(store, third, since=b.start.date()) == [b.id]
    assert (held(store, a.id), held(store, b.id)) == (new, third)
    describe_pack(store, workshop.heron, since=ALL)
    assert held(store, a.id) == held(store, b.id) == workshop.heron
    kept = json.loads(given_file(store.root, "pack=heron-main").read_text(encoding="utf-8"))
    assert len(kept["descriptions"]) == 1  # what no log has any more is not kept


def test_it_goes_with_a_log_into_the_bin_and_under_a_new_name(workshop: Workshop, new: Pack) -> None:
    store, (a, _) = workshop.store, workshop.logs()
    describe_pack(store, new, since=ALL)
    remove_log(store, a.id)
    rename_vehicle(store, "Heron", "Egret")
    bring_back(store, a.id)
    assert held(store, a.id) == new.model_copy(update={"vehicle": "Egret"})
    assert store.check().problems == ()


def test_a_log_that_is_moved_or_brought_in_again_has_its_own(workshop: Workshop, new: Pack) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    describe_pack(store, new, since=ALL)
    moved = move_log(store, a.id, "plover-main")
    assert held(store, moved.id).id == "plover-main"
    back = move_log(store, moved.id, "heron-main")
    assert back.id == a.id and held(store, a.id) == new  # as the store describes it now
    corrected = workshop.heron.model_copy(update={"design": "x"})
    file = next(f for f in workshop.files if f.name == b.source)
    assert store.import_files([file], corrected).logs[0].id == b.id
    assert held(store, b.id) == corrected


def test_a_giving_that_was_stopped_is_finished(
    workshop: Workshop, new: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, logs = workshop.store, workshop.logs()
    with monkeypatch.context() as broken:
        broken.setattr(plans, "drop_derived", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            describe_pack(store, new, since=ALL)
    with store.locked():
        pass
    assert {held(store, e.id).nominal_capacity_Ah for e in logs} == {90.0} and store.pack("heron-main") == new
    assert all(store.answer(e.id) is None for e in logs)
    assert not list((store.root / "_unfinished").glob("*.json"))


def test_a_file_that_cannot_be_read_is_said_not_passed_over(workshop: Workshop, new: Pack) -> None:
    store, (a, _) = workshop.store, workshop.logs()
    describe_pack(store, new, since=ALL)
    given_file(store.root, "pack=heron-main").write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match="descriptions that logs of this pack were given cannot be read"):
        read_log(a.path)
    assert any("given cannot be read" in p for p in Store(store.root).check().problems)


def test_a_store_that_is_put_elsewhere_takes_them_along(
    workshop: Workshop, new: Pack, tmp_path: Path
) -> None:
    store, (a, b) = workshop.store, workshop.logs()
    describe_pack(store, new, since=b.start.date())
    (tmp_path / "there").mkdir()
    put_logs(Files(store.root), Files(tmp_path / "there"))
    there = Files(tmp_path / "there")
    told = {log.id: there.read(log).pack for log in there.logs if log.pack == "heron-main"}
    assert told == {a.id: workshop.heron, b.id: new}
