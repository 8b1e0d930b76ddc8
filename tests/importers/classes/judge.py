"""Run the documented command on a case and hold the store against the truth."""

from __future__ import annotations

import contextlib
import io
import json
import re
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

from bmslogs.faces.command import main
from tests.importers.classes.string_model import Array
from tests.importers.classes.truth import Case, Truth, Verdict

SLOW_S = 20.0
"""Processor time [s] beyond which a small file counts as a hang; hostile files have their own limits."""
MOST_S, MOST_MB = 5.0, 300.0
"""What a hostile file may cost: processor time [s] and memory [MB] beyond the loaded command line."""
WALL_S = 40
"""Wall time [s] after which a hostile file hangs, whatever else the machine does."""
ROOT = Path(__file__).resolve().parents[3]
YEAR_S = 366 * 86400.0
PLACE = re.compile(
    r"\b(lines?|columns?|rows?|header|profile|pack file|cells_in_series|chemistry|nominal_capacity_Ah|stamps?"
    r"|modules|delimiter|current|bytes|empty|text|archive)\b"
)
"""What a refusal may name as its place; text, bytes or archive where no single line is at fault."""


@dataclass
class Answer:
    """What the command said and did."""

    code: int
    out: str
    err: str
    error: str | None = None
    seconds: float = 0.0


NOISE_A = 0.5
"""A current that stays below this and has no mean is a sensor's noise [A] (choice)."""


def command(arguments: list[str]) -> Answer:
    """Run the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    kept = sys.argv
    sys.argv = ["bmslogs", *arguments]
    begin = time.process_time()
    code, error = 0, None
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as leave:
        code = leave.code if isinstance(leave.code, int) else 0 if leave.code is None else 2
    except Exception:
        # Whatever gets out of the command is what a user would see as a traceback: that is counted here.
        error = traceback.format_exc()
        code = 1
    finally:
        sys.argv = kept
    return Answer(code, out.getvalue(), err.getvalue(), error, time.process_time() - begin)


def import_arguments(folder: Path, case: Case) -> list[str]:
    """Write a case's files and return the arguments of its import."""
    (folder / case.name).write_bytes(case.data)
    (folder / "pack.toml").write_text(case.pack, encoding="utf-8")
    arguments = ["import", str(folder / case.name), "--pack", str(folder / "pack.toml")]
    if case.profile is not None:
        (folder / "profile.toml").write_text(case.profile, encoding="utf-8")
        arguments += ["--profile", str(folder / "profile.toml")]
    return [*arguments, "--store", str(folder / "store"), "--json", "-"]


def judge(case: Case, number: int = 0) -> Verdict:
    """Import a case into a store of its own, in this process, and return what came of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for k, one in enumerate(case.before):
            (folder / one.name).write_bytes(one.data)
            pack = folder / f"before_{k}.toml"
            pack.write_text(one.pack, encoding="utf-8")
            first = command(
                ["import", str(folder / one.name), "--pack", str(pack), "--store", str(folder / "store")]
            )
            if first.code:
                return Verdict(number, case.habit, case.kind, "asked", [f"log before: {first.err.strip()}"])
        stood = set(stored_files(folder))
        answer = command(import_arguments(folder, case))
        new = [f for f in stored_files(folder) if f not in stood]
        outcome, details = weigh(case, answer, new)
    return Verdict(number, case.habit, case.kind, outcome, details)


def judge_apart(case: Case, number: int = 0) -> Verdict:
    """Import a case in a process of its own, with limits of processor time and memory."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cost = folder / "cost.json"
        arguments = [
            sys.executable,
            "-m",
            "tests.importers.classes.launch",
            str(cost),
            *import_arguments(folder, case),
        ]
        try:
            done = subprocess.run(arguments, capture_output=True, timeout=WALL_S, cwd=ROOT)
        except subprocess.TimeoutExpired:
            return Verdict(number, case.habit, case.kind, "crash", [f"no end after {WALL_S} s"])
        answer = Answer(
            done.returncode, done.stdout.decode(errors="replace"), done.stderr.decode(errors="replace")
        )
        outcome, details = weigh(case, answer, stored_files(folder))
        spent = json.loads(cost.read_text(encoding="utf-8")) if cost.exists() else {}
    over = [
        f"took {spent[key]:.1f} {unit}, at most {most:g}"
        for key, unit, most in (("seconds", "s", MOST_S), ("memory_MB", "MB", MOST_MB))
        if spent.get(key) is not None and spent[key] > most
    ]
    return Verdict(number, case.habit, case.kind, "crash" if over else outcome, [*over, *details])


def stored_files(folder: Path) -> list[Path]:
    """Return the logs in the store of a folder."""
    return sorted((folder / "store").glob("vehicle=*/pack=*/*.parquet"))


def weigh(case: Case, answer: Answer, logs: list[Path]) -> tuple[str, list[str]]:
    """Return the outcome of an import and what speaks for it."""
    if answer.error or "Traceback" in answer.err:
        return "crash", [(answer.error or answer.err).strip()[-600:]]
    if answer.seconds > SLOW_S:
        return "crash", [f"took {answer.seconds:.1f} s of processor time"]
    if answer.code == 2:
        return refusal(case, answer, logs)
    if answer.code != 0 or len(logs) != 1:
        return "crash", [f"exit {answer.code}, {len(logs)} new logs: {answer.err.strip()[-300:]}"]
    if case.kind == "refuse":
        return "wrong", ["stored where only a refusal is right", *said(logs[0])]
    differences = [compare(truth, logs[0], case) for truth in case.truths]
    best = min(differences, key=len)
    return ("wrong", [*best, *said(logs[0])]) if best else ("right", [])


def refusal(case: Case, answer: Answer, logs: list[Path]) -> tuple[str, list[str]]:
    """Return `asked` for a refusal of one line that names file and place, else what it is."""
    lines = answer.err.strip().splitlines()
    if logs:
        return "wrong", ["refused and yet stored", *lines]
    names = case.name in answer.err or "pack.toml" in answer.err or "profile.toml" in answer.err
    place = PLACE.search(answer.err) or any(h and h in answer.err for h in case.headers)
    if len(lines) != 1 or not names or not place:
        return "unclear", [f"{len(lines)} lines on standard error", *lines[:3]]
    return "asked", lines


def said(file: Path) -> list[str]:
    """Return what a stored log says of itself, short."""
    meta = pq.read_schema(file).metadata
    repairs = json.loads(meta.get(b"bmslogs.repairs", b"[]"))
    lines = [
        f"  repair {r.get('rule')}: {r.get('rows')} rows {r.get('columns')}: {r.get('says')}" for r in repairs
    ]
    return [*lines, *(f"  note: {n}" for n in json.loads(meta.get(b"bmslogs.notes", b"[]")))]


def compare(truth: Truth, file: Path, case: Case) -> list[str]:
    """Return how a stored log differs from a truth; nothing where it is right."""
    table = pq.ParquetFile(file).read()
    meta = {k.decode(): v.decode() for k, v in (table.schema.metadata or {}).items()}
    names = table.column_names
    stored_t = table["time"].cast("int64").to_numpy() / 1e6
    wrong: list[str] = []
    if np.any(np.diff(stored_t) <= 0):
        wrong.append("time does not rise")
    cells = [n for n in names if re.fullmatch(r"cell_\d+_mV", n)]
    if len(cells) != truth.cells_mV.shape[1]:
        return [f"{len(cells)} cells stored, truth has {truth.cells_mV.shape[1]}"]
    volts = np.stack([column(table, n) for n in cells], axis=1)
    current = column(table, "current_A") if "current_A" in names else None
    which = align(truth, stored_t, volts, current)
    if which is None:
        return [f"{len(stored_t)} rows stored cannot be matched with the {len(truth.time_s)} true rows"]
    wrong += compare_rows(truth, which) + balance(case, len(stored_t), meta)
    wrong += compare_time(truth, which, stored_t, meta)
    wrong += compare_cells(truth, which, volts)
    wrong += compare_current(truth, which, current)
    wrong += compare_temperatures(truth, which, table)
    if truth.pack_V is not None and "pack_V" in names:
        stored = column(table, "pack_V")
        if not any(same(stored, p[which], 0.0051).all() for p in truth.pack_V):
            wrong.append(f"pack_V begins {stored[:3]}, truth {truth.pack_V[0][:3]}")
    if truth.joints is not None:
        wrong += compare_joints(truth, which, stored_t, meta.get("bmslogs.sections"))
    wrong += compare_words(case, file)
    return wrong


def column(table: Any, name: str) -> Array:
    """Return a column as float64, NaN where null."""
    return np.asarray(table[name].cast("float64").to_numpy(zero_copy_only=False), float)


def same(a: Array, b: Array, tolerance: float) -> NDArray[np.bool_]:
    """Return where two arrays agree, nulls with nulls."""
    return (np.abs(a - b) <= tolerance + 2e-7 * np.abs(b)) | (np.isnan(a) & np.isnan(b))


def align(truth: Truth, stored_t: Array, volts: Array, current: Array | None) -> NDArray[np.int64] | None:
    """Return for each stored row its row in the truth; None where there is none."""
    n, m = len(truth.time_s), len(stored_t)
    if m == n:
        return np.arange(n)
    if m > n:
        return None
    near = np.clip(np.searchsorted(truth.time_s, stored_t - 0.002), 0, n - 1)
    by_time = np.all(np.abs(truth.time_s[near] - stored_t) <= 0.002) and np.all(np.diff(near) > 0)
    # Stamps that are off by whole steps fit other rows: then the readings tell which rows these are.
    if by_time and np.mean(same(volts, truth.cells_mV[near], 0.03) | np.isnan(volts)) > 0.9:
        return near
    found = by_values(truth, volts, current, spare=n - m)
    if found is None:
        found = by_values(truth, volts, current, spare=0)
    return near if found is None and by_time else found


def by_values(truth: Truth, volts: Array, current: Array | None, spare: int) -> NDArray[np.int64] | None:
    """Return the first subsequence of true rows whose readings are the stored ones, up to the current's sign.

    Up to `spare` rows that may be left out are passed over first.
    """
    rows, optional = len(truth.time_s), truth.optional
    compare_current = current is not None and truth.current_A is not None
    which, k = [], 0
    for j, row in enumerate(volts):
        while k < rows:
            if optional is not None and optional[k] and spare > 0:
                spare -= 1
            elif alike(row, truth.cells_mV[k], 0.03) and not (
                compare_current and not alike(np.abs(current[j]), np.abs(truth.current_A[k]), 2e-4)  # type: ignore[index]
            ):
                break
            k += 1
        if k == rows:
            return None
        which.append(k)
        k += 1
    return np.asarray(which, np.int64)


def alike(a: Array, b: Array, tolerance: float) -> bool:
    """Return whether readings agree wherever both are there."""
    return bool(np.all((np.abs(a - b) <= tolerance) | np.isnan(a) | np.isnan(b)))


def compare_rows(truth: Truth, which: NDArray[np.int64]) -> list[str]:
    """Return what is said of true rows that are not stored."""
    lost = np.setdiff1d(np.arange(len(truth.time_s)), which)
    if truth.optional is not None:
        lost = lost[~truth.optional[lost]]
    return [f"{len(lost)} true rows lost, the first is row {lost[0] + 1}"] if len(lost) else []


def balance(case: Case, stored: int, meta: dict[str, str]) -> list[str]:
    """Return whether rows in the file are not rows stored plus rows named in repairs."""
    if case.rows_in_file is None:
        return []
    counts = [int(r.get("rows") or 0) for r in json.loads(meta.get("bmslogs.repairs", "[]"))]
    reached = {0}
    for count in counts:
        reached |= {r + count for r in reached}
    missing = {case.rows_in_file - stored, case.rows_in_file + case.other_lines - stored}
    if not missing & reached:
        return [f"{case.rows_in_file} rows in the file, {stored} stored, repairs name {counts}"]
    return []


def compare_time(truth: Truth, which: NDArray[np.int64], stored_t: Array, meta: dict[str, str]) -> list[str]:
    """Return where stamps are false, block by block."""
    off = stored_t - truth.time_s[which]
    blocks = np.zeros(len(truth.time_s), np.int64) if truth.blocks is None else truth.blocks
    wrong: list[str] = []
    if truth.undated:
        if not 0 <= stored_t[0] < YEAR_S:
            wrong.append(f"no date in the file, stored from {stamp(stored_t[0])}")
        elif "1970" not in meta.get("bmslogs.repairs", "") + meta.get("bmslogs.notes", ""):
            wrong.append("no date in the file, and nothing says so")
        off = off - off[0]
    for b in np.unique(blocks[which]):
        mine = off[blocks[which] == b]
        slack = truth.block_slack_s[min(int(b), len(truth.block_slack_s) - 1)]
        middle = float(np.median(mine))
        apart = np.abs(mine - middle)
        if abs(middle) > slack + truth.time_tolerance_s:
            first = int(np.argmax(blocks[which] == b))
            wrong.append(
                f"time is off by {middle:.3f} s from row {first + 1} on: stored {stamp(stored_t[first])},"
                f" truth {stamp(truth.time_s[which[first]])}"
            )
        elif float(apart.max()) > truth.time_tolerance_s:
            k = int(np.argmax(apart))
            wrong.append(f"time of single rows is off by up to {apart[k]:.3f} s (row {k + 1} of its block)")
    return wrong


def stamp(seconds: float) -> str:
    """Return a time in words."""
    return str(np.datetime64(round(seconds * 1000), "ms")) if abs(seconds) < 1e12 else f"{seconds} s"


def compare_cells(truth: Truth, which: NDArray[np.int64], volts: Array) -> list[str]:
    """Return false, nulled or kept readings of cells."""
    expected = truth.cells_mV[which]
    bad = ~same(volts, expected, 0.03)
    if truth.either is not None:
        bad &= ~(truth.either[which] & np.isnan(volts))
    return readings("cell", bad, volts, expected, "mV")


def readings(what: str, bad: NDArray[np.bool_], stored: Array, expected: Array, unit: str) -> list[str]:
    """Return one line for each way in which readings are wrong."""
    lines = []
    for mask, words in (
        (bad & np.isnan(stored), "true readings are null"),
        (bad & np.isnan(expected), "readings are stored that must be null"),
        (bad & ~np.isnan(stored) & ~np.isnan(expected), "readings are altered"),
    ):
        if mask.any():
            r, c = (int(v[0]) for v in np.nonzero(mask))
            columns = np.unique(np.nonzero(mask)[1]) + 1
            lines.append(
                f"{what}: {int(mask.sum())} {words}; row {r + 1} {what} {c + 1}: stored {stored[r, c]:g}, truth"
                f" {expected[r, c]:g} {unit}; {what}s {columns[:6].tolist()}"
            )
    return lines


def compare_current(truth: Truth, which: NDArray[np.int64], current: Array | None) -> list[str]:
    """Return how the current is false; an inverted one is named."""
    if truth.current_A is None:
        return (
            [] if current is None or np.isnan(current).all() else ["a current is stored where there is none"]
        )
    expected = truth.current_A[which]
    if current is None:
        return [] if np.isnan(expected).all() else ["no current stored"]
    bad = ~same(current, expected, 2e-4)
    if not bad.any():
        return []
    if same(current, -expected, 2e-4).all():
        # noise about nought of a pack at rest says the same in either sign
        if np.nanmax(np.abs(expected)) < NOISE_A and abs(np.nanmean(expected)) < 0.1 * np.nanstd(expected):
            return []
        return ["current has the wrong sign in every row"]
    return readings("current", bad[:, None], current[:, None], expected[:, None], "A")


def compare_temperatures(truth: Truth, which: NDArray[np.int64], table: Any) -> list[str]:
    """Return false temperatures; columns that are null all through may be absent on either side."""
    if truth.temperatures_C is None:
        return []
    expected = truth.temperatures_C[which]
    names = [n for n in table.column_names if re.fullmatch(r"temperature_\d+_C", n)]
    stored = [column(table, n) for n in names]
    kept = [s for s in stored if not np.isnan(s).all()]
    wanted = [k for k in range(expected.shape[1]) if not np.isnan(expected[:, k]).all()]
    if len(stored) == expected.shape[1]:
        kept, wanted = stored, list(range(expected.shape[1]))
    if len(kept) != len(wanted):
        return [f"{len(kept)} temperatures stored, truth has {len(wanted)}"]
    if not wanted:
        return []
    got, want = np.stack(kept, axis=1), expected[:, wanted]
    bad = ~same(got, want, 0.006)
    if truth.either_temperature is not None:
        bad &= ~(truth.either_temperature[which][:, wanted] & np.isnan(got))
    return readings("temperature", bad, got, want, "degC")


def compare_joints(
    truth: Truth, which: NDArray[np.int64], stored_t: Array, sections: str | None
) -> list[str]:
    """Return joints that are not marked within two rows, and marks where no joint is."""
    marks = marked_rows(sections, stored_t)
    true = [int(np.searchsorted(which, j)) for j in truth.joints or ()]
    missed = [j + 1 for j in true if not any(abs(j - m) <= 2 for m in marks)]
    false = [m + 1 for m in marks if not any(abs(j - m) <= 2 for j in true)]
    lines = [f"joints at rows {missed} are not marked (sections: {sections})"] if missed else []
    return lines + ([f"joints marked at rows {false} where there is none"] if false else [])


def marked_rows(sections: str | None, stored_t: Array) -> list[int]:
    """Return the rows at which sections begin, the log's own first row and last row left out.

    The list may hold rows (numbers) or times (ISO), alone or as values of objects.
    """
    if not sections:
        return []
    rows: set[int] = set()
    for value in leaves(json.loads(sections)):
        if isinstance(value, str):
            with contextlib.suppress(ValueError):
                at = np.datetime64(value.replace("Z", "").replace("+00:00", ""), "us").astype("int64") / 1e6
                rows.add(int(np.argmin(np.abs(stored_t - at))))
        elif isinstance(value, int) and not isinstance(value, bool):
            rows.add(value)
    return sorted(r for r in rows if 1 < r < len(stored_t) - 2)


PLACES = {
    "row",
    "first",
    "last",
    "start",
    "end",
    "from",
    "to",
    "time",
    "at",
    "first_row",
    "last_row",
    "begin",
}
"""Keys under which a section may say where it lies."""


def leaves(value: Any, key: str | None = None) -> list[Any]:
    """Return the numbers and texts of a JSON value that may be places."""
    if isinstance(value, dict):
        return [leaf for k, v in value.items() for leaf in leaves(v, k)]
    if isinstance(value, list):
        return [leaf for v in value for leaf in leaves(v, key)]
    return [value] if key is None or key in PLACES else []


def compare_words(case: Case, file: Path) -> list[str]:
    """Return what should have been said and was not, or was and should not."""
    text = " ".join(said(file))
    lines = []
    if case.must_say and not re.search(case.must_say, text, re.I):
        lines.append(f"nothing is said of {case.must_say!r}")
    if case.must_not_say and re.search(case.must_not_say, text, re.I):
        lines.append(f"says what is not so: {case.must_not_say!r}")
    return lines
