"""Several files that make one log: parts one after the other, or the current apart from the cells."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import SCHEMA
from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.version import __version__
from bmslogs.importers.can.into_table import Table, as_table, recording_kind, with_delays
from bmslogs.importers.clock_offset import Alignment, align, nearest
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.plan.profile_text import profile_toml
from bmslogs.importers.plan.repairs import iso
from bmslogs.importers.plan.sign import Stated, judge_sign
from bmslogs.importers.reading.stream import Reading, metadata, read_whole
from bmslogs.importers.reading.table_writer import ROW_GROUP, TableWriter, finish_parquet, open_parquet
from bmslogs.importers.recognise.currents import NO_CURRENT
from bmslogs.importers.recognise.look import Job, look_at
from bmslogs.importers.text.arrow import arrow_numbers
from bmslogs.store.entries import Imported, RepairEntry, content_key, log_id, mapping_key, moment, seal
from bmslogs.store.files import store_errors
from bmslogs.store.pack_notes import pack_notes, thinned_file
from bmslogs.store.signals import KeptSignals

if TYPE_CHECKING:
    from bmslogs.store.store import Store


@dataclass
class Part:
    """One file of several, normalised into a temporary file."""

    job: Job
    reading: Reading
    path: Path

    @property
    def start(self) -> int:
        """First stamp [us]."""
        return self.reading.findings.start or 0


def bring_together(
    store: Store,
    files: list[Path],
    pack: Pack,
    profile: Profile,
    modules: tuple[str, ...] | None,
    strict: bool,
    progress: Callable[[str], None] | None,
    signals: KeptSignals,
) -> Imported:
    """Import files as parts of one log.

    Raises
    ------
    BadInput
        One of them cannot be read, or they do not fit together.
    """
    mapping = mapping_key(profile.canonical(), modules)
    recorded = any(recording_kind(path) is not None for path in files)
    if recorded:
        mapping = signals.mapping(mapping)
    parts: list[Part] = []
    joined: Path | None = None
    try:
        for path in files:
            if progress is not None:
                progress(path.name)
            parts.append(_part(store, path, pack, profile, modules, signals))
        sha = hashlib.sha256("".join(sorted(p.reading.sha256 for p in parts)).encode()).hexdigest()
        for entry in store.logs(pack.id):
            if entry.sha256 == sha and entry.mapping == mapping and entry.version == __version__:
                return Imported(
                    entry.id,
                    " + ".join(map(str, files)),
                    entry.rows,
                    entry.start,
                    entry.end,
                    "known",
                    entry.repairs,
                )
        whole = [p for p in parts if p.job.plan.cells and _has_current(p)]
        joined = store.incoming()
        with store_errors(store.root):
            if len(whole) == len(parts):
                rows, more = _in_turn(parts, joined)
            else:
                rows, more = _beside(parts, joined, pack)
        done = _committed(store, parts, joined, pack, mapping, sha, rows, more, strict)
        if recorded:
            signals.keep()
        return done
    finally:
        for part in parts:
            part.path.unlink(missing_ok=True)
        if joined is not None:
            joined.unlink(missing_ok=True)


def _has_current(part: Part) -> bool:
    return bool(part.job.plan.of("current", "charge current", "discharge current"))


def _part(
    store: Store,
    path: Path,
    pack: Pack,
    profile: Profile,
    modules: tuple[str, ...] | None,
    signals: KeptSignals,
) -> Part:
    """Read one file, though it may lack the cells or the current."""
    temporary = store.incoming()
    definitions = signals.definitions if recording_kind(path) is not None else None
    with as_table(
        path, definitions, profile=profile, pack=pack, modules=modules, folder=temporary.parent
    ) as table:
        return _part_of(store, table, temporary, pack, profile, modules)


def _part_of(
    store: Store,
    table: Table,
    temporary: Path,
    pack: Pack,
    profile: Profile,
    modules: tuple[str, ...] | None,
) -> Part:
    path = table.source.path
    job = look_at(path, profile, pack, modules, table.source)
    lacking = [p for p in job.plan.problems if p.found.startswith((NO_CURRENT, "no cell voltages found"))]
    others = [p for p in job.plan.problems if p not in lacking]
    if others or len(lacking) > 1:
        raise (others or lacking)[0].in_file(path)
    plan = table.agreed(replace(job.plan, problems=()))
    with store_errors(store.root):
        reading, writer = read_whole(
            job.source,
            plan,
            pack,
            job.never,
            job.regular,
            job.corrections,
            lambda p: TableWriter(temporary, p),
        )
        writer.schema = with_delays(writer.schema, table.delays)
        writer.close({})
    return Part(job, reading, temporary)


def _in_turn(parts: list[Part], target: Path) -> tuple[int, list[RepairEntry]]:
    """Write parts that follow each other in time; rows that two of them hold are taken once."""
    parts.sort(key=lambda p: p.start)
    schema = pq.read_schema(parts[0].path)
    for part in parts[1:]:
        names = pq.read_schema(part.path).names
        lost = [n for n in schema.names if n not in names and not n.startswith("extra_")]
        added = [n for n in names if n not in schema.names and not n.startswith("extra_")]
        if lost or added:
            raise BadInput(
                f"other columns than in the first part ({', '.join((lost or added)[:3])})",
                "parts of one log with the same columns",
                file=part.job.source.path,
            )
    schema = pa.schema([f for f in schema if all(f.name in pq.read_schema(p.path).names for p in parts)])
    fine = any(p.reading.plan.fine for p in parts)
    schema = pa.schema(
        [f.with_type(pa.float32()) if fine and f.name.startswith("cell_") else f for f in schema]
    )
    writer = open_parquet(target, schema)
    last, rows, twice = None, 0, 0
    for part in parts:
        for batch in _batches(part.path, schema):
            time = batch.column("time").cast(pa.int64()).to_numpy()
            keep = np.ones(len(time), dtype=bool) if last is None else time > last
            twice += int((~keep).sum())
            piece = batch if keep.all() else batch.filter(arrow_numbers(keep))
            if piece.num_rows:
                last = int(time[keep][-1])
                rows += piece.num_rows
                writer.write_table(piece, row_group_size=ROW_GROUP)
    finish_parquet(writer, schema, {})
    more = []
    if twice:
        more.append(
            _entry("parts_overlap", twice, f"{twice} rows that two of the files hold were taken once")
        )
    return rows, more


def _batches(path: Path, schema: pa.Schema) -> Iterator[pa.Table]:
    with pq.ParquetFile(path) as file:
        for k in range(file.num_row_groups):
            yield file.read_row_group(k, columns=schema.names).cast(schema)


def _beside(parts: list[Part], target: Path, pack: Pack) -> tuple[int, list[RepairEntry]]:
    """Write the cells of one file with the current of another, its clock moved to fit the voltages."""
    cells, amps = _cells_and_current(parts)
    left, right = pq.read_table(cells.path), pq.read_table(amps.path)
    time_v = left["time"].cast(pa.int64()).to_numpy()
    time_i = right["time"].cast(pa.int64()).to_numpy()
    current = right["current_A"].to_numpy().astype(np.float64)
    names = [n for n in left.column_names if n.startswith("cell_")]
    mean = np.mean([left[n].to_numpy().astype(np.float64) for n in names], axis=0) * 1e-3
    found = align(time_v, mean, time_i, current)
    shift = 0 if found.shift_s is None else round(found.shift_s * 1e6)
    if found.shift_s is None and (time_i[-1] < time_v[0] or time_i[0] > time_v[-1]):
        raise Ambiguous(
            "the two clocks do not meet, and nothing in the readings tells the shift",
            "files whose current moves, or stamps of one clock",
            file=amps.job.source.path,
        )
    period = max(float(np.median(np.diff(time_v))), float(np.median(np.diff(time_i))))
    pick = nearest(time_v, time_i + shift, int(0.51 * period))
    beside = np.where(pick >= 0, current[np.maximum(pick, 0)], np.nan)
    evidence = cells.reading.findings.sign
    evidence.add(time_v, beside, mean)
    plan = amps.job.plan
    # a sign that the profile gives, or two columns, is in the readings already
    in_readings = plan.sign_fixed or bool(plan.of("discharge current"))
    stated = Stated(1 if plan.sign_fixed else 0, plan.sign_hint, plan.sign_says)
    verdict = judge_sign(evidence, pack.nominal_capacity_Ah, stated)
    factor = 1 if in_readings and verdict.factor is not None else verdict.factor
    if factor is None:
        raise Ambiguous(
            f"which sign of the current is discharge: {verdict.why}",
            verdict.settle,
            file=amps.job.source.path,
        )
    beside = beside * factor
    field = right.schema.field("current_A")
    column = arrow_numbers(beside.astype(np.float32), np.isnan(beside))
    table = left.add_column(1, field, column)
    for name in ("pack_V",):
        if name in right.column_names and name not in left.column_names:
            taken = right[name].take(arrow_numbers(np.maximum(pick, 0)))
            table = table.add_column(
                2, right.schema.field(name), pa.compute.if_else(arrow_numbers(pick >= 0), taken, None)
            )
    schema = table.schema.remove_metadata()
    writer = open_parquet(target, schema)
    writer.write_table(table.cast(schema), row_group_size=ROW_GROUP)
    finish_parquet(writer, schema, {})
    return table.num_rows, [
        _entry("clocks_aligned", table.num_rows, _moved(amps.job.source.path.name, found))
    ]


def _cells_and_current(parts: list[Part]) -> tuple[Part, Part]:
    """Return the file with the cells and the one with the current alone.

    Raises
    ------
    BadInput
        There are not two files, one of each.
    """
    with_cells = [p for p in parts if p.job.plan.cells]
    with_current = [p for p in parts if not p.job.plan.cells and _has_current(p)]
    if len(with_cells) != 1 or len(with_current) != 1 or len(parts) != 2:
        raise BadInput(
            f"{len(with_cells)} files with cells and {len(with_current)} with a current alone",
            "one file of cells and one of the current, or parts that have both",
            file=parts[0].job.source.path,
        )
    cells, amps = with_cells[0], with_current[0]
    if _has_current(cells):
        raise BadInput("both files have a current", "one of them", file=amps.job.source.path)
    return cells, amps


def _moved(name: str, found: Alignment) -> str:
    """Return in words how the clock of a file was moved."""
    if found.shift_s is None:
        return f"the current of {name} is taken by its stamps as they are; nothing moves that would show their shift"
    return (
        f"the clock of {name} was moved by {round(found.shift_s, 2) + 0.0:+.2f} s "
        f"(+- {found.uncertainty_s:.2f} s) so that current and voltages meet"
    )


def _entry(rule: str, rows: int, says: str) -> RepairEntry:
    return RepairEntry(rule=rule, rows=rows, columns=["time"], first=None, last=None, says=says)


def _sections(parts: list[Part], time: npt.NDArray[np.int64]) -> list[dict[str, Any]]:
    """Return the joints of the parts at their rows in the whole."""
    joints = sorted((j for p in parts for j in p.reading.joints), key=lambda j: j.time)
    return [replace(j, row=int(np.searchsorted(time, j.time))).to_json() for j in joints]


def _committed(
    store: Store,
    parts: list[Part],
    joined: Path,
    pack: Pack,
    mapping: str,
    sha: str,
    rows: int,
    more: list[RepairEntry],
    strict: bool,
) -> Imported:
    repairs = [RepairEntry(r) for p in parts for r in p.reading.repairs.to_json()] + more
    first = next((p for p in parts if p.job.plan.cells), parts[0])
    mended = [r for r in repairs if r["rule"] != "rows_put_together"]  # a layout, no damage
    if strict and mended:
        raise BadInput(
            f"needs repair: {'; '.join(map(str, mended))}",
            "a log without any, as --strict asks",
            file=first.job.source.path,
        )
    with pq.ParquetFile(joined) as file:
        time = file.read(columns=["time"])["time"].cast(pa.int64()).to_numpy()
        schema = file.schema_arrow
    profile = "\n".join(f"# {p.job.source.path.name}\n{profile_toml(p.reading.plan)}" for p in parts)
    meta = metadata(first.reading, first.job.source, pack, profile, __version__, SCHEMA)
    meta |= {
        "bmslogs.source": " + ".join(p.job.source.path.name for p in parts),
        "bmslogs.source_sha256": sha,
        "bmslogs.content_sha256": sha,
        "bmslogs.source_bytes": str(sum(p.job.source.size for p in parts)),
        "bmslogs.repairs": json.dumps(repairs, ensure_ascii=False),
        "bmslogs.rows": str(rows),
        "bmslogs.start": iso(int(time[0])),
        "bmslogs.end": iso(int(time[-1])),
        "bmslogs.mapping": mapping,
        "bmslogs.refresh_s": json.dumps(first.job.refresh),
        "bmslogs.sections": json.dumps(_sections(parts, time), ensure_ascii=False),
        "bmslogs.parts": json.dumps(
            [{"source": p.job.source.path.name, "sha256": p.reading.sha256} for p in parts]
        ),
    }
    notes = first.reading.notes
    notes += pack_notes(store, pack, thinned_file(joined, first.reading.plan.voltage_step), sha)
    meta["bmslogs.notes"] = json.dumps(notes, ensure_ascii=False)
    meta["bmslogs.seal"] = seal(meta)
    final = store.incoming()
    try:
        with store_errors(store.root):
            writer = open_parquet(final, schema.remove_metadata())
            for table in _batches(joined, schema.remove_metadata()):
                writer.write_table(table, row_group_size=ROW_GROUP)
            finish_parquet(writer, schema.remove_metadata(), meta)
        new_id = log_id(moment(meta["bmslogs.start"]), content_key(sha, pack.id, mapping))
        with store.locked():
            replaced = [
                e for e in store.logs(pack.id) if e.sha256 == sha and (e.id == new_id or e.mapping != mapping)
            ]
            store.commit(final, new_id, pack, replaced)
    finally:
        final.unlink(missing_ok=True)
    files = " + ".join(str(p.job.source.path) for p in parts)
    start, end = moment(meta["bmslogs.start"]), moment(meta["bmslogs.end"])
    return Imported(new_id, files, rows, start, end, "new", tuple(repairs), notes)
