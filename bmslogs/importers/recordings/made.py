"""The table of text that is made of a recording: tab-separated, a line a row, in a temporary file of its own."""

from __future__ import annotations

import tempfile
import weakref
from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Self

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import clean
from bmslogs.importers.text.dialect import MOST_COLUMNS
from bmslogs.importers.text.source import MOST_UNPACKED_RATIO, RATIO_FREE_BYTES

DELIMITER = "\t"
SHOWN = 200
"""Choice [letters]: as much is kept of a line that is no row."""


@dataclass(frozen=True)
class Origin:
    """Where the lines of a made table stand in the file as given.

    Attributes
    ----------
    word
        What the file counts: ``line`` or ``row``.
    shift
        Lines of the table above the one that holds its first, less one.
    sheet
        Name of the sheet, empty where there is none.
    lines
        Of each line of the table its place, where a row was put together of several; else by `shift`.
    """

    word: str
    shift: int = 0
    sheet: str = ""
    lines: array[int] | None = None

    def number(self, line: int) -> int:
        """Return the place of a line of the table."""
        if self.lines is not None and 0 < line <= len(self.lines):
            return self.lines[line - 1]
        return max(line - self.shift, 1)

    def says(self, line: int) -> str:
        """Return the place of a line of the table in words."""
        return (f"sheet {self.sheet}, " if self.sheet else "") + f"{self.word} {self.number(line)}"

    def told(self, error: BadInput) -> BadInput:
        """Return an error about the table as one about the file as given."""
        if error.sheet is not None or error.row is not None:
            return error
        number = None if error.line is None else self.number(error.line)
        if self.word == "line":
            return error.at(line=number, sheet=self.sheet or None)
        return error.at(row=number, sheet=self.sheet or None)


@dataclass(frozen=True)
class MadeTable:
    """A table that was written out; its file goes when nobody holds it any more."""

    path: Path
    size: int
    origin: Origin
    notes: tuple[str, ...] = ()
    sheets: int = 1
    _keeper: Any = field(default=None, repr=False, compare=False)


class Keeper:
    """Removes a temporary file when it is forgotten itself, at the latest when the program ends."""

    def __init__(self, path: Path) -> None:
        self.close = weakref.finalize(self, _remove, path)


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)


def temporary(suffix: str) -> tuple[Path, Keeper]:
    """Return the path of a new temporary file and its keeper."""
    with tempfile.NamedTemporaryFile(prefix="bmslogs-", suffix=suffix, delete=False) as handle:
        path = Path(handle.name)
    return path, Keeper(path)


class TableText:
    """Writes the lines of a table.

    Parameters
    ----------
    file, size
        The recording, for messages, and its bytes: what it may unpack to depends on them.
    """

    def __init__(self, file: Path, size: int) -> None:
        self.file = file
        self.most = max(RATIO_FREE_BYTES, MOST_UNPACKED_RATIO * size)
        self.bytes = 0
        self.path, self._keeper = temporary(".tsv")
        self.handle: IO[bytes] = self.path.open("wb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.handle.close()

    def header(self, names: Iterable[str]) -> None:
        """Write the names of the columns.

        Raises
        ------
        BadInput
            More of them than a log has.
        """
        cleaned = [clean(n).strip() for n in names]
        refuse_wide(len(cleaned), self.file)
        self.lines([DELIMITER.join(cleaned)])

    def lines(self, lines: list[str]) -> None:
        """Write lines whose fields are clean."""
        if lines:
            self.write(("\n".join(lines) + "\n").encode("utf-8", "replace"))

    def write(self, data: bytes | memoryview) -> int:
        """Write bytes of whole lines.

        Raises
        ------
        BadInput
            The table is absurdly large for its file, or the disk is full.
        """
        self.bytes += len(data)
        refuse_large(self.bytes, self.most, self.file)
        try:
            return self.handle.write(data)
        except OSError as error:
            raise BadInput(
                f"its table cannot be written out ({error})",
                "room in the folder for temporary files",
                file=self.file,
            ) from None

    def finish(self, origin: Origin, notes: tuple[str, ...] = (), sheets: int = 1) -> MadeTable:
        """Close the file and return the table."""
        self.handle.close()
        return MadeTable(self.path, self.bytes, origin, notes, sheets, self._keeper)


def refuse_large(size: int, most: int, file: Path) -> None:
    """Refuse a recording whose table takes more bytes than one of its size can honestly hold."""
    if size > most:
        raise BadInput(
            f"unpacks to more than {MOST_UNPACKED_RATIO} times its size", "a recording of readings", file=file
        )


def refuse_wide(columns: int, file: Path, sheet: str | None = None) -> None:
    """Refuse a recording of more columns than a log has."""
    if columns > MOST_COLUMNS:
        raise BadInput(f"{columns} columns", f"{MOST_COLUMNS} at most", file=file, sheet=sheet)


def not_a_row(text: str) -> str:
    """Return a line that is no row as one field, so that the reading names it as a line of text."""
    return clean(text.strip()[:SHOWN]).strip() or "-"
