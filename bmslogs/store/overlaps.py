"""The same rows again: a longer export of a log that the store has, or a part of one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.store.entries import LogEntry

Stamps = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
LEAST_SHARED = 10
"""Choice [rows]: fewer shared stamps are chance."""


def shared_rows(
    path: Path, start: dt.datetime, end: dt.datetime, entries: Iterable[LogEntry], sha256: str
) -> tuple[str, ...]:
    """Say which stored logs of the same pack hold the same rows as a new file.

    Parameters
    ----------
    path
        The new file.
    start, end
        Its span.
    entries
        The pack's logs.
    sha256
        Of the new file's source: another reading of the same bytes is no second log.
    """
    notes = []
    mine: tuple[Stamps, Floats] | None = None
    for entry in entries:
        if entry.sha256 == sha256 or entry.end < start or entry.start > end:
            continue
        mine = mine or _rows(path)
        theirs = _rows(entry.path)
        _, a, b = np.intersect1d(mine[0], theirs[0], assume_unique=True, return_indices=True)
        if len(a) < LEAST_SHARED or not np.array_equal(mine[1][a], theirs[1][b], equal_nan=True):
            continue
        hint = f"keep one of them (`bmslogs remove {entry.id}` removes the older)"
        if len(b) == len(theirs[0]):
            more = len(mine[0]) - len(a)
            notes.append(
                f"holds every row of log {entry.id} again"
                + (f" and {more} more" if more else "")
                + f"; {hint}"
            )
        elif len(a) == len(mine[0]):
            notes.append(f"every row is in log {entry.id} already; {hint}")
        else:
            notes.append(f"shares {len(a)} rows with log {entry.id}; {hint}")
    return tuple(notes)


def _rows(path: Path) -> tuple[Stamps, Floats]:
    """Return stamps and the first cell's readings of a stored log."""
    with pq.ParquetFile(path) as file:
        name = next((n for n in file.schema_arrow.names if n.startswith("cell_")), None)
        table = file.read(columns=["time", *([name] if name else [])])
    time = table["time"].cast(pa.int64()).to_numpy()
    cell = table[name].cast(pa.float64()).to_numpy() if name else np.zeros(len(time))
    return time, cell
