"""What the cells of an OpenDocument spreadsheet ask for: repeated cells and rows are counted as often as they stand."""

from __future__ import annotations

from collections.abc import Iterator
from xml.parsers import expat

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.workbook_count import Count

_DEEPEST = 200
"""Choice [levels]: tags within tags."""


class _Walk:
    """The cells of a content file, one after the other."""

    def __init__(self, count: Count) -> None:
        self.count = count
        self.depth = 0
        self.rows = self.columns = self.row = self.column = 0
        self.repeat_row = self.repeat = 1
        self.filled = False
        self.text = 0

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > _DEEPEST:
            raise BadInput("nested without end", "a workbook of readings", file=self.count.file)
        if name.endswith("table-cell"):
            self.repeat = _count(attributes.get("table:number-columns-repeated"))
            self.column += self.repeat
            if any(k.startswith("office:") or k.endswith("formula") for k in attributes):
                self._fill()
            self.text = sum(len(v) for v in attributes.values())
        elif name == "table:table-row":
            self.repeat_row = _count(attributes.get("table:number-rows-repeated"))
            self.column, self.filled = 0, False
            self.row += self.repeat_row
        elif name == "table:table":
            self.rows = self.columns = self.row = 0

    def data(self, text: str) -> None:
        self.text += len(text)
        if text.strip():
            self._fill()

    def end(self, name: str) -> None:
        self.depth -= 1
        if name.endswith("table-cell"):
            if self.filled and self.text:
                # what is repeated is copied
                self.count.add_text(self.text * self.repeat * self.repeat_row if self.text > 64 else 0)
            self.text = 0
        elif name == "table:table-row" and self.filled:
            self.rows = max(self.rows, self.row)
            self._refuse()
        elif name == "table:table":
            self.count.add_cells(self.rows * self.columns)

    def _fill(self) -> None:
        self.filled = True
        self.columns = max(self.columns, self.column)

    def _refuse(self) -> None:
        # early, not at the end of the table alone
        before = self.count.cells
        self.count.add_cells(self.rows * self.columns)
        self.count.cells = before


def _count(text: str | None) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 12 else 1


def guard_content(pieces: Iterator[bytes], count: Count) -> None:
    """Refuse a content file whose cells would fill the memory.

    Raises
    ------
    BadInput
        One line.
    """
    parser = expat.ParserCreate()
    walk = _Walk(count)
    parser.StartElementHandler = walk.start
    parser.EndElementHandler = walk.end
    parser.CharacterDataHandler = walk.data
    parser.buffer_text = True
    try:
        for piece in pieces:
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise BadInput(f"the workbook is broken ({error})", "a whole workbook", file=count.file) from None
