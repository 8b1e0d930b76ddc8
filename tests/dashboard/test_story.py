"""A workshop's first month in a real Chromium: from an empty store to the record of a repaired pack."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from bmslogs.store import Store
from sample_logs import SAMPLES
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served

pytestmark = pytest.mark.browser
LOGS = ("heron-2-test-drive.csv.gz", "heron-3-after-repair.csv.gz")
SWAPPED = "2026-05-13"
VEHICLES = {
    "Heron": ("100", "16", "front: F1 1-4; F2 5-8\nmiddle: M1 9-12\nrear: R1 13-16"),
    "Plover": ("100", "16", "front: F1 1-4; F2 5-8\nmiddle: M1 9-12\nrear: R1 13-16"),
    "Knot": ("60", "12", "front: A 1-6\nrear: B 7-12"),
}
"""Vehicle: capacity [Ah], cells in series, boxes and modules."""


def planted(log: str) -> set[int]:
    """Cells of the faults that the samples' truth has in a log."""
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    return {c for f in truth["logs"][log]["faults"] for c in f["cells"]}


def describe(page: Any, site: str, vehicle: str) -> None:
    capacity, cells, boxes = VEHICLES[vehicle]
    page.goto(f"{site}/describe")
    page.get_by_label("Vehicle").fill(vehicle)
    page.get_by_label("Capacity [Ah]").fill(capacity)
    page.get_by_label("Cells in series").fill(cells)
    page.get_by_label("Boxes and modules").fill(boxes)
    page.get_by_text("Nothing wrong with it as typed").wait_for()
    page.get_by_role("button", name="Save the pack").click()
    page.get_by_text(f"Saved as {vehicle.lower()}-main").wait_for()


def bring(page: Any, site: str, vehicle: str, *files: Path) -> None:
    page.goto(f"{site}/bring?pack={vehicle.lower()}-main")
    page.get_by_role("radio", name=f"{vehicle}: {vehicle.lower()}-main").check()
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([str(f) for f in files])
    name = f"Bring all {len(files)} in" if len(files) > 1 else "Bring this log in"
    page.get_by_role("button", name=name).click(timeout=60_000)
    page.wait_for_function(
        "n => document.querySelectorAll('.job .state.done').length === n", arg=len(files), timeout=120_000
    )
    page.get_by_role("button", name="Put finished cards away").click()
    page.locator(".job").first.wait_for(state="detached")


def answer(page: Any) -> str:
    return str(page.locator("#page-answer").inner_text())


def test_from_nothing_over_finding_and_repair_to_the_record(chromium: Any, tmp_path: Path) -> None:
    knot = invent.pack(12, 2, 2, name="Knot", pack_id="knot-main")
    drive = invent.write_csv(invent.drive(knot), tmp_path / "knot-drive.csv")
    bad = planted(LOGS[0])
    assert bad and not planted(LOGS[1]) & bad  # the second drive is after the repair
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(site)
        page.get_by_text("Nothing here yet").wait_for()
        for vehicle in VEHICLES:
            describe(page, site, vehicle)
        page.goto(site)
        page.get_by_text("3 packs described, and no log of any yet").wait_for()

        # logs of several dates, each with the pack that it is of
        bring(page, site, "Heron", *(SAMPLES / name for name in LOGS))
        bring(page, site, "Plover", SAMPLES / "plover-1-test-drive.csv.gz")
        bring(page, site, "Knot", drive)
        store = Store(tmp_path / "store")
        assert {p: len(store.logs(f"{p.lower()}-main")) for p in VEHICLES} == {
            "Heron": 2,
            "Plover": 1,
            "Knot": 1,
        }
        first = min(store.logs("heron-main"), key=lambda e: e.start)

        # the finding, its plain window, and the way back to the pack
        page.goto(f"{site}/answers?pack=heron-main&log={first.id}")
        card = page.locator(".answer-card").first
        card.wait_for(timeout=60_000)
        assert "module F1" in card.inner_text() and "module F1" in answer(page)
        assert bad == {1, 2, 3, 4}  # F1, as it was described above
        page.goto(f"{site}/pack?pack=heron-main&log={first.id}&cells=2")
        page.locator("#pack-side").get_by_role("link", name="See in the log").click()
        page.wait_for_url(re.compile(r"/log.*finding=1.*sight=1|/log.*sight=1.*finding=1"))
        page.locator("#log-sight").get_by_text("The strongest pull").wait_for()
        page.get_by_role("navigation").get_by_role("link", name="Vehicles").click()
        page.locator(".card", has_text="Knot").get_by_text("1 log, the newest of").wait_for()

        # the work is noted: on the log, and dated with the pack
        page.goto(f"{site}/logbook?pack=heron-main&log={first.id}&act=note")
        page.locator("#order-note-text").fill("module F1 ordered")
        page.get_by_label("Your name").fill("Ann")
        page.get_by_role("button", name="Keep the note").click()
        page.locator(f"#log-{first.id}").get_by_text("module F1 ordered").wait_for()
        page.get_by_text("1 with notes").wait_for()
        page.goto(f"{site}/describe?edit=heron-main")
        page.get_by_label("Work on the pack").fill(f"{SWAPPED}; module swapped; F1; taken out again")
        page.get_by_text("Nothing wrong with it as typed").wait_for()
        page.get_by_role("button", name="Save the pack").click()
        page.get_by_text("Saved as heron-main").wait_for()
        assert [e.kind for e in Store(tmp_path / "store").pack("heron-main").events] == ["module swapped"]

        # the months: both dates, the work as a mark between them
        page.goto(f"{site}/history?pack=heron-main&quantity=resistance_10s_relative")
        page.locator("#history-figure .main-svg").first.wait_for(timeout=60_000)
        page.locator("#history-figure text", has_text="module swapped").first.wait_for()
        page.get_by_text("13 May 2026").first.wait_for()

        # all logs together, and the record: the repaired module is no finding any more
        page.goto(f"{site}/answers?pack=heron-main&whole=1")
        page.get_by_text("2 logs weighed together").wait_for(timeout=60_000)
        page.get_by_text("being weighed").wait_for(state="detached")
        assert "module F1" not in answer(page)
        page.get_by_role("navigation").get_by_role("link", name="Record").click()
        sheet = page.frame_locator("#record-sheet")
        sheet.get_by_role("heading", name="Hand-over record: Heron").wait_for()
        sheet.get_by_text(SWAPPED).first.wait_for()
        findings = sheet.locator(
            "section", has=sheet.get_by_role("heading", name="Findings")
        ).first.inner_text()
        assert "F1" not in findings
        assert reader.wrong == []
        assert reader.hosts == {site.removeprefix("http://")}
        reader.context.close()
    assert Store(tmp_path / "store").check().problems == ()
