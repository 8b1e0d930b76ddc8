"""Order in the browser, without a browser: what is gone is said, what is typed is read, what is listed fits."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bmslogs.base.errors import BadInput
from bmslogs.base.results import Finding
from bmslogs.base.zone import zone_named
from bmslogs.store import Store
from bmslogs.store.order import (
    ChangedMeanwhile,
    add_remark,
    bring_back,
    describe_pack,
    empty_bin,
    move_log,
    remove_log,
    rename_vehicle,
)
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.notes import add_note, latest, read_notes
from dashboard.open_log import OpenLogs
from dashboard.order import aside_mark, gone_log, gone_page
from dashboard.order_describe import since
from dashboard.order_notes import moment_in
from dashboard.pages import logbook


@pytest.fixture
def store(stores: Callable[[str], Path], tmp_path: Path) -> Store:
    unweighed = shutil.ignore_patterns("_answers", "_history")  # whatever other tests have asked of it
    return Store(shutil.copytree(stores("sample"), tmp_path / "store", ignore=unweighed))


def texts(node: Any) -> str:
    """Return all words of a layout."""
    if isinstance(node, list | tuple):
        return " ".join(texts(n) for n in node)
    if hasattr(node, "to_plotly_json"):
        return texts(node.to_plotly_json()["props"].get("children"))
    return "" if node is None or isinstance(node, dict) else str(node)


def test_the_address_of_a_log_that_is_gone_says_what_became_of_it(store: Store) -> None:
    first, second = store.logs("heron-main")[:2]
    store.save_pack(store.pack("heron-main").model_copy(update={"id": "egret-main", "vehicle": "Egret"}))
    desk = Desk(store.root)

    def says(log: str, path: str = "/log") -> str:
        return texts(gone_page(Frame.of(desk, f"?pack=heron-main&log={log}"), path, "Log"))

    assert says(first.id) == "" and says("nothing-of-this-name") == ""
    remove_log(store, first.id, by="Ann")
    assert "removed by Ann on" in says(first.id) and "Bring it back" in says(first.id)
    assert says(first.id, "/handbook") == ""
    for day in (1, 3):  # found to be over, and still so when it is looked at again
        empty_bin(store, dt.datetime(2100, 1, day, tzinfo=dt.UTC))
    assert "emptied from the bin, 30 days after it was removed by Ann" in says(first.id)
    assert "Bring it back" not in says(first.id)
    moved = move_log(store, second.id, "egret-main")
    assert "moved to Egret (egret-main)" in says(second.id) and "Show it there" in says(second.id)
    assert "It is a log of Egret (egret-main)" in says(moved.id)
    for path in ("/pack", "/charge", "/answers"):
        assert "removed by Ann" in says(first.id, path)
    assert gone_log(Frame.of(desk, f"?pack=egret-main&log={moved.id}"), "/log") is None


def test_a_desk_notices_what_another_process_changed(store: Store) -> None:
    desk, log = Desk(store.root), store.logs("heron-main")[0]
    before = desk.diagnosis(log.id)
    state = desk.state()
    assert desk.state() == state
    new = store.pack("heron-main").model_copy(update={"nominal_capacity_Ah": 90.0})
    describe_pack(store, new, since=dt.date.min)  # as the command line does
    frame = Frame.of(desk, f"?pack=heron-main&log={log.id}")
    assert desk.state() != state and frame.diagnosis is not None and frame.diagnosis is not before
    assert desk.log(log.id).pack.nominal_capacity_Ah == 90.0
    rename_vehicle(store, "Heron", "Egret")
    assert Frame.of(desk, "?pack=heron-main").diagnosis.pack["vehicle"] == "Egret"  # type: ignore[union-attr]


def test_what_is_gathered_follows_removed_and_brought_back_logs(store: Store) -> None:
    from bmslogs.fleet import overview
    from bmslogs.fleet.dataset import refresh
    from bmslogs.fleet.files import Files

    desk, pack = Desk(store.root), store.pack("plover-main")
    logs = store.logs("plover-main")
    for entry in logs:
        desk.diagnosis(entry.id)
    refresh(Files(store.root))

    def told() -> tuple[int, int]:
        desk.changed("plover-main")
        desk._worker.submit(lambda: None).result()
        fleet = next((p.logs for p in overview(store.root) if p.pack == "plover-main"), 0)
        return fleet, len(desk.history(pack)[0].gathered.ids)

    assert told() == (len(logs), len(logs))
    remove_log(store, logs[0].id)
    assert told() == (len(logs) - 1, len(logs) - 1)
    bring_back(store, logs[0].id)
    desk.diagnosis(logs[0].id)
    assert told() == (len(logs), len(logs))


def test_the_list_in_parts_by_search_and_filter(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logbook, "SHOWN", 3)
    desk, logs = Desk(store.root), store.logs("heron-main")
    add_remark(store, "heron-main", "Towed home", log=logs[2].id)

    def shown(more: str) -> list[str]:
        return [e.id for e in logbook.Listed(Frame.of(desk, f"?pack=heron-main{more}")).shown]

    newest = [e.id for e in reversed(logs)]
    assert shown("") == newest[:3] and shown("&part=2") == newest[3:] and shown("&part=99") == newest[3:]
    assert shown("&find=towed+HOME") == shown("&only=noted") == [logs[2].id]
    assert shown(f"&find={logs[0].start:%Y-%m-%d}") == [logs[0].id]
    assert shown("&only=open") == newest[:3]
    desk.diagnosis(logs[3].id)
    assert shown("&only=open") == newest[1:4]
    assert {e.id for e in logs if e.repairs} == set(shown("&only=mended"))
    assert shown("&find=nothing") == []


def test_a_view_of_the_logbook_is_held_by_the_address() -> None:
    view = View(pack="a", log="b", act="note", note="0a1b2c3d", find="rain & wind, 5 %", only="noted", part=3)
    assert parse(view.query()) == view
    assert view.but(find="").hard() == view.hard() and view.but(act="").hard() != view.hard()


@given(st.integers(0, 86_399))
def test_a_time_of_day_is_a_moment_of_the_log(seconds: int) -> None:
    start = dt.datetime(2026, 5, 13, 22, 30, 10, tzinfo=dt.UTC)
    entry: Any = type("Entry", (), {"start": start, "end": start + dt.timedelta(hours=24)})()
    clock = (dt.datetime(2026, 5, 13) + dt.timedelta(seconds=seconds)).time()
    found = moment_in(clock.isoformat(), entry)
    assert found is not None and found.time() == clock and start <= found < start + dt.timedelta(days=1)


@pytest.mark.parametrize(
    ("typed", "utc"),
    [("02:30", "2026-05-14T00:30"), ("00:31:00", "2026-05-13T22:31"), ("23:00Z", "2026-05-13T23:00"),
     ("00:30", "2026-05-13T22:30:10"), ("2026-05-14T09:00", "2026-05-14T07:00")],
)  # fmt: skip
def test_a_moment_is_typed_by_the_workshops_clock(typed: str, utc: str) -> None:
    """Oslo is two hours ahead of UTC in May (EU Directive 2000/84)."""
    start = dt.datetime(2026, 5, 13, 22, 30, 10, tzinfo=dt.UTC)
    entry: Any = type("Entry", (), {"start": start, "end": start + dt.timedelta(hours=24)})()
    found = moment_in(typed, entry, zone_named("Europe/Oslo"))
    assert found == dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize("bad", ["noon", "25:00", "2026-13-01T00:00", "7"])
def test_what_is_no_time(bad: str) -> None:
    with pytest.raises(BadInput):
        moment_in(bad, None)  # type: ignore[arg-type]
    assert moment_in(" ", None) is None  # type: ignore[arg-type]


@pytest.mark.parametrize("day", [None, "", "spring", "2026-02-30"])
def test_a_day_is_needed_where_it_holds_from_a_day_on(day: str | None) -> None:
    with pytest.raises(BadInput, match="a day such as"):
        since("day", day)
    assert since("later", day) is None and since("all", day) == dt.date.min


def finding() -> Finding:
    return Finding(
        cause="soc_offset_low", level="look", cells=(5,), module=None, sensor=None, size=None, low=None, high=None,
        unit="Ah", says="cell 5 is empty", because=("x",), next=("y",),
    )  # fmt: skip


def test_two_people_judge_one_finding(store: Store) -> None:
    root, log, found = store.root, store.logs("heron-main")[0].id, finding()
    add_note(root, "heron-main", log, found, "set_aside", "Ann", "charged", seen=0)
    with pytest.raises(ChangedMeanwhile, match="set aside by Ann on"):
        add_note(root, "heron-main", log, found, "accept", "Bo", "seen it", seen=0)
    notes = read_notes(root, "heron-main", log)
    assert texts(aside_mark(found, notes)) == "set aside by Ann" and len(notes) == 1
    add_note(root, "heron-main", log, found, "take_back", "Bo", "not charged after all", seen=1)
    notes = read_notes(root, "heron-main", log)
    assert aside_mark(found, notes) == [] and latest(notes, found).verdict == "take_back"  # type: ignore[union-attr]


def test_logs_that_are_let_go_are_opened_again(store: Store) -> None:
    opened, path = OpenLogs(), store.logs("heron-main")[0].path
    first = opened.get(path)
    opened.release()
    again = opened.get(path)
    assert again is not first and len(again.window().time) > 10
