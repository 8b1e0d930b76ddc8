"""The errors of the project: one base, one text shape, no traceback for bad input.

Only the faces turn an error into a message; everything below raises.
"""

from __future__ import annotations

from pathlib import Path


class BmsLogsError(Exception):
    """Anything that a user can mend: its text is one line that stands alone."""


class BadInput(BmsLogsError):
    """A file or argument that cannot be used as it is.

    The text reads ``file: line 12, column U3: found 'abc', expected a voltage in mV``.

    Parameters
    ----------
    found
        What stands there.
    expected
        What would have been accepted, or what to do about it.
    file, line, column
        Where, as far as known; `line` counts from 1 as an editor does.
    row, sheet
        The same where a file has no lines: the row as the spreadsheet counts it, or the record, and its sheet.
    """

    def __init__(
        self,
        found: str,
        expected: str = "",
        *,
        file: str | Path | None = None,
        line: int | None = None,
        column: str | None = None,
        row: int | None = None,
        sheet: str | None = None,
    ) -> None:
        self.found = found
        self.expected = expected
        self.file = None if file is None else Path(file).name
        self.line = line
        self.column = column
        self.row = row
        self.sheet = sheet
        super().__init__(self._text())

    def _text(self) -> str:
        where = [f"sheet {self.sheet}"] if self.sheet else []
        where += [f"line {self.line}"] if self.line is not None else []
        where += [f"row {self.row}"] if self.row is not None else []
        where += [f"column {self.column}"] if self.column else []
        parts = [self.file] if self.file else []
        parts += [", ".join(where)] if where else []
        parts.append(self.found + (f"; expected {self.expected}" if self.expected else ""))
        return printable(": ".join(parts))

    def in_file(self, file: str | Path) -> BadInput:
        """Return the same error with the file named, where it was not yet."""
        return self._moved(self.file or file, self.line, self.row, self.sheet)

    def at(self, *, line: int | None = None, row: int | None = None, sheet: str | None = None) -> BadInput:
        """Return the same error at another place of the same file."""
        return self._moved(self.file, line, row, sheet)

    def _moved(
        self, file: str | Path | None, line: int | None, row: int | None, sheet: str | None
    ) -> BadInput:
        return type(self)(
            self.found, self.expected, file=file, line=line, column=self.column, row=row, sheet=sheet
        )


class BadPack(BadInput):
    """A pack file that is refused."""


class BadProfile(BadInput):
    """A logger profile that is refused."""


class Ambiguous(BadInput):
    """Two readings of a log are possible; the text shows both and the profile line that decides."""


class NotEnoughData(BmsLogsError):
    """A question that this log cannot answer; the text names the likely cause."""


class StoreError(BmsLogsError):
    """The store cannot be read or written as asked."""


def printable(text: str, most: int = 2000) -> str:
    """Return `text` as one line: control characters shown as escapes, length bounded."""
    line = "".join(ch if ch.isprintable() else ch.encode("unicode_escape").decode() for ch in text)
    return line if len(line) <= most else line[: most - 1] + "…"
