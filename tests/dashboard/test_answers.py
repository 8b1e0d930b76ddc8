"""The answers of one log and of all logs of a pack, as the page shows them; no browser."""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from bmslogs.base.pack import load_pack
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.faces.answers import shown_by
from bmslogs.faces.figures.words import conditions_line, plain_words
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.pages import answers as page
from sample_logs import SAMPLES
from tests.dashboard import invent


def at(day: int, *findings: Finding) -> Diagnosis:
    made = invent.diagnosis(invent.pack())
    return replace(
        made, log={**made.log, "id": f"log-{day}", "start": f"2026-05-{day:02d}T09:00:00Z"}, findings=findings
    )


def test_a_standing_finding_is_shown_by_the_newest_log_that_has_it() -> None:
    leak, joint = (
        Finding("self_discharge_high", "look", "leaks", cells=(3,)),
        Finding("cell_or_joint_resistance_high", "act", "drops", cells=(5,)),
    )
    logs = [at(1, leak), at(9, joint), at(4, joint, leak), at(12)]
    found = shown_by(leak, logs)
    assert found is not None and (found[0].log["id"], found[1]) == ("log-4", 2)  # after what is more urgent
    told = replace(joint, cause="joint_resistance_high")  # several logs told what one could not
    found = shown_by(told, logs)
    assert found is not None and (found[0].log["id"], found[1]) == ("log-9", 1)
    assert shown_by(replace(leak, cells=(4,)), logs) is None


@pytest.fixture(scope="module")
def desk(stores: Callable[[str], Path]) -> Desk:
    made = Desk(stores("sample"))
    until = time.monotonic() + 120
    while made.waiting():
        assert time.monotonic() < until
        time.sleep(0.1)
    return made


def still_wrong(pack_id: str) -> set[tuple[int, ...]]:
    """Cells of the faults that the samples planted, without those that dated work on their place has ended since."""
    pack = load_pack(SAMPLES / f"{pack_id}.toml")
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    days = {"heron-1-first-charge.csv.gz": "2026-05-02", "heron-2-test-drive.csv.gz": "2026-05-09"}
    out = set()
    for name, log in truth["logs"].items():
        for fault in log["faults"] if log["pack_id"] == pack_id else ():
            day = dt.date.fromisoformat(days.get(name, "2026-06-01"))
            place = pack.module_of(fault["cells"][0])
            later = [e for e in pack.events if e.date > day and e.where in (None, place)]
            if not later:
                out.add(tuple(fault["cells"]))
    return out


def test_all_logs_answer_together_and_work_on_the_pack_counts(desk: Desk) -> None:
    together = Frame.of(desk, "?pack=heron-main&whole=1")
    assert {a.finding.cells for a in page.answers(together) if a.finding.level != "note"} == still_wrong(
        "heron-main"
    )
    words = str(page.layout(together))
    assert "4 logs" in words and "module swapped, F1" in words
    drive = next(e for e in desk.logs("heron-main") if "test-drive" in str(e.source))
    alone = Frame.of(desk, f"?pack=heron-main&log={drive.id}")
    assert {c for a in page.answers(alone) for c in a.finding.cells} >= {
        1,
        2,
        3,
        4,
    }  # what the truth says of that log


def test_a_pack_with_one_log_has_no_choice_to_make(stores: Callable[[str], Path]) -> None:
    one = Frame.of(Desk(stores("missing")), "?pack=knot-main&whole=1")
    assert not page.whole(one)
    assert "answers-of" not in str(page.layout(one))


def test_evidence_is_told_in_words() -> None:
    line = "leak_current_relative of cell 14: 8.86 +- 1.80 mA over 179 h parked"
    assert plain_words(line).endswith("of cell 14: 8.86 ± 1.80 mA over 179 h parked")
    assert "_" not in plain_words(line) and plain_words(line)[0].isupper()
    assert "_" not in plain_words("see bleed_needed and balancing_time.")


def test_one_charge_is_not_told_as_a_range() -> None:
    assert conditions_line({"soc_low": 0.731, "soc_high": 0.734}) == "73 % charge"
    assert conditions_line({"soc_low": 0.4, "soc_high": 0.8}) == "40 to 80 % charge"
