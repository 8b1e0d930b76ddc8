"""A page follows its log while it grows, and nothing that is held of the shorter one is shown."""

from __future__ import annotations

from pathlib import Path

from bmslogs.importers.plan.profile import Profile
from bmslogs.store.growing import GrowingLog
from dashboard.desk import Desk
from dashboard.live import shown
from tests.dashboard import invent

PACK = invent.pack(name="Knot", pack_id="knot-main")


def test_what_is_held_of_a_log_goes_when_it_has_grown(tmp_path: Path) -> None:
    lines = (
        invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv").read_bytes().splitlines(keepends=True)
    )
    path, desk = tmp_path / "growing.csv", Desk(tmp_path / "store")
    path.write_bytes(b"".join(lines[:1201]))
    (tmp_path / "copy").mkdir()
    log = GrowingLog(Desk(tmp_path / "store").store, path, PACK, Profile(), None, tmp_path / "copy")
    log.read()
    (entry,) = desk.logs("knot-main")
    assert desk.diagnosis(entry.id).log["rows"] == 1200 and len(desk.log(entry.id).time) == 1200
    seen = shown(desk, "/log", "?pack=knot-main")
    assert shown(desk, "/log", "?pack=knot-main", seen) == seen
    assert shown(desk, "/answers", "?pack=knot-main") is None
    path.write_bytes(b"".join(lines))
    log.read()
    now = shown(desk, "/log", "?pack=knot-main", seen)
    assert now is not None and seen is not None and now[:3] == seen[:3] and now[3] != seen[3]
    assert desk.at_hand(entry.id) is None
    assert len(desk.log(entry.id).time) == 2400 and desk.diagnosis(entry.id).log["rows"] == 2400
    desk.store.remove(entry.id)
    assert shown(desk, "/log", "?pack=knot-main", now) is None
