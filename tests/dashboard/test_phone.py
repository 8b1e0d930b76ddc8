"""What a phone beside the vehicle shows otherwise: columns alike once, the record at its length."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bmslogs.base.results import Diagnosis, Finding
from bmslogs.store import Store
from dashboard.coloured import coloured_by, shows_first
from dashboard.pages.side_by_side import bled_lines
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served

PACK = invent.pack(name="Knot", pack_id="knot-main")


@pytest.fixture
def phone(chromium: Any) -> Iterator[Reader]:
    one = Reader(chromium, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    yield one
    one.context.close()
    assert one.wrong == []


@pytest.mark.browser
def test_columns_alike_are_said_once_on_a_phone(phone: Reader, tmp_path: Path) -> None:
    file = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    Store(tmp_path / "store").save_pack(PACK)
    with served(tmp_path / "store") as site:
        page = phone.open(f"{site}/bring")
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        chooser.value.set_files(str(file))
        alike = page.locator("tr.shared", has_text="cell_1_V … cell_16_V")
        alike.get_by_text("4.081").first.wait_for()
        members = page.locator("tr.member")
        assert members.count() == 20 and not members.first.is_visible()
        assert page.get_by_text("This log is of").count() == 0  # there is one pack: nothing to choose
        page.get_by_role("button", name="Choose for every column on its own").click()
        page.get_by_role("textbox", name="What cell_7_V is").wait_for()
        page.set_viewport_size({"width": 1400, "height": 900})
        page.get_by_role("button", name="Choose for alike columns together").click()
        members.first.wait_for()  # a wide screen lists them
        phone.context.close()


@pytest.mark.browser
def test_the_record_is_as_long_as_it_is(phone: Reader, site: Callable[[str], str]) -> None:
    page = phone.open(f"{site('sample')}/record?pack=heron-main")
    page.frame_locator("#record-sheet").get_by_role("heading", name="Signatures").wait_for()
    page.wait_for_function("parseInt(document.querySelector('#record-sheet').style.height) > 1200")
    inside = page.frame_locator("#record-sheet").locator("html")
    assert inside.evaluate("e => e.scrollHeight - innerHeight") <= 0


@pytest.mark.browser
def test_a_picked_cell_can_be_let_go(phone: Reader, site: Callable[[str], str]) -> None:
    page = phone.open(f"{site('sample')}/overlay?pack=heron-main&cells=6")
    cross = page.locator(".mantine-InputClearButton-root svg").first
    cross.wait_for()
    assert cross.bounding_box()["width"] > 8


@pytest.mark.browser
def test_the_pack_is_coloured_by_what_its_sentence_says(phone: Reader, site: Callable[[str], str]) -> None:
    page = phone.open(
        f"{site('sample')}/pack?pack=heron-main"
    )  # its newest log is a parked week, one cell leaks
    page.locator("#pack-apart", has_text="Leak current against the pack's middle").wait_for()


def test_the_most_urgent_finding_of_a_cell_chooses_the_quantity() -> None:
    def told(*findings: Finding) -> Diagnosis:
        return Diagnosis(log={}, pack={}, estimates=(), findings=findings)

    leaks = Finding("self_discharge_high", "look", "", cells=(14,))
    assert shows_first(told(leaks)) == ["leak_current_relative"]
    assert shows_first(told(leaks, Finding("cell_resistance_high", "act", "", cells=(3,)))) == [
        "resistance_10s_relative"
    ]
    assert shows_first(told(Finding("log_quality", "look", ""))) == []
    assert coloured_by(told(leaks))[:2] == ["leak_current_relative", "resistance_10s_relative"]


def test_a_pack_whose_bleeding_is_not_known_is_named_once_with_its_reason() -> None:
    names = {"heron-main": "Heron", "plover-main": "Plover"}
    lines = [
        "heron-main: not known",
        "plover-main: not known",
        "not comparable: heron-main: 1 log over 0 days; 4 over two weeks are needed.; "
        "plover-main: no bleed columns. Log them.",
    ]
    assert bled_lines(lines, names) == [
        "Heron: not known, 1 log over 0 days; 4 over two weeks are needed.",
        "Plover: not known, no bleed columns. Log them.",
    ]
    both = [
        "heron-main: 1.2 Ah a week over 3.0 weeks, 9 logs",
        "heron-main against plover-main: +1.0 Ah a week",
    ]
    assert bled_lines(both, names) == [
        line.replace("heron-main", "Heron").replace("plover-main", "Plover") for line in both
    ]
