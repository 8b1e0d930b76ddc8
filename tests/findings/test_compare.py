"""Packs side by side, before and after, places and months, on planted truths.

Expected values are planted here or computed by the general library named; the rules are those of DEVELOPERS.md.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from bmslogs.analysis.reference import arrhenius_factor
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack, parse_pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.base.schema import schema_of
from bmslogs.findings.compare import Comparison, compare_before_after, compare_packs

CELLS = 12
OHM = 1e-3 * np.exp(np.random.default_rng(99).normal(0, 0.05, CELLS))


def a_pack(
    name: str = "heron-main", vehicle: str = "Heron", events: tuple[dict, ...] = (), **more: object
) -> Pack:
    return parse_pack(
        {
            "pack": {
                "id": name,
                "vehicle": vehicle,
                "design": "three-box",
                "chemistry": "NMC",
                "nominal_capacity_Ah": 100.0,
                "cells_in_series": CELLS,
                **more,
            },
            "module": [{"name": f"M{m}", "cells": list(range(4 * m - 3, 4 * m + 1))} for m in (1, 2, 3)],
            "event": list(events),
        }
    )


def a_drive(
    pack: Pack,
    ohm=OHM,
    *,
    day=0,
    t=20.0,
    soc=(0.4, 0.8),
    rms=60.0,
    noise=0.005,
    seed=0,
    findings=(),
    log=None,
    lag=0.1,
) -> Diagnosis:
    rng = np.random.default_rng(seed + 1000 * day)
    value = np.asarray(ohm) * float(arrhenius_factor(t, 20.0)) * np.exp(rng.normal(0, noise, len(ohm)))
    start = (dt.datetime(2026, 1, 10, 8, tzinfo=dt.UTC) + dt.timedelta(days=day)).strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    conditions = {"temperature_C": t, "soc_low": soc[0], "soc_high": soc[1], "current_rms_A": rms}
    estimates = [
        Estimate(
            q,
            u,
            cell=i + 1,
            value=v,
            low=v * (1 - 2 * noise),
            high=v * (1 + 2 * noise),
            conditions=conditions,
        )
        for q, u, values in (
            ("resistance_10s", "ohm", value),
            ("resistance_10s_relative", "ratio to pack median", value / np.median(value)),
        )
        for i, v in enumerate(values.tolist())
    ]
    estimates.append(Estimate("current_lag", "s", value=lag, low=lag - 0.1, high=lag + 0.1))
    return Diagnosis(
        {"id": f"log-{day}", "start": start, "end": start, "rows": 1200, "kinds": ["drive"], **(log or {})},
        {"id": pack.id, "vehicle": pack.vehicle, "cells": len(ohm)},
        tuple(estimates),
        tuple(findings),
    )


def two(first: dict, second: dict, factor: float = 1.1):
    heron, wren = a_pack(), a_pack("wren-main", "Wren")
    logs = {
        heron.id: [a_drive(heron, day=d, seed=1, **first) for d in (0, 7, 14)],
        wren.id: [a_drive(wren, factor * OHM, day=d, seed=2, **second) for d in (0, 7, 14)],
    }
    return compare_packs(logs, {heron.id: heron, wren.id: wren})


def valid(comparison) -> dict:
    document = comparison.to_json()
    jsonschema.validate(document, schema_of(Comparison, quantity=QUANTITIES))
    return document


def test_resistance_is_brought_to_one_temperature():
    found = two({"t": 15.0}, {"t": 24.0})
    valid(found)
    one = found.of("resistance_10s")
    assert one.comparable and one.why_not is None
    assert 15 <= one.reference["temperature_C"] <= 24
    at = one.reference["temperature_C"]
    for pack, factor in zip(one.packs, (1.0, 1.1)):
        truth = factor * np.median(OHM) * float(arrhenius_factor(at, 20.0))
        assert pack.low <= truth <= pack.high and pack.logs == 3
        assert len(pack.cells) == CELLS
    (difference,) = found.differences
    assert difference.low <= 1 / 1.1 <= difference.high


def test_current_gain_does_not_cancel_between_vehicles():
    found = two({}, {}, factor=1.03)
    (difference,) = found.differences
    assert not difference.differ  # 3 % is within what two sensors of 1 % each may do
    assert two({}, {}, factor=1.3).differences[0].differ


def test_welch_interval_is_inside():
    heron, wren = a_pack(current_accuracy=0.0), a_pack("wren-main", "Wren", current_accuracy=0.0)
    logs = {
        p.id: [a_drive(p, day=d, seed=s, noise=0.02) for d in range(0, 50, 10)]
        for s, p in ((1, heron), (2, wren))
    }
    (difference,) = compare_packs(logs, {heron.id: heron, wren.id: wren}).differences
    medians = [[np.log(np.median([e.value for e in d.of("resistance_10s")])) for d in logs[p]] for p in logs]
    low, high = stats.ttest_ind(*medians, equal_var=False).confidence_interval(0.95)
    assert np.log(difference.high / difference.low) >= high - low - 1e-9


@pytest.mark.parametrize(
    "first, second, word",
    [
        ({"t": 5.0}, {"t": 30.0}, "degC"),
        ({"soc": (0.1, 0.3)}, {"soc": (0.6, 0.9)}, "% charge"),
        ({"rms": 20.0}, {"rms": 90.0}, "load"),
    ],
)
def test_what_cannot_be_compared_is_refused_with_the_remedy(first, second, word):
    found = two(first, second)
    valid(found)
    one = found.of("resistance_10s")
    assert not one.comparable and word in one.why_not and "would settle it" in one.why_not
    assert not [d for d in found.differences if d.quantity == "resistance_10s"]


def test_unlike_cells_stand_side_by_side_without_a_ratio():
    heron, wren = a_pack(), a_pack("wren-main", "Wren", chemistry="LFP", nominal_capacity_Ah=160.0)
    logs = {heron.id: [a_drive(heron)], wren.id: [a_drive(wren, rms=96.0)]}
    found = compare_packs(logs, {heron.id: heron, wren.id: wren})
    assert found.of("resistance_10s").comparable and not found.differences
    assert "unlike cells (LFP 160 Ah, NMC 100 Ah)" in found.notes[0]


def test_missing_quantity_says_what_is_missing():
    heron, wren = a_pack(), a_pack("wren-main", "Wren")
    blind = a_drive(wren)
    said = refused("resistance_10s", "ohm", "The current hardly moved.", "Drive for 20 min.", cell=1)
    blind = Diagnosis(blind.log, blind.pack, (said,), ())
    found = compare_packs({heron.id: [a_drive(heron)], wren.id: [blind]}, {heron.id: heron, wren.id: wren})
    valid(found)
    assert found.of("resistance_10s").why_not == "wren-main: The current hardly moved. Drive for 20 min."


def test_cells_that_a_sense_wire_spoils_take_no_part():
    heron, wren = a_pack(), a_pack("wren-main", "Wren")
    bad = Finding("tap_open", "act", "A sense wire is off.", cells=(3, 4))
    found = compare_packs(
        {heron.id: [a_drive(heron, findings=(bad,))], wren.id: [a_drive(wren)]},
        {heron.id: heron, wren.id: wren},
    )
    cells = {c.cell: c.value for c in found.of("resistance_10s").packs[0].cells}
    assert cells[3] is None and cells[4] is None and cells[5] is not None


def test_repair_is_seen_although_the_day_is_warmer():
    pack = a_pack()
    ill = OHM.copy()
    ill[4] *= 1.12
    found = compare_before_after(a_drive(pack, ill, t=14.0), a_drive(pack, OHM, day=9, t=24.0), pack)
    document = valid(found)
    named = [c for c in found.changes if c.finding and c.quantity == "resistance_10s"]
    assert [c.cell for c in named] == [5]
    assert named[0].low <= 1 / 1.12 <= named[0].high
    assert named[0].ratio_raw < 0.8  # warmer by 10 K, and repaired
    assert len(document["changes"]) == CELLS


def test_new_cells_do_not_shift_the_others():
    pack = a_pack(events=({"date": "2026-01-15", "kind": "module swapped", "where": "M2"},))
    after = OHM.copy()
    after[4:8] *= 0.8
    found = compare_before_after(a_drive(pack, OHM), a_drive(pack, after, day=9), pack)
    valid(found)
    new = [c for c in found.changes if c.new]
    assert [c.cell for c in new] == [5, 6, 7, 8] and all(c.finding for c in new)
    assert not [c for c in found.changes if c.finding and not c.new]
    assert_allclose(np.median([c.ratio for c in found.changes if not c.new]), 1.0, atol=1e-6)
    assert found.notes and "new" in found.notes[0]


def test_swap_of_a_module_that_the_pack_file_does_not_name():
    pack = a_pack(events=({"date": "2026-01-15", "kind": "module swapped"},))
    after = OHM.copy()
    after[4:8] *= 0.8
    found = compare_before_after(a_drive(pack, OHM), a_drive(pack, after, day=9), pack)
    assert {c.cell for c in found.changes if c.finding} == {5, 6, 7, 8}
    assert not any(c.new for c in found.changes) and "does not say where the work of" in found.notes[0]


@pytest.mark.parametrize(
    "change, word",
    [
        ({"soc": (0.85, 0.95)}, "% charge"),
        ({"t": 40.0}, "K apart"),
        ({"log": {"averaging_s": 5.0}}, "averaging"),
        ({"log": {"settings": {"refresh_s": 10.0}}}, "rate of the cell readings changed from 1.0 to 10.0"),
        (
            {"log": {"settings": {"voltage_step_V": 0.005}}},
            "step of the cell readings changed from 0.001 to 0.005",
        ),
        (
            {"log": {"settings": {"bled_under_load": 0.4}}},
            "bled for 40 % of the time under load in the log after",
        ),
        (
            {"log": {"settings": {"cell_columns": [f"U{i}" for i in (2, 1, *range(3, CELLS + 1))]}}},
            "'U1' of the logger was cell 1 before and is cell 2 after",
        ),
        ({"lag": -2.0}, "averaging or polling"),
    ],
)
def test_logs_of_other_conditions_are_refused(change, word):
    pack = a_pack()
    columns = [f"U{i}" for i in range(1, CELLS + 1)]
    settings = {"averaging_s": 0.5, "settings": {
        "voltage_step_V": 0.001, "refresh_s": 1.0, "bled_under_load": 0.0, "cell_columns": columns,
    }}  # fmt: skip
    later = dict(change) | {"log": settings | change.get("log", {})}
    found = compare_before_after(a_drive(pack, log=settings), a_drive(pack, day=9, **later), pack)
    valid(found)
    assert not found.of("resistance_10s").comparable and word in found.of("resistance_10s").why_not
    assert found.changes == ()


@pytest.mark.parametrize("moved, word", [(OHM[::-1], "in reversed order"), (np.roll(OHM, 1), "one place on")])
def test_cells_that_come_back_in_another_order_are_refused(moved, word):
    pack = a_pack()
    found = compare_before_after(a_drive(pack), a_drive(pack, moved, day=9), pack)
    assert word in found.of("resistance_10s").why_not and found.changes == ()


def test_a_logger_that_names_its_cells_otherwise_is_noted():
    pack = a_pack()
    logs = [
        a_drive(pack, day=d, log={"settings": {"cell_columns": [f"{name}{i}" for i in range(CELLS)]}})
        for d, name in ((0, "U"), (9, "cell"))
    ]
    found = compare_before_after(*logs, pack)
    assert found.of("resistance_10s").comparable and "'cell0' to 'cell11' now" in found.notes[0]


def test_other_cell_count_or_order_of_logs():
    pack = a_pack()
    found = compare_before_after(a_drive(pack), a_drive(pack, OHM[:8], day=3), pack)
    assert "12 cells" in found.of("resistance_10s").why_not
    with pytest.raises(BadInput, match="the other way round"):
        compare_before_after(a_drive(pack, day=3), a_drive(pack), pack)
    with pytest.raises(BadInput, match="two packs"):
        compare_before_after(a_drive(pack), a_drive(a_pack("wren-main"), day=3), pack)


def fleet(vehicles: int, factor: float):
    logs, packs = {}, {}
    for v in range(vehicles):
        rng = np.random.default_rng(100 + v)
        pack = a_pack(f"p{v}", f"Vehicle {v}")
        ohm = 1e-3 * np.exp(rng.normal(0, 0.05, CELLS))
        ohm[6] *= factor
        packs[pack.id], logs[pack.id] = pack, [a_drive(pack, ohm, day=d, seed=v) for d in (0, 9)]
    return compare_packs(logs, packs)


def test_place_that_suffers_in_every_vehicle():
    found = fleet(6, 1.15)
    document = valid(found)
    (place,) = found.positions
    assert (place.position, place.strength, place.vehicles) == ("cell 7", "supports", 6)
    assert place.low <= 0.15 <= place.high and document["positions"][0]["design"] == "three-box"
    assert fleet(3, 1.25).positions[0].strength == "suggests"
    assert fleet(2, 1.25).positions == ()
    assert fleet(6, 1.0).positions == ()


def test_trend_needs_months_and_is_found():
    pack = a_pack()
    creeping = OHM.copy()
    days = (0, 40, 80, 120, 160, 200)
    logs = []
    for d in days:
        now = creeping * 1.06 ** (d / 365.25)
        now[2] *= 1.30 ** (d / 365.25)
        logs.append(a_drive(pack, now, day=d, t=15 + d / 20))
    found = compare_packs({pack.id: logs}, {pack.id: pack}).trends
    whole = next(t for t in found if t.cell is None)
    assert whole.low <= 0.06 <= whole.high and whole.logs == 6
    assert [t.cell for t in found if t.cell is not None] == [3]
    assert next(t for t in found if t.cell == 3).low <= 0.30 <= next(t for t in found if t.cell == 3).high
    assert compare_packs({pack.id: logs[:2]}, {pack.id: pack}).trends == ()


def test_readings_from_before_the_work_are_left_out():
    pack = a_pack(events=({"date": "2026-01-20", "kind": "module swapped", "where": "M1"},))
    after = OHM.copy()
    after[:4] *= 0.7
    logs = [a_drive(pack, OHM, day=0), a_drive(pack, after, day=15), a_drive(pack, after, day=20)]
    found = compare_packs({pack.id: logs}, {pack.id: pack})
    cell = found.of("resistance_10s").packs[0].cells[0]
    assert cell.low <= after[0] <= cell.high
    assert found.events == ("heron-main: 2026-01-20 module swapped (M1)",)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 1), st.integers(0, 300), st.floats(-20, 50) | st.just(float("nan")), st.floats(0, 0.9),
            st.floats(0, 0.4), st.floats(0, 200), st.sampled_from(["", "tap_open", "refused"]),
        ),
        min_size=1, max_size=6,
    )
)  # fmt: skip
@settings(deadline=None, max_examples=25)
def test_any_mixture_of_logs_gives_a_valid_answer(drives):
    packs = {p.id: p for p in (a_pack(), a_pack("wren-main", "Wren"))}
    logs: dict[str, list[Diagnosis]] = {}
    for which, day, t, low, wide, rms, odd in drives:
        pack = packs[list(packs)[which]]
        bad = (Finding("tap_open", "act", "Off.", cells=(1, 2)),) if odd == "tap_open" else ()
        made = a_drive(pack, day=day, t=20.0, soc=(low, low + wide), rms=rms, findings=bad)
        estimates = [
            refused(e.quantity, e.unit, "No.", "Drive.", cell=e.cell) if odd == "refused"
            else replace(e, conditions=e.conditions | {"temperature_C": None if t != t else t})
            for e in made.estimates
        ]  # fmt: skip
        logs.setdefault(pack.id, []).append(Diagnosis(made.log, made.pack, tuple(estimates), bad))
    valid(compare_packs(logs, packs))
    for name, own in logs.items():
        own = sorted(own, key=lambda d: d.log["start"])
        if len(own) > 1 and own[0].log["start"] != own[-1].log["start"]:
            valid(compare_before_after(own[0], own[-1], packs[name]))
