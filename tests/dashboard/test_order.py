"""Order in the store, in a real Chromium: one story, two tabs, one phone."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bmslogs.base.pack import Pack
from bmslogs.store import Store
from bmslogs.store.order import in_bin, remarks, remove_log
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served

pytestmark = pytest.mark.browser


@dataclass
class Site:
    """A store that is served, and what lies in it."""

    address: str
    store: Store
    drive: str
    """Id of the test drive of Heron."""

    def logbook(self, more: str = "") -> str:
        return f"{self.address}/logbook?pack=heron-main{more}"


@pytest.fixture
def workshop(stores: Callable[[str], Path], tmp_path: Path) -> Iterator[Site]:
    store = Store(shutil.copytree(stores("sample"), tmp_path / "store"))
    egret = store.pack("heron-main").model_dump() | {"id": "egret-main", "vehicle": "Egret"}
    store.save_pack(Pack.model_validate(egret))
    store.save_pack(invent.pack(12, 3, 1, name="Wren", pack_id="wren-main"))
    drive = next(e for e in store.logs("heron-main") if "test-drive" in e.source)
    with served(store.root) as address:
        yield Site(address, store, drive.id)


def row(page: Any, log: str) -> Any:
    return page.locator(f"#log-{log}")


def bar(page: Any) -> Any:
    return page.locator("#order-said")


def test_a_log_is_removed_undone_moved_noted_and_its_vehicle_renamed(workshop: Site, chromium: Any) -> None:
    reader, store, log = Reader(chromium, bypass_csp=True), workshop.store, workshop.drive
    page = reader.open(workshop.logbook())
    page.get_by_label("Your name").fill("Ann")
    rows = page.locator(".logs tbody tr")
    assert rows.count() == 4
    page.wait_for_function("(localStorage.getItem('order-by') || '').includes('Ann')")

    # removed by keyboard; the undoing is next
    row(page, log).get_by_role("button", name="Remove the log of").focus()
    page.keyboard.press("Enter")
    bar(page).get_by_text("It can be brought back for 30 days").wait_for()
    row(page, log).wait_for(state="detached")
    assert [(i.log, i.by) for i in in_bin(store)] == [(log, "Ann")]
    page.wait_for_function("document.activeElement && document.activeElement.innerText === 'Undo'")
    address = f"{workshop.address}/log?pack=heron-main&log={log}"
    other = reader.context.new_page()
    other.goto(address)
    other.get_by_text("removed by Ann on").wait_for()
    page.keyboard.press("Enter")
    row(page, log).wait_for()
    other.locator("#log-figure .main-svg").first.wait_for()  # the other tab follows by itself
    assert in_bin(store) == []

    # a move that is refused, and one that is not
    row(page, log).get_by_role("link", name="Move").click()
    page.wait_for_url(re.compile("act=move"))
    form = page.locator("#order-form")
    form.get_by_role("button", name="Move it").click()
    form.get_by_text("no pack chosen").wait_for()
    for pack, says in (
        ("Wren", "16 cells and Wren (wren-main) has 12"),
        ("Egret", "Moved to Egret (egret-main)"),
    ):
        form.get_by_role("textbox", name="To which pack?").click()
        page.get_by_role("option", name=pack).click()
        form.get_by_role("button", name="Move it").click()
        page.get_by_text(says).wait_for()
    row(page, log).wait_for(state="detached")
    other.get_by_role("link", name="Show it there").click()
    other.wait_for_url(re.compile("pack=egret-main"))
    other.locator("#log-figure .main-svg").first.wait_for()
    (moved,) = store.logs("egret-main")
    assert moved.id in other.url and moved.id != log
    bar(page).get_by_role("button", name="Move it back").click()
    row(page, log).wait_for()
    other.get_by_text(re.compile("was moved to Heron")).wait_for()

    # notes on the log, on a moment in it, on a cell
    page.get_by_role("navigation").get_by_role("link", name="Log", exact=True).click()
    page.locator("#log-side").wait_for()
    page.goto(workshop.logbook(f"&log={log}&act=note"))
    form = page.locator("#order-form")
    page.wait_for_function("document.activeElement && document.activeElement.tagName === 'TEXTAREA'")
    page.keyboard.type("contactor clicked")
    form.get_by_label("Moment in the log").fill("03:00")
    form.get_by_role("button", name="Keep the note").click()
    form.get_by_text("expected a moment of the log").wait_for()
    entry = store.entry(log)
    form.get_by_label("Moment in the log").fill(f"{entry.start.astimezone():%H:%M}")
    form.get_by_role("button", name="Keep the note").click()
    row(page, log).get_by_text("contactor clicked").wait_for()
    row(page, log).get_by_text("Ann, ").wait_for()
    row(page, log).get_by_role("link", name="at ").click()
    page.wait_for_url(re.compile(r"/log.*start=2026"))
    page.locator("#log-side").get_by_text("contactor clicked").wait_for()
    page.goto(f"{workshop.address}/pack?pack=heron-main&log={log}&cells=5")
    page.locator("#pack-side").get_by_role("link", name="Note something on cell 5").click()
    page.locator("#order-note-text").fill("tab re-welded")
    page.get_by_role("button", name="Keep the note").click()
    page.locator(".notes").get_by_text("tab re-welded").wait_for()
    page.get_by_role("navigation").get_by_role("link", name="Pack", exact=True).click()
    page.locator("#pack-side").get_by_text("tab re-welded").wait_for()

    # the vehicle gets another name, everywhere
    page.get_by_role("navigation").get_by_role("link", name="Logbook").click()
    page.get_by_label("New name of Heron").fill("Plover")
    page.get_by_role("button", name="Rename the vehicle").click()
    page.get_by_text("there is a vehicle 'Plover' already").wait_for()
    page.get_by_label("New name of Heron").fill("Great Heron")
    page.get_by_role("button", name="Rename the vehicle").click()
    page.get_by_role("heading", name="Logbook of Great Heron").wait_for()
    assert {e.vehicle for e in store.logs("heron-main")} == {"Great Heron"}
    assert store.check().problems == ()
    assert reader.wrong == []
    reader.context.close()


def test_two_people_at_one_log_and_one_note(workshop: Site, chromium: Any) -> None:
    ann, bo = Reader(chromium, bypass_csp=True), Reader(chromium, bypass_csp=True)
    store, log = workshop.store, workshop.drive
    first = ann.open(workshop.logbook(f"&log={log}&act=note"))
    first.get_by_label("Your name").fill("Ann")
    first.locator("#order-note-text").fill("rain")
    first.get_by_role("button", name="Keep the note").click()
    (note,) = ann_notes(store, log)
    change = workshop.logbook(f"&log={log}&act=note&note={note.id}")
    first.goto(change)
    second = bo.open(change)
    second.get_by_label("Your name").fill("Bo")
    second.locator("#order-note-text").fill("heavy rain")
    first.locator("#order-note-text").fill("snow")
    second.get_by_role("button", name="Keep the note").click()
    row(second, log).get_by_text("heavy rain").wait_for()
    first.locator("#order-news").get_by_text("What you have typed is still here").wait_for()
    assert first.locator("#order-note-text").input_value() == "snow"
    first.get_by_role("button", name="Keep the note").click()
    first.get_by_text(re.compile("the note was changed by Bo on .* nothing of yours was written")).wait_for()
    assert first.locator("#order-note-text").input_value() == "snow"
    first.get_by_role("button", name="Show it as it is now").click()
    first.wait_for_function("document.querySelector('#order-note-text').value === 'heavy rain'")
    assert [r.text for r in remarks(store, "heron-main", log)] == ["heavy rain"]

    # a tab that has not heard yet is told who removed the log
    first.goto(workshop.logbook())
    first.route("**/store-state", lambda r: r.abort())
    first.wait_for_selector(f"#log-{log}")
    remove_log(store, log, by="Bo")
    row(first, log).get_by_role("button", name="Remove the log of").click()
    first.get_by_text(re.compile("was removed by Bo on .* after you opened it")).wait_for()
    assert len(in_bin(store)) == 1
    ann.context.close()
    bo.context.close()


def ann_notes(store: Store, log: str) -> list[Any]:
    for _ in range(100):
        found = remarks(store, "heron-main", log)
        if found:
            return found
        import time

        time.sleep(0.1)
    return []


def test_a_pack_is_described_anew_as_of_a_day_by_one_person_at_a_time(workshop: Site, chromium: Any) -> None:
    ann, bo = Reader(chromium, bypass_csp=True), Reader(chromium, bypass_csp=True)
    store = workshop.store
    first = ann.open(f"{workshop.address}/describe?edit=heron-main")
    second = bo.open(f"{workshop.address}/describe?edit=heron-main")
    for page, ohms in ((first, "30"), (second, "27")):
        page.get_by_label("Bleed resistor [Ω]").fill(ohms)
    later = [e for e in store.logs("heron-main") if f"{e.start:%Y-%m-%d}" >= "2026-05-16"]
    first.get_by_role("textbox", name="It holds for").click()
    first.get_by_role("option", name="Logs from a day on").click()
    first.get_by_role("button", name="Save the pack").click()
    first.get_by_text("expected a day such as").wait_for()
    first.get_by_label("The day (UTC)").fill("2026-05-16")
    first.get_by_role("button", name="Save the pack").click()
    first.get_by_text(f"given to {len(later)} log").wait_for()
    assert 0 < len(later) < 4
    second.get_by_role("button", name="Save the pack").click()
    second.get_by_text("pack heron-main was changed (bleed resistor ohm)").wait_for()
    assert store.pack("heron-main").bleed_resistor_ohm == 30
    first.get_by_label("Bleed resistor [Ω]").fill("31")
    first.get_by_role("button", name="Save the pack").click()  # one's own words are no one else's
    first.wait_for_timeout(300)
    first.get_by_text("Not saved").wait_for(state="detached")
    assert store.pack("heron-main").bleed_resistor_ohm == 31
    assert ann.wrong == [] and bo.wrong == []
    ann.context.close()
    bo.context.close()


def test_an_empty_pack_is_removed_and_brought_back(workshop: Site, chromium: Any) -> None:
    reader = Reader(chromium, bypass_csp=True)
    page = reader.open(f"{workshop.address}/logbook?pack=heron-main")
    assert page.get_by_role("button", name="Remove this pack").is_disabled()
    page = reader.open(f"{workshop.address}/logbook?pack=wren-main")
    page.get_by_role("button", name="Remove this pack").click()
    bar(page).get_by_text("Removed: pack wren-main of Wren").wait_for()
    assert "wren-main" not in {p.id for p in workshop.store.packs()}
    page.goto(f"{workshop.address}/pack?pack=wren-main")
    page.get_by_text("Pack wren-main of Wren was removed by somebody on").wait_for()
    page.get_by_role("button", name="Bring it back").click()
    page.get_by_role("heading", name="Pack of Wren").wait_for()
    assert reader.wrong == []
    reader.context.close()


def test_a_finding_that_was_set_aside_never_reads_as_none_and_is_taken_back_there(
    workshop: Site, chromium: Any
) -> None:
    reader = Reader(chromium, bypass_csp=True)
    page = reader.open(f"{workshop.address}/answers?pack=heron-main&log={workshop.drive}")
    count = page.locator(".answer-card").count()
    assert count
    for _ in range(count):
        standing = page.locator("#page-content > div > div > .answer-card").first
        standing.get_by_text("Accept, note or set aside").click()
        standing.get_by_label("Your name").fill("Ann")
        standing.get_by_label("Reason").fill("bench charged since")
        before = page.locator(".answer-card", has=page.get_by_role("button", name="Take it back")).count()
        standing.get_by_role("button", name="Set aside").click()
        page.wait_for_function(
            "n => [...document.querySelectorAll('.answer-card button')].filter(b => b.innerText === 'Take it back')"
            ".length > n",
            arg=before,
        )
    text = page.locator("#page-content").inner_text()
    assert "set aside: by whom, and why, stands below" in text or "was set aside: by whom" in text
    assert "No finding" not in text and "Nothing was found" not in text
    page.get_by_role("navigation").get_by_role("link", name="Log", exact=True).click()
    page.locator("#log-side").get_by_text("set aside by Ann").first.wait_for()
    page.go_back()
    page.get_by_role("button", name="Take it back").first.click()
    page.get_by_text("Taken back").first.wait_for()
    assert page.get_by_role("button", name="Take it back").count() == count - 1
    assert reader.wrong == []
    reader.context.close()


def test_search_filter_and_back(workshop: Site, chromium: Any) -> None:
    reader = Reader(chromium, bypass_csp=True)
    page = reader.open(workshop.logbook())
    rows = page.locator(".logs tbody tr")
    page.get_by_label("Search").fill("test-drive")
    page.wait_for_url(re.compile("find=test-drive"))
    page.wait_for_function("document.querySelectorAll('.logs tbody tr').length === 1")
    address = page.url
    page.go_back()
    page.wait_for_function("document.querySelectorAll('.logs tbody tr').length === 4")
    page.goto(address)
    page.wait_for_function("document.querySelectorAll('.logs tbody tr').length === 1")
    assert page.get_by_label("Search").input_value() == "test-drive"
    page.get_by_label("Search").fill("no such words")
    page.get_by_text("No log of this pack fits").wait_for()
    page.goto(workshop.logbook("&only=noted"))
    page.get_by_text("No log of this pack fits").wait_for()
    assert rows.count() == 0 and reader.wrong == []
    reader.context.close()


def test_on_a_phone_nothing_is_too_small_to_touch(workshop: Site, chromium: Any) -> None:
    reader = Reader(chromium, viewport={"width": 390, "height": 844}, has_touch=True)
    remove_log(workshop.store, workshop.store.logs("heron-main")[0].id)
    for more in ("", f"&log={workshop.drive}&act=note", f"&log={workshop.drive}&act=move", "&act=cell"):
        page = reader.open(workshop.logbook(more))
        sizes = page.evaluate(
            "() => [...document.querySelectorAll('.logbook .button, .logbook input, .logbook textarea')]"
            ".map(e => [e.innerText || e.id, e.getBoundingClientRect()]).filter(b => b[1].width)"
            ".map(b => [b[0], b[1].width, b[1].height])"
        )
        assert len(sizes) > 10
        assert [s for s in sizes if s[1] < 44 or s[2] < 43.5] == [], more
        overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(overflow) <= 1, more
    assert reader.wrong == []
    reader.context.close()
