"""The table of text that is made of a recording: tab-separated, a line a row, in a temporary file of its own."""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Self

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import clean
from bmslogs.importers.text.dialect import MOST_COLUMNS
from bmslogs.importers.text.made_table import DELIMITER, MadeTable, Origin
from bmslogs.importers.text.source import MOST_UNPACKED_RATIO, RATIO_FREE_BYTES

SHOWN = 200
"""Choice [letters]: as much is kept of a line that is no row."""


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
