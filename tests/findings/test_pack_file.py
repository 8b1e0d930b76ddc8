"""Lines of the pack file that a log contradicts; odd packs that are right stay silent. Truths are planted."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.analysis.models.pack_contradictions import capacity_by_curve
from bmslogs.analysis.ocv import built_in
from bmslogs.base.pack import Limits, Pack
from bmslogs.base.pack_claims import Thinned, contradictions, unlike_packs
from bmslogs.faces.figures.proofs import proof_picture
from bmslogs.findings import diagnose
from bmslogs.log import Log, read_log

CELLS = 16
ON_THE_CURVE = ("soc_offset", "capacity", "charge_to_full", "leak_current_relative", "usable_charge")


def pack(chemistry="NMC", nominal=100.0, **more):
    given = {
        "id": "wren-main",
        "vehicle": "Wren",
        "chemistry": chemistry,
        "nominal_capacity_Ah": nominal,
        "cells_in_series": CELLS,
    }
    return Pack(**(given | more))


def string(chemistry, current, step_s, soc, *, capacity=100.0, ohm=1e-3, seed=0):
    """Return a log in few rows of a string on the built-in curve with a resistance: seconds, current, charge, volts."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(len(current)) * float(step_s)
    charge = np.concatenate([[0.0], np.cumsum(current)[:-1]]) * step_s / 3600.0
    each = capacity * (1 + rng.normal(0, 0.01, CELLS))
    z = soc + rng.normal(0, 0.003, CELLS) - charge[:, None] / each
    drop = np.asarray(current, float)[:, None] * ohm * (1 + rng.normal(0, 0.03, CELLS))
    volts = built_in(chemistry).voltage(z) - drop
    volts = np.round(volts + rng.normal(0, 3e-4, volts.shape), 3)
    return Thinned(seconds, np.asarray(current, float), charge, volts, tuple(range(1, CELLS + 1)), 0.001)


def lines(log, described):
    return [one.line.split(" =")[0] for one in contradictions(log, described)]


def drive(rows, rms, seed=1):
    rng = np.random.default_rng(seed)
    return np.repeat(rng.normal(0.5 * rms, rms, rows // 10), 10) * (np.arange(rows // 10 * 10) % 50 > 10)


RIGHT = {
    "aged to 65 %": ("NMC", np.full(500, -26.0), 16, 0.08, {"capacity": 65.0}),
    "LFP charged to full and floated": ("LFP", np.r_[np.full(600, -20.0), np.zeros(2000)], 26, 0.13, {}),
    "cold LFP under load": ("LFP", drive(2400, 80), 1, 0.6, {"ohm": 5e-3}),
    "NMC discharged to its end": (
        "NMC",
        np.r_[np.zeros(60), np.full(350, 33.0), np.zeros(200)],
        30,
        0.99,
        {},
    ),
    "NMC low and slow": ("NMC", np.r_[np.zeros(60), np.full(500, 4.0), np.zeros(60)], 30, 0.20, {}),
    "parked empty": ("NMC", np.zeros(400), 600, 0.03, {}),
    "fresh and full to empty": (
        "LFP",
        np.r_[np.full(400, 26.0), np.zeros(30)],
        36,
        0.995,
        {"capacity": 106.0},
    ),
    "parked a month beside a wrong zero": ("NMC", np.full(3000, 0.4), 900, 0.7, {"capacity": 1e6}),
}


@pytest.mark.parametrize("name", RIGHT)
def test_odd_but_right_packs_stay_silent(name):
    chemistry, current, step, soc, more = RIGHT[name]
    assert lines(string(chemistry, current, step, soc, **more), pack(chemistry)) == []


@pytest.mark.parametrize("nominal", [450.0, 700.0, 1000.0])
@pytest.mark.parametrize("amperes", [-25.0, 25.0])
def test_a_capacity_far_above_what_the_curve_takes_is_told(nominal, amperes):
    """A cell of 100 Ah passes through its curve: 75 Ah in 3 h, while the file says several times as much."""
    log = string("NMC", np.full(1080, amperes), 10, 0.2 if amperes < 0 else 0.95)
    assert lines(log, pack(nominal=nominal)) == ["nominal_capacity_Ah"]
    assert all(one.flow for one in contradictions(log, pack(nominal=nominal)))


def test_what_relaxes_behind_a_load_is_no_charge():
    """0.35 V come back within minutes while a charger gives 1 A: the cell's own way, not the curve's."""
    log = string("NMC", np.full(600, -1.0), 1, 0.4)
    log.volts[:] -= 0.35 * np.exp(-log.seconds / 60)[:, None]
    assert lines(log, pack()) == []


def test_what_was_moved_in_pauses_is_not_counted_as_one_go():
    """Three charges of 60 Ah, the pack used in between while nothing was logged: 180 Ah, none of it more than 60."""
    log = string("NMC", np.full(900, -60.0), 4, 0.2)
    seconds = log.seconds + 7200.0 * (np.arange(900) // 300)
    volts = log.volts[np.arange(900) % 300]
    paused = Thinned(seconds, log.current, 3 * log.charge, volts, log.cells, log.step)
    assert lines(paused, pack()) == []
    assert lines(Thinned(log.seconds, log.current, 3 * log.charge, volts, log.cells, log.step), pack())


WRONG = {
    "NMC driven": ("NMC", "LFP", drive(2400, 60), 1, 0.7),
    "NMC parked": ("NMC", "LFP", np.zeros(400), 600, 0.8),
    "NMC charged": ("NMC", "LFP", np.full(700, -25.0), 10, 0.4),
    "NMC discharged": ("NMC", "LFP", np.full(700, 25.0), 10, 0.95),
    "LFP charged": ("LFP", "NMC", np.full(900, -25.0), 10, 0.3),
    "LFP discharged": ("LFP", "NMC", np.full(900, 33.0), 8, 0.95),
    "LFP used slowly": ("LFP", "NMC", np.full(1900, 8.0), 20, 0.9),
}


@pytest.mark.parametrize("name", WRONG)
def test_another_chemistry_is_told(name):
    is_, said, current, step, soc = WRONG[name]
    log = string(is_, current, step, soc)
    assert lines(log, pack(said)) == ["chemistry"]
    assert lines(log, pack(is_)) == []


def test_more_charge_than_the_capacity():
    log = string("NMC", np.full(900, 30.0), 16, 0.97, capacity=200.0)
    (one,) = contradictions(log, pack("NMC", 100.0))
    assert one.line == "nominal_capacity_Ah = 100" and "120 Ah" in one.found and not one.curve
    assert contradictions(log, pack("NMC", 190.0)) == []


def test_cells_that_are_not_there():
    log = string("NMC", drive(2400, 60), 1, 0.7)
    frozen = log.volts.copy()
    frozen[:, 8:] = 3.7
    (one,) = contradictions(Thinned(log.seconds, log.current, log.charge, frozen, log.cells, 0.001), pack())
    assert one.cells == tuple(range(9, 17)) and one.frozen and one.line == "cells_in_series = 16"
    gone = log.volts.copy()
    gone[:, 14:] = np.nan
    (one,) = contradictions(Thinned(log.seconds, log.current, log.charge, gone, log.cells, 0.001), pack())
    assert one.cells == (15, 16) and not one.frozen
    stuck = log.volts.copy()
    stuck[:, 5] = 3.7  # one channel that stands still is a channel's fault
    assert (
        contradictions(Thinned(log.seconds, log.current, log.charge, stuck, log.cells, 0.001), pack()) == []
    )


def test_limits_that_fit_no_reading():
    log = string("NMC", drive(2400, 60), 1, 0.7)
    for name, value in (
        ("voltage_max_V", 3.65),
        ("voltage_min_V", 4.05),
        ("voltage_max_V", 4200.0),
        ("temperature_max_C", 131.0),
        ("charge_temperature_min_C", 32.0),
    ):
        assert lines(log, pack(limits=Limits(**{name: value}))) == [name]
    assert (
        lines(log, pack(limits=Limits(voltage_min_V=3.0, voltage_max_V=4.1, charge_temperature_min_C=5.0)))
        == []
    )
    assert lines(string("LFP", drive(2400, 60), 1, 0.7), pack("LFP", limits=Limits(voltage_max_V=4.2))) == [
        "voltage_max_V"
    ]


def test_a_table_that_is_not_these_cells():
    table = tuple((z, 1.8 + 0.9 * z) for z in np.linspace(0, 1, 11))
    log = string("NMC", np.zeros(400), 60, 0.7)
    (one,) = contradictions(log, pack("own", ocv_table="ocv.csv", ocv=table))
    assert one.line == 'ocv_table = "ocv.csv"' and one.curve


def test_two_pack_files_of_one_id():
    one, other = pack(limits=Limits(voltage_max_V=4.2)), pack(nominal=90.0, limits=Limits(voltage_max_V=4.25))
    assert unlike_packs(one, one) == []
    assert unlike_packs(one, other) == [
        "nominal_capacity_Ah = 90 there, 100 here",
        "voltage_max_V = 4.25 there, 4.2 here",
    ]


def whole(few, described):
    rows = len(few.seconds)
    return Log(
        id="20260504-0800-planted00000",
        time=np.datetime64("2026-05-04T08:00:00", "us") + (few.seconds * 1e6).astype("timedelta64[us]"),
        current=few.current,
        cells=few.cells,
        cell_voltage=few.volts,
        temperature=np.full((rows, 2), 20.0),
        bleed=None,
        pack_voltage=None,
        pack=described,
    )


def test_what_rests_on_a_contradicted_curve_is_withheld():
    log = whole(
        string("NMC", np.r_[np.zeros(600), np.full(5400, -25.0), np.zeros(1200)], 2, 0.2), pack("LFP")
    )
    found = diagnose(log)
    (one,) = [f for f in found.findings if f.cause == "pack_file_mismatch"]
    assert one.level == "look" and 'chemistry = "LFP"' in one.says
    for quantity in ON_THE_CURVE:
        for e in found.of(quantity):
            assert e.status == "not_determinable" and 'chemistry = "LFP"' in e.why
    assert all(e.status == "determined" for e in found.of("capacity_relative"))
    assert [f for f in found.findings if f.level != "note" and f is not one] == []
    assert proof_picture(one, found, log).data


def test_half_of_the_channels_still_is_one_finding():
    few = string("NMC", drive(2400, 60), 1, 0.7)
    few.volts[:, 8:] = 3.7
    found = diagnose(whole(few, pack()))
    assert [(f.cause, f.level) for f in found.findings if f.level != "note"] == [
        ("pack_file_mismatch", "act")
    ]


def test_an_import_says_so(tmp_path):
    from bmslogs.store import Store

    few = string("NMC", drive(2400, 60), 1, 0.7)
    names = ["time", "current_A", *(f"cell_{c}_V" for c in few.cells)]

    def file(name, shift):
        start = np.datetime64(f"2026-05-0{4 + shift}T08:00:00", "ms")
        rows = [
            ",".join([f"{start + np.timedelta64(int(t), 's')}Z", f"{i:.1f}", *(f"{v:.3f}" for v in volts)])
            for t, i, volts in zip(few.seconds, few.current, few.volts, strict=True)
        ]
        path = tmp_path / name
        path.write_text("\n".join([",".join(names), *rows]) + "\n", encoding="utf-8")
        return path

    store = Store(tmp_path / "store")
    right = pack(limits=Limits(voltage_max_V=4.2))
    (log,) = store.import_files([file("a.csv", 0)], right).logs
    assert log.notes == ()
    (log,) = store.import_files([file("b.csv", 1)], pack("LFP", limits=Limits(voltage_max_V=3.65))).logs
    assert sum("The pack file says chemistry" in note for note in log.notes) == 1
    assert any("voltage_max_V = 4.2 there, 3.65 here" in note for note in log.notes)
    kept = read_log(store.log_path(log.id)).meta["bmslogs.notes"]
    assert any("chemistry" in note for note in json.loads(kept))


@pytest.mark.parametrize(
    ("capacity", "sd", "moved", "told"),
    [
        (62.0, 1.5, 60.0, True),
        (62.0, 6.0, 60.0, False),
        (62.0, 1.5, 20.0, False),
        (90.0, 1.5, 80.0, False),
        (160.0, 3.0, 120.0, True),
    ],
)
def test_a_capacity_by_the_curve_far_from_the_file_s(capacity, sd, moved, told):
    """100 Ah by the file; told beyond 75 to 125 % by 2.5 standard deviations, where two fifths of the curve were seen
    (by hand: 62 + 3.75 < 75; 62 + 15 > 75; 20 of 62 Ah is a third)."""
    assert (capacity_by_curve(capacity, sd, moved, 100.0) is not None) is told


def test_a_zero_that_is_far_off_is_no_contradiction_of_the_capacity():
    """Two days parked while 1.5 A of a pack of 60 Ah are read: 72 Ah, and the voltages stand (planted)."""
    rng = np.random.default_rng(8)
    steps = 2880
    current = np.full(steps, 1.5)
    standing = string("NMC", np.zeros(steps), 60.0, 0.6, capacity=60.0)
    charge = np.cumsum(current) / 60.0
    log = Thinned(
        standing.seconds, current + rng.normal(0, 0.01, steps), charge, standing.volts, standing.cells, 0.001
    )
    assert contradictions(log, pack(nominal=60.0)) == []
    # the same reading while the voltages fall is a flow, and too much of it
    falling = string("NMC", current, 60.0, 0.95, capacity=120.0)
    assert [c.line for c in contradictions(falling, pack(nominal=60.0))] == ["nominal_capacity_Ah = 60"]


@pytest.mark.parametrize(("sag", "told"), [(0.0, True), (0.4, False)])
def test_a_log_s_first_minutes_count_only_where_they_stand_still(sag: float, told: bool):
    """Planted: charged from 5 % to full, 160 Ah in the file for 100; or from 40 %, still recovering from a pull in the
    cold when the log begins, as an empty string would stand, and the file right."""
    soc, nominal = (0.05, 160.0) if told else (0.40, 100.0)
    current = np.r_[np.zeros(20), np.full(int((0.999 - soc) * 100.0 / 30.0 * 720), -30.0), np.zeros(360)]
    made = string("LFP", current, 5.0, soc)
    volts = np.round(made.volts - sag * np.exp(-made.seconds / 100.0)[:, None], 3)
    found = diagnose(whole(replace(made, volts=volts), pack("LFP", nominal))).findings
    assert ("pack_file_mismatch" in {f.cause for f in found}) is told
