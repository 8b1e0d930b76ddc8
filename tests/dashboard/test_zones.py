"""The zone of the workshop and of the logger's clock is chosen from a list; what was typed before stays."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from bmslogs.base.pack import load_pack
from bmslogs.base.zone import machine_zone, zone_named, zones
from bmslogs.store import Store
from dashboard.jobs import by_local_clock, put_zone
from dashboard.zones import zone_names
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served
from tests.dashboard.test_jobs import PACK, settled, waiting


def local_file(path: Path, stamp: str = "%Y-%m-%d %H:%M:%S") -> Path:
    """A drive of 3 May 2026, 09:10, by a clock that does not say its zone."""
    lines = invent.write_csv(invent.drive(PACK), path).read_text(encoding="utf-8").splitlines()
    rows = [line.partition(",") for line in lines[1:]]
    told = [f"{dt.datetime.fromisoformat(r[0]):{stamp}},{r[2]}" for r in rows]
    path.write_text("\n".join([lines[0], *told]) + "\n", encoding="utf-8")
    return path


def test_the_list_begins_with_the_likely_and_keeps_what_was_typed() -> None:
    names = zone_names("US/Pacific", ["Europe/Oslo", None])
    assert names[:2] == ["Europe/Oslo", machine_zone() or "UTC"]
    assert names[-1] == "US/Pacific" and len(set(names)) == len(names)
    assert {"UTC", "Asia/Kathmandu", "America/Argentina/Salta"} <= set(zones())
    assert not [n for n in zones() if n.startswith(("Etc/", "posix/", "right/"))]
    for name in zones():
        zone_named(name)


def test_the_machines_zone_is_told_by_its_name_else_by_its_clocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    assert machine_zone() == "Asia/Kathmandu"
    monkeypatch.setenv("TZ", "no zone of any name")
    told, now = machine_zone(), dt.datetime.now(dt.UTC)
    assert told and now.astimezone(zone_named(told)).utcoffset() == now.astimezone().utcoffset()


def test_a_chosen_zone_moves_the_log_and_stays_with_the_logger(tmp_path: Path) -> None:
    desk, jobs, (token,) = waiting(tmp_path, local_file(tmp_path / "drive.csv"))
    (job,) = jobs.all()
    assert by_local_clock(job) and job.inspection.plan.clock.zone == "UTC"
    put_zone(jobs, token, PACK, "Europe/Oslo", desk.store)
    (job,) = settled(jobs)
    assert job.inspection.plan.clock.zone == "Europe/Oslo" and 'zone = "Europe/Oslo"' in job.profile
    stamp = job.stamp
    put_zone(jobs, token, PACK, "Europe/Oslo", desk.store)  # said again: nothing to look at anew
    assert jobs.all()[0].stamp == stamp


@pytest.mark.parametrize("stamp", ["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%d %H:%M:%S+02:00"])
def test_stamps_that_say_their_zone_ask_for_none(stamp: str, tmp_path: Path) -> None:
    _, jobs, _ = waiting(tmp_path, local_file(tmp_path / "drive.csv", stamp))
    assert not by_local_clock(jobs.all()[0])


@pytest.mark.browser
def test_the_zone_of_the_loggers_clock_is_chosen_where_the_log_is_brought_in(
    chromium: Any, tmp_path: Path
) -> None:
    file = local_file(tmp_path / "drive.csv")
    Store(tmp_path / "store").save_pack(PACK)
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring")
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        chooser.value.set_files(str(file))
        page.get_by_text("begins 3 May 2026 09:10:00 by the clock of UTC.").wait_for()
        zone = page.get_by_role("textbox", name="The logger's clock stood in")
        zone.click()
        zone.fill("oslo")
        page.get_by_role("option", name="Europe/Oslo", exact=True).click()
        page.get_by_text("begins 3 May 2026 09:10:00 by the clock of Europe/Oslo.").wait_for()
        page.get_by_role("button", name="Bring this log in").click()
        page.locator(".job .state.done").wait_for()
        reader.context.close()
        assert reader.wrong == []
    (entry,) = Store(tmp_path / "store").logs()
    assert entry.start == dt.datetime(2026, 5, 3, 7, 10, tzinfo=dt.UTC)


@pytest.mark.browser
def test_the_workshops_zone_is_chosen_and_one_typed_before_stays(chromium: Any, tmp_path: Path) -> None:
    root = tmp_path / "store"
    Store(root).save_pack(PACK.model_copy(update={"zone": "US/Pacific"}))
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/describe?edit=knot-main")
        zone = page.get_by_role("textbox", name="Time zone")
        assert zone.input_value() == "US/Pacific"
        page.get_by_text("Nothing wrong with it as typed.").wait_for()
        zone.click()
        zone.fill("kathm")
        page.get_by_role("option", name="Asia/Kathmandu", exact=True).click()
        page.get_by_role("button", name="Save the pack").click()
        page.locator("#describe-saved", has_text="Knot").wait_for()
        reader.context.close()
        assert reader.wrong == []
    assert Store(root).pack("knot-main").zone == "Asia/Kathmandu"


def test_a_pack_file_with_any_zone_that_this_machine_knows_is_read(tmp_path: Path) -> None:
    file = tmp_path / "pack.toml"
    text = '[pack]\nid = "knot"\nvehicle = "Knot"\nchemistry = "NMC"\nnominal_capacity_Ah = 90\ncells_in_series = 4\n'
    file.write_text(text + 'zone = "Etc/GMT-2"\n', encoding="utf-8")
    assert load_pack(file).zone == "Etc/GMT-2"
