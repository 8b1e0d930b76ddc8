"""CAN recordings, many frames: time and memory of a whole import beside the readers of general libraries.

``python -m tests.benchmarks.can_speed --count 20000000`` prints for each format the seconds and the peak memory of
`bmslogs import`, and for MF4 the decoding beside asammdf's own extraction of the same file, in one run.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import resource
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

CELLS = 96
PERIOD_US = 100_000
START = dt.datetime(2026, 5, 13, 9, 10, tzinfo=dt.UTC)
FORMATS = ("candump", "ASC", "BLF", "MF4")
CURRENT_A = 10
"""Frames of the current in a scan."""
KIND = np.dtype(
    [
        ("CAN_DataFrame.BusChannel", "<u1"),
        ("CAN_DataFrame.ID", "<u4"),
        ("CAN_DataFrame.IDE", "<u1"),
        ("CAN_DataFrame.DLC", "<u1"),
        ("CAN_DataFrame.DataLength", "<u1"),
        ("CAN_DataFrame.DataBytes", "(8,)u1"),
        ("CAN_DataFrame.Dir", "<u1"),
    ]
)
PACK = """[pack]
id = "swift-main"
vehicle = "Swift"
chemistry = "NMC"
nominal_capacity_Ah = 100.0
cells_in_series = 96
"""


def dbc() -> str:
    """Return the database: four cells a message, current ten times a scan, temperatures once."""
    out = ['VERSION ""', "BS_:", "BU_: Board"]
    for m in range(CELLS // 4):
        out.append(f"BO_ {0x310 + m} CellVoltages{m + 1}: 8 Board")
        out += [f' SG_ CellU{4 * m + k + 1:02d} : {16 * k}|16@1+ (0.001,0) [0|5] "V" Board' for k in range(4)]
    out += ["BO_ 768 PackStatus: 8 Board", ' SG_ PackCurrent : 0|16@1- (0.1,0) [-3000|3000] "A" Board']
    out += [' SG_ StateOfCharge : 16|16@1+ (0.1,0) [0|100] "%" Board', "BO_ 769 Temperatures: 8 Board"]
    out += [f' SG_ T{s + 1} : {16 * s}|16@1- (0.1,0) [-40|120] "degC" Board' for s in range(4)]
    return "\n".join(out) + "\n"


def blocks(count: int) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Yield time [us since the start], identifier and bytes of frames, a thousand scans at a time."""
    idents = [0x310 + m for m in range(CELLS // 4)] + [0x300] * CURRENT_A + [0x301, 0x3E1]
    offsets = (
        [1000 * m + 500 for m in range(CELLS // 4)]
        + [10_000 * k for k in range(CURRENT_A)]
        + [30_250, 30_300]
    )
    order = np.argsort(offsets, kind="stable")
    rng = np.random.default_rng(1)
    own = rng.normal(0, 0.004, CELLS)
    scan = 0
    left = count
    while left > 0:
        n = min(1000, -(-left // len(idents)))
        t = np.arange(scan, scan + n)
        amps = 80 * (np.sin(t / 90) + 0.5 * np.sin(t / 37))
        volts = 3.7 + own - 0.0011 * amps[:, None] + 0.0008 * rng.normal(size=(n, CELLS)) - 1e-7 * t[:, None]
        data = np.zeros((n, len(idents), 8), dtype=np.uint8)
        data[:, : CELLS // 4] = np.rint(volts * 1000).astype("<u2").view(np.uint8).reshape(n, CELLS // 4, 8)
        for k in range(CURRENT_A):
            at = CELLS // 4 + k
            data[:, at, 0:2] = np.rint(amps * 10).astype("<i2").view(np.uint8).reshape(n, 2)
            data[:, at, 2:4] = np.full(n, 800, "<u2").view(np.uint8).reshape(n, 2)
        heat = np.rint((21 + np.arange(4) + t[:, None] * 1e-5) * 10).astype("<i2")
        data[:, -2] = heat.view(np.uint8).reshape(n, 8)
        data[:, -1] = rng.integers(0, 255, (n, 8))
        stamp = (t[:, None] * PERIOD_US + np.array(offsets))[:, order].ravel()[:left]
        ident = np.tile(np.array(idents)[order], n)[:left]
        yield stamp, ident, data[:, order].reshape(-1, 8)[:left]
        left -= len(stamp)
        scan += n


HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)


def _digits(rows: np.ndarray, at: int, width: int, value: np.ndarray) -> None:
    for k in range(width - 1, -1, -1):
        rows[:, at + k] = 48 + value % 10
        value = value // 10


def _hex(rows: np.ndarray, at: int, data: np.ndarray, step: int) -> None:
    for k in range(8):
        rows[:, at + step * k] = HEX[data[:, k] >> 4]
        rows[:, at + step * k + 1] = HEX[data[:, k] & 15]


def write_candump(path: Path, count: int) -> None:
    """Write a candump log with dates."""
    line = np.frombuffer(b"(1778663400.000000) can0 310#0000000000000000\n", np.uint8)
    base = int(START.timestamp())
    with path.open("wb") as handle:
        for stamp, ident, data in blocks(count):
            rows = np.tile(line, (len(stamp), 1))
            _digits(rows, 1, 10, base + stamp // 10**6)
            _digits(rows, 12, 6, stamp % 10**6)
            for k in range(3):
                rows[:, 25 + k] = HEX[(ident >> (8 - 4 * k)) & 15]
            _hex(rows, 29, data, 2)
            handle.write(rows.tobytes())


def write_asc(path: Path, count: int) -> None:
    """Write an ASC recording."""
    with path.open("wb") as handle:
        handle.write(
            b"date Wed May 13 09:10:00.000 2026\nbase hex  timestamps absolute\nno internal events logged\n"
        )
        handle.write(b"Begin Triggerblock Wed May 13 09:10:00.000 2026\n")
        for stamp, ident, data in blocks(count):
            seconds = stamp // 10**6
            for width in range(1, 7):
                some = (seconds >= (10 ** (width - 1) if width > 1 else 0)) & (seconds < 10**width)
                if not some.any():
                    continue
                text = b" " + b"0" * width + b".000000 1  310             Rx   d 8 00 00 00 00 00 00 00 00\n"
                rows = np.tile(np.frombuffer(text, np.uint8), (int(some.sum()), 1))
                _digits(rows, 1, width, seconds[some])
                _digits(rows, 2 + width, 6, stamp[some] % 10**6)
                for k in range(3):
                    rows[:, text.index(b"310") + k] = HEX[(ident[some] >> (8 - 4 * k)) & 15]
                _hex(rows, text.index(b" 00 00") + 1, data[some], 3)
                handle.write(rows.tobytes())
        handle.write(b"End TriggerBlock\n")


def write_blf(path: Path, count: int) -> None:
    """Write a BLF recording as python-can lays it out, many frames at once."""
    import can

    with can.BLFWriter(path) as writer:
        writer.on_message_received(
            can.Message(timestamp=START.timestamp(), arbitration_id=0x7FF, is_extended_id=False, data=b"\0")
        )
    kind = np.dtype(
        [("mark", "S4"), ("header", "<u2"), ("version", "<u2"), ("size", "<u4"), ("type", "<u4"), ("flags", "<u4"),
         ("client", "<u2"), ("object", "<u2"), ("time", "<u8"), ("channel", "<u2"), ("dir", "u1"), ("dlc", "u1"),
         ("id", "<u4"), ("data", "u1", (8,))]
    )  # fmt: skip
    head = path.read_bytes()[:144]
    with path.open("wb") as handle:
        handle.write(head)
        for stamp, ident, data in blocks(count):
            rows = np.zeros(len(stamp), dtype=kind)
            rows["mark"], rows["header"], rows["version"], rows["size"], rows["type"] = b"LOBJ", 32, 1, 48, 1
            rows["flags"], rows["time"], rows["channel"], rows["dlc"] = 2, stamp * 1000, 1, 8
            rows["id"], rows["data"] = ident, data
            raw = rows.tobytes()
            for at in range(0, len(raw), 128 << 10):
                piece = zlib.compress(raw[at : at + (128 << 10)], 1)
                size = len(raw[at : at + (128 << 10)])
                whole = 32 + len(piece)
                handle.write(
                    b"LOBJ" + np.array([16, 1], "<u2").tobytes() + np.array([whole, 10], "<u4").tobytes()
                )
                handle.write(np.array([2, 0, 0, 0], "<u2").tobytes() + np.array([size, 0], "<u4").tobytes())
                handle.write(piece + b"\0" * (whole % 4))


def write_mf4(path: Path, count: int) -> None:
    """Write an MF4 bus recording with asammdf."""
    from asammdf import MDF, Signal, Source
    from asammdf.blocks import v4_constants as v4

    mdf = MDF(version="4.10")
    mdf.header.start_time = START
    first = True
    for stamp, ident, data in blocks(count):
        rows = np.zeros(len(stamp), dtype=KIND)
        rows["CAN_DataFrame.BusChannel"], rows["CAN_DataFrame.ID"] = 1, ident
        rows["CAN_DataFrame.DLC"] = rows["CAN_DataFrame.DataLength"] = 8
        rows["CAN_DataFrame.DataBytes"] = data
        if first:
            source = Source("bus", "bus", "", v4.SOURCE_BUS, v4.BUS_TYPE_CAN)
            mdf.append(Signal(rows, stamp / 1e6, name="CAN_DataFrame", source=source))
            mdf.groups[0].channel_group.flags |= v4.FLAG_CG_BUS_EVENT
            first = False
        else:
            mdf.extend(0, [(stamp / 1e6, None), (rows, None)])
    mdf.save(path, overwrite=True)
    mdf.close()


WRITE = {"candump": write_candump, "ASC": write_asc, "BLF": write_blf, "MF4": write_mf4}
NAMES = {"candump": "r.log", "ASC": "r.asc", "BLF": "r.blf", "MF4": "r.mf4"}


def imported(folder: Path, kind: str) -> dict[str, float]:
    """Import a recording in a process of its own; return seconds, peak memory [MB] and rows."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.can_speed", "--child", kind, "--folder", str(folder)],
        check=True,
        capture_output=True,
        text=True,
    )
    out: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return out | {"seconds": time.perf_counter() - begin}


def peak_megabytes() -> float:
    """Return the most memory that this process held [MB]; of a child, `getrusage` would tell the parent's too."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return float(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def child(folder: Path, kind: str) -> None:
    """Import one recording and print what it took."""
    from bmslogs.base.pack import load_pack
    from bmslogs.store import Store

    (folder / "pack.toml").write_text(PACK, encoding="utf-8")
    store = Store(folder / f"store-{kind}")
    used = time.process_time()
    report = store.import_files(
        [folder / NAMES[kind]], load_pack(folder / "pack.toml"), signals=folder / "pack.dbc"
    )
    assert not report.refused, report.refused
    peak = peak_megabytes()
    print(json.dumps({"MB": peak, "rows": report.logs[0].rows, "processor": time.process_time() - used}))


def beside_asammdf(folder: Path) -> tuple[float, float]:
    """Return the seconds in which asammdf extracts an MF4 file's signals, and in which this project decodes them."""
    from asammdf import MDF

    from bmslogs.importers.can import mf4
    from bmslogs.importers.can.database import load_definitions
    from bmslogs.importers.can.feeds import FrameFeed
    from bmslogs.importers.text.source import Source

    path = folder / NAMES["MF4"]
    begin = time.perf_counter()
    mdf = MDF(path)
    out = mdf.extract_bus_logging({"CAN": [(folder / "pack.dbc", 0)]})
    readings = 0
    for index, group in enumerate(out.groups):
        for channel in group.channels[1:]:
            readings += len(out.get(channel.name, index, group.channels.index(channel)).samples)
    theirs = time.perf_counter() - begin
    out.close()
    mdf.close()
    begin = time.perf_counter()
    source = Source(path, "plain", path.stat().st_size)
    with mf4.opened(source) as opened:
        feed = FrameFeed(mf4.open_bus(source, opened), load_definitions(folder / "pack.dbc"), source)
        own = sum(e.values.size for block in feed.blocks() for e in block.values())
    ours = time.perf_counter() - begin
    print(f"readings: asammdf {readings:,}, here {own:,}")
    return theirs, ours


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2_000_000, help="frames of each recording")
    parser.add_argument("--formats", nargs="*", default=list(FORMATS))
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--child", default=None, help=argparse.SUPPRESS)
    parser.add_argument("--no-asammdf", action="store_true", help="leave the comparison out")
    given = parser.parse_args()
    if given.child:
        child(given.folder, given.child)
        return
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        folder = Path(name)
        (folder / "pack.dbc").write_text(dbc(), encoding="utf-8")
        for kind in given.formats:
            path = folder / NAMES[kind]
            WRITE[kind](path, given.count)
            took = imported(folder, kind)
            print(
                f"{kind}: {given.count:,} frames ({path.stat().st_size >> 20} MB), {int(took['rows']):,} rows: "
                f"{took['seconds']:.1f} s ({took['processor']:.1f} s of processor), peak {took['MB']:.0f} MB",
                flush=True,
            )
            if kind == "MF4" and not given.no_asammdf:
                theirs, ours = beside_asammdf(folder)
                print(f"MF4 decoding: asammdf {theirs:.1f} s, here {ours:.1f} s")
            path.unlink()


if __name__ == "__main__":
    main()
