"""Seeded bus recordings and signal databases, damaged and brought in: equal, refused in one line, nothing invented.

Damage to the frames (lost, sent twice, short, strange identifiers) leaves what was sent as the truth: every reading
that comes back stood in the frames of its moment, or is null. Damage to the bytes is held against the frames that the
simplest reading (of text) or python-can (of BLF) finds in the same damaged bytes, and against those that were sent.
A damaged database says what the frames mean, so of it only the ending is judged: a log, or one line.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import hashlib
import random
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from bmslogs.importers.can import database as databases
from bmslogs.importers.can import parsing
from bmslogs.importers.can.database import load_definitions
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.can.arxml import arxml_of
from tests.importers.can.recorded import (
    Bus,
    banked_bus,
    banked_dbc,
    plain_bus,
    plain_dbc,
    record,
    record_mf4,
    seconds,
)
from tests.importers.fuzz import cut, cut_out, flip, noughts, rubbish
from tests.importers.writing import Truth, drive, pack_for

FORMATS = {"candump": "log", "ASC": "asc", "BLF": "blf", "TRC": "trc", "MF4": "mf4"}
DATABASES = ("dbc", "kcd", "sym", "arxml")
KINDS = (*FORMATS, *(kind.upper() for kind in DATABASES))
TRUTHS = 6
LONGEST_S = 30.0
"""A case that takes longer hangs."""
BYTE_DAMAGES = (flip, flip, cut, cut_out, noughts, rubbish)
START = dt.datetime(2026, 5, 13, 9, 10, tzinfo=dt.UTC)
Readings = dict[int, set[int]]
"""By cell, counted from 1: its readings [mV]."""


@dataclasses.dataclass
class Sent:
    """One drive, the bus that it went over, and the database that says what its frames mean."""

    truth: Truth
    database: Any
    text: str
    bus: Bus
    banked: bool


@functools.cache
def sent(number: int) -> Sent:
    """Return one of a few drives."""
    import cantools

    banked = number % 3 == 2
    truth = drive(rows=80, cells=(4, 8, 6)[number % 3], sensors=0 if banked else 2, seed=900 + number)
    text = banked_dbc(cells=6) if banked else plain_dbc(truth.cells.shape[1], 2, big=number % 2 == 1)
    held = cantools.database.load_string(text, "dbc")
    return Sent(truth, held, text, banked_bus(truth, held) if banked else plain_bus(truth, held), banked)


# --- damage to frames -------------------------------------------------------------------------------------------

Sending = list[tuple[float, int, bool, bytes]]


def untouched(frames: Sending, rng: random.Random) -> Sending:
    return frames


def lost(frames: Sending, rng: random.Random) -> Sending:
    part = rng.choice((0.002, 0.05))
    return [f for f in frames if rng.random() > part]


def many_lost(frames: Sending, rng: random.Random) -> Sending:
    return [f for f in frames if rng.random() > 0.3]


def sent_twice(frames: Sending, rng: random.Random) -> Sending:
    return [f for frame in frames for f in ([frame, frame] if rng.random() < 0.02 else [frame])]


def short(frames: Sending, rng: random.Random) -> Sending:
    return [
        (t, i, x, d[: rng.randrange(8)]) if rng.random() < 0.03 else (t, i, x, d) for t, i, x, d in frames
    ]


def strangers(frames: Sending, rng: random.Random) -> Sending:
    more = [
        (t + 0.0001, rng.randrange(0x700, 0x7F0), False, rng.randbytes(rng.randrange(9)))
        for t, *_ in frames[::3]
    ]
    return sorted([*frames, *more], key=lambda f: f[0])


def silent(frames: Sending, rng: random.Random) -> Sending:
    first, last = frames[0][0], frames[-1][0]
    at = rng.uniform(first, last)
    until = at + rng.choice((3.0, 20.0))
    return [f for f in frames if not at <= f[0] <= until]


FRAME_DAMAGES: tuple[Callable[[Sending, random.Random], Sending], ...] = (
    untouched, untouched, lost, many_lost, sent_twice, short, strangers, silent,
)  # fmt: skip


# --- what may come back -----------------------------------------------------------------------------------------


def decoded(frames: list[tuple[int, bytes]], one: Sent) -> Readings:
    """Return what cantools makes of frames that were not sent like this, by cell."""
    by_ident = {m.frame_id: m for m in one.database.messages}
    out: Readings = {}
    for ident, data in set(frames) - {(f[1], f[3]) for f in one.bus.frames}:
        message = by_ident.get(ident)
        if message is None:
            continue
        try:
            values = message.decode(data, decode_choices=False, allow_truncated=True)
        except Exception:  # another library's errors: nothing is read there
            continue
        for name, value in values.items():
            if name.startswith("CellU"):
                out.setdefault(int(name[5:]), set()).add(round(float(value) * 1000))
    return out


def by_simplest_reading(data: bytes) -> list[tuple[int, bytes]]:
    """Return the frames that any line of text could be: an identifier, and the pairs of digits behind it."""
    out = []
    for line in re.split(r"[\r\n]+", data.decode("latin-1")):
        parts = re.findall(r"[0-9A-Fa-f]+", line)
        for k, part in enumerate(parts):
            for width in (3, 4, 8):
                if len(part) == width:
                    rest = "".join(p for p in parts[k + 1 :])
                    pairs = [p for p in parts[k + 1 :] if len(p) == 2]
                    for body in (rest, "".join(pairs), "".join(pairs[1:])):
                        out.append((int(part, 16), bytes.fromhex(body[: len(body) // 2 * 2])[:8]))
    return out


def by_library(path: Path) -> list[tuple[int, bytes]]:
    """Return the frames that python-can finds before it stumbles."""
    import can

    out = []
    try:
        with can.LogReader(path) as reader:
            for message in reader:
                out.append((message.arbitration_id, bytes(message.data)))
    except Exception:  # whatever it raises on damaged bytes: it reads no further
        pass
    return out


def joined(*several: Readings) -> Readings:
    out: Readings = {}
    for one in several:
        for cell, values in one.items():
            out.setdefault(cell, set()).update(values)
    return out


def of_truth(truth: Truth) -> Readings:
    return {
        c + 1: set(np.rint(truth.cells[:, c] * 1000).astype(int).tolist())
        for c in range(truth.cells.shape[1])
    }


def invented(log_path: Path, there: Readings) -> str | None:
    """Return a reading that stands nowhere in the file, None where there is none."""
    log = read_log(log_path)
    if np.any(np.diff(log.time.astype(np.int64)) <= 0):
        return "stamps that do not rise"
    for k, cell in enumerate(log.cells):
        column = log.cell_voltage[:, k]
        got = set(np.rint(column[np.isfinite(column)] * 1000).astype(int).tolist())
        if not got <= there.get(int(cell), set()):
            return (
                f"cell {cell}: {sorted(got - there.get(int(cell), set()))[:3]} mV stand nowhere in the file"
            )
    return None


def moved(log_path: Path, truth: Truth, scans: int = 0) -> str | None:
    """Return a reading that is not the one of its moment, None where there is none: frames were lost, none changed.

    Parameters
    ----------
    scans
        How many scans it may be off: where three frames of ten are lost, the period between two that lead is not
        always told, and the second half of a scan may stand with the first half of one shortly before.
    """
    log = read_log(log_path)
    at = log.time.astype("datetime64[us]").astype(np.int64) / 1e6
    sent_at = seconds(truth)
    row = np.clip(np.rint(np.interp(at, sent_at, np.arange(len(sent_at)))).astype(int), 0, len(sent_at) - 1)
    got = np.rint(log.cell_voltage * 1000)
    wrong = np.isfinite(got)
    for off in range(-scans, scans + 1):
        wrong &= got != np.rint(truth.cells[np.clip(row + off, 0, len(sent_at) - 1)] * 1000)
    if not wrong.any():
        return None
    r, c = np.argwhere(wrong)[0]
    return f"row {r}: cell {c + 1} is {got[r, c]} mV where {truth.cells[row[r], c] * 1000:.0f} was sent"


# --- the cases --------------------------------------------------------------------------------------------------


def in_this_process(text: str, kind: str, path: Path, sha256: str) -> databases.Definitions:
    """Read a database as the process of its own does, without starting one: that takes a second."""
    import json

    from bmslogs.base.errors import BadInput

    try:
        answer = json.loads(json.dumps(parsing.answer(text, kind)))
    except Exception:  # there the process ends without an answer
        raise BadInput("keeps cantools from ending", "a database that cantools reads", file=path) from None
    return databases.of_answer(answer, path, sha256)


class Field:
    """The cases of one seed after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.whole: dict[tuple[str, int], bytes] = {}

    def case(self, seed: int, kind: str) -> tuple[str, str, str]:
        """Run one case; return how it ended (``read``, ``refused``), the kind and the damage.

        Raises
        ------
        AssertionError
            A reading was invented or moved, a sound recording was refused, or it took too long.
        """
        rng = random.Random(f"{kind} {seed}")
        number = seed % TRUTHS
        began = time.perf_counter()
        store = self.folder / f"store{seed}"
        try:
            if kind in FORMATS:
                ended, damage = self._recording(seed, kind, number, rng, store)
            else:
                ended, damage = self._database(seed, kind.lower(), number, rng, store)
        finally:
            shutil.rmtree(store, ignore_errors=True)
        took = time.perf_counter() - began
        assert took < LONGEST_S, f"{took:.1f} s"
        return ended, kind, damage

    def _recording(
        self, seed: int, kind: str, number: int, rng: random.Random, store: Path
    ) -> tuple[str, str]:
        one = sent(number)
        of_bytes = rng.random() < 0.6
        harm = rng.choice(FRAME_DAMAGES) if not of_bytes else untouched
        path = self.folder / f"{seed}.{FORMATS[kind]}"
        spoil = rng.choice(BYTE_DAMAGES)
        data = self._written(kind, number, one, harm, rng)
        path.write_bytes(spoil(data, rng) if of_bytes else data)
        try:
            log = self._brought(path, one, store, sound=harm is untouched and not of_bytes)
            if log is not None:
                wrong = self._judged(log, path, one, kind, of_bytes, harm)
                assert wrong is None, wrong
        finally:
            path.unlink(missing_ok=True)
        return "refused" if log is None else "read", spoil.__name__ if of_bytes else harm.__name__

    def _judged(self, log: Path, path: Path, one: Sent, kind: str, of_bytes: bool, harm: Any) -> str | None:
        if not of_bytes:
            return moved(log, one.truth, scans=4 if harm is many_lost else 0)
        if kind == "MF4":
            return None  # frames lie unpacked in it, without a sum, and no other library here reads it
        found = by_library(path) if kind == "BLF" else by_simplest_reading(path.read_bytes())
        return invented(log, joined(of_truth(one.truth), decoded(found, one)))

    def _written(self, kind: str, number: int, one: Sent, harm: Any, rng: random.Random) -> bytes:
        if harm is untouched and (kind, number) in self.whole:
            return self.whole[(kind, number)]
        path = self.folder / f"whole.{FORMATS[kind]}"
        bus = Bus(harm(one.bus.sorted(), rng))
        data = (record_mf4(bus, path, START) if kind == "MF4" else record(bus, path)).read_bytes()
        path.unlink()
        if harm is untouched:
            self.whole[(kind, number)] = data
        return data

    def _database(
        self, seed: int, kind: str, number: int, rng: random.Random, store: Path
    ) -> tuple[str, str]:
        if kind == "arxml" and sent(number).banked:
            number -= 1  # the writer of ARXML here knows no multiplexers
        one = sent(number)
        spoil = rng.choice((untouched, *BYTE_DAMAGES, *BYTE_DAMAGES))
        data = database_text(number, kind).encode()
        signals = self.folder / f"{seed}.{kind}"
        signals.write_bytes(data if spoil is untouched else spoil(data, rng))
        path = self.folder / f"{seed}.log"
        path.write_bytes(self._written("candump", number, one, untouched, rng))
        own = databases._parsed
        # one in fifty the way that it is done: in a process of its own
        databases._parsed = own if seed % 50 == 0 else in_this_process
        try:
            log = self._brought(path, one, store, sound=spoil is untouched, signals=signals)
            if log is not None and spoil is untouched:
                wrong = moved(log, one.truth)
                assert wrong is None, wrong
        finally:
            databases._parsed = own
            databases._KNOWN.clear()
            path.unlink(missing_ok=True)
            signals.unlink(missing_ok=True)
        return "refused" if log is None else "read", spoil.__name__

    def _brought(
        self, path: Path, one: Sent, store: Path, *, sound: bool, signals: Path | None = None
    ) -> Path | None:
        if signals is None:
            signals = self.folder / f"sound-{hashlib.sha256(one.text.encode()).hexdigest()[:12]}.dbc"
            if not signals.exists():
                signals.write_text(one.text, encoding="utf-8")
                load_definitions(signals)
        profile = parse_profile({"current": {"discharge": "positive"}})
        report = Store(store).import_files([path], pack_for(one.truth), profile, signals=signals)
        assert len(report.logs) + len(report.refused) == 1
        if report.refused:
            reason = report.refused[0].reason
            assert not sound, reason
            assert "\n" not in reason and "Traceback" not in reason and len(reason) < 2500, reason
            return None
        return Store(store).log_path(report.logs[0].id)


@functools.cache
def database_text(number: int, kind: str) -> str:
    """Return the database of a drive in one of the formats."""
    one = sent(number)
    if kind == "arxml":
        return arxml_of(one.database)
    if kind == "kcd":
        return str(one.database.as_kcd_string())
    return str(one.database.as_sym_string()) if kind == "sym" else one.text
