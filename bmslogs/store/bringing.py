"""An import from file to store: known already, read, written aside, moved into place."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa

from bmslogs.base.columns import SCHEMA
from bmslogs.base.errors import Ambiguous, BadInput, StoreError
from bmslogs.base.pack import Pack
from bmslogs.base.version import __version__
from bmslogs.importers.can.into_table import Table, as_table, recording_kind, with_delays
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.plan.profile_text import profile_toml
from bmslogs.importers.reading.stream import Progress as BytesRead
from bmslogs.importers.reading.stream import Reading, metadata, read_whole
from bmslogs.importers.reading.table_writer import TableWriter
from bmslogs.importers.recognise.look import look_at
from bmslogs.importers.text.source import Source, open_source
from bmslogs.store.beginnings import beginning_of, handed_on
from bmslogs.store.entries import (
    Imported,
    ImportReport,
    LogEntry,
    Refused,
    RepairEntry,
    content_key,
    log_id,
    mapping_key,
    moment,
    seal,
)
from bmslogs.store.files import pack_of_log, store_errors
from bmslogs.store.overlaps import shared_rows
from bmslogs.store.pack_notes import pack_notes, refuse_unit, thinned_reading
from bmslogs.store.signals import KeptSignals

if TYPE_CHECKING:
    from bmslogs.store.store import Store


def bring_in(
    store: Store,
    files: list[Path],
    pack: Pack,
    profile: Profile,
    *,
    together: bool,
    modules: tuple[str, ...] | None,
    strict: bool,
    progress: Callable[[str], None] | None,
    signals: Path | None = None,
    read: BytesRead | None = None,
) -> ImportReport:
    """Import files one by one, or as parts of one log."""
    report = ImportReport()
    kept = KeptSignals(store, pack, signals)
    if together and len(files) > 1:
        from bmslogs.store.joining import bring_together

        try:
            report.logs.append(bring_together(store, files, pack, profile, modules, strict, progress, kept))
        except BadInput as error:
            report.refused.append(Refused(error.file.__str__() if error.file else str(files[0]), str(error)))
        return report
    for path in files:
        if progress is not None:
            progress(path.name)
        try:
            report.logs.append(bring_one(store, path, pack, profile, modules, strict, kept, read))
        except BadInput as error:
            report.refused.append(Refused(str(path), str(error.in_file(path))))
        except (pa.ArrowException, UnicodeError, OverflowError) as error:
            line = " ".join(str(error).split())[:200]
            report.refused.append(
                Refused(str(path), str(BadInput(f"cannot be read as a table ({line})", file=path)))
            )
    return report


def bring_one(
    store: Store,
    path: Path,
    pack: Pack,
    profile: Profile,
    modules: tuple[str, ...] | None,
    strict: bool,
    signals: KeptSignals,
    read: BytesRead | None = None,
) -> Imported:
    """Import one file as one log.

    Raises
    ------
    BadInput
        It is refused; the store is as it was.
    StoreError
        The store cannot be written.
    """
    recording = recording_kind(path)
    source = recording[1] if recording is not None else open_source(path)
    mapping = mapping_key(profile.canonical(), modules)
    if recording is not None:
        mapping = signals.mapping(mapping)
    known = _known(store, source, pack, mapping)
    if known is not None:
        return _as_known(known, path)
    definitions = signals.definitions if recording is not None else None
    temporary = store.incoming()
    with as_table(
        path, definitions, profile=profile, pack=pack, modules=modules, folder=temporary.parent
    ) as table:
        imported = _read(store, table, temporary, pack, profile, modules, mapping, strict, read)
    if recording is not None:
        signals.keep()
    return imported


def _read(
    store: Store,
    table: Table,
    temporary: Path,
    pack: Pack,
    profile: Profile,
    modules: tuple[str, ...] | None,
    mapping: str,
    strict: bool,
    read: BytesRead | None,
) -> Imported:
    source = table.source
    job = look_at(source.path, profile, pack, modules, source)
    if job.plan.problems:
        # what the file lacks comes before what could be asked about it
        raise min(job.plan.problems, key=lambda p: isinstance(p, Ambiguous))
    with store_errors(store.root):
        reading, writer = read_whole(
            job.source,
            table.agreed(job.plan),
            pack,
            job.never,
            job.regular,
            job.corrections,
            lambda plan: TableWriter(temporary, plan),
            read,
        )
    more = {"bmslogs.refresh_s": json.dumps(job.refresh)}
    if table.facts:
        more["bmslogs.signals"] = json.dumps(table.facts, ensure_ascii=False)
        writer.schema = with_delays(writer.schema, table.delays)
    return _finish(store, source, pack, mapping, reading, writer, strict, more, profile)


def _finish(
    store: Store,
    source: Source,
    pack: Pack,
    mapping: str,
    reading: Reading,
    writer: TableWriter,
    strict: bool,
    more: dict[str, str],
    profile: Profile,
) -> Imported:
    try:
        repairs = tuple(RepairEntry(r) for r in reading.repairs.to_json())
        mended = [r for r in repairs if r["rule"] != "rows_put_together"]  # a layout, no damage
        if strict and mended:
            raise BadInput(
                f"needs repair: {'; '.join(map(str, mended))}",
                "a log without any, as --strict asks",
                file=source.path,
            )
        thinned = thinned_reading(reading)
        refuse_unit(profile, thinned, pack, source.path)
        said = pack_notes(store, pack, thinned, reading.sha256)
        if said:
            reading.plan = replace(reading.plan, notes=(*reading.plan.notes, *said))
        meta = metadata(reading, source, pack, profile_toml(reading.plan), __version__, SCHEMA)
        meta |= more
        meta["bmslogs.mapping"] = mapping
        start = moment(meta["bmslogs.start"])
        new_id = log_id(start, content_key(reading.sha256, pack.id, mapping))
        begun = _begun(store, source, pack, mapping, start)
        if begun is not None:
            meta |= handed_on(begun)
            new_id = begun.id
        meta["bmslogs.seal"] = seal(meta)
        with store_errors(store.root):
            writer.close(meta)
        with store.locked():
            known = _known_otherwise(store, source, pack, reading, mapping, new_id, begun is not None)
            if known is not None:
                return known
            others = [e for e in store.logs(pack.id) if e.id != new_id]
            overlaps = shared_rows(writer.path, start, moment(meta["bmslogs.end"]), others, reading.sha256)
            replaced = [
                e
                for e in store.logs(pack.id)
                if e.id == new_id or (e.sha256 == reading.sha256 and e.mapping != mapping)
            ]
            store.commit(writer.path, new_id, pack, replaced)
    finally:
        writer.discard()
    notes = (
        reading.notes
        + overlaps
        + tuple(
            f"replaces log {e.id}, which was read with another mapping" for e in replaced if e.id != new_id
        )
    )
    if begun is not None:
        notes += (f"goes on where log {begun.id} ended, and takes its place; its notes are kept",)
    return Imported(
        new_id,
        str(source.path),
        reading.findings.rows,
        start,
        moment(meta["bmslogs.end"]),
        "new",
        repairs,
        notes,
        tuple(e.id for e in replaced if e.id != new_id),
    )


def _known_otherwise(
    store: Store, source: Source, pack: Pack, reading: Reading, mapping: str, new_id: str, goes_on: bool
) -> Imported | None:
    """Return the stored log that holds the same content, or goes on after it; None where the log is new.

    Parameters
    ----------
    goes_on
        Whether the file is longer than the log that it began as.
    """
    twin = next(
        (
            e
            for e in store.logs(pack.id)
            if e.content_sha256 == reading.content_sha256
            and e.sha256 != reading.sha256
            and e.mapping == mapping
        ),
        None,
    )
    if twin is not None:
        return _as_known(twin, source.path, (f"the same content as {twin.source}, packed otherwise",))
    longer = next((e for e in store.logs(pack.id) if e.id == new_id and e.sha256 != reading.sha256), None)
    if longer is not None and not goes_on:
        return _as_known(longer, source.path, ("the beginning of this log, whose file has grown since",))
    return None


def _begun(store: Store, source: Source, pack: Pack, mapping: str, start: dt.datetime) -> LogEntry | None:
    """Return the stored log with whose bytes a file begins: it has grown since.

    Only logs of that first row or that name are held against the bytes, so that a store of many logs costs nothing.
    """
    if source.kind != "plain":
        return None
    name = source.path.name
    able = [
        e
        for e in store.logs(pack.id)
        if e.source_bytes < source.size and (e.start == start or e.source == name)
    ]
    return beginning_of(source.path, source.size, able, mapping)


def _known(store: Store, source: Source, pack: Pack, mapping: str) -> LogEntry | None:
    """Return the log that these bytes are already, for this pack and mapping."""
    able = [
        e
        for e in store.logs(pack.id)
        if e.source_bytes == source.size and e.mapping == mapping and e.version == __version__
    ]
    if not able:
        return None
    sha = source.sha256()
    for entry in able:
        if entry.sha256 == sha and _same_pack(entry, pack):
            return entry
    return None


def _same_pack(entry: LogEntry, pack: Pack) -> bool:
    try:
        return pack_of_log(entry.path) == pack
    except StoreError:
        return False


def _as_known(entry: LogEntry, path: Path, notes: tuple[str, ...] = ()) -> Imported:
    return Imported(entry.id, str(path), entry.rows, entry.start, entry.end, "known", entry.repairs, notes)
