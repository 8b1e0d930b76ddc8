"""Packs, stores and logs of the door: described, opened, brought in, read."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bmslogs.base import pack as packs
from bmslogs.base.cautions import LOCAL_RULES
from bmslogs.base.errors import BadInput, StoreError
from bmslogs.door.frames import log_frame, table
from bmslogs.door.showing import Shown, count
from bmslogs.faces import answers
from bmslogs.faces.documents import logs_document
from bmslogs.faces.places import DEFAULT_STORE, find_pack, store_at
from bmslogs.log import log as stored_logs
from bmslogs.store import ImportReport, LogEntry
from bmslogs.store import Store as _Store

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

    from bmslogs.base.pack import Pack
    from bmslogs.importers.plan.profile import Profile

Place = str | Path


def load_pack(file: Place) -> Pack:
    """Read a pack file: how a battery pack is built, described once by hand.

    Parameters
    ----------
    file
        A TOML file; the chapter *The pack file* of the handbook explains it key by key.

    Returns
    -------
    The pack: `cells_in_series`, `modules`, `boxes`, `limits` .., and `place(5)` in the builder's words.

    Raises
    ------
    BmsLogsError
        The file is not one, or contradicts itself; one line says where and what was expected.

    Examples
    --------
    >>> import bmslogs
    >>> pack = bmslogs.load_pack("sample_logs/heron-main.toml")
    >>> pack.place(5)
    'front box, module F2, cell 5'
    """
    return packs.load_pack(file)


class Log(stored_logs.Log, Shown):
    """One log in memory: arrays over its rows, the pack it was taken of, and what the importer mended.

    `time` is UTC, `current` [A] positive while the pack discharges, `cell_voltage` (rows, cells) [V], `temperature`
    (rows, sensors) [degC], `bleed` (rows, cells); a missing reading is NaN, what the logger lacks is None.
    """

    @classmethod
    def of(cls, log: stored_logs.Log) -> Log:
        """Return a log of the inner layers as one of the door."""
        return cls(**{f.name: getattr(log, f.name) for f in fields(log)})

    def to_dict(self) -> dict[str, Any]:
        """Return what the log is; its readings are had with `to_frame`."""
        first, last = (
            (str(t)[:19] + "Z" for t in (self.time[0], self.time[-1])) if self.rows else (None, None)
        )
        columns = list(self.to_frame().columns)
        return {
            "log": {"id": self.id, "start": first, "end": last, "rows": self.rows},
            "pack": {"id": self.pack.id, "vehicle": self.pack.vehicle, "cells": self.pack.cells_in_series},
            "columns": columns,
            "repairs": [str(r.get("says", r.get("rule", ""))) for r in self.repairs],
            "cautions": list(self.cautions),
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the readings over time (UTC); each column's name ends in its unit, cells are in mV."""
        return log_frame(self)

    def plot(self, **options: Any) -> go.Figure:
        """Draw the log; takes the options of `plot_log`."""
        from bmslogs.door.drawing import draw_log

        options.pop("store", None)  # taken by `plot_log` to find a log; this one is at hand
        return draw_log(self, **options)

    def _told_cautions(self) -> tuple[str, ...]:
        return (LOCAL_RULES,)

    def _title(self) -> str:
        cells = count(len(self.cells), "cell")
        return (
            f"Log {self.id} of {self.pack.vehicle}, pack {self.pack.id}: {count(self.rows, 'row')}, {cells}"
        )

    def _lines(self) -> list[tuple[str, str]]:
        has = [
            name
            for name, there in (
                ("current", self.current is not None),
                ("pack voltage", self.pack_voltage is not None),
                (count(self.temperature.shape[1], "temperature"), bool(self.temperature.shape[1])),
                ("bleeding", self.bleed is not None),
            )
            if there
        ]
        first, last = (
            (str(t)[:16].replace("T", " ") for t in (self.time[0], self.time[-1])) if self.rows else ("", "")
        )
        span = f"{first} to {last} UTC" if self.rows else "none"
        said = [("time", span), ("beside the cells", ", ".join(has) or "nothing")]
        return said + [("mended", str(r.get("says", r.get("rule", "")))) for r in self.repairs]

    __repr__ = Shown.__repr__  # the dataclass would print whole arrays


class Store(Shown):
    """A folder of normalised logs; `open_store` gives it."""

    def __init__(self, kept: _Store) -> None:
        self._kept = kept

    @property
    def root(self) -> Path:
        """The folder."""
        return self._kept.root

    def logs(self, pack: str | None = None) -> tuple[LogEntry, ...]:
        """Return the logs, oldest first, of one pack (its id) or of all."""
        return tuple(self._kept.logs(pack))

    def packs(self) -> tuple[Pack, ...]:
        """Return the packs that the store knows."""
        return tuple(self._kept.packs())

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs logs --json` writes."""
        return logs_document(self._kept.logs())

    def to_frame(self) -> pd.DataFrame:
        """Return one row a log."""
        frame = table(logs_document(self._kept.logs())["logs"], COLUMNS)
        for name in ("start", "end"):
            frame[name] = frame[name].astype("datetime64[us, UTC]")
        return frame

    def _told_cautions(self) -> tuple[str, ...]:
        return (LOCAL_RULES,)

    def _title(self) -> str:
        return f"Store {self.root}: {count(len(self.logs()), 'log')} of {count(len(self.packs()), 'pack')}"

    def _lines(self) -> list[tuple[str, str]]:
        return [
            (e.id, f"{e.vehicle}, pack {e.pack}, {count(e.rows, 'row')}, {e.source}") for e in self.logs()
        ]


COLUMNS = ("id", "pack", "vehicle", "start", "end", "rows", "source")


@dataclass(frozen=True, repr=False)
class Import(Shown):
    """What an import did, file by file.

    Attributes
    ----------
    logs
        What is in the store now: `id`, `file`, `rows`, `start`, `end`, `status` (``new`` or ``known``), `repairs`,
        `notes`.
    refused
        Files that were not brought in: `file` and `reason`, one line.
    """

    _report: ImportReport

    @property
    def logs(self) -> tuple[Any, ...]:
        """Logs that are in the store now."""
        return tuple(self._report.logs)

    @property
    def refused(self) -> tuple[Any, ...]:
        """Files that were refused, each with its reason."""
        return tuple(self._report.refused)

    def __iter__(self) -> Iterator[Any]:
        """Go through the logs that are in the store now."""
        return iter(self.logs)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs import --json` writes."""
        return self._report.to_json()

    def to_frame(self) -> pd.DataFrame:
        """Return one row a file: `status` is ``new``, ``known`` or ``refused``."""
        rows: list[dict[str, Any]] = [
            {"file": log.file, "status": log.status, "log": log.id, "rows": log.rows, "start": log.start,
             "end": log.end, "repairs": tuple(map(str, log.repairs)), "notes": log.notes}
            for log in self.logs
        ]  # fmt: skip
        rows += [{"file": one.file, "status": "refused", "reason": one.reason} for one in self.refused]
        return table(rows, ("file", "status", "log", "rows", "start", "end", "repairs", "notes", "reason"))

    def _told_cautions(self) -> tuple[str, ...]:
        return (LOCAL_RULES,)

    def _title(self) -> str:
        return f"Import: {count(len(self.logs), 'log')}, {len(self.refused)} refused"

    def _lines(self) -> list[tuple[str, str]]:
        said = [("refused", one.reason) for one in self.refused]
        for log in self.logs:
            mended = f", {count(len(log.repairs), 'repair')}" if log.repairs else ""
            said.append(
                (log.status, f"{Path(log.file).name} is log {log.id}, {count(log.rows, 'row')}{mended}")
            )
        return said


def open_store(folder: Place | None = None) -> Store:
    """Open a store of logs.

    Parameters
    ----------
    folder
        The store; where none is given, that of the environment variable `BMSLOGS_STORE`, else `bms_store` here.

    Returns
    -------
    The store: `logs()`, `packs()`, `root`.

    Raises
    ------
    BmsLogsError
        There is no store at that place; `import_files` makes one.

    Examples
    --------
    >>> import bmslogs
    >>> store = bmslogs.open_store("bms_store")
    >>> [log.source for log in store.logs("plover-main")]
    ['plover-1-test-drive.csv.gz', 'plover-2-charge.csv.gz', 'plover-3-parked-week.csv']
    """
    return Store(kept_store(folder))


def kept_store(store: Store | Place | None, *, new: bool = False) -> _Store:
    """Return the inner store that `store`, a folder or the default one means."""
    if isinstance(store, Store):
        return store._kept
    if store is None:
        store = os.environ.get("BMSLOGS_STORE") or DEFAULT_STORE
    return store_at(Path(store), new=new)


def pack_of(pack: Pack | Place, store: _Store) -> Pack:
    """Return the pack that a pack, a pack file or a pack's id in the store means."""
    return find_pack(Path(pack), store) if isinstance(pack, str | Path) else pack


def profile_of(profile: Profile | Place | None) -> Profile | None:
    """Return the logger profile that a profile or its file means."""
    if isinstance(profile, str | Path):
        from bmslogs.importers.plan.profile import load_profile

        return load_profile(Path(profile))
    return profile


def import_files(
    files: Place | Iterable[Place],
    pack: Pack | Place,
    *,
    store: Store | Place | None = None,
    profile: Profile | Place | None = None,
    together: bool = False,
    modules: Sequence[str] | None = None,
    strict: bool = False,
) -> Import:
    """Bring loggers' files into a store; the store is made where there is none.

    Parameters
    ----------
    files
        One file or several; each is one log, with `together` they are parts of one.
    pack
        A pack, a pack file, or the id of a pack that the store knows.
    store
        As for `open_store`.
    profile
        A logger profile or its file, where the header does not speak for itself.
    modules
        Names of the modules that were logged, where the pack was split.
    strict
        Refuse a log that needs any repair.

    Returns
    -------
    What became of each file: `logs`, `refused`. The same file again is ``known`` and stays one log.

    Raises
    ------
    BmsLogsError
        No file could be brought in; where some could, the others stand in `refused`.

    Examples
    --------
    >>> import bmslogs
    >>> done = bmslogs.import_files("sample_logs/heron-2-test-drive.csv.gz", "sample_logs/heron-main.toml")
    >>> [(log.rows > 1000, log.status) for log in done.logs]
    [(True, 'known')]
    """
    paths = [Path(files)] if isinstance(files, str | Path) else [Path(f) for f in files]
    if not paths:
        raise BadInput("no file to import", "one or more loggers' files")
    kept = kept_store(store, new=True)
    report = kept.import_files(
        paths, pack_of(pack, kept), profile_of(profile), together=together, modules=modules, strict=strict
    )
    if report.refused and not report.logs:
        raise BadInput("; ".join(one.reason for one in report.refused))
    return Import(report)


def read_log(log: Place, *, store: Store | Place | None = None, extra: bool = True) -> Log:
    """Read one normalised log into memory.

    Parameters
    ----------
    log
        Its Parquet file, or its id in the store, or enough of the id's beginning.
    store
        As for `open_store`; asked only where `log` is no file.
    extra
        Whether columns that the importer did not understand are read as well.

    Returns
    -------
    The log: `time`, `current`, `cell_voltage`, `temperature`, `bleed`, `pack_voltage`, `pack`, `repairs`;
    `to_frame()` for pandas, `plot()` for a picture.

    Raises
    ------
    BmsLogsError
        There is no such log, or the file is none of a store.

    Examples
    --------
    >>> import bmslogs
    >>> log = bmslogs.read_log("20260509")
    >>> log.cell_voltage.shape[1], log.pack.vehicle
    (16, 'Heron')
    >>> list(log.to_frame().columns[:3])
    ['current_A', 'pack_V', 'cell_001_mV']
    """
    path = Path(log)
    if path.exists() or path.suffix:
        return Log.of(stored_logs.read_log(path, extra=extra))
    kept = kept_store(store)
    return Log.of(stored_logs.read_log(kept.log_path(log_id_of(str(log), kept)), extra=extra))


def log_id_of(name: str, kept: _Store) -> str:
    """Return the id of the stored log that an id, or its beginning, means.

    Raises
    ------
    StoreError
        There is none.
    """
    found = answers.find_log(kept, name)
    if found is None:
        raise StoreError(f"{name!r} is no file and no log of the store; `bmslogs logs` lists them")
    return found
