"""Files whose log a person took out of the store: a watch that begins anew does not bring them in again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.store.beginnings import beginning_of
from bmslogs.store.entries import LogEntry, entry_from
from bmslogs.store.files import read_metadata

if TYPE_CHECKING:
    from bmslogs.store.store import Store

TAKEN_OUT = "its log was taken out of the store; the file is left alone"


class WasRemoved(Exception):
    """A person took the log of a file out of the store; it is not put back behind anybody's back."""


def refuse_taken_out(store: Store, path: Path, pack: Pack, mapping: str, size: int | None = None) -> None:
    """Refuse a watched file whose log lies in the bin, or was moved from this pack to another.

    Parameters
    ----------
    path, size
        A file, and how many of its bytes count (None: all).
    mapping
        How it would be read.

    Raises
    ------
    WasRemoved
        One line.
    """
    size = path.stat().st_size if size is None else size
    if beginning_of(path, size, _binned(store, pack.id), mapping) is not None:
        raise WasRemoved(TAKEN_OUT)
    elsewhere = (e for e in store.logs() if e.pack != pack.id)
    moved = beginning_of(path, size, elsewhere, mapping)
    if moved is not None and _came_from(store, moved, pack):
        raise WasRemoved(f"its log was moved to {moved.vehicle} ({moved.pack}); the file is left alone")


def _binned(store: Store, pack: str) -> list[LogEntry]:
    out = []
    for path in sorted((store.root / "_bin").glob("*.parquet")):
        try:
            entry = entry_from(path, read_metadata(path))
        except (StoreError, KeyError, ValueError):
            continue
        if entry.pack == pack:
            out.append(entry)
    return out


def _came_from(store: Store, entry: LogEntry, pack: Pack) -> bool:
    from bmslogs.store.order import last_change

    change = last_change(store, f"log-{entry.id}")
    return change is not None and change.what.startswith("moved here from") and f"({pack.id})" in change.what
