"""A log under the wrong pack: moved whole with its notes, or refused with one line."""

from __future__ import annotations

from typing import Any

import pytest

from bmslogs.base.errors import StoreError
from bmslogs.log import read_log
from bmslogs.store.order import (
    ChangedMeanwhile,
    add_remark,
    bring_back,
    gone,
    log_version,
    move_log,
    plans,
    remarks,
    remove_log,
)
from tests.importers.writing import Dialect, drive, pack_for, write
from tests.store.order.conftest import Workshop


def test_a_moved_log_is_as_if_it_had_been_brought_in_there(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    before = read_log(log.path)
    add_remark(store, log.pack, "towed", log=log.id, at=log.start)
    judged = store.root / "_notes" / "heron-main" / f"{log.id}.json"
    judged.parent.mkdir(parents=True)
    judged.write_text("[]", encoding="utf-8")
    moved = move_log(store, log.id, "plover-main", by="Ann")
    assert (moved.pack, moved.vehicle) == ("plover-main", "Plover")
    after = read_log(moved.path)
    assert after.pack == workshop.plover
    for name in ("time", "current", "cell_voltage", "temperature"):
        assert (getattr(after, name) == getattr(before, name)).all(), name
    assert [r.text for r in remarks(store, "plover-main", moved.id)] == ["towed"]
    assert remarks(store, "heron-main", log.id) == [] and not judged.exists()
    assert (store.root / "_notes" / "plover-main" / f"{moved.id}.json").exists()
    assert store.answer(moved.id) is None and not list(store.root.rglob(f"_answers/*/{log.id}.json"))
    told = gone(store, log.id)
    assert (
        told is not None
        and told.to == moved.id
        and "moved to Plover (plover-main) by Ann" in str(told.change)
    )
    assert store.check().problems == ()
    again = store.import_files([workshop.files[0]], workshop.plover).logs[0]
    assert (again.status, again.id) == ("known", moved.id)


def test_there_and_back_again(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    moved = move_log(store, log.id, "plover-main")
    assert move_log(store, moved.id, "heron-main").id == log.id
    assert (
        gone(store, log.id) is None
        and len(store.logs()) == 2
        and len(list(store.root.glob("vehicle=*"))) == 1
    )


def test_another_number_of_cells_is_refused_in_one_line(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    before = log.path.read_bytes()
    with pytest.raises(StoreError, match=r"12 cells and Wren \(wren-main\) has 8") as refused:
        move_log(store, log.id, "wren-main")
    assert len(str(refused.value).splitlines()) == 1
    assert log.path.read_bytes() == before and store.answer(log.id) is not None


def test_a_pack_that_has_the_log_already_refuses_it(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    there = store.import_files([workshop.files[0]], workshop.plover).logs[0]
    with pytest.raises(StoreError, match=f"has this log already, as {there.id}"):
        move_log(store, log.id, "plover-main")
    with pytest.raises(StoreError, match="lies in pack heron-main already"):
        move_log(store, log.id, "heron-main")
    assert len(store.logs()) == 3


def test_a_log_of_some_modules_needs_the_same_modules(workshop: Workshop, tmp_path: Any) -> None:
    truth = drive(rows=120, cells=4, start="2026-07-01T08:00:00")
    halves = [{"name": "F1", "cells": [1, 2, 3, 4]}, {"name": "F2", "cells": [5, 6, 7, 8, 9, 10, 11, 12]}]
    split = pack_for(drive(rows=4), id="ruff-main", vehicle="Ruff", modules=halves)
    store = workshop.store
    report = store.import_files([write(truth, Dialect(), tmp_path, "f1.csv")], split, modules=["F1"])
    assert not report.refused
    with pytest.raises(StoreError, match="module F1, which plover-main does not have"):
        move_log(store, report.logs[0].id, "plover-main")
    store.save_pack(workshop.plover.model_copy(update={"modules": split.modules}))
    assert read_log(move_log(store, report.logs[0].id, "plover-main").path).cells == (1, 2, 3, 4)


def test_two_people_at_one_log(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    seen = log_version(log)
    move_log(store, log.id, "plover-main", by="Ann", seen=seen)
    with pytest.raises(ChangedMeanwhile, match=r"moved to Plover .* by Ann"):
        move_log(store, log.id, "plover-main", seen=seen)
    with pytest.raises(ChangedMeanwhile, match=r"moved to Plover .* by Ann"):
        remove_log(store, log.id, seen=seen)


@pytest.mark.parametrize("stop", ["relabelled", "_carry_words", "drop_derived", "all_told"])
def test_a_move_that_was_stopped_is_finished_by_the_next_change(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch, stop: str
) -> None:
    store, (log, other) = workshop.store, workshop.logs()
    add_remark(store, log.pack, "towed", log=log.id)

    def killed(*_: Any, **__: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(plans, stop, killed)
        with pytest.raises(KeyboardInterrupt):
            move_log(store, log.id, "plover-main", by="Ann")
    assert store.check().problems == ()
    (moved,) = store.logs("plover-main")
    assert [e.id for e in store.logs("heron-main")] == [other.id]
    assert [r.text for r in remarks(store, "plover-main", moved.id)] == ["towed"]
    told = gone(store, log.id)
    assert told is not None and told.to == moved.id
    assert not list((store.root / "_unfinished").glob("*"))
    remove_log(store, moved.id)
    bring_back(store, moved.id)
    assert len(store.logs()) == 2
