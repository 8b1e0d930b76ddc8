"""Files whose log a person took out of the store: a watch that begins anew does not bring them in again."""

from __future__ import annotations

from collections.abc import Iterator
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
    binned = (e for e in _binned(store) if pack.id in (e.pack, *e.moved_from))
    if beginning_of(path, size, binned, mapping) is not None:
        raise WasRemoved(TAKEN_OUT)
    elsewhere = (e for e in store.logs() if e.pack != pack.id and pack.id in e.moved_from)
    moved = beginning_of(path, size, elsewhere, mapping)
    if moved is not None:
        raise WasRemoved(f"its log was moved to {moved.vehicle} ({moved.pack}); the file is left alone")


def _binned(store: Store) -> Iterator[LogEntry]:
    for path in sorted((store.root / "_bin").glob("*.parquet")):
        try:
            yield entry_from(path, read_metadata(path))
        except (StoreError, KeyError, ValueError):
            continue
