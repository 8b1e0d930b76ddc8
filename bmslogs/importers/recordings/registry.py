"""The kinds of recordings: one line each."""

from __future__ import annotations

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.reader import Asked, Judge, Reader, trial
from bmslogs.importers.text.source import Source

HEAD_BYTES = 64 << 10
"""Choice [bytes]: what is looked at to tell the kind."""


def readers() -> tuple[Reader, ...]:
    """Return the readers of all kinds."""
    from bmslogs.importers.recordings import arrow_file, json_rows, line_protocol, parquet, workbook

    return (workbook.READER, parquet.READER, arrow_file.READER, json_rows.READER, line_protocol.READER)


def reader_of(head: bytes) -> Reader | None:
    """Return the reader of a file by its first bytes; None where it is a table of text already."""
    return next((r for r in readers() if r.tells(head)), None)


def as_table(source: Source, sheet: str | None, judge: Judge) -> Source:
    """Return a source of text: the same, or the table that was made of a recording.

    Parameters
    ----------
    source
        A file of any kind.
    sheet
        Name of the sheet that the profile gives.
    judge
        Holds a sheet's table against the recognition of logs.

    Raises
    ------
    BadInput
        The recording cannot be read, or which of its sheets is the log cannot be told.
    """
    reader = reader_of(source.head(HEAD_BYTES))
    if sheet is not None and (reader is None or not reader.sheets):
        raise BadInput(
            f"the profile names sheet {sheet!r}, and the file has no sheets", "a workbook", file=source.path
        )
    return source if reader is None else trial(source, reader.make(source, Asked(sheet, judge)))
