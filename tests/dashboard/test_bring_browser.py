"""Bringing logs in, as somebody does it at the browser: asked and answered, many at once, cancelled, watched."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.log import read_log
from bmslogs.store import Store
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served
from tests.dashboard.test_mapping import odd_file

pytestmark = pytest.mark.browser
PACK = invent.pack(name="Knot", pack_id="knot-main")
OTHER = invent.pack(name="Dunlin", pack_id="dunlin-main")


def drop(page: Any, *files: Path) -> None:
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose files").click()
    chooser.value.set_files([str(f) for f in files])


def choose(page: Any, name: str, value: str) -> None:
    """Choose from the drop-down of this name."""
    page.get_by_role("textbox", name=name, exact=True).click()
    page.get_by_role("option", name=value, exact=True).click()


def test_a_file_that_asks_is_answered_by_choosing_and_comes_in_with_its_sign(
    chromium: Any, tmp_path: Path
) -> None:
    root = tmp_path / "store"
    Store(root).save_pack(PACK)
    Store(root).save_pack(OTHER)
    file, log = odd_file(tmp_path / "odd.csv", sign=-1)
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring?pack=dunlin-main")
        assert page.get_by_role("radio", checked=True).count() == 0  # no pack is taken from before
        page.get_by_role("radio", name="Knot: knot-main").check()
        drop(page, file)
        page.get_by_text("asks before it can come in").wait_for()
        assert page.get_by_role("button", name="Bring this log in").is_disabled()
        choose(page, "What flow is", "current")
        page.get_by_text("Which way does the current count?").wait_for()
        page.get_by_role("button", name="the pack is being charged").click()
        page.get_by_text("You said so.").wait_for()
        page.get_by_text("Goes to Knot, pack knot-main").wait_for()
        page.reload()  # nothing that was chosen is lost
        page.get_by_text("You said so.").wait_for()
        page.get_by_role("button", name="Bring this log in").click()
        done = page.locator(".job .state.done")
        done.wait_for()
        assert "Knot, pack knot-main" in page.locator(".job").inner_text()
        again, _ = odd_file(tmp_path / "next.csv", sign=-1)
        page.get_by_role("radio", name="Knot: knot-main").check()
        drop(page, again)
        page.get_by_text("as you mapped this logger for odd.csv").wait_for()
        page.get_by_role("button", name="Put this card away").click()
        page.locator(".job .state.done").wait_for(state="detached")
        assert reader.wrong == []
        reader.context.close()
    (entry,) = Store(root).logs()
    kept = read_log(entry.path)
    assert kept.current is not None and entry.pack == "knot-main"
    np.testing.assert_allclose(kept.current, log.current, atol=0.051)  # a tenth of an ampere is written


MANY = 10
"""Files at once: the newest, which stands first, still waits its turn when a slow browser gets to cancel it."""


def test_many_files_come_in_with_one_button_and_can_be_cancelled(chromium: Any, tmp_path: Path) -> None:
    root = tmp_path / "store"
    Store(root).save_pack(PACK)
    files = [invent.write_csv(invent.drive(PACK, seed=k), tmp_path / f"drive-{k}.csv") for k in range(MANY)]
    bad = tmp_path / "letter.csv"
    bad.write_text("this is,not a log\nat all,really\n", encoding="utf-8")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring")
        drop(page, *files, bad)
        page.get_by_role("button", name=f"Bring all {MANY} in").wait_for(timeout=60_000)
        refused = page.locator(".job", has_text="letter.csv")
        refused.locator(".bad").wait_for()
        assert refused.locator(".button.main").count() == 0  # a refused file has no lit button
        assert page.get_by_role("table").count() == 0  # so many tables would hold the page up
        page.get_by_role("button", name="Look at its columns").first.click()
        page.get_by_role("table").wait_for()
        page.get_by_role("button", name=f"Bring all {MANY} in").click()
        page.get_by_text("being brought in:").wait_for()
        page.locator(".job", has_text="waits its turn").first.get_by_role("button", name="Cancel").click()
        page.get_by_text("being cancelled").wait_for()
        page.reload()  # the queue goes on, and is seen again
        page.get_by_text("nothing of it was stored").wait_for(timeout=60_000)
        until = time.monotonic() + 180
        while page.locator(".job .state.done").count() < MANY - 1 and time.monotonic() < until:
            time.sleep(0.2)
        assert page.locator(".job .state.done").count() == MANY - 1
        page.get_by_role("button", name="Put finished cards away").click()
        page.locator(".job .state.done").first.wait_for(state="detached")
        assert page.locator(".job").count() == 2
        assert reader.wrong == []
        reader.context.close()
    assert len(Store(root).logs()) == MANY - 1


def test_a_watched_folder_is_switched_on_and_its_growing_log_is_followed(
    chromium: Any, tmp_path: Path
) -> None:
    root, folder = tmp_path / "store", tmp_path / "card"
    folder.mkdir()
    Store(root).save_pack(PACK)
    text = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv").read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    (folder / "drive.csv").write_text("".join(lines[:1200]), encoding="utf-8")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring")
        page.get_by_label("Folder of this computer").fill(str(tmp_path / "nowhere"))
        page.get_by_role("switch", name="Watch it").click()
        page.get_by_text("no folder of this computer").wait_for()
        page.get_by_label("Folder of this computer").fill(str(folder))
        page.get_by_role("switch", name="Watch it").click()
        page.get_by_text("came in, 1\u202f199 rows").wait_for()
        page.get_by_role("navigation").get_by_role("link", name="Log", exact=True).click()
        page.locator(".js-plotly-plot .main-svg").first.wait_for()
        before = page.evaluate("document.querySelector('.js-plotly-plot').data.length")
        assert before > 0
        last = "() => document.querySelector('.js-plotly-plot').layout.xaxis.range.map(String)[1]"
        first_end = page.evaluate(last)
        with (folder / "drive.csv").open("a", encoding="utf-8") as handle:
            handle.write("".join(lines[1200:]))
        page.wait_for_function(f"e => ({last})() !== e", arg=first_end, timeout=60_000)
        page.get_by_role("navigation").get_by_role("link", name="Bring logs in").click()
        page.get_by_text("goes on, 2\u202f400 rows").wait_for()
        page.get_by_role("switch", name="Watch it").click()
        page.get_by_text("No folder is watched").wait_for()
        assert reader.wrong == []
        reader.context.close()
    (entry,) = Store(root).logs()
    assert entry.rows == 2400 and Store(root).check().problems == ()
