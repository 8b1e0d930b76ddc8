"""Make the sample recording of a CAN bus and its database: ``python -m sample_logs.recording --out DIR``.

It is a quarter of an hour of `heron-3-after-repair.csv.gz` again, a fortnight later, as its invented BMS would send it:
the cells in banks of four by a counter, spread over a fifth of a second; the current five times a second; the
temperatures every two seconds with an identifier of 29 bits; and one identifier of another device, which the database
lacks.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import gzip
import struct
from collections.abc import Iterator
from pathlib import Path

from sample_logs import SAMPLES

LATER = dt.timedelta(days=14)
FIRST, ROWS = 1800, 900
BANK = 4
NAME, DATABASE = "heron-5-bus.log.gz", "heron-main.dbc"
STATUS, CELLS, TEMPERATURES, OTHER = 0x300, 0x320, 0x18FF5011, 0x5A1


def database(cells: int, sensors: int) -> str:
    """Return the database (DBC)."""
    out = ['VERSION ""', "BS_:", "BU_: Bms", f"BO_ {STATUS} PackStatus: 8 Bms"]
    out += [' SG_ PackCurrent : 0|16@1- (0.1,0) [-3000|3000] "A" Bms']
    out += [' SG_ PackVoltage : 23|16@0+ (0.1,0) [0|600] "V" Bms']
    out += [' SG_ Mode : 32|8@1+ (1,0) [0|3] "" Bms', f"BO_ {CELLS} CellBank: 8 Bms"]
    out += [' SG_ Bank M : 56|8@1+ (1,0) [0|255] "" Bms']
    for c in range(cells):
        out.append(f' SG_ CellVoltage{c + 1:02d} m{c // BANK} : {_place(c)}@0+ (1,0) [0|5000] "mV" Bms')
    out.append(f"BO_ {TEMPERATURES | 0x80000000} PackTemperatures: 8 Bms")
    out += [f' SG_ Temperature{s + 1} : {16 * s}|16@1- (0.1,0) [-40|120] "degC" Bms' for s in range(sensors)]
    out.append(f'VAL_ {STATUS} Mode 0 "off" 1 "drive" 2 "charge" 3 "fault" ;')
    return "\n".join(out) + "\n"


def _place(cell: int) -> str:
    """Return where a cell stands in its bank: 14 bits one behind the other, the highest first."""
    first = 14 * (cell % BANK)
    return f"{8 * (first // 8) + 7 - first % 8}|14"


def frames(rows: list[dict[str, str]]) -> Iterator[tuple[float, str]]:
    """Yield time [s since 1970] and frame as candump writes them."""
    cells = [n for n in rows[0] if n.startswith("cell_")]
    sensors = [n for n in rows[0] if n.startswith("temp_")]
    for k, row in enumerate(rows):
        moment = dt.datetime.fromisoformat(row["time_utc"].replace("Z", "+00:00")) + LATER
        at = moment.timestamp()
        status = struct.pack("<h", round(10 * float(row["pack_current_A"])))
        status += struct.pack(">HBB", round(10 * float(row["pack_voltage_V"])), 1, 0) + bytes(2)
        for n in range(5):
            yield at + 0.2 * n, f"{STATUS:03X}#{status.hex().upper()}"
        for bank in range(-(-len(cells) // BANK)):
            bits = 0
            for name in cells[BANK * bank : BANK * (bank + 1)]:
                bits = bits << 14 | int(row[name])
            yield (
                at + 0.05 * bank + 0.01,
                f"{CELLS:03X}#{(bits << 8 | bank).to_bytes(8, 'big').hex().upper()}",
            )
        if k % 2 == 0:
            heat = struct.pack(f"<{len(sensors)}h", *(round(10 * float(row[s])) for s in sensors))
            yield at + 0.3, f"{TEMPERATURES:08X}#{heat.hex().upper()}"
        yield at + 0.4, f"{OTHER:03X}#{k % 256:02X}"


def make(out: Path) -> tuple[Path, Path]:
    """Write the recording and its database; the same bytes each time."""
    with gzip.open(SAMPLES / "heron-3-after-repair.csv.gz", "rt", encoding="utf-8") as handle:
        lines = [line for line in handle if not line.startswith("#")]
    rows = list(csv.DictReader(lines))[FIRST : FIRST + ROWS]
    text = "".join(f"({time:.6f}) can0 {frame}\n" for time, frame in sorted(frames(rows)))
    recording, described = out / NAME, out / DATABASE
    recording.write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    cells = sum(n.startswith("cell_") for n in rows[0])
    described.write_bytes(database(cells, sum(n.startswith("temp_") for n in rows[0])).encode())
    return recording, described


def main() -> None:
    """Make both files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=SAMPLES)
    for path in make(parser.parse_args().out):
        print(path)


if __name__ == "__main__":
    main()
