"""One line a pack, from answers written by hand: the most urgent first, what stands and what is not known."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from bmslogs.faces.commands.many import run_text
from bmslogs.fleet import diagnose_store, overview, read_estimates, read_findings, read_standing, refresh
from bmslogs.fleet.dataset import estimate_rows, finding_rows, made_from
from bmslogs.fleet.files import Files, made_by
from bmslogs.fleet.run import FleetRun, Outcome

from .answered import a_finding, day, known, unknown, write
from .conftest import pack_of, write_log


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Wren has one to act on, Heron two to look at, Knot and Avocet nothing, Dunlin a note."""
    store = tmp_path / "store"
    write(
        store,
        "Heron",
        0,
        [a_finding("look", "Heron, small.", 0.2), a_finding("look", "Heron, large.", 0.6, (4,))],
    )
    write(store, "Wren", 0, [a_finding("act", "Wren, act."), a_finding("note", "Wren, note.", 0.9, (5,))])
    write(store, "Knot", 0)
    write(store, "Avocet", 0)
    write(store, "Dunlin", 0, [a_finding("note", "Dunlin, note.", 0.1)])
    refresh(Files(store))
    return store


def test_packs_come_in_order_of_urgency_and_then_of_their_name(root: Path) -> None:
    lines = overview(root)
    assert [p.vehicle for p in lines] == ["Wren", "Heron", "Avocet", "Dunlin", "Knot"]
    assert [(p.act, p.look, p.note) for p in lines] == [(1, 0, 1), (0, 2, 0), (0, 0, 0), (0, 0, 1), (0, 0, 0)]


def test_the_worst_is_the_largest_of_the_most_urgent_level(root: Path) -> None:
    worst = {p.vehicle: p.worst for p in overview(root)}
    assert worst["Wren"] == "Wren, act."  # though the note beside it is of a larger size
    assert worst["Heron"] == "Heron, large."
    assert worst["Knot"] is None


def test_what_no_log_of_a_pack_could_tell_is_counted_once_a_quantity(tmp_path: Path) -> None:
    store = tmp_path / "store"
    write(
        store,
        "Heron",
        0,
        estimates=[known("resistance_10s", 1e-3), unknown("capacity"), unknown("capacity", 4)],
    )
    write(
        store, "Heron", 1, estimates=[unknown("resistance_10s"), unknown("capacity"), unknown("soc_offset")]
    )
    refresh(Files(store))
    (heron,) = overview(store)
    assert heron.not_known == 2  # capacity and charge; the resistance was told once
    assert heron.logs == 2 and heron.last == dt.datetime.fromisoformat(day(1).replace("Z", "+00:00"))


def test_what_a_later_log_ended_stands_no_more_and_is_in_the_table_of_findings_still(tmp_path: Path) -> None:
    store = tmp_path / "store"
    heats = known("heating", 0.0, cell=None, sensor="T01")
    write(store, "Heron", 0, [a_finding("act", "Hot.", 1.5)], [heats])
    for n in (1, 2):
        write(store, "Heron", n, [], [heats])
    refresh(Files(store))
    assert read_findings(store).num_rows == 1 and read_standing(store).num_rows == 0
    assert [(p.act, p.worst) for p in overview(store)] == [(0, None)]


def test_the_view_follows_a_new_answer(root: Path) -> None:
    assert {p.vehicle: p.act for p in overview(root)}["Knot"] == 0
    write(root, "Knot", 1, [a_finding("act", "Knot, act.", 0.5)])
    assert refresh(Files(root)) == ["knot-main"]
    assert {p.vehicle: (p.act, p.logs) for p in overview(root)}["Knot"] == (1, 2)


def test_a_store_without_answers_has_no_lines(tmp_path: Path) -> None:
    write_log(tmp_path / "store", pack_of("Heron"), 0, rows=2)
    assert overview(tmp_path / "store") == []
    assert read_estimates(tmp_path / "store").num_rows == 0


def test_one_line_a_pack_is_printed_with_what_is_to_be_done(root: Path) -> None:
    text = run_text(FleetRun((Outcome("a", "b", "known"),), 1.25, ()), overview(root)).splitlines()
    assert text[0].endswith("diagnosed in 1.2 s, 1 known already, 0 failed")
    assert text[1].startswith("  wren-main (Wren)") and "1 to act, 1 noted; Wren, act." in text[1]
    assert (
        "2 to look; Heron, large." in text[2] and "nothing found" in text[3] and "last 2026-05-01" in text[3]
    )
    many = overview(root) * 20
    assert run_text(FleetRun((), 0.0, ()), many).splitlines()[-1] == "  ... and 60 packs more"


# ---- the tables ---------------------------------------------------------------------------------------------------


def test_rows_hold_what_the_answer_holds() -> None:
    document = {
        "pack": {"id": "heron-main", "vehicle": "Heron"},
        "log": {"id": "x", "start": "2026-05-01T08:00:00Z"},
        "method": "m",
        "estimates": [
            {"quantity": "resistance_10s", "cell": 5, "value": 1e-3, "low": 9e-4, "high": 1.1e-3, "unit": "ohm",
             "status": "determined", "conditions": {"temperature_C": 20, "steps": 3, "soc_low": None}},
            {"quantity": "capacity", "cell": 5, "value": None, "unit": "Ah", "status": "not_determinable",
             "why": "No charge.", "settle_by": "A charge."},
        ],
        "findings": [{"cause": "tap_open", "level": "act", "cells": [3, 4], "size": 0.1, "unit": "V", "says": "Off."}],
    }  # fmt: skip
    first, second = estimate_rows(document)
    assert (first["value"], first["temperature_C"], first["soc_low"]) == (1e-3, 20.0, None)
    assert first["conditions"] == '{"steps": 3}' and first["why"] is None
    assert (second["status"], second["why"], second["value"]) == ("not_determinable", "No charge.", None)
    (one,) = finding_rows(document)
    assert (one["cells"], one["level"], one["sensor"], one["pack"]) == ([3, 4], "act", None, "heron-main")
    assert one["start"] == dt.datetime(2026, 5, 1, 8, tzinfo=dt.UTC)


def test_tables_are_read_by_rows_and_columns(root: Path) -> None:
    assert read_findings(root, ["says"], level="look").column("says").to_pylist() == [
        "Heron, small.",
        "Heron, large.",
    ]
    some = read_findings(root, ["pack", "says"], pack=["wren-main", "dunlin-main"], level=("note", "act"))
    assert set(some.column("pack").to_pylist()) == {"wren-main", "dunlin-main"} and some.num_rows == 3
    assert read_findings(root, level="none of these").num_rows == 0


def test_a_table_says_which_answers_it_was_made_from(root: Path) -> None:
    stamps = Files(root).answers("wren-main")
    made = made_from(Files(root), "wren-main")
    assert {i: (s.size, s.changed) for i, s in stamps.items()} == {i: m[:2] for i, m in made.items()}
    damaged = root / "_estimates" / "wren-main.parquet"
    damaged.write_bytes(b"PAR1")
    assert made_from(Files(root), "wren-main") == {}
    assert refresh(Files(root)) == ["wren-main"] and pq.read_table(damaged).num_rows == 1


# ---- odd answers --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["", "{", "[]", '{"version": "1", "method": "2"}', "null"])
def test_an_answer_that_is_not_whole_is_none_and_stops_no_other(root: Path, text: str) -> None:
    files = Files(root)
    (log_id,) = files.answers("wren-main")
    (root / "_answers" / "wren-main" / f"{log_id}.json").write_text(text)
    assert files.read_answer("wren-main", log_id) is None
    refresh(Files(root))
    assert [p.vehicle for p in overview(root)] == ["Heron", "Avocet", "Dunlin", "Knot"]


def test_files_that_lie_about_are_no_answers_and_no_logs(root: Path) -> None:
    folder = root / "_answers" / "knot-main"
    for name in ("_x.json", ".y.json", "notes.txt", "z.json.part"):
        (folder / name).write_text("{}")
    (root / "vehicle=Knot" / "pack=knot-main" / "_half.parquet").write_bytes(b"PAR1")
    assert len(Files(root).answers("knot-main")) == 1
    assert [log.pack for log in Files(root).logs].count("knot-main") == 1


def test_an_answer_of_another_method_is_made_anew_and_no_other(root: Path) -> None:
    """Answers by hand are of this method: with one of an older one a run diagnoses that log alone."""
    files = Files(root)
    (log_id,) = files.answers("dunlin-main")
    document = files.read_answer("dunlin-main", log_id)
    assert document is not None
    files.write_answer("dunlin-main", log_id, document.document | {"method": "older"})
    run = diagnose_store(root, workers=1)
    assert [(o.pack, o.status) for o in run.outcomes if o.status != "known"] == [("dunlin-main", "done")]
    assert [o.pack for o in run.outcomes] == sorted(o.pack for o in run.outcomes)


def test_a_version_is_one_word_of_program_and_method() -> None:
    assert made_by("0.1.0", "2026-11") == "0.1.0/2026-11" != made_by("0.1.0", "")
