"""Seeded damage to logs: whatever happens to the bytes, no traceback, no hang, no number changed in silence.

    python -m tests.importers.fuzz --count 2000 --seed 1

Of files without damage every line must be a row of the log or named by a repair (their balance).
Every reading that an import gives back must stand in the damaged file, in the row with that stamp and in that
column, or be null. Rows whose stamps were mended are compared with no row; they are few.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import random
import re
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.importers import inspect_file
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.importers.reading.balance import LEFT_OUT
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.writing import Dialect, Truth, drive, pack_for, stamp, text_of

csv.field_size_limit(1 << 24)
ROWS, CELLS, SENSORS = 160, 6, 2
LONGEST_S = 20.0
"""A case that takes longer hangs."""

D = Dialect()
BASES: dict[str, Dialect] = {
    "plain": D,
    "mV": D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"U{c} [mV]", delimiter=";"),
    "decimal comma": D.but(
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        eol="\r\n",
        preamble=("Gerät 7", ""),
        time_text=stamp("%d.%m.%Y %H:%M:%S"),
        cell_name=lambda c: f"Zelle {c} [V]",
        current_name="Strom [A]",
    ),
    "quoted": D.but(quote=True, soc_name="SOC (%)"),
}


PREAMBLES = {"Gerät 7"[:4].encode("cp1252"): ("Gerät 7",)}
"""By the first bytes of a file: lines above its header that hold something."""


def flip(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 20))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def cut_out(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data))
    return data[:a] + data[a + rng.choice((1, 7, 200, 3000)) :]


def noughts(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data))
    return data[:a] + bytes(rng.choice((1, 4, 512))) + data[a + rng.choice((0, 4, 512)) :]


def rubbish(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data))
    return data[:a] + rng.randbytes(rng.choice((1, 10, 300))) + data[a:]


def huge_field(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data))
    return (
        data[:a]
        + rng.choice((b"9", b"x", b'"', b",", b";", b" ")) * rng.choice((50, 5000, 200_000))
        + data[a:]
    )


def twice(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    a = rng.randrange(len(lines))
    b = a + rng.choice((1, 5, 40))
    at = rng.randrange(len(lines))
    return b"\n".join(lines[:at] + lines[a:b] + lines[at:])


def shuffle(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def words(data: bytes, rng: random.Random) -> bytes:
    a = rng.randrange(len(data))
    text = rng.choice(
        (
            b"NaN",
            b"#REF!",
            b"1e999",
            b"-",
            b"65535",
            b"1.2.3",
            b"0x1F",
            b"'; drop",
            b"<script>",
            b"../../x",
            b"\xff\xfe",
            b'"',
            b"3,7",
        )
    )
    return data[:a] + text + data[a + rng.choice((0, 1, 4)) :]


def wide(data: bytes, rng: random.Random) -> bytes:
    mark = b";" if data.count(b";") > data.count(b",") else b","
    more = mark + mark.join(b"x%d" % k for k in range(10_000))
    lines = data.split(b"\n")
    where = rng.choice((0, len(lines) // 2))
    lines[where] += more
    return b"\n".join(lines)


def double(data: bytes, rng: random.Random) -> bytes:
    return data + data[rng.choice((0, len(data) // 3)) :]


def packed_and_broken(data: bytes, rng: random.Random) -> bytes:
    return (
        flip(gzip.compress(data), rng)
        if rng.random() < 0.5
        else gzip.compress(data)[: rng.randrange(20, 3000)]
    )


def none(data: bytes, rng: random.Random) -> bytes:
    """Return the bytes as they are: the balance of rows must hold."""
    return data


DAMAGES: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    none,
    none,
    flip,
    flip,
    flip,
    cut,
    cut_out,
    noughts,
    rubbish,
    huge_field,
    twice,
    shuffle,
    words,
    words,
    wide,
    double,
    packed_and_broken,
)


def readings(data: bytes, d: Dialect) -> dict[int, list[list[float]]]:
    """Read the damaged file in the simplest way there is: stamp [us] -> rows of (current, cells.., temperatures..)."""
    out: dict[int, list[list[float]]] = {}
    if data[:2] == b"\x1f\x8b":
        return out
    text = data.decode("cp1252", "replace").replace("\r\n", "\n")
    # a carriage return alone may end a line or be rubbish in it: both readings count
    lines = [x.replace("\r", "") for x in text.split("\n")] + re.split(r"[\r\n]", text)
    parted = [x.split(d.delimiter) for x in lines]
    if d.quote:  # a lone quote may open a field or be rubbish at its edge: both readings count
        parted += [next(csv.reader([x.replace("\0", "")], delimiter=d.delimiter), []) for x in lines]
    for fields in parted:
        fields = [f.strip().strip('"').strip() for f in fields]
        if len(fields) < 2 + CELLS + SENSORS:
            continue
        parts = re.findall(r"\d+", fields[0])
        if len(parts) < 6:
            continue
        if len(parts[0]) < 4:
            parts[0], parts[2] = parts[2], parts[0]
        try:
            date = "-".join((parts[0], parts[1].zfill(2), parts[2].zfill(2)))
            clock = ":".join(x.zfill(2) for x in parts[3:6]) + "." + (parts[6] if len(parts) > 6 else "0")
            us = int(np.datetime64(f"{date}T{clock}", "us").astype(np.int64))
        except ValueError:
            continue
        row = []
        for f in fields[1 : 2 + CELLS + SENSORS]:
            try:
                row.append(float(f.replace(d.decimal, ".")))
            except ValueError:
                row.append(np.nan)
        out.setdefault(us, []).append(row)
    return out


def verify(log_path: Path, data: bytes, d: Dialect) -> str | None:
    """Return what is wrong with an import, None where nothing is."""
    log = read_log(log_path)
    if np.any(np.diff(log.time.astype(np.int64)) <= 0):
        return "stamps that do not rise"
    there = readings(data, d)
    text = data.decode("cp1252", "replace")
    if log.current is None or len(log.cells) != CELLS:
        return "another set of columns"
    mended = {r["rule"] for r in log.repairs} & {
        "clock_back",
        "clock_lost",
        "clock_unset",
        "stamps_spread",
        "no_date",
    }
    marked = any(r["rule"] == "minus_mark" for r in log.repairs)
    block = np.column_stack([log.current, log.cell_voltage / d.cell_unit, log.temperature])
    for k, us in enumerate(log.time.astype(np.int64)):
        rows = there.get(int(us))
        if rows is None:
            # a row that the simple reading cannot part (a broken quote), whose stamp stands there all the same
            clock = str(log.time[k].astype("datetime64[s]"))[11:]
            if not mended and there and clock not in text and clock.lstrip("0") not in text:
                return f"row {k}: a stamp that is not in the file"
            continue
        got = block[k]
        if log.temperature.shape[1] != SENSORS:
            got = got[: 1 + CELLS]
        read = [np.array(row[: len(got)]) for row in rows]
        if marked:  # a sign that is said to be a mark was not changed in silence
            read += [np.concatenate([x[:1], np.abs(x[1 : 1 + CELLS]), x[1 + CELLS :]]) for x in read]
        if not any(_within(got, x) for x in read) and not mended:
            return f"row {k}: {got.tolist()} where the file says {rows[:2]}"
    return None


def balance(log_path: Path, data: bytes) -> str | None:
    """Return what is wrong with the count of rows of a file without damage, None where each line is a row or named."""
    log = read_log(log_path)
    lines = sum(bool(x.strip()) for x in data.splitlines()) - len(PREAMBLES.get(data[:4], ())) - 1
    named = sum(r["rows"] for r in log.repairs if r["rule"] in LEFT_OUT)
    return (
        None if lines == log.rows + named else f"{lines} rows in the file, {log.rows} stored, {named} named"
    )


def _within(got: np.ndarray, row: np.ndarray) -> bool:  # type: ignore[type-arg]
    with np.errstate(invalid="ignore"):
        same = (
            np.isnan(got)
            | (np.abs(got - row) <= 1e-3 + 2e-6 * np.abs(row))
            | (np.arange(len(got)) == 0) & (np.abs(got + row) < 1e-3)
        )
    return bool(same.all())


class Field:
    """The damaged files of one seed, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.truth: Truth = drive(rows=ROWS, cells=CELLS, sensors=SENSORS)
        self.pack: Pack = pack_for(self.truth)
        self.texts = {name: text_of(self.truth, d).encode(d.encoding) for name, d in BASES.items()}

    def case(self, seed: int) -> tuple[str, str]:
        """Run one case; return how it ended (``read``, ``refused``) and what damage it was.

        Raises
        ------
        AssertionError
            A number changed in silence, or it took too long.
        """
        rng = random.Random(seed)
        name = rng.choice(list(BASES))
        damage = rng.choice(DAMAGES)
        data = damage(self.texts[name], rng)
        path = self.folder / f"case{seed}.csv"
        store = self.folder / f"store{seed}"
        path.write_bytes(data)
        began = time.perf_counter()
        try:
            try:
                inspect_file(path, pack=self.pack).profile_toml()
            except BmsLogsError as error:
                assert "\n" not in str(error)
            report = Store(store).import_files([path], self.pack)
            assert damage is not none or not report.refused, f"seed {seed}: {report.refused}"
            if report.refused:
                assert "\n" not in report.refused[0].reason and len(report.refused[0].reason) < 2500
                ended = "refused"
            else:
                wrong = verify(Store(store).log_path(report.logs[0].id), data, BASES[name])
                assert wrong is None, f"seed {seed}, {name}, {damage.__name__}: {wrong}"
                wrong = balance(Store(store).log_path(report.logs[0].id), data) if damage is none else None
                assert wrong is None, f"seed {seed}, {name}: {wrong}"
                ended = "read"
        finally:
            path.unlink()
            shutil.rmtree(store, ignore_errors=True)
        took = time.perf_counter() - began
        assert took < LONGEST_S, f"seed {seed}: {took:.1f} s"
        return ended, damage.__name__

    def whole(self, seed: int) -> tuple[int, int, int]:
        """Import an undamaged file of random size and rate; return rows, rows missing, and readings lost to null."""
        rng = random.Random(seed)
        truth = drive(
            rows=rng.choice((30, 300, 2000)),
            cells=rng.choice((1, 4, 12, 24)),
            sensors=rng.choice((0, 2)),
            seed=seed,
            period_s=rng.choice((0.1, 1.0, 10.0)),
            amperes=rng.choice((5.0, 80.0)),
        )
        d = BASES[rng.choice(list(BASES))].but(time_text=Dialect().time_text)
        path, store = self.folder / f"whole{seed}.csv", self.folder / f"store{seed}"
        path.write_bytes(text_of(truth, d).encode(d.encoding))
        try:
            # three seconds at 5 A say nothing of the sign: here rows and readings alone are in question
            profile = parse_profile({"current": {"discharge": "positive" if d.sign > 0 else "negative"}})
            report = Store(store).import_files([path], pack_for(truth), profile)
            assert not report.refused, f"seed {seed}: {report.refused[0].reason}"
            log = read_log(Store(store).log_path(report.logs[0].id))
        finally:
            path.unlink()
            shutil.rmtree(store, ignore_errors=True)
        assert log.current is not None
        blocks = (log.cell_voltage, log.temperature, log.current[:, None])
        return log.rows, len(truth.time) - log.rows, sum(int(np.isnan(b).sum()) for b in blocks)


def main() -> None:
    """Run many cases and print how they ended."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    ends: dict[tuple[str, str], int] = {}
    failures = []
    sound = np.zeros(3, dtype=int)
    with tempfile.TemporaryDirectory() as name:
        field = Field(Path(name))
        for seed in range(options.seed, options.seed + options.count):
            try:
                key = field.case(seed)
            except Exception as error:  # every kind of failure is a finding here
                failures.append(seed)
                print(f"seed {seed}: {type(error).__name__}: {str(error)[:300]}")
                continue
            ends[key] = ends.get(key, 0) + 1
        for seed in range(options.seed, options.seed + options.count // 20):
            sound += field.whole(seed)
    for (ended, damage), count in sorted(ends.items()):
        print(f"{ended:<8} {damage:<18} {count}")
    print(f"{options.count} cases, {len(failures)} failures")
    print(f"{sound[0]} rows of undamaged files: {sound[1]} missing, {sound[2]} readings lost to null")
    if sound[1:].any():
        failures.append(-1)
    if failures:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
