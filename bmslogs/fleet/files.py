"""A store's files on any pyarrow filesystem: a folder, or an address such as s3://bucket/store."""

from __future__ import annotations

import json
import re
import uuid
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import fs

from bmslogs.base.errors import BadInput, StoreError
from bmslogs.base.pack import Pack
from bmslogs.base.version import __version__
from bmslogs.log.log import Log, log_from_table
from bmslogs.store.files import folder_name, in_vehicle, renamed_in
from bmslogs.store.given import FOLDER as GIVEN
from bmslogs.store.given import Given, given_of

PUTS_WHOLE = ("s3", "s3a", "gcs", "gs", "abfs", "abfss", "az")
"""Filesystems on which a file appears only when it is complete."""
MOVES_WHOLE = ("local", "file", "hdfs")
"""Filesystems on which a file written aside takes its place in one step. On all others a store is only read."""


@dataclass(frozen=True)
class StoredLog:
    """One log of a store: id, pack, vehicle, its path on the filesystem, its size [bytes]."""

    id: str
    pack: str
    vehicle: str
    path: str
    size: int = 0


@dataclass(frozen=True)
class Stamp:
    """Size [bytes] and time of change [ns] of a file, which together say whether it is still the same."""

    size: int
    changed: int


@dataclass(frozen=True)
class Answer:
    """A stored diagnosis (its JSON object), and the version of program and method that made it."""

    document: dict[str, Any]
    made_by: str


def made_by(version: str, method: str) -> str:
    """Return one word for the version of the program and of its method."""
    return f"{version}/{method}"


class Files:
    """The files of one store.

    Parameters
    ----------
    root
        Folder, or the address of one (any scheme that pyarrow knows, ``fsspec+..://`` among them).
    system
        Filesystem that `root` is a folder of; None where `root` says it all.

    Raises
    ------
    StoreError
        There is no store.
    """

    def __init__(self, root: str | Path, system: fs.FileSystem | None = None) -> None:
        self.root = str(root)
        try:
            if system is not None:
                self.system, base = system, Path(root).as_posix()
            elif "://" in self.root:
                self.system, base = fs.FileSystem.from_uri(self.root)
            else:
                self.system, base = fs.LocalFileSystem(), str(Path(self.root).resolve())
            self.base = base.replace("\\", "/").rstrip("/")
            info = self.system.get_file_info(self.base)
        except (pa.ArrowInvalid, OSError, ValueError) as error:
            raise StoreError(f"{self.root}: cannot be reached ({error})") from None
        if info.type != fs.FileType.Directory and self.kind not in PUTS_WHOLE:
            raise StoreError(f"{self.root}: no store here")

    @property
    def kind(self) -> str:
        """Name of the filesystem's kind, a subtree's and a wrapped one's being that of what lies below."""
        system = self.system
        while isinstance(system, fs.SubTreeFileSystem):
            system = system.base_fs
        # a wrapped filesystem may give several names: "py::fsspec+('s3', 's3a')"
        names = re.findall(r"[a-z0-9]+", str(system.type_name).rsplit("+", 1)[-1].removeprefix("py::"))
        return str(names[0]) if names else ""

    def must_take_files(self) -> None:
        """Check that files can be put there in one piece.

        Raises
        ------
        StoreError
            They cannot: the store is only read.
        """
        if self.kind not in PUTS_WHOLE + MOVES_WHOLE:
            raise StoreError(
                f"{self.root}: on a filesystem of kind {self.kind!r} no file can be put in one piece; such a store is "
                "only read"
            )

    def path(self, *parts: str) -> str:
        """Return the path of a file or folder of the store."""
        return "/".join([self.base, *parts])

    def listing(self, folder: str, *, recursive: bool = False) -> list[fs.FileInfo]:
        """Return the files in a folder; none where there is no such folder."""
        selector = fs.FileSelector(folder, recursive=recursive, allow_not_found=True)
        return [i for i in self.system.get_file_info(selector) if i.type == fs.FileType.File]

    @cached_property
    def _given(self) -> dict[str, Given]:
        return {}

    @cached_property
    def logs(self) -> tuple[StoredLog, ...]:
        """All logs, in order of pack and id. What begins with an underscore or a dot is none."""
        out = []
        for vehicle in self._folders(self.base, "vehicle="):
            for pack in self._folders(vehicle.path, "pack="):
                for info in self.listing(pack.path):
                    if info.base_name.endswith(".parquet") and not info.base_name.startswith(("_", ".")):
                        out.append(
                            StoredLog(
                                info.base_name.removesuffix(".parquet"),
                                unquote(pack.base_name.removeprefix("pack=")),
                                unquote(vehicle.base_name.removeprefix("vehicle=")),
                                info.path,
                                int(info.size or 0),
                            )
                        )
        return tuple(sorted(out, key=lambda log: (log.pack, log.id)))

    @cached_property
    def _vehicles(self) -> dict[tuple[str, str], str]:
        """The vehicle of every log, by pack and id."""
        return {(log.pack, log.id): log.vehicle for log in self.logs}

    def _folders(self, folder: str, prefix: str) -> list[fs.FileInfo]:
        found = self.system.get_file_info(fs.FileSelector(folder, allow_not_found=True))
        return [i for i in found if i.type == fs.FileType.Directory and i.base_name.startswith(prefix)]

    def read(self, log: StoredLog) -> Log:
        """Read one log, without the columns that are not understood.

        Raises
        ------
        BadInput
            The file is no normalised log.
        """
        try:
            with self.system.open_input_file(log.path) as handle:
                file = pq.ParquetFile(handle)
                meta = self._meta(file, log)
                names = [n for n in file.schema_arrow.names if not n.startswith("extra_")]
                read = log_from_table(file.read(columns=names), meta, log.id)
                return replace(read, pack=self._placed(read.pack, log))
        except (pa.ArrowInvalid, OSError, KeyError) as error:
            raise BadInput(
                f"cannot be read ({error})", "a log of the store", file=f"{log.id}.parquet"
            ) from None

    def pack(self, pack: str) -> Pack | None:
        """Return a pack as the store keeps it, else as its newest log has it; None where there is neither."""
        try:
            with self.system.open_input_stream(self.path("_packs", f"{pack}.json")) as handle:
                return Pack.model_validate_json(handle.read())
        except (OSError, ValueError):
            pass
        newest = max((log for log in self.logs if log.pack == pack), key=lambda log: log.id, default=None)
        if newest is None:
            return None
        with self.system.open_input_file(newest.path) as handle:
            meta = self._meta(pq.ParquetFile(handle), newest)
        return self._placed(Pack.model_validate_json(meta["bmslogs.pack_json"]), newest)

    def given(self, pack: str) -> Given:
        """Return which descriptions logs of a pack were given since they came in; none where there is no such file."""
        if pack not in self._given:
            try:
                with self.system.open_input_stream(self.given_path(pack)) as handle:
                    self._given[pack] = given_of(handle.read())
            except FileNotFoundError:
                self._given[pack] = Given()
        return self._given[pack]

    def given_path(self, pack: str) -> str:
        """Return where these are kept."""
        name = folder_name("pack", pack).removeprefix("pack=")
        return self.path(GIVEN, f"{name}.json")

    def _placed(self, pack: Pack, log: StoredLog) -> Pack:
        own = self.given(log.pack).pack(log.id) or pack
        return in_vehicle(own, Path(log.path))

    @staticmethod
    def _meta(file: pq.ParquetFile, log: StoredLog) -> dict[str, str]:
        raw = file.schema_arrow.metadata or {}
        meta = {k.decode(): v.decode() for k, v in raw.items() if k.startswith(b"bmslogs.")}
        if "bmslogs.pack_json" not in meta:
            raise BadInput("no bmslogs metadata", "a log of the store", file=f"{log.id}.parquet")
        return meta

    def answer_path(self, pack: str, log_id: str) -> str:
        """Return where the diagnosis of a log is kept."""
        return self.path("_answers", pack, f"{log_id}.json")

    def answers(self, pack: str) -> dict[str, Stamp]:
        """Return the stored diagnoses of a pack: log id and stamp."""
        return {
            i.base_name.removesuffix(".json"): Stamp(int(i.size), int(i.mtime_ns or 0))
            for i in self.listing(self.path("_answers", pack))
            if i.base_name.endswith(".json") and not i.base_name.startswith(("_", "."))
        }

    def read_answer(self, pack: str, log_id: str) -> Answer | None:
        """Return the stored diagnosis of a log; None where there is none or it is not whole."""
        try:
            with self.system.open_input_stream(self.answer_path(pack, log_id)) as handle:
                kept = json.loads(handle.read())
            document = dict(kept["answer"])
            if (pack, log_id) in self._vehicles:
                renamed_in(document, self._vehicles[pack, log_id])
            return Answer(document, made_by(str(kept["version"]), str(kept["method"])))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def write_answer(self, pack: str, log_id: str, document: dict[str, Any]) -> None:
        """Keep the diagnosis of a log (its JSON object), in the store's own form."""
        kept = {"version": __version__, "method": document.get("method", ""), "answer": document}
        text = json.dumps(kept, ensure_ascii=False, separators=(",", ":"))
        self.write(self.answer_path(pack, log_id), text.encode())

    def write(self, path: str, content: bytes) -> None:
        """Write a file so that a reader sees the old one or the whole new one, never a part.

        Raises
        ------
        StoreError
            The filesystem cannot do that.
        """
        self.must_take_files()
        folder, name = path.rsplit("/", 1)
        aside = path
        if self.kind not in PUTS_WHOLE:
            self.system.create_dir(folder, recursive=True)
            aside = f"{folder}/_{uuid.uuid4().hex}.{name}.part"
        with self.system.open_output_stream(aside) as handle:
            handle.write(content)
        if aside != path:
            self.system.move(aside, path)

    def remove(self, path: str) -> None:
        """Remove a file that may be gone already."""
        if self.system.get_file_info(path).type == fs.FileType.File:
            self.system.delete_file(path)


def put_logs(source: Files, target: Files) -> list[str]:
    """Put the logs and packs of one store into another, and return the ids of the logs that were not there.

    A log's id is that of its content: what has the id is the same, and is not put again, so that a run that was
    stopped is simply run again.
    """
    target.must_take_files()
    there = {(log.pack, log.id) for log in target.logs}
    for info in source.listing(source.path("_packs")):
        with source.system.open_input_stream(info.path) as handle:
            target.write(target.path("_packs", info.base_name), handle.read())
    for pack in sorted({log.pack for log in source.logs}):
        if source.given(pack).logs:
            both = source.given(pack).over(target.given(pack))
            target.write(target.given_path(pack), both.text().encode())
    put = []
    for log in source.logs:
        if (log.pack, log.id) in there:
            continue
        with source.system.open_input_stream(log.path) as handle:
            target.write(
                target.path(*log.path.removeprefix(source.base).strip("/").split("/")), handle.read()
            )
        put.append(log.id)
    return put
