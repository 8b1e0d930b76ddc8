"""What goes wrong on a bus: each trouble planted, and what must come of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

cantools = pytest.importorskip("cantools", reason="the extra 'can' is not installed")
pytest.importorskip("can", reason="the extra 'can' is not installed")

from bmslogs.importers.plan.profile import parse_profile  # noqa: E402
from bmslogs.log import Log, read_log  # noqa: E402
from bmslogs.store import ImportReport, Store  # noqa: E402
from tests.importers.can.recorded import PLAIN, Bus, plain_bus, plain_dbc, record, seconds  # noqa: E402
from tests.importers.writing import Truth, drive, pack_for  # noqa: E402


def database(text: str, folder: Path) -> tuple[Any, Path]:
    path = folder / "pack.dbc"
    path.write_text(text, encoding="utf-8")
    return cantools.database.load_string(text, "dbc"), path


def report_of(bus: Bus, truth: Truth, signals: Path | None, folder: Path, **more: Any) -> ImportReport:
    path = record(bus, folder / "drive.log")
    return Store(folder / "store").import_files([path], pack_for(truth), signals=signals, **more)


def brought(
    bus: Bus, truth: Truth, signals: Path, folder: Path, **more: Any
) -> tuple[Log, str, dict[str, Any]]:
    report = report_of(bus, truth, signals, folder, **more)
    assert not report.refused, report.refused
    path = Store(folder / "store").log_path(report.logs[0].id)
    facts = json.loads(pq.read_schema(path).metadata[b"bmslogs.signals"])
    return read_log(path), "\n".join(report.logs[0].notes), facts


def same_voltages(a: Any, b: Any) -> bool:
    return np.array_equal(np.rint(np.asarray(a) * 1000), np.rint(np.asarray(b) * 1000), equal_nan=True)


def test_codes_for_not_available_are_null(tmp_path: Path) -> None:
    """0xFFFF in a cell lies outside of its range; 0x8000 in the current likewise; a value table names one more."""
    truth = drive(rows=200)
    text = plain_dbc() + 'VAL_ 785 CellU05 65534 "Signal not available" ;\n'
    held, signals = database(text, tmp_path)
    bus = plain_bus(truth, held)
    expected = truth.cells.copy()
    for k, (time, ident, extended, data) in enumerate(bus.frames):
        if ident == 0x310 and k % 50 < 7:
            bus.frames[k] = (time, ident, extended, b"\xff\xff" + data[2:])
            expected[np.flatnonzero(seconds(truth) == time), 0] = np.nan
        if ident == 0x311 and k % 40 < 6:
            bus.frames[k] = (time, ident, extended, b"\xfe\xff" + data[2:])
            expected[np.argmin(np.abs(seconds(truth) - time)), 4] = np.nan
    log, notes, facts = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, expected)
    assert np.isnan(expected[:, [0, 4]]).any(axis=0).all()
    assert sum(facts["not_available"].values()) == int(np.isnan(expected).sum())
    assert "signal not available" in notes


def test_missing_frames_are_null_and_nothing_moves(tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    rng = np.random.default_rng(2)
    expected = truth.cells.copy()
    kept = []
    for frame in bus.frames:
        row = int(np.argmin(np.abs(seconds(truth) - frame[0])))
        if 0x310 <= frame[1] <= 0x312 and rng.random() < 0.05:
            m = frame[1] - 0x310
            expected[row, 4 * m : 4 * m + 4] = np.nan
        else:
            kept.append(frame)
    log, _, facts = brought(Bus(kept), truth, signals, tmp_path)
    rows = ~np.isnan(expected).all(axis=1)
    assert same_voltages(log.cell_voltage, expected[rows])
    lead_lost = np.isnan(expected[rows, 0])
    assert facts["scans_without_their_lead"] == int(lead_lost.sum()) > 0
    late = (log.time - truth.time[rows]).astype("timedelta64[us]").astype(int)
    assert np.array_equal(late > 0, lead_lost) and late.max() <= 4000


def test_a_silent_bus_leaves_a_pause(tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    begin, end = seconds(truth)[100], seconds(truth)[180]
    bus.frames = [f for f in bus.frames if not begin <= f[0] < end]
    log, _, _ = brought(bus, truth, signals, tmp_path)
    keep = (seconds(truth) < begin) | (seconds(truth) >= end)
    assert len(log.time) == int(keep.sum())
    assert same_voltages(log.cell_voltage, truth.cells[keep])
    assert np.nanmax(np.diff(log.time)).astype("timedelta64[s]").astype(int) == 81


def test_unknown_identifiers_are_counted_and_named(tmp_path: Path) -> None:
    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    for t in seconds(truth):
        bus.frames.append((t + 0.3, 0x6F1, False, b"\x01\x02"))
        bus.frames.append((t + 0.4, 0x1ABCDE01, True, bytes(8)))
    log, notes, facts = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, truth.cells)
    assert facts["unknown_identifiers"] == {"0x6F1": 100, "0x1ABCDE01": 100}
    assert "200 frames of 2 identifiers that the database lacks: 0x6F1 100, 0x1ABCDE01 100" in notes
    assert facts["frames"] == facts["frames_read"] + 200


BOARD = """BO_ {ident} {name}: 8 Board
 SG_ U1 : 0|16@1+ (0.001,0) [0|5] "V" Board
 SG_ U2 : 16|16@1+ (0.001,0) [0|5] "V" Board
 SG_ U3 : 32|16@1+ (0.001,0) [0|5] "V" Board
 SG_ U4 : 48|16@1+ (0.001,0) [0|5] "V" Board
"""
CURRENT = 'BO_ 768 PackStatus: 8 Board\n SG_ PackCurrent : 0|16@1- (0.1,0) [-3000|3000] "A" Board\n'


def boards_bus(truth: Truth, held: Any, idents: list[int], name: str) -> Bus:
    bus = Bus()
    message = held.get_message_by_name(name)
    for r, t in enumerate(seconds(truth)):
        bus.send(t, held.get_message_by_name("PackStatus"), {"PackCurrent": float(truth.current[r])})
        for b, ident in enumerate(idents):
            values = {f"U{k + 1}": float(truth.cells[r, 4 * b + k]) for k in range(4)}
            bus.send(t + 0.003 * (b + 1), message, values, ident)
    return bus


@pytest.mark.parametrize("name", ["Board{}_Cells", "Cells{}", "Cell_{}", "CellVoltage{}", "V{}"])
def test_boards_with_messages_of_their_own(name: str, tmp_path: Path) -> None:
    """Wherever the board's number stands in the message's name, that of the signal is the cell's."""
    truth = drive(rows=150)
    text = "".join(BOARD.format(ident=0x400 + 16 * b, name=name.format(b + 1)) for b in range(3)) + CURRENT
    held, signals = database(PLAIN.format(messages=text, values=""), tmp_path)
    bus = boards_bus(truth, held, [0x400, 0x410, 0x420], name.format(1))
    log, _, _ = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, truth.cells)


def test_boards_of_one_layout_at_other_identifiers(tmp_path: Path) -> None:
    """The database knows one board; which identifiers are the others stands in the profile."""
    truth = drive(rows=150)
    text = BOARD.format(ident=0x400, name="BoardCells") + CURRENT
    held, signals = database(PLAIN.format(messages=text, values=""), tmp_path)
    bus = boards_bus(truth, held, [0x400, 0x410, 0x420], "BoardCells")
    refused = report_of(bus, truth, signals, tmp_path).refused[0].reason
    assert "12" in refused
    profile = parse_profile({"can": {"same_layout": {"BoardCells": ["0x410", "0x420"]}}})
    log, _, _ = brought(bus, truth, signals, tmp_path, profile=profile)
    assert same_voltages(log.cell_voltage, truth.cells)


def test_boards_by_their_sender_address(tmp_path: Path) -> None:
    """29-bit identifiers of one parameter group: boards differ in the last byte, the sender (SAE J1939-21)."""
    truth = drive(rows=150)
    ident = 0x18FF50FE
    text = BOARD.format(ident=ident | 0x80000000, name="BoardCells") + CURRENT
    more = (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        f'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\nBA_ "VFrameFormat" BO_ {ident | 0x80000000} 3;\n'
    )
    held, signals = database(PLAIN.format(messages=text, values=more), tmp_path)
    bus = boards_bus(truth, held, [0x18FF5021, 0x18FF5022, 0x1CFF5023], "BoardCells")
    log, _, _ = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, truth.cells)


def test_two_messages_that_may_be_the_cells_are_asked_about(tmp_path: Path) -> None:
    truth = drive(rows=100)
    cells = "".join(
        f"BO_ {0x310 + m + 16 * k} {name}{m + 1}: 8 Board\n"
        + "".join(
            f' SG_ {signal}{4 * m + c + 1:02d} : {16 * c}|16@1+ (0.001,0) [0|5] "V" Board\n' for c in range(4)
        )
        for k, (name, signal) in enumerate((("CellVoltagesMain", "CellU"), ("CellVoltagesSpare", "CellR")))
        for m in range(3)
    )
    held, signals = database(PLAIN.format(messages=cells + CURRENT, values=""), tmp_path)
    bus = Bus()
    for r, t in enumerate(seconds(truth)):
        bus.send(t, held.get_message_by_name("PackStatus"), {"PackCurrent": float(truth.current[r])})
        for m in range(3):
            for name, signal, off in (
                ("CellVoltagesMain", "CellU", 0.0),
                ("CellVoltagesSpare", "CellR", 0.02),
            ):
                values = {
                    f"{signal}{c + 1:02d}": float(truth.cells[r, c]) + off for c in range(4 * m, 4 * m + 4)
                }
                bus.send(t + 0.002 * m, held.get_message_by_name(f"{name}{m + 1}"), values)
    report = report_of(bus, truth, signals, tmp_path)
    assert not report.logs
    assert "CellU" in report.refused[0].reason and "CellR" in report.refused[0].reason
    profile = parse_profile({"cell_voltage": {"pattern": r"CellVoltagesMain\d+\.CellU(?P<cell>\d+) \(V\)"}})
    log, _, _ = brought(bus, truth, signals, tmp_path, profile=profile)
    assert same_voltages(log.cell_voltage, truth.cells)


def test_without_a_database_one_line_says_so_and_it_is_kept_with_the_pack(tmp_path: Path) -> None:
    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    reason = report_of(bus, truth, None, tmp_path).refused[0].reason
    assert "--signals" in reason and "\n" not in reason
    brought(bus, truth, signals, tmp_path)
    later = drive(rows=100, seed=9, start="2026-05-14T09:10:00")
    again = report_of(plain_bus(later, held), later, None, tmp_path)
    assert not again.refused and again.logs[0].status == "new"
    same = report_of(plain_bus(later, held), later, None, tmp_path)
    assert same.logs[0].status == "known"


def test_another_database_replaces_what_it_corrects(tmp_path: Path) -> None:
    truth = drive(rows=100)
    wrong = plain_dbc().replace("PackCurrent : 0|16@1- (0.1,0)", "PackCurrent : 0|16@1- (0.2,0)")
    held, _ = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    (tmp_path / "wrong.dbc").write_text(wrong)
    first = report_of(bus, truth, tmp_path / "wrong.dbc", tmp_path).logs[0]
    second = report_of(bus, truth, tmp_path / "pack.dbc", tmp_path).logs[0]
    assert second.replaces == (first.id,)
    assert len(Store(tmp_path / "store").logs()) == 1


def test_slow_temperatures_and_fast_current_make_no_reading_up(tmp_path: Path) -> None:
    """Current every 0.1 s, cells every 1 s, temperatures every 10 s: each stored value was sent."""
    truth = drive(rows=200)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held, temperatures_every=10)
    pack = held.get_message_by_name("PackStatus")
    bus.frames = [f for f in bus.frames if f[1] != 0x300]
    sent = {}
    for r, t in enumerate(seconds(truth)):
        for k in range(10):
            amps = round(float(truth.current[r]) + (0.1 * k if r % 2 else 0.0), 1)
            bus.send(t + 0.1 * k + 0.001, pack, {"PackCurrent": amps, "StateOfCharge": 50, "Mode": 1})
            sent[(r, k)] = amps
    log, _, facts = brought(bus, truth, signals, tmp_path)
    assert facts["scan_s"] == pytest.approx(1.0)
    assert same_voltages(log.cell_voltage, truth.cells)
    assert np.allclose(log.current, [sent[(r, 0)] for r in range(200)], rtol=6e-8)
    known = ~np.isnan(log.temperature[:, 0])
    last = truth.temperatures[[10 * (r // 10) for r in range(200)]]
    assert known.mean() > 0.9 and np.allclose(log.temperature[known], last[known])


def test_a_current_step_within_a_scan_parts_it(tmp_path: Path) -> None:
    """Cells read over half a second, the current every 20 ms: no row holds cells of both sides of a step."""
    truth = drive(rows=240)
    rng = np.random.default_rng(4)
    amps = np.repeat(rng.choice([0.0, 40.0, 90.0], 60), 4)
    held, signals = database(plain_dbc(), tmp_path)
    bus = Bus()
    when = seconds(truth)
    step_at = 0.27
    pack = held.get_message_by_name("PackStatus")

    def current(t: float) -> float:
        r = int(np.searchsorted(when + step_at, t + 1e-9)) - 1
        return float(amps[max(r, 0)])

    for t in when:
        for k in range(50):
            at = t + 0.02 * k + 0.005
            bus.send(at, pack, {"PackCurrent": current(at), "StateOfCharge": 50, "Mode": 1})
        for m in range(3):
            at = t + 0.2 * m
            values = {
                f"CellU{c + 1:02d}": 3.7 + 0.001 * c - 0.001 * current(at) for c in range(4 * m, 4 * m + 4)
            }
            bus.send(at, held.get_message_by_name(f"CellVoltages{m + 1}"), values)
    log, notes, facts = brought(bus, truth, signals, tmp_path)
    steps = int((np.diff(amps) != 0).sum())
    assert facts["rows_parted_at_current_steps"] == steps > 20
    assert "parted" in notes
    expected = 3.7 + 0.001 * np.arange(12) - 0.001 * log.current[:, None]
    read = ~np.isnan(log.cell_voltage)
    assert np.abs(log.cell_voltage - expected)[read].max() < 0.0015
    assert int(read.sum()) == 240 * 12


def test_states_keep_the_texts_of_the_value_table(tmp_path: Path) -> None:
    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    brought(plain_bus(truth, held), truth, signals, tmp_path)
    table = pq.read_table(next((tmp_path / "store").glob("vehicle=*/pack=*/*.parquet")))
    column = next(n for n in table.column_names if "Mode" in n)
    assert set(table.column(column).to_pylist()) == {"Ready"}


def test_broken_lines_are_counted(tmp_path: Path) -> None:
    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    path = record(plain_bus(truth, held), tmp_path / "drive.log")
    lines = path.read_bytes().splitlines(keepends=True)
    lines[40] = b"(1778663408.0) can0 31\xff#zz\n"
    lines[80:80] = [b"\n", b"buffer overrun\n"]
    path.write_bytes(b"".join(lines))
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.refused
    assert any("2 lines or objects that cannot be read" in n and "line 41" in n for n in report.logs[0].notes)


def test_recordings_in_turn_are_one_log(tmp_path: Path) -> None:
    truth = drive(rows=200)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    cut = seconds(truth)[120]
    first = record(Bus([f for f in bus.frames if f[0] < cut]), tmp_path / "one.log")
    second = record(Bus([f for f in bus.frames if f[0] >= cut]), tmp_path / "two.log")
    report = Store(tmp_path / "store").import_files(
        [first, second], pack_for(truth), together=True, signals=signals
    )
    assert not report.refused, report.refused
    log = read_log(Store(tmp_path / "store").log_path(report.logs[0].id))
    assert same_voltages(log.cell_voltage, truth.cells)


def cells_bus(truth: Truth, held: Any, at: Any) -> Bus:
    """Send the current with the first cells, each message of cells when `at(row, message)` says [s after the first]."""
    bus = Bus()
    begin = float(seconds(truth)[0])
    for r in range(len(truth.time)):
        values = {"PackCurrent": float(truth.current[r]), "StateOfCharge": 50, "Mode": 1}
        bus.send(begin + at(r, 0), held.get_message_by_name("PackStatus"), values)
        for m in range(3):
            cells = {f"CellU{c + 1:02d}": float(truth.cells[r, c]) for c in range(4 * m, 4 * m + 4)}
            bus.send(begin + at(r, m), held.get_message_by_name(f"CellVoltages{m + 1}"), cells)
    return bus


def test_scans_without_a_pause_between(tmp_path: Path) -> None:
    """Three messages spread evenly over the period, each with some jitter."""
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    jitter = np.random.default_rng(1).normal(0, 0.01, (300, 3))
    jitter[:, 0] = 0
    log, _, _ = brought(
        cells_bus(truth, held, lambda r, m: r + m / 3 + jitter[r, m]), truth, signals, tmp_path
    )
    assert same_voltages(log.cell_voltage, truth.cells)


def test_a_scan_that_becomes_slower_when_parked(tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    bus = cells_bus(truth, held, lambda r, m: (r if r < 150 else 150 + 10 * (r - 150)) + 0.1 * m)
    log, _, _ = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, truth.cells) and not np.isnan(log.current).any()


def test_boards_with_clocks_of_their_own(tmp_path: Path) -> None:
    """They drift against each other: now and then one has no reading in a row or two, and no delay is told."""
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    periods = (1.0, 1.003, 0.998)
    bus = cells_bus(truth, held, lambda r, m: r * periods[m] + 0.02 * m)
    log, notes, facts = brought(bus, truth, signals, tmp_path)
    assert "drift" in notes
    assert 299 <= len(log.time) <= 303
    for m in range(3):
        block = log.cell_voltage[:, 4 * m : 4 * m + 4]
        read = block[~np.isnan(block).any(axis=1)]
        sent = truth.cells[:, 4 * m : 4 * m + 4]
        known = {tuple(np.rint(row * 1000)) for row in sent}
        assert all(tuple(np.rint(row * 1000)) in known for row in read)
        assert len(read) >= 300 - 1 - facts["readings_replaced_within_a_scan"]
    schema = pq.read_schema(next((tmp_path / "store").glob("vehicle=*/pack=*/*.parquet")))
    assert b"scan_delay_s" not in (schema.field("cell_005_mV").metadata or {})


def test_a_clock_that_was_set_back(tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(plain_dbc(), tmp_path)
    bus = plain_bus(truth, held)
    cut = seconds(truth)[150]
    first = record(Bus([f for f in bus.frames if f[0] < cut]), tmp_path / "a.log").read_bytes()
    later = [(f[0] - 3600, *f[1:]) for f in bus.frames if f[0] >= cut]
    second = record(Bus(later), tmp_path / "b.log").read_bytes()
    path = tmp_path / "drive.log"
    path.write_bytes(first + second)
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.refused
    assert any("stepped back" in str(r) for r in report.logs[0].repairs)
    assert same_voltages(
        read_log(Store(tmp_path / "store").log_path(report.logs[0].id)).cell_voltage, truth.cells
    )


def test_the_same_messages_on_two_buses_are_asked_about(tmp_path: Path) -> None:
    import can

    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    path = tmp_path / "drive.log"
    with can.Logger(path) as logger:
        for time, ident, extended, data in plain_bus(truth, held).sorted():
            for channel in ("can0", "can1"):
                logger.on_message_received(
                    can.Message(
                        timestamp=time,
                        arbitration_id=ident,
                        is_extended_id=extended,
                        data=data,
                        channel=channel,
                    )
                )
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.logs and "bus 1" in report.refused[0].reason and "bus 2" in report.refused[0].reason


def test_the_number_of_the_highest_cell_is_no_counter_of_banks(tmp_path: Path) -> None:
    """It jumps from frame to frame and stands beside a voltage, but says nothing of the other cells."""
    truth = drive(rows=200)
    extremes = (
        "BO_ 801 CellExtremes: 8 Board\n"
        ' SG_ CellNumber : 0|8@1+ (1,0) [0|255] "" Board\n SG_ CellVoltage : 8|16@1+ (0.001,0) [0|5] "V" Board\n'
    )
    held, signals = database(plain_dbc().replace("BO_ 768 ", extremes + "BO_ 768 "), tmp_path)
    bus = plain_bus(truth, held)
    for r, t in enumerate(seconds(truth)):
        highest = int(np.argmax(truth.cells[r]))
        values = {"CellNumber": highest + 1, "CellVoltage": float(truth.cells[r, highest])}
        bus.send(t + 0.02, held.get_message_by_name("CellExtremes"), values)
    log, _, _ = brought(bus, truth, signals, tmp_path)
    assert same_voltages(log.cell_voltage, truth.cells)


def test_a_frame_under_a_damaged_bus_number_is_no_board_of_its_own(tmp_path: Path) -> None:
    """One byte of the interface's name changed: four cells of another bus would fill up the pack's eight."""
    truth = drive(rows=80, cells=8, sensors=2)
    held, signals = database(plain_dbc(cells=8, sensors=2), tmp_path)
    path = record(plain_bus(truth, held), tmp_path / "drive.log")
    lines = path.read_text().splitlines(keepends=True)
    at = next(k for k, line in enumerate(lines) if " 311#" in line and k > 60)
    lines[at] = lines[at].replace("can0", "can8")
    path.write_text("".join(lines))
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.refused, report.refused
    log = read_log(Store(tmp_path / "store").log_path(report.logs[0].id))
    assert any("another bus's number" in n for n in report.logs[0].notes)
    expected = truth.cells.copy()
    expected[np.isnan(log.cell_voltage[:, 4]), 4:] = np.nan
    assert np.isnan(expected).sum() == 4
    assert same_voltages(log.cell_voltage, expected)
