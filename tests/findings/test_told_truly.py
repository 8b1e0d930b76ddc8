"""What is said agrees with what is shown: bounds, places over three vehicles, reasons, sizes over several logs."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.analysis.two_way import few_row_positions
from bmslogs.base.pack import TemperatureSensor
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.faces.figures.words import say_bound
from bmslogs.faces.record.contents import contents
from bmslogs.faces.spreadsheet import diagnosis_csv
from bmslogs.faces.text import diagnosis_text, size_text
from bmslogs.faces.unknown import nothing_found
from bmslogs.findings import diagnosing
from bmslogs.findings.compare import compare_packs
from bmslogs.findings.compare.positions import position_effects
from bmslogs.findings.whole_pack import diagnose_pack
from tests.accuracy.fleet_simulation import drive, natural, pack_of

HEATING = 2e-4


def heats(rng, pack, factor):
    return tuple(
        Estimate(
            "heating",
            "K/A^2",
            sensor=s.name,
            value=HEATING * (f * np.exp(rng.normal(0, 0.05)) - 1),
            low=HEATING * (f - 1.1),
            high=HEATING * (f - 0.9),
            conditions={"median_K_per_A2": HEATING},
        )
        for s, f in zip(pack.temperature_sensors, factor, strict=True)
    )


def fleet(seed, vehicles, *, module=1.0, hot=1.0, one_only=False):
    """Return two drives a vehicle; the cells of M2 and the sensor at M3 differ by these factors in every vehicle."""
    rng = np.random.default_rng(seed)
    logs, packs = {}, {}
    for v in range(vehicles):
        pack = pack_of(v)
        sensors = tuple(TemperatureSensor(name=f"T{m.name}", cells=m.cells) for m in pack.modules)
        pack = pack.model_copy(update={"temperature_sensors": sensors})
        ohm, warm = natural(rng), np.exp(rng.normal(0, 0.06, 4))
        if not one_only or v == 0:
            ohm[4:8] *= module
            warm[2] *= hot
        packs[pack.id] = pack
        logs[pack.id] = [
            replace(d, estimates=d.estimates + heats(rng, pack, warm))
            for d in (drive(pack, ohm, rng, day=day) for day in (0, 9))
        ]
    return logs, packs


def places_named(*fleets):
    return [{(p.position, p.quantity, p.strength) for p in position_effects(*one)} for one in fleets]


def test_a_module_and_a_hot_place_in_three_of_three_vehicles():
    seeds = range(20)
    warm = places_named(*(fleet(s, 3, hot=1.9) for s in seeds))
    assert all(("M3", "heating", "suggests") in named for named in warm)
    ohms = places_named(*(fleet(s, 3, module=1.10) for s in seeds))
    assert sum(("M2", "resistance_10s_relative", "suggests") in named for named in ohms) >= 14
    assert sum(bool(named) for named in places_named(*(fleet(s, 3) for s in seeds))) <= 3
    # in one of three it is that vehicle's, not the place's
    alone = places_named(*(fleet(s, 3, module=1.5, hot=2.5, one_only=True) for s in seeds))
    assert (
        sum(
            ("M2", "resistance_10s_relative", "suggests") in n or ("M3", "heating", "suggests") in n
            for n in alone
        )
        == 0
    )


def test_few_rows_hold_their_level():
    rng = np.random.default_rng(5)
    least = [few_row_positions(rng.normal(0, 1, (3, 6))).p_value.min() for _ in range(2000)]
    assert np.mean(np.array(least) <= 0.05) < 0.05
    effect = rng.normal(0, 0.1, (3, 6)) + np.array([0, 0, 2.0, 0, 0, 0])
    found = few_row_positions(effect)
    assert int(np.argmin(found.p_value)) == 2 and abs(found.effect[2] - 2.0) < found.half_width[2] + 0.1


BOUNDS = {
    "capacity_relative": ({"high": 0.82, "unit": "ratio to pack median"}, "at least 18 % less"),
    "soc_offset": ({"low": 0.051, "unit": "fraction"}, "at least 5.1 % more"),
    "capacity": ({"high": 81.3, "unit": "Ah"}, "at most 81 Ah"),
    "leak_current_relative": ({"low": 0.052, "unit": "A"}, "at least 52 mA more"),
}


def bounded(key, cell=5):
    given, _ = BOUNDS[key]
    return Estimate(
        key, cell=cell, status="bounded", why="the curve is flat there", settle_by="A charge.", **given
    )


@pytest.mark.parametrize("key", BOUNDS)
def test_a_bound_is_said_everywhere(key):
    e, says = bounded(key), BOUNDS[key][1]
    assert say_bound(e) == says
    log = {
        "id": "20260504-0800-planted00000",
        "start": "2026-05-04T08:00:00Z",
        "end": "2026-05-04T09:00:00Z",
        "rows": 9,
        "kinds": ["charge"],
    }
    pack = pack_of(0)
    of = {"id": pack.id, "vehicle": pack.vehicle, "cells": 16}
    others = tuple(
        replace(e, cell=c, status="determined", value=1.0, low=0.9, high=1.1) for c in (1, 2, 3, 4)
    )
    diagnosis = Diagnosis(log, of, (*others, e), ())
    told = " ".join(diagnosis_text(diagnosis, pack, width=100).split())
    assert told.count(says) == 2 and "None in these readings" not in told
    rows = list(csv.DictReader(io.StringIO(diagnosis_csv(diagnosis))))
    assert any(r["says"].startswith(says) for r in rows)
    assert any(says in row for _, row in contents(pack, diagnosis).cell_rows for row in row)
    from dashboard.parts import estimate_rows

    assert says in str(estimate_rows([e]))


def test_nothing_found_names_who_is_not_known():
    known = [Estimate("capacity", "Ah", cell=c, value=100.0, low=99.0, high=101.0) for c in range(1, 8)]
    assert nothing_found(known)[0].startswith("None in these readings")
    lines = nothing_found(
        [*known, refused("capacity", "Ah", "it is far from the others", "A charge.", cell=8)]
    )
    assert (
        not lines[0].startswith("None in these")
        and "cell 8" in lines[1]
        and "far from the others" in lines[1]
    )


def test_a_size_that_is_a_bound_is_said_as_one():
    f = Finding(
        "capacity_low", "act", "s", cells=(5,), size=-0.12, high=-0.12, unit="fraction of pack median"
    )
    assert size_text(f) == "at least 12 % less than the pack's middle"


def test_no_look_with_an_interval_that_holds_nought():
    unsure = Finding("capacity_low", "look", "s", cells=(5,), size=-0.03, low=-0.07, high=0.01, unit="x")
    assert diagnosing.sure(unsure).level == "note"
    assert diagnosing.sure(replace(unsure, high=-0.01)).level == "look"


def test_a_bleed_switch_that_does_nothing_at_all_is_not_quieter_than_a_weak_one():
    """0 % of what was commanded is the worst there is: what a sound switch has is 100 %."""
    dead = Finding(
        "bleed_ineffective", "look", "s", cells=(7,), size=0.0, low=-0.05, high=0.05, unit="fraction"
    )
    assert diagnosing.sure(dead).level == "look"
    assert diagnosing.sure(replace(dead, size=0.4, low=-0.3, high=1.1)).level == "note"


def with_events(pack, *events):
    from bmslogs.base.pack import Event

    return pack.model_copy(update={"events": tuple(Event(**e) for e in events)})


def a_charge(pack, day, relative, level="look"):
    start = (dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC) + dt.timedelta(days=day)).strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    estimates = tuple(
        Estimate(
            "capacity_relative", "ratio to pack median", cell=c + 1, value=v, low=v - 0.01, high=v + 0.01
        )
        for c, v in enumerate(relative)
    )
    found = tuple(
        Finding(
            "capacity_low",
            level,
            f"cell {c + 1}: it holds {100 * (1 - v):.0f} % less.",
            cells=(c + 1,),
            size=v - 1,
            low=v - 1.01,
            high=v - 0.99,
            unit="fraction of pack median",
        )
        for c, v in enumerate(relative)
        if v < 0.9
    )
    log = {"id": f"log-{day}", "start": start, "end": start, "rows": 9, "kinds": ["charge"]}
    of = {"id": pack.id, "vehicle": pack.vehicle, "cells": pack.cells_in_series}
    return Diagnosis(log, of, estimates, found)


def test_headline_and_table_agree_over_logs():
    pack = pack_of(0)
    shares = (0.76, 0.77, 0.78, 0.73)
    logs = [
        a_charge(pack, day, [share if c == 4 else 1.0 for c in range(16)]) for day, share in enumerate(shares)
    ]
    found = diagnose_pack(logs, pack)
    (table,) = [e for e in found.of("capacity_relative") if e.cell == 5]
    (headline,) = found.findings
    assert abs(headline.size - (table.value - 1)) < 1e-9
    assert f"{100 * (1 - table.value):.0f} % less" in headline.says


def test_what_was_charged_before_the_work_is_said_so():
    packs = [with_events(pack_of(0), {"date": "2026-03-20", "kind": "module swapped"}), pack_of(1)]
    early = a_charge(packs[0], 0, [1.0] * 16)
    late = replace(drive(packs[0], natural(np.random.default_rng(1)), np.random.default_rng(2), day=40))
    late = replace(
        late,
        estimates=late.estimates
        + tuple(
            refused(
                "capacity_relative",
                "ratio to pack median",
                "the log holds no charge",
                "A charge.",
                cell=c + 1,
            )
            for c in range(16)
        ),
    )
    logs = {packs[0].id: [early, late], packs[1].id: [a_charge(packs[1], 1, [1.0] * 16)]}
    found = compare_packs(logs, {p.id: p for p in packs})
    (one,) = [q for q in found.quantities if q.quantity == "capacity_relative"]
    assert "2026-03-20" in one.why_not and "no charge" not in one.why_not
    together = diagnose_pack([early, late], packs[0])
    assert {"no charge" in (e.why or "") for e in together.of("capacity_relative")} == {False}
