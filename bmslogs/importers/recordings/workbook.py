"""Spreadsheets: .xlsx, .xlsm, .xls and .ods, read by calamine; formulas are never worked out, their values are read."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.importers.recordings.cells import column_texts, write_columns
from bmslogs.importers.recordings.made import TableText, refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader, local_copy, trial
from bmslogs.importers.recordings.workbook_guard import guard
from bmslogs.importers.text.made_table import MadeTable, Origin
from bmslogs.importers.text.source import Source

BATCH_CELLS = 200_000
HEAD_ROWS = 24
TRIAL_ROWS = 1500
"""Choice: as many rows of a sheet show whether it is a log."""
NEVER_WORKED_OUT = (
    "{} cells hold a formula whose value does not stand in the file: read as empty; "
    "saved by a spreadsheet program they have one"
)
MOST_SHEETS = 100
"""Choice: as many are held against the recognition of logs; of more one must be named."""
MOST_MERGED = 500_000
"""Choice: cells that others are merged over; half a second to fill them."""
KEY = '[file] sheet = "{name}" in the profile'


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the sheet of a workbook that is the log out."""
    import python_calamine as calamine

    path, _keeper = local_copy(source)
    unworked = guard(path, source.path)
    notes = (NEVER_WORKED_OUT.format(unworked),) if unworked else ()
    try:
        with calamine.CalamineWorkbook.from_path(str(path)) as book:
            sheet, count = _chosen(book, source, asked)
            return _written(sheet, source, None, count, notes)
    except calamine.PasswordError:
        raise BadInput(
            "the workbook is locked with a password", "an open workbook", file=source.path
        ) from None
    except (calamine.CalamineError, OSError, ValueError, OverflowError) as error:
        raise _broken(error, source) from None
    except BaseException as error:
        # where the reader's own code gives up on a cut file, it raises what no other clause catches
        if type(error).__name__ != "PanicException":
            raise
        raise _broken(error, source) from None


def _broken(error: BaseException, source: Source) -> BadInput:
    says = " ".join(str(error).split())[:160]
    return BadInput(f"the workbook is broken ({says})", "a whole workbook", file=source.path)


def _chosen(book: Any, source: Source, asked: Asked) -> tuple[Any, int]:
    """Return the sheet that is the log, and how many there are.

    Raises
    ------
    BadInput
        None looks like a log, several do, or the one asked for is not there.
    """
    from python_calamine import SheetTypeEnum, SheetVisibleEnum

    sheets = [s for s in book.sheets_metadata if s.typ == SheetTypeEnum.WorkSheet]
    names = [s.name for s in sheets]
    if asked.sheet is not None:
        if asked.sheet not in names:
            raise BadInput(f"no sheet {asked.sheet!r}", f"one of {_listed(names)}", file=source.path)
        return book.get_sheet_by_name(asked.sheet), len(names)
    seen = [s.name for s in sheets if s.visible == SheetVisibleEnum.Visible] or names
    if not seen:
        raise BadInput("a workbook without a sheet of cells", "a sheet with a log", file=source.path)
    if len(seen) == 1:
        return book.get_sheet_by_name(seen[0]), len(names)
    if len(seen) > MOST_SHEETS:
        raise BadInput(f"a workbook of {len(seen)} sheets", KEY.format(name=".."), file=source.path)
    able: list[Any] = []
    reasons: dict[str, str] = {}
    for name in seen:
        sheet = book.get_sheet_by_name(name)
        reason = _reason(sheet, source, asked)
        if reason is None:
            able.append(sheet)
        else:
            reasons[name] = reason
    if len(able) > 1:
        found = [s.name for s in able]
        raise Ambiguous(
            f"{len(found)} sheets look like a log: {_listed(found)}",
            KEY.format(name=found[0]) + ", or another of them",
            file=source.path,
        )
    if not able:
        told = "; ".join(f"{n}: {r}" for n, r in list(reasons.items())[:5])
        raise BadInput(f"no sheet looks like a log ({told})", KEY.format(name=".."), file=source.path)
    return able[0], len(names)


def _listed(names: list[str]) -> str:
    return ", ".join(map(repr, names[:10])) + (f" and {len(names) - 10} more" if len(names) > 10 else "")


def _reason(sheet: Any, source: Source, asked: Asked) -> str | None:
    """Return why a sheet is no log; None where its first rows look like one."""
    if sheet.end is None:
        return "empty"
    try:
        return asked.judge(trial(source, _written(sheet, source, TRIAL_ROWS, 1)))
    except BadInput as error:
        return error.found


def _written(
    sheet: Any, source: Source, most_rows: int | None, count: int, notes: tuple[str, ...] = ()
) -> MadeTable:
    """Write a sheet out: a line a row from the sheet's first, empty ones as empty lines, so that line is row."""
    if sheet.end is None:
        raise BadInput("an empty sheet", "a log with a header and rows", file=source.path, sheet=sheet.name)
    first_column = sheet.start[1]
    width = sheet.end[1] + 1 - first_column
    refuse_wide(width, source.path, sheet.name)
    rows = itertools.islice(sheet.iter_rows(), most_rows)
    merged = {r: c for r, c in _merged_downwards(sheet).items() if c}
    filled = _filled(rows, merged, first_column) if merged else rows
    size = max(32, BATCH_CELLS // max(width, 1))
    with TableText(source.path, source.size) as text:
        for batch in _batched(filled, size):
            _write_rows(batch, text)
        return text.finish(Origin("row", shift=0, sheet=sheet.name), notes, count)


def _batched(rows: Iterator[Any], size: int) -> Iterator[list[Any]]:
    """Yield lists of rows, those at the head apart: columns of numbers under words are slow to write."""
    yield list(itertools.islice(rows, HEAD_ROWS))
    while batch := list(itertools.islice(rows, size)):
        yield batch


def _write_rows(rows: list[list[Any]], text: TableText) -> None:
    """Write rows; runs of filled ones together."""
    empty = [not any(v != "" for v in row) if row[0] == "" else False for row in rows]
    at = 0
    while at < len(rows):
        end = at
        while end < len(rows) and empty[end] == empty[at]:
            end += 1
        if empty[at]:
            text.lines([""] * (end - at))
        else:
            write_columns([column_texts(c) for c in zip(*rows[at:end])], text)
        at = end


def _merged_downwards(sheet: Any) -> dict[int, list[tuple[int, int]]]:
    """Return by the first row of each cell merged over rows its column and its last row."""
    out: dict[int, list[tuple[int, int]]] = {}
    filled = 0
    for (top, left), (bottom, _) in sheet.merged_cell_ranges or []:
        if bottom > top:
            out.setdefault(top, []).append((left, bottom))
            filled += min(bottom, sheet.end[0]) - top
        if filled > MOST_MERGED:
            raise BadInput(f"more than {MOST_MERGED} cells merged over rows", "plain cells", sheet=sheet.name)
    return out


def _filled(
    rows: Iterator[list[Any]], merged: dict[int, list[tuple[int, int]]], first_column: int
) -> Iterator[list[Any]]:
    """Yield rows; what stands in a cell merged over rows holds for each of these."""
    live: dict[int, tuple[int, Any]] = {}
    for number, row in enumerate(rows):
        for column, (bottom, value) in list(live.items()):
            if number > bottom:
                del live[column]
            elif row[column] == "":
                row[column] = value
        for left, bottom in merged.get(number, ()):
            column = left - first_column
            if 0 <= column < len(row):
                live[column] = (bottom, row[column])
        yield row


def _tells(head: bytes) -> bool:
    return head.startswith((b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"PK\x03\x04"))


READER = Reader("workbook", _tells, make, sheets=True)
