"""The table of text that was made of a recording, and where its lines stand in the file as given."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput

DELIMITER = "\t"


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
