"""`bmslogs history`: text, JSON and table; words for a quantity; one line for what is wrong."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.schema import schema_of
from bmslogs.faces.history_sheet import sheet_of, thinned
from bmslogs.faces.history_text import COLUMNS, shown_csv
from bmslogs.findings.history.building import weigh
from bmslogs.findings.history.shape import History
from bmslogs.findings.history.topics import TOPICS
from bmslogs.fleet.gathering import gather
from bmslogs.store import Store
from tests.accuracy.history_simulation import Year, simulate
from tests.accuracy.history_store import store_of
from tests.faces.program import Program

SCHEMA = schema_of(History, quantity={*TOPICS, "resistance_10s_relative", "capacity_relative"})


@pytest.fixture(scope="module")
def year() -> Year:
    return simulate(34, drift=4.8, logs=90, work=True)


@pytest.fixture(scope="module")
def store(year: Year, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("year")
    store_of(root, year)
    return root


def test_the_text_begins_with_the_drift_and_ends_with_the_cautions(
    bmslogs: Program, store: Path, year: Year
) -> None:
    done = bmslogs("history", year.pack.id, "--store", store)
    assert done.code == 0, done.err
    body = " ".join(done.out.split())
    key, cell = year.planted or ("", 0)
    assert key == "soc_offset"
    assert body.index(f"cell {cell} gains") < body.index("Charge against the pack's middle, at full")
    assert "it wants balancing now" in body
    assert all(" ".join(c.split()) in body for c in CAUTIONS)
    assert "_" not in done.out.replace("--", "")  # no keys


def test_the_json_goes_alone_to_standard_output(bmslogs: Program, store: Path, year: Year) -> None:
    done = bmslogs("history", year.pack.id, "--store", store, "--quantity", "resistance", "--json", "-")
    document = json.loads(done.out)
    jsonschema.validate(document, SCHEMA)
    assert {s["quantity"] for s in document["series"]} == {"resistance_10s", "resistance_10s_relative"}
    assert document["events"][0]["date"] == year.pack.events[0].date.isoformat()
    assert document["cautions"] == list(CAUTIONS)


def test_the_table_holds_every_slope_point_and_gap_of_the_json(
    bmslogs: Program, store: Path, year: Year, tmp_path: Path
) -> None:
    table, document = tmp_path / "h.csv", tmp_path / "h.json"
    assert bmslogs("history", year.pack.id, "--store", store, "--csv", table, "--json", document).code == 0
    with table.open(encoding="utf-8-sig", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert tuple(rows[0]) == COLUMNS
    series = json.loads(document.read_text(encoding="utf-8"))["series"]
    count = {kind: sum(r["kind"] == kind for r in rows) for kind in ("slope", "point", "gap", "caution")}
    assert count["slope"] == len(series) and count["caution"] == len(CAUTIONS)
    assert count["point"] == sum(len(s["points"]) for s in series)
    assert count["gap"] == sum(len(s["gaps"]) for s in series)
    drifting = [r for r in rows if r["verdict"] == "drifts"]
    assert [(r["quantity"], int(r["cell"])) for r in drifting] == [year.planted]


def test_the_sample_pack_says_which_logs_a_slope_still_needs(bmslogs: Program, sample_store: Path) -> None:
    done = bmslogs("history", "heron-main", "--store", sample_store, "--quantity", "soc_offset")
    assert done.code == 0
    assert "A slope takes 4 dates over 3 months" in " ".join(done.out.split())
    assert (sample_store / "_history" / "heron-main.npz").exists()


def test_what_is_wrong_is_one_line(bmslogs: Program, store: Path, year: Year, tmp_path: Path) -> None:
    for words in (
        ("history", "nosuch", "--store", store),
        ("history", year.pack.id, "--store", store, "--quantity", "taste"),
        ("history", year.pack.id, "--store", tmp_path / "none"),
    ):
        done = bmslogs(*words)
        assert done.code == 2 and done.out == "" and len(done.err.strip().splitlines()) == 1
    assert "dunlin-main" in bmslogs("history", "nosuch", "--store", store).err


def test_what_the_plot_shows_is_its_window_in_its_units(store: Path, year: Year) -> None:
    w = weigh(gather(Store(store), year.pack))
    sheet = sheet_of(w, "resistance_10s", measured=True)
    assert sheet is not None and sheet.unit == "mohm"
    start, end = np.datetime64("2025-06-01"), np.datetime64("2025-08-01")
    rows = list(csv.DictReader(io.StringIO(shown_csv(sheet, start, end, (2,)))))
    told = [r for r in rows if r["line"] == "2"]
    assert told and all("2025-06-01" <= r["time"] < "2025-08-02" for r in told)
    assert all(0.5 < float(r["value"]) < 3.0 for r in told)
    assert sum(r["line"] == "caution" for r in rows) == len(CAUTIONS)


def test_a_faint_line_of_many_logs_goes_through_logs_that_there_are(year: Year) -> None:
    many = simulate(2, logs=900, work=False)
    from bmslogs.fleet.gathering import gathered_from

    sheet = sheet_of(weigh(gathered_from(many.pack, many.documents)), "resistance_10s")
    assert sheet is not None
    times, y = thinned(sheet, 0)
    known = dict(zip(sheet.times.tolist(), sheet.y[:, 0].tolist(), strict=True))
    assert len(times) <= 201
    assert all(known[t] == v for t, v in zip(times.tolist(), y.tolist(), strict=True))
