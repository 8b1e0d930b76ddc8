"""Notes on a log, a moment and a cell: written, changed, taken out and put back; nobody's words are overwritten."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor

import pytest

from bmslogs.base.errors import BadInput, BmsLogsError, StoreError
from bmslogs.store import Store
from bmslogs.store.order import (
    ChangedMeanwhile,
    add_remark,
    change_remark,
    noted,
    put_back,
    remarks,
    take_out,
)
from tests.store.order.conftest import Workshop


def test_notes_of_three_kinds(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    add_remark(store, "heron-main", "rain", log=log.id, by=" Ann ")
    add_remark(store, "heron-main", "the hill", log=log.id, at=log.start + dt.timedelta(seconds=60), cell=3)
    add_remark(store, "heron-main", "tab re-welded", cell=12)
    assert [(r.text, r.by, bool(r.at), r.cell) for r in remarks(store, "heron-main", log.id)] == [
        ("rain", "Ann", False, 0), ("the hill", "", True, 3),
    ]  # fmt: skip
    assert [(r.text, r.cell) for r in remarks(store, "heron-main")] == [("tab re-welded", 12)]
    assert noted(store, "heron-main") == {log.id}


@pytest.mark.parametrize("bad", ["", "  \n ", "x" * 2001])
def test_a_text_that_is_none(workshop: Workshop, bad: str) -> None:
    with pytest.raises(BadInput):
        add_remark(workshop.store, "heron-main", bad)


def test_places_that_are_none(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    with pytest.raises(BadInput, match="from 1 to 12"):
        add_remark(store, "heron-main", "x", cell=13)
    with pytest.raises(BadInput, match="a moment of the log, 13 May 2026, 09:10"):
        add_remark(store, "heron-main", "x", log=log.id, at=log.end + dt.timedelta(seconds=1))
    with pytest.raises(BadInput, match="without a log"):
        add_remark(store, "heron-main", "x", at=log.start)
    with pytest.raises(StoreError, match="none of pack plover-main"):
        add_remark(store, "plover-main", "x", log=log.id)
    assert not list(store.root.glob("_remarks/*/*"))


def test_the_second_of_two_authors_is_told(workshop: Workshop) -> None:
    store, log = workshop.store, workshop.logs()[0]
    note = add_remark(store, "heron-main", "rain", log=log.id, by="Ann")
    change_remark(store, "heron-main", log.id, note.id, "heavy rain", by="Bo", seen=note.version)
    with pytest.raises(ChangedMeanwhile, match="the note was changed by Bo on"):
        change_remark(store, "heron-main", log.id, note.id, "snow", by="Ann", seen=note.version)
    taken = take_out(store, "heron-main", log.id, note.id, by="Cy", seen=2)
    assert remarks(store, "heron-main", log.id) == []
    with pytest.raises(ChangedMeanwhile, match="the note was taken out by Cy on"):
        change_remark(store, "heron-main", log.id, note.id, "snow", seen=2)
    assert put_back(store, "heron-main", log.id, note.id, seen=taken.version).text == "heavy rain"
    assert [r.text for r in remarks(store, "heron-main", log.id)] == ["heavy rain"]


def test_many_hands_at_once_lose_no_note(workshop: Workshop) -> None:
    root = workshop.store.root

    def write(n: int) -> None:
        add_remark(Store(root), "heron-main", f"note {n}", cell=1 + n % 12)

    with ThreadPoolExecutor(8) as hands:
        list(hands.map(write, range(40)))
    assert sorted(r.text for r in remarks(workshop.store, "heron-main")) == sorted(
        f"note {n}" for n in range(40)
    )


def test_of_many_hands_at_one_note_one_is_first(workshop: Workshop) -> None:
    root = workshop.store.root
    note = add_remark(workshop.store, "heron-main", "rain")

    def write(n: int) -> str:
        try:
            return change_remark(Store(root), "heron-main", "", note.id, f"by {n}", seen=note.version).text
        except BmsLogsError as error:
            assert isinstance(error, ChangedMeanwhile)
            return ""

    with ThreadPoolExecutor(8) as hands:
        written = [text for text in hands.map(write, range(16)) if text]
    assert len(written) == 1 and [r.text for r in remarks(workshop.store, "heron-main")] == written
