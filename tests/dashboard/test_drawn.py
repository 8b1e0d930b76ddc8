"""What was worked out last is found again by what it was made from, and by nothing else."""

from __future__ import annotations

import gc
import importlib
import shutil
import weakref
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bmslogs.faces.answers import pack_answer
from bmslogs.store import index
from dashboard.app import BY_PATH
from dashboard.desk import MANY, Desk
from dashboard.drawn import Drawn
from dashboard.frame import Frame
from dashboard.pages import pack as pack_page
from dashboard.pages import record
from dashboard.shell import LISTED, pickers


def test_the_same_is_made_once_and_another_anew() -> None:
    drawn, made = Drawn(2), []

    def make(name: str) -> str:
        made.append(name)
        return name

    one, same = ["a"], ["a"]
    assert drawn.get((one,), "x", lambda: make("first")) == "first"
    assert drawn.get((one,), "x", lambda: make("again")) == "first"
    assert drawn.get((same,), "x", lambda: make("equal, but another object")) == "equal, but another object"
    assert drawn.get((one,), "y", lambda: make("in another way")) == "in another way"
    assert drawn.get((one,), "x", lambda: make("gone meanwhile")) == "gone meanwhile"  # two are kept
    drawn.clear()
    assert drawn.get((one,), "x", lambda: make("after all")) == "after all"
    assert len(made) == 5


def test_an_object_in_the_place_of_one_that_is_gone_is_not_taken_for_it() -> None:
    drawn = Drawn(4)
    for n in range(50):  # a list that is let go would leave its place in memory to the next one
        assert drawn.get(([n],), "x", lambda n=n: n) == n  # type: ignore[misc]


class History:
    """Something that a picture is made from."""


def test_a_picture_keeps_nothing_alive_that_was_superseded() -> None:
    drawn, pack = Drawn(100), ["a list cannot be watched"]
    old = History()
    gone = weakref.ref(old)
    assert (
        drawn.get((pack, old), "x", lambda: "picture")
        == drawn.get((pack, old), "x", lambda: "anew")
        == "picture"
    )
    del old
    gc.collect()
    assert gone() is None and len(drawn) == 0
    for n in range(100):  # the next of them may lie where the last one lay
        assert drawn.get((pack, History()), "x", lambda n=n: n) == n  # type: ignore[misc]
    assert len(drawn) == 0


@pytest.fixture
def desk(stores: Callable[[str], Path]) -> Desk:
    importlib.import_module("pandas")  # before threads, as the application does
    return Desk(stores("sample"))


def _frame(desk: Desk, more: str = "", scheme: str = "light") -> Frame:
    log = desk.logs("heron-main")[0].id
    return Frame.of(desk, f"?pack=heron-main&log={log}{more}", scheme)


@pytest.mark.parametrize("path", ["/", "/pack", "/answers", "/history", "/side-by-side"])
def test_a_page_is_the_same_from_memory(desk: Desk, path: str) -> None:
    for entry in desk.store.logs():
        desk.diagnosis(entry.id)
    pages = [str(BY_PATH[path].layout(_frame(desk)).to_plotly_json()) for _ in range(2)]
    desk.drawn.clear()
    pages.append(str(BY_PATH[path].layout(_frame(desk)).to_plotly_json()))
    assert pages[0] == pages[1] == pages[2]


@pytest.mark.parametrize("other", ["&cells=3", "&quantity=soc_offset", "&warm=1", "&since=1", "&module=H2"])
def test_whatever_is_chosen_is_drawn(desk: Desk, other: str) -> None:
    def both(frame: Frame) -> tuple[Any, Any]:
        return pack_page.picture(frame), pack_page.cells_figure(frame)

    both(_frame(desk))
    with_memory = both(_frame(desk, other))
    desk.drawn.clear()
    assert str(both(_frame(desk, other))) == str(with_memory)
    dark = both(_frame(desk, other, "dark"))
    assert str(dark) != str(with_memory)


def test_the_record_of_logs_at_hand_is_that_of_the_store(desk: Desk) -> None:
    for entry in desk.logs("heron-main"):
        desk.diagnosis(entry.id)
    standing, waiting = desk.standing("heron-main")
    assert standing is not None and not waiting
    assert record.whole(desk, "heron-main") is standing
    assert standing.to_json() == pack_answer(desk.store, "heron-main").to_json()


def test_a_long_list_is_searched_and_not_laid_out_whole(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    short = pickers(_frame(desk))[1]
    assert not hasattr(short, "limit")
    entries = desk.logs("heron-main") * (LISTED + 1)
    monkeypatch.setattr(desk, "logs", lambda _: entries)
    long = pickers(_frame(desk))[1]
    assert long.limit == LISTED and long.searchable and len(long.data) == len(entries)


def test_a_pack_with_many_logs_is_weighed_behind_the_page(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    for entry in desk.logs("heron-main"):
        desk.diagnosis(entry.id)
    few, _ = desk.standing("heron-main")
    monkeypatch.setattr("dashboard.desk.MANY", 1)
    count = len(desk.logs("heron-main"))
    assert 1 < count < MANY
    assert desk.standing("heron-main") == (None, count)
    desk._worker.submit(lambda: None).result(60)  # what was asked for before is done then
    many, waiting = desk.standing("heron-main")
    assert waiting == 0 and many is not None and few is not None and many.to_json() == few.to_json()
    assert desk.unread("heron-main") == 0


def test_a_record_leaves_out_a_log_that_was_taken_away_meanwhile(
    stores: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As another process may, in the moment for which the folders are not asked again."""
    monkeypatch.setattr(index, "PAUSE_S", 60.0)
    monkeypatch.setattr(index, "SETTLED_NS", -(10**12))  # folders copied just now count as settled
    here = Desk(Path(shutil.copytree(stores("sample"), tmp_path / "store")))
    for entry in here.logs("heron-main"):
        here.diagnosis(entry.id)
    assert len(here.logs("heron-main")) == 4
    gone = here.logs("heron-main")[0]
    next(here.root.glob(f"vehicle=*/pack=heron-main/{gone.id}.parquet")).unlink()
    here._logs.clear()
    assert gone in here.logs("heron-main")  # as it was seen last
    page = record._sheet_of_now(here, "heron-main", None, "", "")
    assert "3 logs" in page
