"""What all stored answers of a pack told, gathered into one columnar file a pack: a cache, never the truth.

It lies in the store as ``_history/PACK.npz`` and says of each log which answer it was made from (size and time of
change of its file); what has changed is read anew, the rest is not looked at again. Two thousand logs are then one
file to read.
"""

from __future__ import annotations

import io
import json
import os
import secrets
import time
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from bmslogs.base.columns import numbered
from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.base.version import __version__
from bmslogs.findings.compare.measured import SENSING
from bmslogs.findings.history.counting import counted
from bmslogs.findings.history.gathered import CONDITIONS, COUNTERS, Column, Gathered, Told
from bmslogs.store import Store
from bmslogs.store.entries import LogEntry
from bmslogs.store.files import folder_name, placed

LAYOUT = 1  # of the file; another one is made anew
QUANTITIES = (
    "resistance_10s",
    "resistance_10s_relative",
    "soc_offset",
    "bleed_needed",
    "capacity",
    "capacity_relative",
    "leak_current_relative",
    "bleed_done",
    "heating",
    "resistance_outside_taps",
)
"""What is gathered of each answer."""
FIELDS = ("value", "low", "high", "temperature")
NO_ANSWER = (-1, -1)
Stamp = tuple[int, int]
Grid = npt.NDArray[np.float32]
Progress = Callable[[str], None]


@dataclass
class _Row:
    """One log as it is gathered."""

    id: str
    stamp: Stamp
    start: str
    kinds: tuple[str, ...]
    cells: dict[str, dict[Column, tuple[float, float, float, float]]] = field(default_factory=dict)
    conditions: dict[str, tuple[float, ...]] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    spoiled: tuple[int, ...] = ()
    zero_A: float = 0.0


@dataclass
class _Kept:
    """The file of one pack, in memory: logs as rows, in any order."""

    ids: list[str] = field(default_factory=list)
    stamps: list[Stamp] = field(default_factory=list)
    start: list[str] = field(default_factory=list)
    kinds: list[tuple[str, ...]] = field(default_factory=list)
    zero_A: list[float] = field(default_factory=list)
    spoiled: list[tuple[int, ...]] = field(default_factory=list)
    columns: dict[str, list[Column]] = field(default_factory=dict)
    grids: dict[str, dict[str, Grid]] = field(default_factory=dict)
    conditions: dict[str, Grid] = field(default_factory=dict)
    why: dict[str, list[str]] = field(default_factory=dict)
    counters: dict[str, dict[str, float]] = field(default_factory=dict)
    sensors: dict[str, dict[str, float]] = field(default_factory=dict)


def gather(
    store: Store, pack: Pack, *, seconds: float | None = None, progress: Progress | None = None
) -> Gathered:
    """Return what the stored answers of a pack told, in order of time.

    Parameters
    ----------
    seconds
        Longest time to spend on answers that are new since the last time; what is left over is counted in `missing`
        and read the next time. None reads all.
    progress
        Called with the id of each log that is read.
    """
    until = None if seconds is None else time.monotonic() + seconds
    entries = {e.id: e for e in store.logs(pack.id)}
    stamps = _stamps(store, pack.id)
    kept = load(store.root, pack.id)
    fresh = {i for i, s in zip(kept.ids, kept.stamps) if i in entries and stamps.get(i, NO_ANSWER) == s}
    todo = [i for i in entries if i not in fresh and i in stamps]
    rows: list[_Row] = []
    unanswered = [i for i in entries if i not in stamps]
    for log_id in todo:
        if until is not None and rows and time.monotonic() > until:
            break
        document = store.answer(log_id)
        if document is None:  # made by another version
            unanswered.append(log_id)
            continue
        if progress:
            progress(log_id)
        rows.append(row_of(document, log_id, stamps[log_id]))
    changed = bool(rows) or len(fresh) != len(kept.ids)
    if changed:
        kept = _joined(_chosen(kept, [i in fresh for i in kept.ids]), rows)
    changed |= _count(kept, entries, until, progress)
    if changed:
        save(store.root, pack.id, kept)
    return _gathered(kept, pack, len(entries), tuple(unanswered))


def gathered_from(pack: Pack, documents: Sequence[Mapping[str, Any]]) -> Gathered:
    """Return what diagnoses (their JSON objects) that lie in no store told; charge and energy are not counted."""
    rows = [row_of(d, str(d["log"]["id"]), NO_ANSWER) for d in documents]
    return _gathered(_joined(_Kept(), rows), pack, len(rows))


def answers_stamp(store: Store, pack_id: str) -> tuple[tuple[str, Stamp], ...]:
    """Return what tells whether a pack's logs or answers have changed since they were gathered."""
    stamps = _stamps(store, pack_id)
    return tuple(sorted((e.id, stamps.get(e.id, NO_ANSWER)) for e in store.logs(pack_id)))


def _stamps(store: Store, pack_id: str) -> dict[str, Stamp]:
    """Return log id to size and time of change of its answer's file."""
    folder = store.root / "_answers" / folder_name("pack", pack_id).removeprefix("pack=")
    try:
        with os.scandir(folder) as files:
            found = [
                (f.name, f.stat()) for f in files if f.name.endswith(".json") and not f.name.startswith("_")
            ]
    except OSError:
        return {}
    return {name.removesuffix(".json"): (s.st_size, s.st_mtime_ns) for name, s in found}


def row_of(document: Mapping[str, Any], log_id: str, stamp: Stamp) -> _Row:
    """Return one answer (its JSON object) as a row."""
    log = document["log"]
    row = _Row(log_id, stamp, str(log["start"]).removesuffix("Z"), tuple(log.get("kinds", ())))
    row.spoiled = tuple(
        sorted({int(c) for f in document["findings"] if f["cause"] in SENSING for c in f["cells"]})
    )
    estimates: dict[str, list[Mapping[str, Any]]] = {}
    for e in document["estimates"]:
        estimates.setdefault(e["quantity"], []).append(e)
    for quantity in QUANTITIES:
        of = estimates.get(quantity, [])
        known = [e for e in of if e["status"] == "determined" and e["value"] is not None]
        row.cells[quantity] = {_column(e): _numbers(e) for e in known}
        row.conditions[quantity] = tuple(_condition(known, c) for c in CONDITIONS)
        if not known:
            row.why[quantity] = next((str(e["why"]) for e in of if e.get("why")), "the log does not hold it")
    zero = next((e["value"] for e in estimates.get("current_zero", ()) if e["value"] is not None), None)
    row.zero_A = float(zero) if zero is not None else 0.0
    return row


def _column(e: Mapping[str, Any]) -> Column:
    return e["cell"] if e.get("cell") is not None else e.get("sensor")


def _numbers(e: Mapping[str, Any]) -> tuple[float, float, float, float]:
    value = float(e["value"])
    low, high = (float(e[k]) if e.get(k) is not None else np.nan for k in ("low", "high"))
    warm = e.get("conditions", {}).get("temperature_C")
    return value, low, high, float(warm) if isinstance(warm, int | float) else np.nan


_CONDITION_KEYS = {"current_A": ("current_rms_A", "step_A"), "middle": ("median_K_per_A2",)}


def _condition(known: Sequence[Mapping[str, Any]], name: str) -> float:
    """Return the middle of a condition over the estimates of a log."""
    keys = _CONDITION_KEYS.get(name, (name,))
    found = [
        float(v) for e in known for k in keys if isinstance(v := e.get("conditions", {}).get(k), int | float)
    ]
    return float(np.median(found)) if found else np.nan


def _chosen(kept: _Kept, keep: Sequence[bool]) -> _Kept:
    """Return some rows of what is kept."""
    rows = np.flatnonzero(np.asarray(keep, bool))
    ids = [kept.ids[k] for k in rows]

    def some(x: list[Any]) -> list[Any]:
        return [x[k] for k in rows]

    return _Kept(
        ids, some(kept.stamps), some(kept.start), some(kept.kinds), some(kept.zero_A), some(kept.spoiled),
        {q: list(c) for q, c in kept.columns.items()},
        {q: {f: g[rows] for f, g in fields.items()} for q, fields in kept.grids.items()},
        {q: c[rows] for q, c in kept.conditions.items()},
        {q: some(w) for q, w in kept.why.items()},
        {i: kept.counters[i] for i in ids if i in kept.counters},
        {i: kept.sensors[i] for i in ids if i in kept.sensors},
    )  # fmt: skip


def _joined(kept: _Kept, rows: Sequence[_Row]) -> _Kept:
    """Add rows to what is kept."""
    kept.ids += [r.id for r in rows]
    kept.stamps += [r.stamp for r in rows]
    kept.start += [r.start for r in rows]
    kept.kinds += [r.kinds for r in rows]
    kept.zero_A += [r.zero_A for r in rows]
    kept.spoiled += [r.spoiled for r in rows]
    before = len(kept.ids) - len(rows)
    for quantity in QUANTITIES:
        columns = kept.columns.setdefault(quantity, [])
        seen = set(columns)
        columns += [c for c in dict.fromkeys(c for r in rows for c in r.cells[quantity]) if c not in seen]
        place = {c: k for k, c in enumerate(columns)}
        grids = kept.grids.setdefault(quantity, {})
        more = np.full((len(FIELDS), len(rows), len(columns)), np.nan, np.float32)
        for k, row in enumerate(rows):
            for column, numbers in row.cells[quantity].items():
                more[:, k, place[column]] = numbers
        for name, part in zip(FIELDS, more, strict=True):
            old = np.full((before, len(columns)), np.nan, np.float32)
            if name in grids:
                old[:, : grids[name].shape[1]] = grids[name]
            grids[name] = np.concatenate([old, part])
        told = kept.conditions.get(quantity, np.full((before, len(CONDITIONS)), np.nan, np.float32))
        new = np.array([r.conditions[quantity] for r in rows], np.float32).reshape(len(rows), len(CONDITIONS))
        kept.conditions[quantity] = np.concatenate([told, new])
        kept.why[quantity] = kept.why.get(quantity, [""] * before) + [r.why.get(quantity, "") for r in rows]
    return kept


def _count(
    kept: _Kept, entries: Mapping[str, LogEntry], until: float | None, progress: Progress | None
) -> bool:
    """Add up charge, energy and warmth of the logs that were not yet; return whether any was."""
    some = False
    for k, log_id in enumerate(kept.ids):
        if log_id in kept.counters:
            continue
        if until is not None and time.monotonic() > until:
            break
        if progress:
            progress(log_id)
        kept.counters[log_id], kept.sensors[log_id] = count_log(
            entries[log_id].path, kept.zero_A[k], "parked" in kept.kinds[k] and len(kept.kinds[k]) == 1
        )
        some = True
    return some


def count_log(path: Path, zero_A: float, parked: bool) -> tuple[dict[str, float], dict[str, float]]:
    """Add up a stored log: what its rows hold of charge, energy and warmth; nothing where it cannot be read.

    Parameters
    ----------
    zero_A
        What its current reads when nothing flows [A].
    parked
        Whether the pack only stood: its current is then not counted.
    """
    try:
        with pq.ParquetFile(path) as file:
            names = file.schema_arrow.names
            cells = [n for n in names if numbered("cell", n) is not None] if "pack_V" not in names else []
            warm = sorted(n for n in names if numbered("temperature", n) is not None)
            wanted = ["time", *(n for n in ("current_A", "pack_V") if n in names), *cells, *warm]
            table = file.read(columns=wanted)
            meta = file.schema_arrow.metadata or {}
    except (BmsLogsError, OSError, ValueError):
        return {}, {}
    values = {n: np.asarray(table[n].to_numpy(), float) for n in wanted if n != "time"}
    seconds = table["time"].to_numpy().astype("datetime64[us]").astype(np.int64) * 1e-6
    volts = values.get("pack_V")
    if volts is None and cells:
        volts = np.sum([values[n] for n in cells], axis=0) * 1e-3
    current = values.get("current_A") if not parked else None
    hot = np.stack([values[n] for n in warm], axis=1) if warm else np.zeros((len(seconds), 0))
    counters, sensors = counted(seconds, None if current is None else current - zero_A, volts, hot)
    places = [numbered("temperature", n) or 0 for n in warm]
    pack = _pack_of(meta, path)
    names_of = [pack.sensor_name(p) if pack else f"T{p:02d}" for p in places]
    told = {n: float(v) for n, v in zip(names_of, sensors, strict=True) if np.isfinite(v)}
    return {k: v for k, v in counters.items() if np.isfinite(v)}, told


def _pack_of(meta: Mapping[bytes, bytes], path: Path) -> Pack | None:
    try:
        return placed(Pack.model_validate_json(meta[b"bmslogs.pack_json"]), path)
    except (KeyError, ValueError):
        return None


def _gathered(kept: _Kept, pack: Pack, logs: int, unanswered: tuple[str, ...] = ()) -> Gathered:
    """Return what is kept as arrays in order of time."""
    start = np.array(kept.start, "datetime64[us]")
    order = np.lexsort((np.array(kept.ids, dtype=str), start)) if kept.ids else np.zeros(0, np.intp)
    ids = tuple(kept.ids[k] for k in order)
    told = {q: _told(kept, q, order) for q in QUANTITIES if q in kept.columns and kept.ids}
    counters = {n: np.array([kept.counters.get(i, {}).get(n, np.nan) for i in ids], float) for n in COUNTERS}
    names = sorted({n for i in ids for n in kept.sensors.get(i, {})})
    sensors = {n: np.array([kept.sensors.get(i, {}).get(n, np.nan) for i in ids], float) for n in names}
    return Gathered(
        pack, ids, start[order], told, counters, sensors, tuple(kept.kinds[k] for k in order),
        logs - len(ids), unanswered, sum(i not in kept.counters for i in ids),
    )  # fmt: skip


def _told(kept: _Kept, quantity: str, order: npt.NDArray[np.intp]) -> Told:
    found = kept.columns[quantity]
    cells = sorted(c for c in found if isinstance(c, int))
    columns: list[Column] = [
        *cells,
        *(c for c in found if isinstance(c, str)),
        *(c for c in found if c is None),
    ]
    take = [found.index(c) for c in columns]
    grids = {n: g[order][:, take].astype(float) for n, g in kept.grids[quantity].items()}
    conditions = kept.conditions[quantity][order].astype(float)
    spoiled = np.zeros((len(order), len(columns)), bool)
    for row, k in enumerate(order):
        for cell in kept.spoiled[k]:
            if cell in columns:
                spoiled[row, columns.index(cell)] = True
    return Told(
        tuple(columns), grids["value"], grids["low"], grids["high"], grids["temperature"],
        {n: conditions[:, i] for i, n in enumerate(CONDITIONS)}, tuple(kept.why[quantity][k] for k in order), spoiled,
    )  # fmt: skip


# --- the file -----------------------------------------------------------------------------------------------------


def cache_path(root: Path, pack_id: str) -> Path:
    """Return where a pack's gathered answers lie."""
    return root / "_history" / f"{folder_name('pack', pack_id).removeprefix('pack=')}.npz"


def load(root: Path, pack_id: str) -> _Kept:
    """Read the file of a pack; nothing where there is none, or it is of another version or damaged."""
    try:
        with np.load(cache_path(root, pack_id), allow_pickle=False) as file:
            data = json.loads(file["data"].tobytes())
            if data["made_by"] != made_by():
                return _Kept()
            grids = {
                q: {f: file[f"{q}.{f}"] for f in FIELDS}
                for q in data["columns"]
                if f"{q}.value" in file.files
            }
            conditions = {q: file[f"{q}.conditions"] for q in grids}
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        return _Kept()
    words = data["words"]
    return _Kept(
        data["ids"], [(int(a), int(b)) for a, b in data["stamps"]], data["start"],
        [tuple(k) for k in data["kinds"]], data["zero_A"], [tuple(s) for s in data["spoiled"]], data["columns"], grids,
        conditions, {q: [words[k] for k in w] for q, w in data["why"].items()}, data["counters"], data["sensors"],
    )  # fmt: skip


def save(root: Path, pack_id: str, kept: _Kept) -> None:
    """Write the file of a pack in one piece; a store that cannot be written is gathered anew each time."""
    words: dict[str, int] = {}
    why = {q: [words.setdefault(w, len(words)) for w in reasons] for q, reasons in kept.why.items()}
    data = {
        "made_by": made_by(), "ids": kept.ids, "stamps": kept.stamps, "start": kept.start, "kinds": kept.kinds,
        "zero_A": kept.zero_A, "spoiled": kept.spoiled, "columns": kept.columns, "why": why, "words": list(words),
        "counters": kept.counters, "sensors": kept.sensors,
    }  # fmt: skip
    arrays: dict[str, Any] = {"data": np.frombuffer(json.dumps(data).encode(), np.uint8)}
    for q, fields in kept.grids.items():
        arrays |= {f"{q}.{name}": grid for name, grid in fields.items()}
        arrays[f"{q}.conditions"] = kept.conditions[q]
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    path = cache_path(root, pack_id)
    aside = path.with_name(f"_{path.name}.{os.getpid()}-{secrets.token_hex(4)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_bytes(buffer.getvalue())
        aside.replace(path)
    except OSError:
        aside.unlink(missing_ok=True)


def made_by() -> str:
    """Return what the file depends on beside the answers."""
    return f"{__version__}/{LAYOUT}"
