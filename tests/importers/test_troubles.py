"""What goes wrong in logs: mended and said, or refused with the place; never a number changed in silence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import parse_profile
from tests.importers.writing import (
    Dialect,
    assert_same,
    bring,
    drive,
    imported,
    pack_for,
    put,
    refusal,
    text_of,
    write,
)

D = Dialect()


def lines_of(truth, d: Dialect = D) -> list[str]:  # type: ignore[no-untyped-def]
    return text_of(truth, d).splitlines()


def save(lines: list[str], folder: Path, end: str = "\n") -> Path:
    return put(("\n".join(lines) + end).encode(), folder / "log.csv")


def set_field(lines: list[str], row: int, column: int, text: str) -> None:
    """Replace one field; row 1 is the first of readings."""
    fields = lines[row].split(",")
    fields[column] = text
    lines[row] = ",".join(fields)


def rules(log) -> list[str]:  # type: ignore[no-untyped-def]
    return [r["rule"] for r in log.repairs]


CELL_1 = 2  # column of cell 1 in the plain dialect: time, current, cells


@pytest.mark.parametrize(
    "text", ["", "-", "n/a", "NaN", "#DIV/0!", "#NV", "#WERT!", "null", "---", "ERR", "N/A"]
)
def test_fill_texts_become_null(text: str, tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    for row in (3, 50, 51):
        set_field(lines, row, CELL_1 + 4, text)
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.isnan(log.cell_voltage[[2, 49, 50], 4]).all()
    truth.cells[[2, 49, 50], 4] = np.nan
    assert_same(log, truth)


@pytest.mark.parametrize(
    "text, says", [("abc", "unreadable"), ("3.7x2", "unreadable"), ("3,7", "row_broken")]
)
def test_what_is_no_number_is_null_and_said(text: str, says: str, tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    set_field(lines, 300, CELL_1 + 2, text)
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    assert rules(log) == [says]
    if says == "unreadable":
        truth.cells[299, 2] = np.nan
        assert_same(log, truth)
    else:
        assert log.rows == len(truth.time) - 1


@pytest.mark.parametrize(
    "fill, d",
    [
        ("65535", D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} mV")),
        ("32767", D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} mV")),
        ("-1", D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} mV")),
        ("0", D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} mV")),
        ("4095", D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} mV")),
        ("65.535", D),
        ("4.095", D),
        ("8.191", D),
        ("32.767", D),
        ("0.000", D),
        ("6553.5", D),
    ],
)
def test_numeric_fills_on_a_cell_become_null(fill: str, d: Dialect, tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth, d)
    for row in (1, 60, 61, 62, 400):
        set_field(lines, row, CELL_1 + 7, fill)
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    truth.cells[[0, 59, 60, 61, 399], 7] = np.nan
    assert_same(log, truth, d)
    assert rules(log) == ["fill_value"] and log.repairs[0]["rows"] == 5


def test_a_cell_that_really_reads_4095_stays(tmp_path: Path) -> None:
    truth = drive()
    truth.cells += 0.35
    truth.cells[:, 3] = np.round(4.095 + 0.001 * np.sin(np.arange(400)), 3)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_an_open_tap_is_a_fault_to_be_kept_not_a_fill(tmp_path: Path) -> None:
    """By the algebra of a floating tap: what one cell lacks its neighbour has."""
    truth = drive()
    truth.cells[100:, 5] = np.round(truth.cells[100:, 5] + truth.cells[100:, 4], 3)
    truth.cells[100:, 4] = 0.0
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_swapped_taps_read_negative_and_stay(tmp_path: Path) -> None:
    """By algebra: cells 3.30 3.31 3.32 with taps 1 and 2 swapped read 6.61 -3.31 6.63."""
    truth = drive()
    a, b, c = (truth.cells[:, k].copy() for k in (0, 1, 2))
    truth.cells[:, 0], truth.cells[:, 1], truth.cells[:, 2] = np.round(a + b, 3), -b, np.round(b + c, 3)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)


@pytest.mark.parametrize("fill", ["-40", "215", "127", "-40.0"])
def test_temperature_fills_become_null(fill: str, tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    for row in (20, 21, 300):
        set_field(lines, row, CELL_1 + 12 + 1, fill)
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    truth.temperatures[[19, 20, 299], 1] = np.nan
    assert_same(log, truth)
    assert rules(log) == ["fill_temperature"]


def test_a_sensor_that_never_reads_is_null(tmp_path: Path) -> None:
    truth = drive()
    truth.temperatures[:, 2] = -40.0
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.isnan(log.temperature[:, 2]).all()
    assert rules(log) == ["fill_temperature"]


def test_a_real_frost_of_minus_40_stays(tmp_path: Path) -> None:
    truth = drive()
    truth.temperatures[:, 1] = np.round(np.linspace(-41.0, -38.5, 400), 1)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)


@pytest.mark.parametrize("fill", ["3276.7", "32767", "-32768"])
def test_current_fills_become_null(fill: str, tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    set_field(lines, 120, 1, fill)
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    truth.current[119] = np.nan
    assert_same(log, truth)
    assert rules(log) == ["fill_current"]


def test_held_frames_are_null_and_counted(tmp_path: Path) -> None:
    truth = drive(rows=1000)
    held = [100, 101, 102, 350, 700, 701]
    for r in held:
        truth.current[r], truth.cells[r] = truth.current[r - 1], truth.cells[r - 1]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.flatnonzero(np.isnan(log.cell_voltage).all(axis=1)).tolist() == held
    assert np.flatnonzero(np.isnan(log.current)).tolist() == held
    assert rules(log) == ["held_frame"] and log.repairs[0]["rows"] == len(held)


def test_temperatures_of_a_held_frame_are_null_too(tmp_path: Path) -> None:
    truth = drive(rows=1000)
    truth.temperatures[:, 0] += np.round(np.random.default_rng(2).normal(0, 0.4, 1000), 1)
    for r in (100, 101, 350):
        truth.current[r], truth.cells[r] = truth.current[r - 1], truth.cells[r - 1]
        truth.temperatures[r] = truth.temperatures[r - 1]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.flatnonzero(np.isnan(log.temperature).all(axis=1)).tolist() == [100, 101, 350]


def test_temperatures_that_hold_by_themselves_stay(tmp_path: Path) -> None:
    """A sensor in steps of 1 degC repeats its reading for minutes: no frame is held."""
    truth = drive(rows=1000)
    truth.temperatures = np.round(truth.temperatures)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_held_cells_alone_are_null(tmp_path: Path) -> None:
    truth = drive(rows=1000)
    steps = np.abs(np.diff(truth.current, prepend=0.0))
    held = [int(r) for r in np.flatnonzero(steps > 45)[[3, 30, 60, 90]]]
    for r in held:
        truth.cells[r] = truth.cells[r - 1]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.flatnonzero(np.isnan(log.cell_voltage).all(axis=1)).tolist() == held
    assert np.isfinite(log.current).all()
    assert rules(log) == ["held_cells"]


def test_rest_without_noise_is_no_held_frame(tmp_path: Path) -> None:
    truth = drive(rows=1000)
    truth.current[380:600] = 0.0
    truth.cells[380:600] = truth.cells[380]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.isfinite(log.cell_voltage).all(), rules(log)


def test_a_stuck_channel_stays_as_read(tmp_path: Path) -> None:
    truth = drive()
    truth.cells[50:, 6] = truth.cells[50, 6]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_cells_refreshed_slower_than_the_rows_are_named_not_nulled(tmp_path: Path) -> None:
    truth = drive(rows=1200)
    for r in range(len(truth.time)):
        truth.cells[r] = truth.cells[r - r % 4]
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()
    refresh = json.loads(log.meta["bmslogs.refresh_s"])
    assert set(refresh) == {f"cell_{c:03d}_mV" for c in range(1, 13)} and set(refresh.values()) == {4.0}
    assert "refreshed every 4 s" in log.meta["bmslogs.notes"]


def test_a_cut_last_line_is_left_out(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    for cut in (len(lines[-1]) - 1, len(lines[-1]) // 2, 3):
        log = imported(
            save([*lines[:-1], lines[-1][:cut]], tmp_path, end=""), pack_for(truth), tmp_path / f"store{cut}"
        )
        assert log.rows == len(truth.time) - 1
        assert rules(log) == ["line_cut"]


def test_no_line_end_behind_a_whole_last_line_is_fine(tmp_path: Path) -> None:
    truth = drive()
    log = imported(save(lines_of(truth), tmp_path, end=""), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_lines_of_text_between_readings_are_skipped(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    lines[100:100] = ["*** reboot, watchdog ***", "firmware 1.3", lines[0]]
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert set(rules(log)) == {"header_repeated", "text_line"}


def test_bytes_of_nought_are_left_out(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    lines[200] = lines[200][:20] + "\0\0\0" + lines[200][23:]
    log = imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.rows == len(truth.time) - 1
    assert rules(log) == ["nul_bytes"]


def test_mixed_encodings(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(extras={"Bemerkung": lambda r: "Größe" if r > 100 else "ok"})
    data = text_of(truth, d).encode("utf-8")
    lines = data.split(b"\n")
    lines[300] = lines[300].decode().encode("latin-1")
    log = imported(put(b"\n".join(lines), tmp_path / "log.csv"), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.extra["extra_Bemerkung"][299] == "Größe"


def test_a_cell_count_that_changes_is_refused_with_the_line(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    more = [x + ",3.7,3.7" for x in lines[200:]]
    reason = refusal(save(lines[:200] + more, tmp_path), pack_for(truth), tmp_path / "store")
    assert "line 201" in reason and "fields" in reason


def test_a_wrong_cell_count_is_refused(tmp_path: Path) -> None:
    truth = drive()
    reason = refusal(write(truth, D, tmp_path), pack_for(truth, cells_in_series=14), tmp_path / "store")
    assert "12 cell columns" in reason and "expected 14" in reason


def test_a_missing_cell_is_refused_by_its_number(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(cell_order=tuple(c for c in range(1, 13) if c != 9))
    reason = refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert "number 9 is missing" in reason


def test_unused_channels_are_left_out(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    lines[0] = lines[0].replace("Cell12 (V)", "Cell12 (V),Cell13 (V),Cell14 (V)")
    for r in range(1, len(lines)):
        fields = lines[r].split(",")
        lines[r] = ",".join([*fields[:14], "0.000", "0.000", *fields[14:]])
    assert_same(imported(save(lines, tmp_path), pack_for(truth), tmp_path / "store"), truth)


def test_no_current_is_refused(tmp_path: Path) -> None:
    truth = drive()
    lines = [",".join([f for k, f in enumerate(x.split(",")) if k != 1]) for x in lines_of(truth)]
    assert "no current" in refusal(save(lines, tmp_path), pack_for(truth), tmp_path / "store")


def test_only_the_extremes_logged_is_refused(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(extras={"Max cell (V)": lambda r: "3.80", "Min cell (V)": lambda r: "3.70"})
    lines = [",".join(f for k, f in enumerate(x.split(",")) if not 2 <= k < 14) for x in lines_of(truth, d)]
    assert "no cell voltages" in refusal(save(lines, tmp_path), pack_for(truth), tmp_path / "store")


@pytest.mark.parametrize(
    "data, says",
    [
        (b"", "empty"),
        (b"\n\n \n", "blanks"),
        (b"hello\nworld\n", "delimiter"),
        (b"%PDF-1.7\n", "PDF"),
        (b"PK\x03\x04rubbish", "archive"),
        (b"\x1f\x8brubbish" + b"x" * 99, "archive"),
        (bytes(range(256)) * 40, "not text"),
        (b"a,b,c\n", "rows"),
        (b"PAR1xxxx", "Parquet"),
        (b'{"a": [1, 2, 3]}\n', "time"),
    ],
)
def test_what_is_no_log_is_refused(data: bytes, says: str, tmp_path: Path) -> None:
    path = tmp_path / "thing.csv"
    path.write_bytes(data)
    reason = refusal(path, pack_for(drive()), tmp_path / "store")
    assert reason.startswith("thing.csv: ") and says in reason, reason


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "gone.csv", pack_for(drive()), tmp_path / "store")


def test_strict_refuses_any_repair(tmp_path: Path) -> None:
    truth = drive()
    lines = lines_of(truth)
    set_field(lines, 30, CELL_1, "65.535")
    path = save(lines, tmp_path)
    assert "fill values" in refusal(path, pack_for(truth), tmp_path / "store", strict=True)
    assert bring(path, pack_for(truth), tmp_path / "store").logs


def test_constant_and_resting_logs_need_no_sign(tmp_path: Path) -> None:
    truth = drive()
    truth.current[:] = np.round(np.random.default_rng(3).normal(0, 0.1, 400), 1)
    rng = np.random.default_rng(4)
    truth.cells = np.round(3.7 + rng.normal(0, 0.0008, truth.cells.shape), 3)
    assert_same(imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store"), truth)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_steady_charge_tells_the_sign_by_its_trend(sign: int, tmp_path: Path) -> None:
    truth = drive(rows=3000)
    truth.current[:] = -20.0
    rng = np.random.default_rng(4)
    truth.cells = np.round(
        3.5 + np.linspace(0, 0.2, 3000)[:, None] + rng.normal(0, 0.0008, truth.cells.shape), 3
    )
    assert_same(
        imported(write(truth, D.but(sign=sign), tmp_path), pack_for(truth), tmp_path / "store"), truth
    )


def test_a_sign_that_nothing_tells_is_asked_for(tmp_path: Path) -> None:
    truth = drive()
    truth.current[:] = np.round(30 + np.random.default_rng(3).normal(0, 5.0, 400), 1)
    truth.cells = np.round(3.7 + np.random.default_rng(4).normal(0, 0.0008, truth.cells.shape), 3)
    path = write(truth, D, tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "discharge =" in reason
    profile = parse_profile({"current": {"discharge": "negative"}})
    truth.current *= -1
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_the_sign_found_late_in_a_long_log(tmp_path: Path) -> None:
    """The start is at rest, so only the whole log tells."""
    truth = drive(rows=6000)
    truth.current[:5800] = 0.0
    truth.cells[:5800] = np.round(3.75 + np.random.default_rng(4).normal(0, 0.0008, (5800, 12)), 3)
    assert_same(imported(write(truth, D.but(sign=-1), tmp_path), pack_for(truth), tmp_path / "store"), truth)


def test_current_without_unit_in_whole_numbers_is_asked_for(tmp_path: Path) -> None:
    truth = drive()
    truth.current[:] = np.round(20 + np.sin(np.arange(400) / 99), 1)
    d = D.but(current_name="Current", current_unit=0.1, current_decimals=0)
    reason = refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert '"A"' in reason and '"0.1A"' in reason


def test_current_without_unit_told_by_the_voltages(tmp_path: Path) -> None:
    """Resistance times capacity is about 0.1 ohm Ah whatever the size of a cell: common practice, no source."""
    truth = drive()
    d = D.but(current_name="Current", current_unit=0.1, current_decimals=0)
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_temperatures_of_two_possible_units_are_asked_for(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(temperature_of=lambda c: c * 9 / 5 + 32, temperature_name=lambda s: f"temp {s}")
    reason = refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert "degF" in reason and "degC" in reason
    profile = parse_profile({"temperature": {"unit": "degF"}})
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store", profile), truth, d)


def test_modules_of_unknown_order_are_refused(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(cell_name=lambda c: f"{('left', 'right', 'under')[(c - 1) // 4]} {(c - 1) % 4 + 1} V")
    assert "order" in refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")


def test_modules_in_the_order_of_the_pack_file(tmp_path: Path) -> None:
    truth = drive()
    modules = [
        {"name": n, "cells": list(range(4 * k + 1, 4 * k + 5))} for k, n in enumerate(("R1", "F2", "F1"))
    ]
    pack = Pack.model_validate(pack_for(truth).model_dump() | {"modules": modules})
    d = D.but(cell_name=lambda c: f"{('R1', 'F2', 'F1')[(c - 1) // 4]} cell {(c - 1) % 4 + 1} V")
    assert_same(imported(write(truth, d, tmp_path), pack, tmp_path / "store"), truth)


@pytest.mark.parametrize("sensors", [["front", "middle", "rear"], ["T3", "T1", "T2"]])
def test_sensors_by_their_names_in_the_pack_file(sensors: list[str], tmp_path: Path) -> None:
    truth = drive()
    pack = Pack.model_validate(
        pack_for(truth).model_dump() | {"temperature_sensors": [{"name": n, "cells": [1]} for n in sensors]}
    )
    shown = sorted(sensors)
    d = D.but(temperature_name=lambda s: f"{shown[s - 1]} (°C)")
    log = imported(write(truth, d, tmp_path), pack, tmp_path / "store")
    order = [shown.index(n) for n in sensors]
    np.testing.assert_allclose(log.temperature, truth.temperatures[:, order], atol=1e-5)


@pytest.mark.parametrize("kind", ["flags", "words", "hex", "integer", "binary", "no name"])
def test_bleed_flags(kind: str, tmp_path: Path) -> None:
    truth = drive()
    truth.cells[:, [2, 7]] += 0.02
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, [2, 7]] = True
    truth.bleed[150:300, 11] = True
    truth.cells[150:300, 11] += 0.03
    number = lambda row: sum(1 << k for k, b in enumerate(row) if b)  # noqa: E731
    d = {
        "flags": D.but(bleed_name=lambda c: f"Bal{c}"),
        "words": D.but(bleed_name=lambda c: f"Balancing cell {c}", flag_text=("off", "on")),
        "hex": D.but(bits_name="Balancing"),
        "integer": D.but(bits_name="Bleed state", bits_text=lambda row: str(number(row))),
        "binary": D.but(bits_name="Balancer", bits_text=lambda row: f"{number(row):012b}"),
        "no name": D.but(bleed_name=lambda c: f"B{c:03d}"),
    }[kind]
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.bleed is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)


@pytest.mark.parametrize("name", ["Balancing", "Balancing bits", "Balancer [hex]"])
@pytest.mark.parametrize("prefix", ["0x", ""])
def test_bits_in_reverse_are_seen_by_the_voltages(name: str, prefix: str, tmp_path: Path) -> None:
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, 2] = True
    truth.cells[:, 2] += 0.03
    d = D.but(
        bits_name=name,
        bits_text=lambda row: f"{prefix}{sum(1 << (11 - k) for k, b in enumerate(row) if b):03X}",
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.bleed is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)


@pytest.mark.parametrize("wire", [0.0, 0.07])
def test_bits_are_told_where_a_sense_wire_lifts_the_neighbour(wire: float, tmp_path: Path) -> None:
    """Two of twelve cells are bled, 12 mV higher than the rest; one shares a wire of 0.6 ohm with the next."""
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, [3, 4]] = True
    truth.cells[:, [3, 4]] += 0.012
    truth.cells[100:200, 4] -= wire
    truth.cells[100:200, 7] += wire
    d = D.but(
        bits_name="Balancing",
        bits_text=lambda row: f"0x{sum(1 << k for k, b in enumerate(row) if b):03X}",
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.bleed is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)


@pytest.mark.parametrize(
    ("name", "mirrored"),
    [
        ("Balancing (left = cell 1)", True),
        ("Bleed, MSB = cell 1", True),
        ("balance_bits_lsb_cell_1", False),
        ("shunts (bit 0 = cell 1)", False),
        ("Ausgleich (rechts = Zelle 1)", False),
    ],
)
def test_the_order_of_bits_that_a_header_says(name: str, mirrored: bool, tmp_path: Path) -> None:
    """No voltage speaks for either order: what the header says holds."""
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, 2] = True
    d = D.but(
        bits_name=name,
        bits_text=lambda row: f"{sum(1 << (11 - k if mirrored else k) for k, b in enumerate(row) if b):012b}",
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.bleed is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)


def test_means_over_the_interval_are_cells_and_sensors_of_their_own(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(
        cell_name=lambda c: f"mean cell voltage {c:02d} [V]",
        temperature_name=lambda s: f"mean temperature {s} [C]",
    )
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth)


@pytest.mark.parametrize("what", ["wire", "alarm"])
def test_flags_without_a_name_are_bleeding_only_where_the_voltages_say_so(what: str, tmp_path: Path) -> None:
    """Cells that fall by 8 mV at once with their flags are bled, though no higher; cells that sank to them are not."""
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    for first in (40, 120, 200, 280):
        truth.bleed[first : first + 40, [2, 7]] = True
    if what == "wire":
        truth.cells[truth.bleed] -= 0.008
    else:
        truth.cells[:, [2, 7]] -= 0.02
    log = imported(
        write(truth, D.but(bleed_name=lambda c: f"B{c:03d}"), tmp_path), pack_for(truth), tmp_path / "store"
    )
    assert (log.bleed is not None) == (what == "wire")


def test_states_are_taken_along_and_others_kept(tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    truth = drive()
    d = D.but(
        soc_name="SOC (%)",
        extras={
            "Ambient temp (C)": lambda r: "12.5",
            "Main contactor": lambda r: "closed",
            "Fault code": lambda r: "0x00",
            "Speed km/h": lambda r: str(r % 60),
            "Driver": lambda r: "../../etc <b>",
        },
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    (path,) = (tmp_path / "store").glob("vehicle=*/pack=*/*.parquet")
    table = pq.read_table(path, partitioning=None)
    assert table["ambient_C"][0].as_py() == 12.5
    assert table["contactor"][0].as_py() == "closed" and table["fault"][0].as_py() == "0x00"
    np.testing.assert_allclose(table["logger_soc"].to_numpy(), truth.soc / 100, atol=1e-6)
    assert log.extra["extra_Speed_km_h"][61] == 1.0
    assert log.extra["extra_Driver"][0] == "../../etc <b>"
    field = table.schema.field("cell_001_mV")
    assert field.metadata[b"unit"] == b"mV" and field.metadata[b"source_column"] == b"Cell1 (V)"


@pytest.mark.parametrize(
    "change", [lambda h: h.replace("Cell3 (V)", "Cell3, (V)"), lambda h: h.replace("Cell3 (V),", "")]
)
def test_a_header_that_does_not_fit_the_rows_is_refused(change, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """Otherwise every column behind would be shifted by one."""
    lines = lines_of(drive())
    lines[0] = change(lines[0])
    reason = refusal(save(lines, tmp_path), pack_for(drive()), tmp_path / "store")
    assert "line 1: a header of" in reason


def test_two_vehicles_in_one_file_are_refused(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(extras={"Vehicle": lambda r: "Heron" if r < 200 else "Plover"})
    reason = refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert "column Vehicle" in reason and "'Heron', 'Plover'" in reason


def test_places_and_names_are_named(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(extras={"GPS latitude": lambda r: "59.91", "Driver": lambda r: "N. N."})
    report = bring(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert any("GPS latitude" in n and "Driver" in n for n in report.logs[0].notes)


def test_a_table_without_a_header(tmp_path: Path) -> None:
    truth = drive(sensors=0)
    assert_same(
        imported(write(truth, D.but(header=False), tmp_path), pack_for(truth), tmp_path / "store"), truth
    )


@pytest.mark.parametrize("step_mV", [1, 2, 5, 10, 20])
def test_the_step_of_the_readings_is_found(step_mV: int, tmp_path: Path) -> None:
    truth = drive()
    truth.cells = np.round(np.round(truth.cells / (step_mV * 1e-3)) * step_mV * 1e-3, 3)
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.voltage_step == pytest.approx(step_mV * 1e-3)
    np.testing.assert_allclose(
        log.cell_voltage[np.isfinite(log.cell_voltage)], truth.cells[np.isfinite(log.cell_voltage)], atol=1e-6
    )


def test_a_flag_for_all_cells_is_no_bitfield(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(extras={"Balancing": lambda r: str(int(r > 100))})
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.bleed is None and "extra_Balancing" in log.extra


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("seed", range(4))
def test_the_end_of_a_charge_tells_the_sign(sign: int, seed: int, tmp_path: Path) -> None:
    """Current falls while the voltage creeps up: the drifts alone would say the wrong sign."""
    rows = 4000
    truth = drive(rows=rows, seed=seed, period_s=10.0)
    rng = np.random.default_rng(seed)
    taper = 40 * np.exp(-np.arange(rows) / 1500)
    truth.current = -np.round(taper + rng.normal(0, 0.05, rows), 1)
    creep = 4.0 + 0.15 * (1 - np.exp(-np.arange(rows) / 1200))
    truth.cells = np.round(creep[:, None] + 0.001 * taper[:, None] + rng.normal(0, 0.0008, (rows, 12)), 3)
    assert_same(
        imported(write(truth, D.but(sign=sign), tmp_path), pack_for(truth), tmp_path / "store"), truth
    )


def test_a_current_that_lost_its_sign_is_refused(tmp_path: Path) -> None:
    truth = drive(rows=4000)
    truth.current = np.abs(truth.current)
    half = np.where(np.arange(4000) < 2000, 1, -1)
    rng = np.random.default_rng(3)
    truth.cells = np.round(
        3.7 - 0.001 * (half * truth.current)[:, None] + rng.normal(0, 0.0008, (4000, 12)), 3
    )
    assert "lost its sign" in refusal(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")


def test_a_header_and_voltages_that_disagree_on_the_sign_are_asked_about(tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D.but(current_name="Charge current (A)"), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "speaks of charge" in reason and "discharge =" in reason
    profile = parse_profile({"current": {"discharge": "positive"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_an_import_loads_no_heavy_library(tmp_path: Path) -> None:
    import os
    import subprocess
    import sys

    path = write(drive(), D, tmp_path)
    code = (
        "import sys; from bmslogs.base.pack import Pack; from bmslogs.store import Store; "
        "pack = Pack.model_validate_json(sys.argv[1]); r = Store(sys.argv[3]).import_files([sys.argv[2]], pack); "
        "assert r.logs; print([m for m in ('pandas', 'scipy', 'plotly', 'dash') if m in sys.modules])"
    )
    root = Path(__file__).resolve().parents[2]
    command = [
        sys.executable,
        "-c",
        code,
        pack_for(drive()).model_dump_json(),
        str(path),
        str(tmp_path / "store"),
    ]
    done = subprocess.run(
        command, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_coarse_steps_on_few_cells_are_no_held_frames(tmp_path: Path) -> None:
    """Four cells in steps of 10 mV often repeat by chance."""
    truth = drive(rows=3000, cells=4)
    truth.cells = np.round((3.29 + (truth.cells - 3.75) * 0.6) * 100) / 100
    log = imported(
        write(truth, D.but(cell_decimals=2), tmp_path), pack_for(truth, chemistry="LFP"), tmp_path / "store"
    )
    assert np.isfinite(log.cell_voltage).all(), rules(log)


def test_a_pack_of_one_cell(tmp_path: Path) -> None:
    truth = drive(cells=1)
    d = D.but(cell_name=lambda c: "Cell voltage (V)")
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth)


def test_a_unit_of_current_that_the_voltages_contradict_is_asked_for(tmp_path: Path) -> None:
    truth = drive()
    reason = refusal(
        write(truth, D.but(current_name="Current (mA)"), tmp_path), pack_for(truth), tmp_path / "store"
    )
    assert "mA by the header" in reason and '"A"' in reason


def test_a_unit_of_cells_that_the_values_contradict_is_overruled_and_said(tmp_path: Path) -> None:
    truth = drive()
    report = bring(
        write(truth, D.but(cell_name=lambda c: f"Cell{c} (mV)"), tmp_path),
        pack_for(truth),
        tmp_path / "store",
    )
    assert any("mV cannot be" in n for n in report.logs[0].notes)


def test_a_bomb_in_an_archive_is_refused(tmp_path: Path) -> None:
    import gzip

    from bmslogs.base.errors import BadInput
    from bmslogs.importers.text.source import open_source

    path = tmp_path / "bomb.csv.gz"
    with gzip.open(path, "wb", compresslevel=9) as out:
        for _ in range(80):
            out.write(b"," * (1 << 20))
    with pytest.raises(BadInput, match="unpacks to more than"):
        for _ in open_source(path).reads(1 << 20):
            pass


def test_a_row_repeated_without_end_is_one_row(tmp_path: Path) -> None:
    lines = lines_of(drive(rows=30))
    path = save(lines + [lines[-1]] * 20_000, tmp_path)
    log = imported(path, pack_for(drive()), tmp_path / "store")
    assert log.rows == 30
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("row_repeated", 20_000)]


def test_a_line_without_end_is_refused(tmp_path: Path) -> None:
    lines = lines_of(drive(rows=300))
    path = put(("\n".join(lines) + "\n" + "7" * (20 << 20)).encode(), tmp_path / "log.csv")
    report = bring(path, pack_for(drive()), tmp_path / "store")
    if report.refused:
        assert "longer than" in report.refused[0].reason
    else:
        assert report.logs[0].rows == 300


def test_alarms_of_the_higher_cells_are_no_bleeding(tmp_path: Path) -> None:
    """Flags A001.. that are set for the highest cells, without a fall of their readings, may be alarms."""
    truth = drive()
    truth.cells[:, [2, 7]] += 0.02
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, [2, 7]] = True
    path = write(truth, D.but(bleed_name=lambda c: f"A{c:03d}"), tmp_path)
    assert imported(path, pack_for(truth), tmp_path / "store").bleed is None
