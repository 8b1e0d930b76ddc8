"""Impossible readings are never stored as numbers, and true ones are never nulled: by kind, at random sizes and places.

The truths are planted; that a swapped tap reads its neighbours' sums is the algebra of a string of cells.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import parse_profile
from tests.importers.nulls import RULES, count
from tests.importers.writing import (
    Dialect,
    assert_same,
    drive,
    imported,
    pack_for,
    put,
    refusal,
    stamp,
    text_of,
    write,
)

D = Dialect()
DIALECTS = (
    D,
    D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} [mV]", delimiter=";"),
    D.but(
        delimiter=";", decimal=",", time_text=stamp("%d.%m.%Y %H:%M:%S"), cell_name=lambda c: f"Zelle {c} [V]"
    ),
)
QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def rules(log) -> set[str]:  # type: ignore[no-untyped-def]
    return {r["rule"] for r in log.repairs}


@QUICK
@given(
    st.sampled_from(DIALECTS), st.sampled_from([2, 4, 12, 24, 96]), st.floats(0.05, 0.98), st.integers(0, 999),
    st.sampled_from([1.0, 5.0, 60.0]), st.booleans(), st.sampled_from([None, "Pack voltage (V)"]),
)  # fmt: skip
def test_a_minus_sign_as_a_mark(
    d: Dialect, cells: int, share: float, seed: int, period_s: float, few: bool, pack_name: str | None
) -> None:
    truth = drive(rows=240, cells=cells, seed=seed, period_s=period_s)
    rng = np.random.default_rng(seed)
    marks = rng.random(truth.cells.shape) < share
    if few:
        marks &= (rng.random(cells) < 0.3)[None, :]
    d = d.but(pack_name=pack_name)
    text = text_of(truth, d).splitlines()
    first = 2 + bool(pack_name)
    for r in range(240):
        fields = text[r + 1].split(d.delimiter)
        for k in np.flatnonzero(marks[r]):
            fields[first + k] = "-" + fields[first + k]
        text[r + 1] = d.delimiter.join(fields)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = put(("\n".join(text) + "\n").encode(d.encoding), folder / "log.csv")
        log = imported(path, pack_for(truth), folder / "store")
        assert_same(log, truth, d)
        assert rules(log) == ({"minus_mark"} if marks.any() else set())
        if pack_name:
            assert log.pack_voltage is not None
            np.testing.assert_allclose(log.pack_voltage, truth.pack_voltage, atol=0.006)


@QUICK
@given(
    st.sampled_from([3.29, 3.75, 4.05]), st.sampled_from([6, 12, 24]), st.integers(0, 99),
    st.sampled_from([None, (0.0, 5.0), (-0.002, 5.0), (0.0, 6.5), (-5.0, 5.0)]), st.integers(0, 99),
)  # fmt: skip
def test_a_swapped_tap_is_kept_whole_or_clipped(
    level: float, cells: int, seed: int, clip: tuple[float, float] | None, place: int
) -> None:
    truth = drive(rows=240, cells=cells, seed=seed)
    truth.cells = np.round(truth.cells - 3.75 + level, 3)
    k = place % (cells - 2)
    a, b, c = (truth.cells[:, k + j].copy() for j in range(3))
    truth.cells[:, k], truth.cells[:, k + 1], truth.cells[:, k + 2] = (
        np.round(a + b, 3),
        -b,
        np.round(b + c, 3),
    )
    if clip is not None:
        truth.cells = np.clip(truth.cells, *clip)
    with tempfile.TemporaryDirectory() as name:
        log = imported(write(truth, D, Path(name)), pack_for(truth), Path(name) / "store")
        assert_same(log, truth)
        assert log.repairs == ()


@QUICK
@given(
    st.sampled_from([-4.2, 6.93, 9.99, -0.9, 5.43]),
    st.integers(0, 239),
    st.integers(0, 11),
    st.integers(0, 99),
)
def test_a_number_that_no_cell_has_is_null(value: float, row: int, cell: int, seed: int) -> None:
    truth = drive(rows=240, seed=seed)
    shown = truth.cells.copy()
    truth.cells[row, cell] = value
    with tempfile.TemporaryDirectory() as name:
        path = write(truth, D, Path(name))
        log = imported(path, pack_for(truth), Path(name) / "store")
        got = log.cell_voltage[row, cell]
        assert np.isnan(got)
        shown[row, cell] = np.nan
        truth.cells = shown
        assert_same(log, truth)
        assert rules(log) <= {"impossible_reading", "fill_value"} and len(rules(log)) == 1


@QUICK
@given(
    st.sampled_from([4.095, 3.2767, 3.2766, 3.277, 2.55]), st.sampled_from([1, 2, 4, 12]), st.integers(0, 999),
    st.sampled_from([0.0005, 0.003, 0.02]), st.sampled_from([1.0, 10.0, 60.0]),
)  # fmt: skip
def test_readings_that_pass_through_a_fill_value_stay(
    value: float, cells: int, seed: int, slope: float, period_s: float
) -> None:
    truth = drive(rows=240, cells=cells, seed=seed, period_s=period_s)
    rng = np.random.default_rng(seed)
    d = D.but(cell_decimals=4)
    at = int(rng.integers(5, 235))
    rise = slope * (np.arange(240) - at) * (1 if seed % 2 else -1)
    truth.cells = np.round(value + np.clip(rise, -0.4, 0.3)[:, None] + 0.002 * rng.normal(size=(1, cells)), 4)
    truth.cells[at, 0] = value
    truth.current[:] = np.round(-20.0 * np.sign(rise[-1] - rise[0]) + rng.normal(0, 0.1, 240), 1)
    with tempfile.TemporaryDirectory() as name:
        from bmslogs.importers.plan.profile import parse_profile

        profile = parse_profile({"current": {"discharge": "positive"}})
        log = imported(write(truth, d, Path(name)), pack_for(truth), Path(name) / "store", profile)
        assert_same(log, truth, d)
        assert log.repairs == ()


@QUICK
@given(
    st.sampled_from([25.5, 0.0, 85.0, 12.7, -1.0]),
    st.floats(0.05, 9.0),
    st.sampled_from([1, 0]),
    st.integers(0, 99),
)
def test_temperatures_that_pass_through_a_fill_value_stay(
    value: float, step: float, decimals: int, seed: int
) -> None:
    truth = drive(rows=200, seed=seed)
    at = 20 + seed
    warm = value + np.clip(step * (np.arange(200) - at) * (1 if seed % 2 else -1), -25, 25)
    truth.temperatures[:, 1] = np.round(warm, decimals)
    truth.temperatures[at, 1] = value
    with tempfile.TemporaryDirectory() as name:
        log = imported(write(truth, D, Path(name)), pack_for(truth), Path(name) / "store")
        assert_same(log, truth)
        assert log.repairs == ()


def test_a_hard_peak_of_99_99_amperes_stays(tmp_path: Path) -> None:
    truth = drive(rows=300, amperes=50)
    truth.current[[50, 120]] = 99.99
    truth.cells[[50, 120]] -= 0.05
    truth.cells = np.round(truth.cells, 3)
    log = imported(write(truth, D.but(current_decimals=2), tmp_path), pack_for(truth), tmp_path / "store")
    np.testing.assert_allclose(log.current[[50, 120]], 99.99, atol=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_rest_with_little_noise_loses_no_row(seed: int, tmp_path: Path) -> None:
    """Twelve cells in steps of 1 mV repeat by chance at rest."""
    truth = drive(rows=2000, seed=seed)
    rng = np.random.default_rng(seed)
    truth.current[300:1700] = 0.0
    truth.cells[300:1700] = np.round(3.74 + rng.normal(0, 0.0003 + 0.0001 * seed, (1400, 12)), 3)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)


def test_no_true_row_is_nulled_in_half_a_million() -> None:
    """A slice of what ``python -m tests.importers.nulls`` counts over ten million rows."""
    total = count(500_000, seed=3, a_log=20_000)
    assert {rule: total[rule] for rule in RULES} == dict.fromkeys(RULES, 0)
    assert total["wrongly found"] == 0


@pytest.mark.parametrize("cells, seed", [(12, 1), (16, 2), (48, 3), (96, 4)])
def test_lost_frames_under_load_are_found(cells: int, seed: int, tmp_path: Path) -> None:
    truth = drive(rows=1500, cells=cells, seed=seed)
    rng = np.random.default_rng(seed)
    busy = np.flatnonzero(np.abs(np.diff(truth.current, prepend=0)) > 5)
    lost = np.sort(rng.choice(busy[busy > 5], 12, replace=False))
    for r in lost:
        truth.current[r], truth.cells[r] = truth.current[r - 1], truth.cells[r - 1]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    gone = np.flatnonzero(np.isnan(log.cell_voltage).all(axis=1))
    assert set(gone) <= set(lost) and len(gone) >= 10


# ---- temperatures: letters, units, sensors that are not fitted ----------------------------------------------------


@pytest.mark.parametrize("text", ["none", "n/a", "--", "", "NaN", "None"])
@pytest.mark.parametrize("gone", [0, 1, 2])
def test_a_sensor_that_is_not_fitted_is_absent(text: str, gone: int, tmp_path: Path) -> None:
    truth = drive()
    lines = [x.split(",") for x in text_of(truth, D).splitlines()]
    for fields in lines[1:]:
        fields[2 + 12 + gone] = text
    path = put(("\n".join(map(",".join, lines)) + "\n").encode(), tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    truth.temperatures = np.delete(truth.temperatures, gone, axis=1)
    assert_same(log, truth)
    assert log.repairs == () and f"T{gone + 1} (C)" in log.meta["bmslogs.notes"]


def test_a_sensor_of_the_pack_file_stays_though_it_never_reads(tmp_path: Path) -> None:
    truth = drive()
    sensors = [{"name": f"T{k}", "cells": [k]} for k in (1, 2, 3)]
    pack = Pack.model_validate(pack_for(truth).model_dump() | {"temperature_sensors": sensors})
    truth.temperatures[:, 1] = np.nan
    log = imported(write(truth, D, tmp_path), pack, tmp_path / "store")
    assert_same(log, truth)


def test_a_sensor_that_wakes_between_the_samples_is_read(tmp_path: Path) -> None:
    truth = drive(rows=40_000, cells=4)
    kept = truth.temperatures[9_000:9_010, 2].copy()
    truth.temperatures[:, 2] = np.nan
    truth.temperatures[9_000:9_010, 2] = kept
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)


def with_columns(truth, names: list[str], values: list[np.ndarray], folder: Path) -> Path:  # type: ignore[no-untyped-def,type-arg]
    """Write a log without sensors and with these columns behind."""
    truth.temperatures = truth.temperatures[:, :0]
    d = D.but(extras={n: (lambda r, v=v: f"{v[r]:.1f}") for n, v in zip(names, values)})
    return write(truth, d, folder)


@pytest.mark.parametrize(
    "names", [("Pack T1 F", "Pack T1 C"), ("T1_C", "T1_F"), ("Temp 1 (°F)", "Temp 1 (°C)")]
)
def test_a_sensor_in_both_units_is_taken_once(names: tuple[str, str], tmp_path: Path) -> None:
    truth = drive()
    warm = truth.temperatures[:, 0].copy()
    values = [warm * 1.8 + 32 if "F" in n else warm for n in names]
    log = imported(with_columns(truth, list(names), values, tmp_path), pack_for(truth), tmp_path / "store")
    np.testing.assert_allclose(log.temperature, warm[:, None], atol=0.051)
    assert "in another unit" in log.meta["bmslogs.notes"]


def test_sensors_of_different_units_are_each_read_in_their_own(tmp_path: Path) -> None:
    truth = drive()
    a, b = truth.temperatures[:, 0].copy(), truth.temperatures[:, 2].copy()
    path = with_columns(truth, ["T1_F", "T2_C"], [a * 1.8 + 32, b], tmp_path)
    log = imported(path, pack_for(truth), tmp_path / "store")
    np.testing.assert_allclose(log.temperature, np.column_stack([a, b]), atol=0.06)


@pytest.mark.parametrize("letters", ["ABC", "FR", "CD", "FML"])
def test_letters_that_name_sensors_are_no_units(letters: str, tmp_path: Path) -> None:
    truth = drive()
    warm = [truth.temperatures[:, k].copy() + 3 for k in range(len(letters))]
    path = with_columns(truth, [f"Temp {x}" for x in letters], warm, tmp_path)
    log = imported(path, pack_for(truth), tmp_path / "store")
    np.testing.assert_allclose(log.temperature, np.array(warm).T, atol=0.051)


def test_modules_f1_and_f2_are_no_degrees(tmp_path: Path) -> None:
    truth = drive()
    modules = [
        {"name": n, "cells": list(range(4 * k + 1, 4 * k + 5))} for k, n in enumerate(("F1", "F2", "C1"))
    ]
    pack = Pack.model_validate(pack_for(truth).model_dump() | {"modules": modules})
    d = D.but(cell_name=lambda c: f"{('F1', 'F2', 'C1')[(c - 1) // 4]} cell {(c - 1) % 4 + 1}")
    assert_same(imported(write(truth, d, tmp_path), pack, tmp_path / "store"), truth)


def test_an_angle_is_no_temperature(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    d = D.but(extras={"Phase_Angle(Deg)": lambda r: "0.0"})
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.temperature.shape[1] == 0


# ---- a header that widens -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [5, 100, 2500])
@pytest.mark.parametrize("front", [False, True])
def test_a_header_that_widens_is_told_with_its_line(at: int, front: bool, tmp_path: Path) -> None:
    truth = drive(rows=3000)
    lines = text_of(truth, D).splitlines()
    name = lambda x, more: f"{more},{x}" if front else f"{x},{more}"  # noqa: E731
    wide = [name(lines[0], "Mode"), *[name(x, "7") for x in lines[at + 1 :]]]
    path = put(("\n".join([*lines[: at + 1], *wide]) + "\n").encode(), tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert f"line {at + 2}" in log.meta["bmslogs.notes"]


@pytest.mark.parametrize("at", [5, 100, 2500])
@pytest.mark.parametrize("more", ["Cell13 (V)", "T4 (C)"])
def test_a_header_that_brings_another_cell_or_sensor_is_refused_with_its_line(
    at: int, more: str, tmp_path: Path
) -> None:
    truth = drive(rows=3000)
    lines = text_of(truth, D).splitlines()
    wide = [f"{lines[0]},{more}", *[f"{x},3.7" for x in lines[at + 1 :]]]
    path = put(("\n".join([*lines[: at + 1], *wide]) + "\n").encode(), tmp_path / "log.csv")
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert f"line {at + 2}" in reason or f"line {at + 3}" in reason


@pytest.mark.parametrize("level", [2.95, 3.29, 4.1])
@pytest.mark.parametrize("clip", [None, (0.0, 5.0)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_swapped_tap_does_not_turn_the_sign(
    level: float, clip: tuple[float, float] | None, sign: int, tmp_path: Path
) -> None:
    """Two cells in one reading go in and out of every range with the load."""
    truth = drive(rows=600, cells=6)
    truth.cells = np.round(truth.cells - 3.75 + level, 3)
    a, b, c = (truth.cells[:, j].copy() for j in range(3))
    truth.cells[:, 0], truth.cells[:, 1], truth.cells[:, 2] = np.round(a + b, 3), -b, np.round(b + c, 3)
    truth.cells = truth.cells if clip is None else np.clip(truth.cells, *clip)
    log = imported(write(truth, D.but(sign=sign), tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)


@pytest.mark.parametrize("value", [-127.0, -128.0, 999.9])
def test_a_sensor_that_reads_nothing_but_a_flag_is_null(value: float, tmp_path: Path) -> None:
    truth = drive()
    truth.temperatures[:, 1] = value
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    truth.temperatures[:, 1] = np.nan
    assert_same(log, truth)
    assert rules(log) == {"fill_temperature"}


@pytest.mark.parametrize("size", [1, 300, 100_000])
def test_noughts_behind_the_last_row_cost_no_row(size: int, tmp_path: Path) -> None:
    truth = drive()
    path = put(text_of(truth, D).encode() + b"\0" * size, tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert rules(log) == {"nul_bytes_behind"}


@pytest.mark.parametrize(
    "pattern",
    [r"U(?P<cell>\d+)(a+)+$", r"(?P<cell>(\d|U|a)*)*b", r"(U|\d)+(?P<cell>\d+)", r"(?P<cell>\d+)" + ".*" * 9],
)
def test_a_pattern_that_may_never_end_is_refused(pattern: str) -> None:
    from bmslogs.base.errors import BadProfile
    from bmslogs.importers.plan.profile import parse_profile

    with pytest.raises(BadProfile, match=r"cell_voltage\.pattern"):
        parse_profile({"cell_voltage": {"pattern": pattern}})


@pytest.mark.parametrize(
    "pattern", [r"U(?P<cell>\d+)", r"(?:Zelle|Cell)? *(?P<cell>\d+)(?: \(V\))?", r"[(+]*(?P<cell>\d+)\)+"]
)
def test_an_ordinary_pattern_is_taken(pattern: str) -> None:
    from bmslogs.importers.plan.profile import parse_profile

    assert parse_profile({"cell_voltage": {"pattern": pattern}}).cell_voltage is not None


@pytest.mark.parametrize("name", [lambda c: f"CP{c}", lambda c: f"Cell{c} (V)"])
def test_marked_cells_without_a_word_are_cells_and_pack_voltages_beside_are_not(name, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    truth = drive(cells=24)
    rng = np.random.default_rng(4)
    total = truth.pack_voltage
    d = D.but(cell_name=name, extras={f"HVolt{k}": (lambda r: f"{total[r]:.2f}") for k in (1, 2)})
    marks = rng.random(truth.cells.shape) < np.linspace(0.3, 0.7, 24)
    lines = [x.split(",") for x in text_of(truth, d).splitlines()]
    for r in range(len(truth.time)):
        for k in np.flatnonzero(marks[r]):
            lines[r + 1][2 + k] = "-" + lines[r + 1][2 + k]
    path = put(("\n".join(map(",".join, lines)) + "\n").encode(), tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert rules(log) == {"minus_mark"}


def test_the_one_cell_beside_unused_inputs(tmp_path: Path) -> None:
    truth = drive(cells=1)
    inputs = {f"V{k}(V)": (lambda r: "0.0003") for k in (1, 2, 3)}
    d = D.but(
        cell_name=lambda c: "Voltage(V)",
        extras=inputs | {"Positive electrode potential [V]": lambda r: "4.02"},
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.pack_voltage is None


@pytest.mark.parametrize("value", [-273.1, 327.6, 150.0])
def test_sensors_at_an_end_of_their_scale_do_not_cost_the_unit_of_the_others(
    value: float, tmp_path: Path
) -> None:
    truth = drive(sensors=4)
    truth.temperatures[:, :2] = value
    d = D.but(temperature_name=lambda s: f"temp_{s}")
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    np.testing.assert_allclose(log.temperature[:, 2:], truth.temperatures[:, 2:], atol=0.051)


def test_colder_than_any_vehicle_is_no_temperature(tmp_path: Path) -> None:
    truth = drive(sensors=2)
    rows = [50, 120, 300]
    truth.temperatures[rows, 0] = -100.0
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.flatnonzero(np.isnan(log.temperature).any(axis=1)).tolist() == rows


def test_a_flag_of_minus_one_in_all_cells_is_no_voltage_with_a_mark(tmp_path: Path) -> None:
    truth = drive(cells=2)
    rows = [40, 41, 200]
    truth.cells[rows] = -1.0
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.flatnonzero(np.isnan(log.cell_voltage).all(axis=1)).tolist() == rows
    assert "minus_mark" not in rules(log)


@pytest.mark.parametrize("flag", [65535.0, 99999.0])
def test_flags_of_the_current_say_nothing_of_its_unit(flag: float, tmp_path: Path) -> None:
    truth = drive(rows=300)
    rows = list(range(30, 270, 30))
    truth.current[rows] = flag
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.current is not None and np.flatnonzero(np.isnan(log.current)).tolist() == rows


@pytest.mark.parametrize("at", [0, 1])
@pytest.mark.parametrize("name", [lambda c: f"Cell {c} voltage", lambda c: f"Cell {c} [V]"])
def test_two_taps_of_a_small_pack_change_places(at: int, name, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    truth = drive(cells=4)
    taps = np.concatenate([np.zeros((len(truth.time), 1)), np.cumsum(truth.cells, axis=1)], axis=1)
    taps[:, [at + 1, at + 2]] = taps[:, [at + 2, at + 1]]
    truth.cells[:] = np.round(np.diff(taps, axis=1), 3)
    d = D.but(cell_name=name)
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def electrodes(truth, names: tuple[str, str, str], real: bool) -> Dialect:  # type: ignore[no-untyped-def]
    """Return a dialect in which the one cell stands beside both electrodes' voltages against a reference."""
    low = 0.12
    high = [f"{round(v + (low if real else 0.2), 4):.4f}" for v in truth.cells[:, 0]]
    extras = {names[0]: lambda r: high[r], names[2]: lambda r: f"{low:.4f}"}
    return D.but(cell_name=lambda c: names[1], cell_decimals=4, extras=extras)


def test_the_difference_of_two_electrodes_is_the_cell(tmp_path: Path) -> None:
    truth = drive(cells=1, sensors=0)
    d = electrodes(truth, ("Ewe/V", "Ewe-Ece/V", "Ece/V"), real=True)
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_several_voltages_that_may_be_the_one_cell_are_asked_about(tmp_path: Path) -> None:
    truth = drive(cells=1, sensors=0)
    path = write(truth, electrodes(truth, ("Ewe/V", "Etot/V", "Ece/V"), real=False), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert '"Ewe/V(?P<cell>)"' in reason and '"Etot/V(?P<cell>)"' in reason
    profile = parse_profile({"cell_voltage": {"pattern": "Etot/V(?P<cell>)"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_what_a_log_lacks_is_said_before_what_it_leaves_open(tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    d = D.but(time_text=stamp("%d/%m/%Y %H:%M:%S"), current_name="Setting")
    assert "no current" in refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")


def test_a_long_second_header_that_brings_a_sensor_is_refused_with_its_line(tmp_path: Path) -> None:
    truth = drive(cells=24, sensors=2)
    lines = text_of(truth, D.but(cell_name=lambda c: f"Voltage of the cell {c} (V)")).splitlines()
    wide = [lines[0] + ",T3 (C)", *(x + ",21.0" for x in lines[200:])]
    path = put(("\n".join([*lines[:200], *wide]) + "\n").encode(), tmp_path / "log.csv")
    assert "line 201" in refusal(path, pack_for(truth), tmp_path / "store")
