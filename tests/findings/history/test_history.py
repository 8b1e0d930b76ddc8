"""A pack's history from stored answers: drifts found, works that begin slopes anew, gaps with reasons, the cache."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.reference import arrhenius_factor
from bmslogs.base.pack import Pack, parse_pack
from bmslogs.base.schema import schema_of
from bmslogs.findings.history.building import Weighed, history_of, weigh
from bmslogs.findings.history.counting import counted
from bmslogs.findings.history.shape import History
from bmslogs.findings.history.topics import TOPICS
from bmslogs.fleet.gathering import cache_path, gather, gathered_from, load
from bmslogs.store import Store
from tests.accuracy.history_simulation import Year, rows, simulate
from tests.accuracy.history_store import store_of

NAMES = tuple({*TOPICS, "resistance_10s_relative", "capacity_relative"})


def pack_of(events: tuple[dict[str, Any], ...] = (), cells: int = 12) -> Pack:
    modules = [{"name": f"M{k + 1}", "cells": list(range(4 * k + 1, 4 * k + 5))} for k in range(cells // 4)]
    return parse_pack(
        {
            "pack": {"id": "dunlin-main", "vehicle": "Dunlin", "chemistry": "NMC", "nominal_capacity_Ah": 100.0,
                     "cells_in_series": cells},
            "module": modules, "event": list(events),
        }
    )  # fmt: skip


def drive(
    day: int, ratio: np.ndarray, *, warm: float = 20.0, low: float = 0.5, why: str | None = None
) -> dict[str, Any]:
    """Return the stored answer of a drive on a day of the year, or of one that tells nothing."""
    start = dt.datetime(2025, 3, 1, 9, tzinfo=dt.UTC) + dt.timedelta(days=day)
    stamp = start.strftime("%Y-%m-%dT%H:%M:%SZ")
    at = {"temperature_C": warm, "soc_low": low, "soc_high": low + 0.3, "current_rms_A": 60.0}
    half = np.full(len(ratio), 0.01)
    estimates = rows("resistance_10s_relative", "ratio to pack median", ratio, half, at)
    ohm = 1e-3 * ratio * float(arrhenius_factor(warm, 20.0))
    estimates += rows("resistance_10s", "ohm", ohm, 3e-5 * np.ones(len(ratio)), at)
    if why is not None:
        estimates = [
            {k: v for k, v in e.items() if k in ("quantity", "cell", "unit")}
            | {"value": None, "status": "not_determinable", "why": why, "settle_by": "another drive"}
            for e in estimates
        ]
    return {
        "log": {"id": start.strftime("%Y%m%d-%H%M-") + f"{day:012x}", "start": stamp, "end": stamp, "rows": 9,
                "kinds": ["drive"]},
        "pack": {"id": "dunlin-main", "vehicle": "Dunlin", "cells": len(ratio)},
        "estimates": estimates, "findings": [], "repairs": [], "cautions": ["-"],
    }  # fmt: skip


def year_of_drives(
    slope: float = 0.0, jump: float = 0.0, at_day: int = 180, days: range = range(0, 360, 20)
) -> list[dict[str, Any]]:
    """Return drives whose cell 6 grows by `slope` a month and steps by `jump` on a day."""
    rng = np.random.default_rng(9)
    own = 1 + rng.normal(0, 0.03, 12)
    out = []
    for day in days:
        ratio = own * (1 + rng.normal(0, 0.003, 12))
        ratio[5] *= 1 + slope * day / 30.44 + (jump if day >= at_day else 0.0)
        out.append(drive(day, ratio / np.median(ratio)))
    return out


def weighed(documents: list[dict[str, Any]], pack: Pack | None = None) -> Weighed:
    return weigh(gathered_from(pack or pack_of(), documents))


def series_of(w: Weighed, cell: int, topic: str = "resistance_10s") -> Any:
    return next(s for s in history_of(w, [topic]).series if s.cell == cell)


def test_a_planted_drift_is_found_with_its_size_and_what_it_comes_to() -> None:
    w = weighed(year_of_drives(slope=0.011, days=range(0, 200, 12)))
    one = series_of(w, 6)
    own = one.points[0].value  # the ratio grows from the cell's own
    assert one.drift and one.low < 0.011 * own < one.high
    assert not any(s.drift for s in history_of(w).series if s is not one and s.cell != 6)
    says = w.says(["resistance_10s"])[0]
    assert says.startswith("Module M2, cell 6 rises in resistance by 1.1 % of the pack's middle a month (")
    assert "against the others since 1 Mar 2025: it will be 10 % above the pack's middle in about" in says


def test_a_pack_without_drift_is_silent_and_says_how_much_could_go_unseen() -> None:
    w = weighed(year_of_drives())
    assert not any(s.drift for s in history_of(w).series)
    (says,) = w.says(["resistance_10s"])
    assert says.startswith("No cell drifts in resistance as far as these logs tell: none by more than 0.")


def test_dated_work_begins_the_slope_anew_where_it_was_done_and_nowhere_else() -> None:
    event = {"date": dt.date(2025, 8, 28), "kind": "joint remade", "where": "cell 6"}
    documents = year_of_drives(jump=0.3)
    without, with_event = weighed(documents), weighed(documents, pack_of((event,)))
    assert series_of(without, 6).drift  # nobody said that there was work
    one = series_of(with_event, 6)
    assert not one.drift and one.since == "2025-08-28"
    assert one.low <= 0 <= one.high
    assert series_of(with_event, 2).since == "2025-03-01"
    late = {**event, "date": dt.date(2026, 1, 10)}
    short = series_of(weighed(documents, pack_of((late,))), 6)
    assert short.slope_per_month is None
    assert (
        "since the work of 10 Jan 2026 (joint remade) 2 dates tell the resistance so far"
        in short.why_no_slope
    )


def test_a_single_wrong_log_makes_no_drift_and_hides_none() -> None:
    wrong = year_of_drives()
    for e in wrong[-1]["estimates"]:
        if e["cell"] == 3:
            e.update(value=e["value"] * 1.5, low=e["low"] * 1.5, high=e["high"] * 1.5)
    assert not series_of(weighed(wrong), 3).drift
    drifting = year_of_drives(slope=0.008)
    for e in drifting[4]["estimates"]:
        e.update({k: e[k] * (1.4 if e["cell"] % 2 else 0.7) for k in ("value", "low", "high")})
    assert series_of(weighed(drifting), 6).drift


def test_a_log_outside_the_reference_is_a_gap_with_its_reason() -> None:
    documents = year_of_drives()
    documents.append(drive(365, np.ones(12), warm=2.0))
    documents.append(drive(370, np.ones(12), low=0.05))
    documents.append(drive(375, np.ones(12), why="the current holds"))
    gaps = series_of(weighed(documents), 1).gaps
    assert [g.why for g in gaps] == [
        "taken at 2 degC, more than 10 K from the 20 degC at which all are compared",
        "taken at 5 to 35 % charge; the others lie about 50 to 80 %",
        "the current holds",
    ]


def test_a_reading_that_a_finding_blames_is_a_gap() -> None:
    documents = year_of_drives()
    documents[3]["findings"] = [{"cause": "tap_open", "cells": [4, 5]}]
    w = weighed(documents)
    assert len(series_of(w, 4).gaps) == 1 and "sense wire" in series_of(w, 4).gaps[0].why
    assert not series_of(w, 6).gaps


def test_summer_is_not_taken_for_age() -> None:
    rng = np.random.default_rng(11)
    documents = []
    for day in range(0, 180, 12):  # half a year, from cold to warm
        warm = 12 + 16 * day / 180
        ratio = 1 + rng.normal(0, 0.003, 12)
        ratio[4] *= 1 + 0.004 * (warm - 20)  # a joint in its tap: the ratio rises with warmth
        documents.append(drive(day, ratio / np.median(ratio), warm=warm))
    assert not any(s.drift for s in history_of(weighed(documents)).series)


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_the_json_is_as_its_schema_says_and_three_logs_will_do(seed: int) -> None:
    schema = schema_of(History, quantity=NAMES)
    for logs in (3, 40):
        year = simulate(seed, logs=logs, work=True)
        h = history_of(weigh(gathered_from(year.pack, year.documents)))
        jsonschema.validate(h.to_json(), schema)
        assert logs > 3 or all(s.slope_per_month is None and s.why_no_slope for s in h.series)
    assert h.to_json()["cautions"]


def test_offset_at_full_allows_for_a_small_cell_in_a_half_charged_pack() -> None:
    def answer(
        day: int, quantity: str, unit: str, value: np.ndarray, kind: str, soc: float
    ) -> dict[str, Any]:
        one = drive(day, np.ones(12))
        at = {"soc_low": 0.3 if kind == "charge" else soc, "soc_high": soc}
        one["estimates"] = rows(quantity, unit, value, np.full(12, 0.002), at)
        one["log"]["kinds"] = [kind]
        return one

    small = np.ones(12)
    small[7] = 0.9
    lack = np.zeros(12)
    lack[7] = -0.4 * (1 / 0.9 - 1)  # full together, then 40 Ah drawn of a pack of 100 Ah: by hand
    documents = [
        answer(0, "capacity_relative", "ratio to pack median", small, "charge", 0.99),
        answer(1, "soc_offset", "fraction", lack, "drive", 0.6),
    ]
    s = next(x for x in weighed(documents).strands["soc_offset"] if x.against)
    assert_allclose(s.value[1], 0.0, atol=1e-6)  # float32 of the cache


def test_charge_and_energy_are_counted_without_pauses_and_signs_apart() -> None:
    seconds = np.array([0.0, 1800.0, 3600.0, 90000.0, 91800.0])
    current = np.array([10.0, -20.0, 10.0, 10.0, 0.0])
    warm = np.array([[20.0, 21.0, 24.0]] * 5)
    got, sensors = counted(seconds, current, np.full(5, 50.0), warm)
    assert_allclose(
        [got["drawn_Ah"], got["charged_Ah"]], [10.0, 10.0]
    )  # half an hour each, the day's pause left out
    assert_allclose([got["drawn_kWh"], got["charged_kWh"], got["spread_K"]], [0.5, 0.5, 4.0])
    assert_allclose(sensors, [-1.0, 0.0, 3.0])
    nothing, _ = counted(seconds, None, None, np.zeros((5, 0)))
    assert np.isnan(nothing["drawn_Ah"]) and np.isnan(nothing["spread_K"])


def test_the_gathered_file_follows_the_answers(tmp_path: Path) -> None:
    year = simulate(4, logs=12, work=False)
    last = year.documents.pop()
    store = store_of(tmp_path, year)
    before = gather(store, year.pack)
    assert len(before.ids) == 11 and not before.missing and not before.uncounted
    assert_allclose(before.counters["drawn_Ah"][before.counters["drawn_Ah"] > 0], 40.0)  # two hours of 20 A
    fresh = gathered_from(year.pack, year.documents)
    for key, told in fresh.told.items():
        assert_allclose(before.told[key].value, told.value)
    store_of(tmp_path, Year(year.pack, [last], year.drifts, 0.0))
    read: list[str] = []
    after = gather(store, year.pack, progress=read.append)
    assert set(read) == {last["log"]["id"]} and len(after.ids) == 12
    store.remove(last["log"]["id"])
    assert len(gather(store, year.pack).ids) == 11
    cache_path(tmp_path, year.pack.id).write_bytes(b"damaged")
    assert load(tmp_path, year.pack.id).ids == []
    assert len(gather(store, year.pack).ids) == 11


def test_an_answer_of_another_version_is_still_to_be_made(tmp_path: Path) -> None:
    year = simulate(4, logs=5, work=False)
    store = store_of(tmp_path, year)
    log_id = year.documents[0]["log"]["id"]
    path = next((tmp_path / "_answers").rglob(f"{log_id}.json"))
    path.write_text(
        path.read_text(encoding="utf-8").replace('"version": "', '"version": "9'), encoding="utf-8"
    )
    g = gather(store, year.pack)
    assert g.unanswered == (log_id,) and g.missing == 1


def test_a_page_takes_as_many_new_answers_as_a_moment_allows(tmp_path: Path) -> None:
    year = simulate(4, logs=30, work=False)
    store = store_of(tmp_path, year)
    part = gather(store, year.pack, seconds=0.0)
    assert part.missing == 29  # at least one each time, so that it comes to an end
    assert len(gather(Store(tmp_path), year.pack).ids) == 30


def test_two_thousand_logs_are_weighed_in_a_moment() -> None:
    year = simulate(6, logs=2000, drift=3.0, work=False)
    g = gathered_from(year.pack, year.documents)
    begun = time.process_time()
    w = weigh(g)
    took = time.process_time() - begun
    key, cell = year.planted or ("", 0)
    s = next(x for x in w.strands[key] if x.against)
    assert [s.columns[i] for i in np.flatnonzero(s.drift)] == [cell]
    assert took < 5.0  # a bound against loops over logs, no measurement of speed
