"""Seeded logs written as every kind of recording and damaged: equal to the truth, refused in one line, or balanced.

    python -m tests.importers.fuzz_recordings --count 2000 --seed 1

Damage to the table (words for readings, holes, rows twice, notes beside, titles above) leaves what was written as the
truth: every reading that comes back must be it or null, and every row is stored or named. Damage to the bytes is held
against what a general library (pyarrow, openpyxl, json) makes of the same damaged bytes; where that reads nothing, and
in kinds whose archive carries its own sums, against the rows as written.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import random
import shutil
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.errors import BmsLogsError
from bmslogs.importers import inspect_file
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.importers.reading.balance import LEFT_OUT
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.fuzz import cut, cut_out, flip, noughts, rubbish
from tests.importers.recordings.kinds import KINDS, Rows, ns_of, typed
from tests.importers.writing import drive, pack_for

LONGEST_S = 30.0
"""A case that takes longer hangs."""
SHEETS = frozenset(["xlsx", "xlsx with shared texts", "xls", "ods"])
SUMMED = frozenset(["xlsx", "xlsx with shared texts", "ods"])
"""Kinds whose archive carries a sum of each part."""
UNKNOWN = frozenset(["xls"])
"""Kinds without sums that no other library here reads."""
Readings = dict[int, list[list[float]]]
"""Stamp [us] -> rows of (current, cells.., temperatures..)."""


def untouched(rows: Rows, rng: random.Random) -> Rows:
    return rows


def holes(rows: Rows, rng: random.Random) -> Rows:
    for _ in range(rng.choice((1, 10, 60))):
        rows[rng.randrange(1, len(rows))][rng.randrange(1, len(rows[0]))] = None
    return rows


def twice(rows: Rows, rng: random.Random) -> Rows:
    k = rng.randrange(1, len(rows))
    return [*rows[: k + 1], list(rows[k]), *rows[k + 1 :]]


def gone(rows: Rows, rng: random.Random) -> Rows:
    k = rng.randrange(1, len(rows) - 20)
    return rows[:k] + rows[k + rng.choice((1, 9)) :]


def wild(rows: Rows, rng: random.Random) -> Rows:
    row, column = rng.randrange(1, len(rows)), rng.randrange(1, len(rows[0]))
    rows[row][column] = rng.choice((1e300, -1e-300, 65535.0, 0.0, -1.0, 1e15))
    return rows


def words(rows: Rows, rng: random.Random) -> Rows:
    text = rng.choice(
        ("ERR", "n/a", "=1+1", "'; drop", "<b>", 'a "b"', "a\tb\nc", "3,7", "x" * 5000, "\u2028", "-")
    )
    for _ in range(rng.choice((1, 3))):
        rows[rng.randrange(1, len(rows))][rng.randrange(1, len(rows[0]))] = text
    return rows


def title(rows: Rows, rng: random.Random) -> Rows:
    return [["Heron, drive 3"], [None], *rows]


def notes(rows: Rows, rng: random.Random) -> Rows:
    said = {rng.randrange(1, len(rows)) for _ in range(3)}
    return [[*row, None, "rain; then sun" if k in said else None] for k, row in enumerate(rows)]


def blank_rows(rows: Rows, rng: random.Random) -> Rows:
    k = rng.randrange(2, len(rows))
    return [*rows[:k], *[[None]] * rng.choice((1, 40)), *rows[k:]]


TABLE_DAMAGES: tuple[Callable[[Rows, random.Random], Rows], ...] = (
    untouched,
    untouched,
    holes,
    twice,
    gone,
    wild,
)
MIXED_DAMAGES = (words, title, notes, blank_rows)
"""Only where a column may hold numbers and words, or rows of any width."""
BYTE_DAMAGES = (flip, flip, cut, cut_out, noughts, rubbish)


def as_written(rows: Rows) -> Readings:
    """Return the readings of typed rows; NaN where no number stands."""
    out: Readings = {}
    width = max(len(r) for r in rows if isinstance(r[0], dt.datetime))
    for row in rows:
        if isinstance(row[0], dt.datetime):
            values = [float(v) if isinstance(v, float | int) else np.nan for v in row[1:width]]
            out.setdefault(ns_of(row[0]) // 1000, []).append(values)
    return out


def by_library(kind: str, path: Path) -> Readings | None:
    """Return what a general library reads in a file; None where it reads nothing."""
    try:
        if kind == "parquet":
            return _of_table(pq.read_table(path))
        if kind == "feather":
            return _of_table(pa.ipc.open_file(path).read_all())
        if kind == "arrow stream":
            with pa.OSFile(str(path)) as handle:
                return _of_table(pa.Table.from_batches(list(_batches(handle))))
        if kind.startswith("xlsx"):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                page = openpyxl.load_workbook(path, read_only=True, data_only=True).worksheets[0]
                return as_written([list(r) for r in page.iter_rows(values_only=True)])
        text = path.read_bytes().decode("utf-8", "replace")
        if kind == "JSON array":
            return _of_objects(json.loads(text))
        if kind == "JSON lines":
            return _of_objects([x for x in map(_loaded, text.splitlines()) if isinstance(x, dict)])
        return _of_points(text.split("\n"))
    except Exception:  # whatever another library raises on damaged bytes: it reads nothing
        return None


def _batches(handle: Any) -> Any:
    with pa.ipc.open_stream(handle) as stream:
        try:
            yield from stream
        except pa.ArrowException:
            return


def _of_table(table: pa.Table) -> Readings:
    columns = [c.to_pylist() for c in table.columns]
    return as_written([[], *(list(row) for row in zip(*columns))][1:])


def _loaded(line: str) -> Any:
    try:
        return json.loads(line)
    except ValueError:
        return None


def _of_objects(found: list[dict[str, Any]]) -> Readings:
    return as_written([[_stamp(o.get("Time")), *(v for k, v in o.items() if k != "Time")] for o in found])


def _stamp(text: Any) -> Any:
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except (ValueError, TypeError):
        return None


def _of_points(lines: list[str]) -> Readings:
    out: Readings = {}
    for line in lines:
        parts = line.replace("\\ ", "_").split(" ")
        if len(parts) == 3 and parts[2].isdecimal():
            values = [_number(f.rpartition("=")[2]) for f in parts[1].split(",")]
            out.setdefault(int(parts[2]) // 1000, []).append(values)
    return out


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


def verify(log_path: Path, there: Readings, loose: bool) -> str | None:
    """Return what is wrong with an import, None where nothing is.

    Parameters
    ----------
    there
        The readings that may come back.
    loose
        Whether stamps and columns may be missing in `there`: the bytes were damaged.
    """
    log = read_log(log_path)
    if np.any(np.diff(log.time.astype(np.int64)) <= 0):
        return "stamps that do not rise"
    if {r["rule"] for r in log.repairs} & {
        "clock_back",
        "clock_lost",
        "clock_unset",
        "stamps_spread",
        "no_date",
    }:
        return None
    current = log.current if log.current is not None else np.full(log.rows, np.nan)
    block = np.column_stack([current, log.cell_voltage, log.temperature])
    for k, us in enumerate(log.time.astype(np.int64)):
        rows = there.get(int(us)) or there.get(int(us) // 1000 * 1000)
        if rows is None:
            if loose:
                continue
            return f"row {k}: a stamp that was not written"
        if not any(_all_there(block[k], row) for row in rows):
            return f"row {k}: {block[k].tolist()} where {rows[:2]} was written"
    return None


def _all_there(got: Any, row: list[float]) -> bool:
    """Whether every reading is null or that of its column; where columns were lost or won, among those of the row."""
    if len(got) == len(row):
        want = np.array(row)
        with np.errstate(all="ignore"):
            return bool((np.isnan(got) | (np.abs(got - want) <= 6e-4 + 2e-6 * np.abs(want))).all())
    values = np.array([v for v in row if np.isfinite(v)])
    if not len(values):
        return bool(np.isnan(got).all())
    with np.errstate(all="ignore"):
        near = np.abs(got[:, None] - values) <= 6e-4 + 2e-6 * np.abs(values)
        milli = np.abs(got[:, None] - values * 1e-3) <= 6e-4
    return bool((np.isnan(got) | near.any(axis=1) | milli.any(axis=1)).all())


def balance(log_path: Path, rows: Rows) -> str | None:
    """Return what is wrong with the count of rows, None where each is stored or named."""
    log = read_log(log_path)
    written = sum(isinstance(r[0], dt.datetime) for r in rows)
    named = sum(r["rows"] for r in log.repairs if r["rule"] in LEFT_OUT)
    return (
        None if written == log.rows + named else f"{written} rows written, {log.rows} stored, {named} named"
    )


class Field:
    """The cases of one seed after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def case(self, seed: int, only: str | None = None) -> tuple[str, str, str]:
        """Run one case, of one kind where it is given; return how it ended, ``read`` or ``refused``, kind and damage.

        Raises
        ------
        AssertionError
            A number changed in silence, a row was lost, or it took too long.
        """
        rng = random.Random(seed)
        truth = drive(
            rows=rng.choice((60, 150)),
            cells=rng.choice((2, 6)),
            sensors=rng.choice((0, 2)),
            seed=seed,
            period_s=rng.choice((0.1, 1.0, 10.0)),
        )
        kind = only or rng.choice(list(KINDS))
        of_bytes = rng.random() < 0.45
        mixed = MIXED_DAMAGES if kind in SHEETS else (words,) if kind.startswith("JSON") else ()
        damage = rng.choice(TABLE_DAMAGES + mixed) if not of_bytes else untouched
        rows = damage(typed(truth), rng)
        write, name = KINDS[kind]
        path = write(rows, self.folder / f"{seed}-{name}")
        spoil = rng.choice(BYTE_DAMAGES)
        if of_bytes:
            path.write_bytes(spoil(path.read_bytes(), rng))
        store = self.folder / f"store{seed}"
        began = time.perf_counter()
        try:
            ended = self._brought(
                path, store, truth, kind, rows, of_bytes, damage is untouched and not of_bytes
            )
        finally:
            path.unlink(missing_ok=True)
            shutil.rmtree(store, ignore_errors=True)
        took = time.perf_counter() - began
        assert took < LONGEST_S, f"seed {seed}: {took:.1f} s"
        return ended, kind, spoil.__name__ if of_bytes else damage.__name__

    def _brought(
        self, path: Path, store: Path, truth: Any, kind: str, rows: Rows, of_bytes: bool, sound: bool
    ) -> str:
        pack = pack_for(truth)
        profile = parse_profile({"current": {"discharge": "positive"}})
        try:
            inspect_file(path, pack=pack, profile=profile).profile_toml()
        except BmsLogsError as error:
            assert "\n" not in str(error)
        report = Store(store).import_files([path], pack, profile)
        if report.refused:
            reason = report.refused[0].reason
            assert not sound, reason
            assert "\n" not in reason and len(reason) < 2500, reason
            return "refused"
        log_path = Store(store).log_path(report.logs[0].id)
        if not of_bytes:
            wrong = verify(log_path, as_written(rows), loose=False) or balance(log_path, rows)
        elif kind in UNKNOWN:
            wrong = None
        else:
            there = by_library(kind, path)
            wrong = verify(
                log_path, as_written(rows) if there is None or kind in SUMMED else there, loose=True
            )
        assert wrong is None, wrong
        return "read"


def main() -> None:
    """Run many cases and print how they ended."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    ends: dict[tuple[str, str, str], int] = {}
    failures = 0
    with tempfile.TemporaryDirectory() as name:
        field = Field(Path(name))
        for seed in range(options.seed, options.seed + options.count):
            try:
                key = field.case(seed)
            except Exception as error:  # every kind of failure is a finding here
                failures += 1
                print(f"seed {seed}: {type(error).__name__}: {str(error)[:400]}", flush=True)
                continue
            ends[key] = ends.get(key, 0) + 1
    for (ended, kind, damage), count in sorted(ends.items()):
        print(f"{ended:<8} {kind:<24} {damage:<12} {count}")
    print(f"{options.count} cases, {failures} failures")
    if failures:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
