"""The same invented drive as CSV and as every kind of recording gives the same readings."""

from __future__ import annotations

import datetime as dt
import gzip
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

cantools = pytest.importorskip("cantools", reason="the extra 'can' is not installed")
can = pytest.importorskip("can", reason="the extra 'can' is not installed")
pytest.importorskip("asammdf", reason="the extra 'can' is not installed")

from bmslogs.importers.can import mf4  # noqa: E402
from bmslogs.importers.can.formats import open_recording, recognised  # noqa: E402
from bmslogs.importers.can.frames import Tally, joined  # noqa: E402
from bmslogs.importers.text.source import Source  # noqa: E402
from bmslogs.log import Log, read_log  # noqa: E402
from bmslogs.store import Store  # noqa: E402
from tests.importers.can.recorded import (  # noqa: E402
    Bus,
    banked_bus,
    banked_dbc,
    counted_dbc,
    plain_bus,
    plain_dbc,
    record,
    record_mf4,
)
from tests.importers.writing import Dialect, Truth, drive, pack_for, write  # noqa: E402

START = dt.datetime(2026, 5, 13, 9, 10, tzinfo=dt.UTC)
FORMATS = ("log", "asc", "blf", "trc", "mf4")


def database(text: str, folder: Path) -> tuple[Any, Path]:
    path = folder / "pack.dbc"
    path.write_text(text, encoding="utf-8")
    return cantools.database.load_string(text, "dbc"), path


def recorded(bus: Bus, path: Path) -> Path:
    return record_mf4(bus, path, START) if path.suffix == ".mf4" else record(bus, path)


def brought(path: Path, truth: Truth, signals: Path | None, store: Path, **more: Any) -> Log:
    report = Store(store).import_files([path], pack_for(truth), signals=signals, **more)
    assert not report.refused, report.refused
    return read_log(Store(store).log_path(report.logs[0].id))


def assert_truth(log: Log, truth: Truth, rows: slice = slice(None)) -> None:
    """Compare with what was sent: cells to the stored mV, the others to the single precision of the store."""
    assert np.array_equal(np.rint(log.cell_voltage * 1000), np.rint(truth.cells[rows] * 1000), equal_nan=True)
    assert np.allclose(log.current, truth.current[rows], rtol=6e-8, atol=0)
    assert np.array_equal(log.time, truth.time[rows].astype("datetime64[us]"))


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("big", [False, True])
def test_recording_reads_as_csv(suffix: str, big: bool, tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(plain_dbc(big=big), tmp_path)
    path = recorded(plain_bus(truth, held), tmp_path / f"drive.{suffix}")
    log = brought(path, truth, signals, tmp_path / "store")
    plain = brought(write(truth, Dialect(), tmp_path), truth, None, tmp_path / "plain")
    assert_truth(log, truth)
    assert np.array_equal(log.cell_voltage, plain.cell_voltage)
    assert np.array_equal(log.current, plain.current)
    assert np.array_equal(log.temperature, plain.temperature)


@pytest.mark.parametrize("suffix", FORMATS)
def test_frames_are_those_of_python_can(suffix: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    bus = Bus()
    for k in range(2500):
        extended = bool(rng.random() < 0.3)
        ident = int(rng.choice([0x18FF50E5, 0x12, 0x1FFFFFFF] if extended else [0x12, 0x7FF, 0x310]))
        data = rng.bytes(int(rng.choice([8, 8, 8, 5, 1, 0])))
        bus.frames.append((START.timestamp() + 0.25 + 0.000417 * k, ident, extended, data))
    path = recorded(bus, tmp_path / f"frames.{suffix}")
    source = Source(path, "plain", path.stat().st_size)
    kind = recognised(source, source.head(1 << 16))
    assert kind is not None
    if suffix == "mf4":
        with mf4.opened(source) as mdf:
            found = joined(list(mf4.open_bus(source, mdf).frames(Tally())))
    else:
        found = joined(list(open_recording(source, kind).frames(Tally())))
    more = {"relative_timestamp": False} if suffix == "asc" else {}
    expected = list(can.LogReader(path, **more))
    assert len(found) == len(expected) == 2500
    for k, message in enumerate(expected):
        assert message.arbitration_id == found.ident[k] and message.is_extended_id == found.extended[k]
        assert bytes(message.data) == found.data[k, : found.length[k]].tobytes()
        if suffix != "trc":  # python-can takes the start of a TRC recording in the zone of the machine
            assert message.timestamp == pytest.approx(found.time[k] / 1e9, abs=1e-6)
    assert (np.diff(found.time) > 0).all()


def test_lines_of_one_shape_read_as_line_by_line(tmp_path: Path) -> None:
    """The slow twin: the same reader made to take every line alone."""
    from bmslogs.importers.can import text_frames

    rng = np.random.default_rng(5)
    bus = Bus(
        [
            (1.0 + k / 100, int(rng.integers(0, 0x7FF)), False, rng.bytes(int(rng.integers(0, 9))))
            for k in range(800)
        ]
    )
    for suffix, kind in (("log", "candump"), ("asc", "ASC")):
        text = record(bus, tmp_path / f"twin.{suffix}").read_bytes()
        fast = text_frames.Reader(kind, Tally()).block(text)
        alone = text_frames.FEWEST_ALIKE
        try:
            text_frames.FEWEST_ALIKE = 10**9
            slow = text_frames.Reader(kind, Tally()).block(text)
        finally:
            text_frames.FEWEST_ALIKE = alone
        for name in ("time", "ident", "extended", "length", "data", "channel"):
            assert np.array_equal(getattr(fast, name), getattr(slow, name)), (suffix, name)
        assert len(fast) == 800


def candump_of(bus: Bus, form: str) -> bytes:
    """Write frames as the other ways of candump print them."""
    lines = []
    first = bus.sorted()[0][0]
    last = first
    for time, ident, extended, data in bus.sorted():
        stamp = {
            "-t a": f"({time:.6f})",
            "-t z": f"({time - first:010.6f})",
            "-t d": f"({time - last:010.6f})",
            "-t A": f"({dt.datetime.fromtimestamp(time, dt.UTC):%Y-%m-%d %H:%M:%S.%f})",
            "none": "",
        }[form]
        last = time
        name = f"{ident:08X}" if extended else f"{ident:03X}"
        lines.append(f" {stamp}  can0  {name}   [{len(data)}]  {' '.join(f'{b:02X}' for b in data)}")
    return ("\n".join(lines) + "\n").encode()


@pytest.mark.parametrize("form", ["-t a", "-t A"])
def test_candump_as_printed(form: str, tmp_path: Path) -> None:
    truth = drive(rows=200)
    held, signals = database(plain_dbc(), tmp_path)
    path = tmp_path / "drive.txt"
    path.write_bytes(candump_of(plain_bus(truth, held), form))
    assert_truth(brought(path, truth, signals, tmp_path / "store"), truth)


def test_candump_without_dates_counts_from_the_start(tmp_path: Path) -> None:
    truth = drive(rows=200)
    held, signals = database(plain_dbc(), tmp_path)
    path = tmp_path / "drive.txt"
    path.write_bytes(candump_of(plain_bus(truth, held), "-t z"))
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.refused
    assert any("1970-01-01" in str(r) for r in report.logs[0].repairs)
    log = read_log(Store(tmp_path / "store").log_path(report.logs[0].id))
    assert np.array_equal(log.time - log.time[0], truth.time - truth.time[0])


@pytest.mark.parametrize(("form", "says"), [("-t d", "steps from frame to frame"), ("none", "without times")])
def test_candump_without_a_clock_is_refused(form: str, says: str, tmp_path: Path) -> None:
    truth = drive(rows=50)
    held, signals = database(plain_dbc(), tmp_path)
    path = tmp_path / "drive.txt"
    path.write_bytes(candump_of(plain_bus(truth, held), form))
    report = Store(tmp_path / "store").import_files([path], pack_for(truth), signals=signals)
    assert not report.logs and says in report.refused[0].reason and "\n" not in report.refused[0].reason


def test_packed_recording(tmp_path: Path) -> None:
    truth = drive(rows=100)
    held, signals = database(plain_dbc(), tmp_path)
    path = record(plain_bus(truth, held), tmp_path / "drive.log")
    packed = tmp_path / "drive.log.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert_truth(brought(packed, truth, signals, tmp_path / "store"), truth)


def test_decoded_mf4(tmp_path: Path) -> None:
    """Signals that another program decoded: no database is needed."""
    from asammdf import MDF, Signal

    truth = drive(rows=300)
    mdf = MDF(version="4.10")
    mdf.header.start_time = START
    since = (truth.time - truth.time[0]).astype("timedelta64[us]").astype(float) / 1e6
    for m in range(3):
        mdf.append(
            [
                Signal(truth.cells[:, c], since + 0.002 * m, unit="V", name=f"CellU{c + 1:02d}")
                for c in range(4 * m, 4 * m + 4)
            ]
        )
    mdf.append([Signal(truth.current, since, unit="A", name="PackCurrent")])
    mdf.append([Signal(truth.temperatures[:, k], since, unit="degC", name=f"T{k + 1}") for k in range(3)])
    path = tmp_path / "drive.mf4"
    mdf.save(path)
    mdf.close()
    assert_truth(brought(path, truth, None, tmp_path / "store"), truth)


@pytest.mark.parametrize("kind", ["multiplexed", "counted"])
def test_cells_in_banks(kind: str, tmp_path: Path) -> None:
    truth = drive(rows=300)
    held, signals = database(banked_dbc() if kind == "multiplexed" else counted_dbc(), tmp_path)
    path = record(banked_bus(truth, held), tmp_path / "drive.log")
    store = tmp_path / "store"
    assert_truth(brought(path, truth, signals, store), truth)
    schema = pq.read_schema(next(store.glob("vehicle=*/pack=*/*.parquet")))
    delays = [float(schema.field(f"cell_{c + 1:03d}_mV").metadata[b"scan_delay_s"]) for c in range(12)]
    assert delays == pytest.approx([0.01 * (c // 3) for c in range(12)], abs=1e-6)


@pytest.mark.parametrize("suffix", ["kcd", "sym", "arxml"])
def test_other_databases(suffix: str, tmp_path: Path) -> None:
    """cantools writes KCD and SYM itself; for ARXML a small one is written here."""
    truth = drive(rows=120)
    held, _ = database(plain_dbc(), tmp_path)
    signals = tmp_path / f"pack.{suffix}"
    if suffix == "arxml":
        from tests.importers.can.arxml import arxml_of

        signals.write_text(arxml_of(held), encoding="utf-8")
    else:
        text = held.as_kcd_string() if suffix == "kcd" else held.as_sym_string()
        signals.write_text(text, encoding="utf-8")
    path = record(plain_bus(truth, held), tmp_path / "drive.log")
    assert_truth(brought(path, truth, signals, tmp_path / "store"), truth)


def test_an_asc_recording_in_decimal_numbers(tmp_path: Path) -> None:
    """Numbers of one to three digits, by the header's `base dec`; python-can reads the same frames."""
    rng = np.random.default_rng(7)
    lines = [
        "date Wed May 13 09:10:00.000 am 2026",
        "base dec  timestamps absolute",
        "no internal events logged",
    ]
    for k in range(300):
        data = rng.bytes(8)
        name = f"{int(rng.choice([784, 2047, 18]))}" if k % 3 else f"{0x18FF50E5}x"
        lines.append(
            f"   {k / 100:.6f} 1  {name:<15} Rx   d 8 {' '.join(map(str, data))}  Length = 228000 BitCount = 119"
        )
    path = tmp_path / "decimal.asc"
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    source = Source(path, "plain", path.stat().st_size)
    found = joined(list(open_recording(source, "ASC").frames(Tally())))
    expected = list(can.LogReader(path))
    assert len(found) == len(expected) == 300
    for k, message in enumerate(expected):
        assert message.arbitration_id == found.ident[k] and bytes(message.data) == found.data[k].tobytes()
        assert message.is_extended_id == found.extended[k]


def test_a_recording_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    """Twenty containers of nothing but zeros."""
    import struct
    import zlib

    head = record(Bus([(START.timestamp(), 1, False, b"\0")]), tmp_path / "head.blf").read_bytes()[:144]
    body = zlib.compress(bytes(16 << 20), 9)
    one = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 32 + len(body), 10)
    one += struct.pack("<H6xL4x", 2, 16 << 20) + body
    one += bytes(len(one) % 4)
    path = tmp_path / "bomb.blf"
    path.write_bytes(head + one * 20)
    _, signals = database(plain_dbc(), tmp_path)
    report = Store(tmp_path / "store").import_files([path], pack_for(drive(rows=5)), signals=signals)
    assert not report.logs and "times its size" in report.refused[0].reason
