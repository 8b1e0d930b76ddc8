"""What a reader of recordings is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.made import Keeper, temporary
from bmslogs.importers.text.made_table import MadeTable
from bmslogs.importers.text.source import Source

Judge = Callable[[Source], str | None]
"""Says of a trial table why it is no log; None where it looks like one."""


@dataclass(frozen=True)
class Asked:
    """What is known when a recording is read.

    Attributes
    ----------
    sheet
        Name of the sheet that the profile gives; None where it gives none.
    judge
        Holds a table against the recognition of logs.
    """

    sheet: str | None
    judge: Judge


@dataclass(frozen=True)
class Reader:
    """One kind of recording.

    Attributes
    ----------
    kind
        What it is called in messages.
    tells
        Whether the first bytes (unpacked) are of this kind.
    make
        Writes the table of one out; raises `BadInput` where it cannot.
    sheets
        Whether such a file has sheets.
    """

    kind: str
    tells: Callable[[bytes], bool]
    make: Callable[[Source, Asked], MadeTable]
    sheets: bool = False


def local_copy(source: Source) -> tuple[Path, Keeper | None]:
    """Return a file of the unpacked bytes, and what must be held as long as it is needed."""
    if source.text_path is not None:
        return source.text_path, None
    path, keeper = temporary(".unpacked")
    try:
        with path.open("wb") as handle:
            for piece in source.reads(1 << 20):
                handle.write(piece)
    except OSError as error:
        raise BadInput(
            f"cannot be unpacked ({error})", "room in the folder for temporary files", file=source.path
        ) from None
    return path, keeper


def trial(source: Source, table: MadeTable) -> Source:
    """Return a source that reads a made table."""
    return replace(source, kind="table", table=table)
