"""What the store says of its logs and of an import."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from bmslogs.base.marks import HIDDEN
from bmslogs.base.published import Published
from bmslogs.store.files import vehicle_in

MOVED_FROM = "bmslogs.moved_from"
"""Metadata of a log that was moved: the packs that it lay in before, a JSON list."""


class RepairEntry(dict[str, Any]):
    """One repair as in the metadata; as text, its plain sentence."""

    def __str__(self) -> str:
        return str(self.get("says", ""))

    def __format__(self, spec: str) -> str:
        return format(str(self), spec)


@dataclass(frozen=True)
class LogEntry(Published):
    """One log of the store.

    Attributes
    ----------
    id
        Stem of its file.
    pack, vehicle
        Whose it is.
    start, end
        First and last row, UTC.
    source
        Name of the file that it came from.
    sha256, content_sha256
        Of that file's bytes, and of its text unpacked.
    moved_from
        Packs that it lay in before it was moved to this one.
    description
        Digest of the pack's description that holds for it.
    """

    id: str
    pack: str
    vehicle: str
    start: dt.datetime
    end: dt.datetime
    rows: int
    path: Annotated[Path, HIDDEN]
    source: str
    sha256: Annotated[str, HIDDEN]
    content_sha256: Annotated[str, HIDDEN] = ""
    mapping: Annotated[str, HIDDEN] = ""
    source_bytes: Annotated[int, HIDDEN] = 0
    repairs: Annotated[tuple[RepairEntry, ...], HIDDEN] = ()
    version: Annotated[str, HIDDEN] = ""
    moved_from: Annotated[tuple[str, ...], HIDDEN] = ()
    description: Annotated[str, HIDDEN] = ""


@dataclass(frozen=True)
class Imported(Published):
    """A log that is in the store now: ``status`` is ``new`` or ``known``."""

    id: str
    file: str
    rows: int
    start: Annotated[dt.datetime, HIDDEN]
    end: Annotated[dt.datetime, HIDDEN]
    status: str
    repairs: tuple[RepairEntry, ...] = ()
    notes: tuple[str, ...] = ()
    replaces: Annotated[tuple[str, ...], HIDDEN] = ()


@dataclass(frozen=True)
class Refused(Published):
    """A file that was not imported, and why in one line."""

    file: str
    reason: str


@dataclass
class ImportReport(Published):
    """What an import did, file by file."""

    logs: list[Imported] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)


@dataclass(frozen=True)
class CheckReport:
    """What a check of the store found: logs looked at, problems in one line each, logs brought to this schema."""

    logs: int
    problems: tuple[str, ...] = ()
    upgraded: tuple[str, ...] = ()


def mapping_key(profile_json: str, modules: tuple[str, ...] | None) -> str:
    """Return the mapping of a log as one text."""
    return json.dumps({"profile": json.loads(profile_json or "{}"), "modules": modules}, sort_keys=True)


def content_key(sha256: str, pack_id: str, mapping: str) -> str:
    """Return the 12 hex digits by which a log is known: its bytes, its pack, its mapping."""
    return hashlib.sha256("\n".join((sha256, pack_id, mapping)).encode()).hexdigest()[:12]


def log_id(start: dt.datetime, key: str) -> str:
    """Return the id of a log."""
    return f"{start.astimezone(dt.UTC):%Y%m%d-%H%M}-{key}"


def seal(meta: Mapping[str, str]) -> str:
    """Return the hash that guards the metadata."""
    text = json.dumps(
        {k: v for k, v in meta.items() if k.startswith("bmslogs.") and k != "bmslogs.seal"}, sort_keys=True
    )
    return hashlib.sha256(text.encode()).hexdigest()


def entry_from(path: Path, meta: Mapping[str, str]) -> LogEntry:
    """Return the entry of a stored file from its place and its metadata."""
    return LogEntry(
        id=path.stem,
        pack=meta["bmslogs.pack"],
        vehicle=vehicle_in(path) or meta.get("bmslogs.vehicle", ""),
        start=moment(meta["bmslogs.start"]),
        end=moment(meta["bmslogs.end"]),
        rows=int(meta["bmslogs.rows"]),
        path=path,
        source=meta.get("bmslogs.source", ""),
        sha256=meta.get("bmslogs.source_sha256", ""),
        content_sha256=meta.get("bmslogs.content_sha256", ""),
        mapping=meta.get("bmslogs.mapping", ""),
        source_bytes=int(meta.get("bmslogs.source_bytes", "0")),
        repairs=tuple(RepairEntry(r) for r in json.loads(meta.get("bmslogs.repairs", "[]"))),
        version=meta.get("bmslogs.version", ""),
        moved_from=tuple(json.loads(meta.get(MOVED_FROM) or "[]")),
    )


def moment(text: str) -> dt.datetime:
    """Return an ISO stamp as UTC."""
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(dt.UTC)
