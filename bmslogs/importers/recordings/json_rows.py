"""JSON: one object a line, or an array of objects; flat, or nested with lists of cells."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.cells import clean
from bmslogs.importers.recordings.flat import DEEPEST
from bmslogs.importers.recordings.made import TableText, not_a_row, refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader
from bmslogs.importers.text.made_table import DELIMITER, MadeTable, Origin
from bmslogs.importers.text.source import LONGEST_LINE, Source, lines_of

_BLOCK = 1 << 20
_GAP = re.compile(r"[\s,]*")
_BLANK = re.compile(r"\s*")
_FIRST_OBJECT = re.compile(rb'\s*(\[\s*)*\{\s*("|\})')
_EXPECTED = "one JSON object a line, or an array of objects"
Row = dict[str, str]


class Digits(str):
    """A number as it is written: no digit is lost on the way."""


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name occurs twice in one object")
    return found


_DECODER = json.JSONDecoder(
    parse_float=Digits, parse_int=Digits, parse_constant=lambda _: None, object_pairs_hook=_pairs
)


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the objects of a file out as rows; a name that first appears late gets its column too."""
    names: dict[str, int] = {}
    for _ in range(2):
        text = TableText(source.path, source.size)
        with text:
            if _write(source, text, names):
                word = "line" if _by_lines(source) else "row"
                return text.finish(Origin(word, shift=1))
    raise BadInput("the names change while the file is read", "a file at rest", file=source.path)


def _write(source: Source, text: TableText, names: dict[str, int]) -> bool:
    """Write all rows under the names known so far; return whether no other name came later."""
    known = bool(names)
    held: list[Row | str] = []
    late = headed = False
    for row in _rows(source):
        if isinstance(row, dict) and not row.keys() <= names.keys():
            late |= known
            for name in row:
                names.setdefault(name, len(names))
            refuse_wide(len(names), source.path)
        if late:
            continue
        held.append(row)
        if len(held) >= 2000:
            if not headed:
                text.header(names)
                known = headed = True
            text.lines(_lines(held, names))
            held = []
    if late:
        return False
    if not names:
        raise BadInput("no object with readings", _EXPECTED, file=source.path)
    if not headed:
        text.header(names)
    text.lines(_lines(held, names))
    return True


def _lines(rows: list[Row | str], names: dict[str, int]) -> list[str]:
    return [
        not_a_row(row)
        if isinstance(row, str) and row
        else DELIMITER.join([row.get(n, "") for n in names])
        if isinstance(row, dict)
        else ""
        for row in rows
    ]


def _by_lines(source: Source) -> bool:
    """Whether the first line is an object of its own."""
    head = source.head(_BLOCK).lstrip(b"\xef\xbb\xbf \t\r\n")
    first = head.split(b"\n", 1)[0].strip()
    if not first.startswith(b"{"):
        return False
    try:
        found = _decode(first.decode("utf-8", "replace"))
        return isinstance(found, dict) and (_wrapped(found) is None or bool(head[len(first) :].strip()))
    except ValueError:
        # a line alone that is cut off, or an object spread over lines
        return (
            b"\n" in head
            and bool(re.search(rb"\}\s*\n\s*\{", head))
            and not re.search(rb"^\s+\"", head, re.M)
        )


def _decode(text: str) -> Any:
    """Return what a text holds.

    Raises
    ------
    ValueError
        It is no JSON, or nested without end.
    """
    try:
        value, end = _DECODER.raw_decode(text)
    except RecursionError:
        raise ValueError("nested too deep") from None
    if text[end:].strip():
        raise ValueError("something behind its end")
    return value


def _rows(source: Source) -> Iterator[Row | str]:
    """Yield each object laid flat, or the text of what is none; an empty text for a blank line."""
    if _by_lines(source):
        yield from _rows_of_lines(source)
    else:
        for number, found in enumerate(_objects(source), 1):
            yield flat(found, source.path, number, "row")


def _rows_of_lines(source: Source) -> Iterator[Row | str]:
    number = 0
    for block in lines_of(source.reads(_BLOCK), _BLOCK, source.path):
        for raw in block.decode("utf-8", "replace").removeprefix("\ufeff").splitlines():
            number += 1
            if not raw.strip():
                yield ""
                continue
            try:
                found = _decode(raw.strip().rstrip(","))
            except ValueError:
                found = None
            yield flat(found, source.path, number, "line") if isinstance(found, dict) else raw


def _objects(source: Source) -> Iterator[dict[str, Any]]:
    """Yield the objects of an array, or of objects one after the other, of any length of file."""
    pieces = source.reads(_BLOCK)
    decoder = _Rolling(pieces, source.path)
    decoder.skip(_BLANK)
    array = decoder.take("[")
    number = 0
    while not decoder.at_end():
        decoder.skip(_GAP)
        if array and decoder.take("]"):
            break
        if decoder.at_end():
            break
        number += 1
        value = decoder.value(number)
        if not isinstance(value, dict):
            raise BadInput(
                f"{_kind(value)} where an object should stand", _EXPECTED, file=source.path, row=number
            )
        rows = _wrapped(value) if number == 1 and not array and decoder.at_end() else None
        if rows is not None:
            yield from rows
            return
        yield value


def _wrapped(value: dict[str, Any]) -> list[dict[str, Any]] | None:
    """Return the rows of an object that holds one list of objects beside what describes them."""
    lists = [
        v
        for v in value.values()
        if isinstance(v, list) and len(v) > 1 and all(isinstance(x, dict) for x in v)
    ]
    return lists[0] if len(lists) == 1 else None


def _kind(value: Any) -> str:
    return "a list" if isinstance(value, list) else "a number" if isinstance(value, Digits) else "a text"


class _Rolling:
    """Decodes values one after the other from pieces of text; holds one value at a time."""

    def __init__(self, pieces: Iterator[bytes], file: Path) -> None:
        import codecs

        self.pieces = pieces
        self.file = file
        self.decoder = codecs.getincrementaldecoder("utf-8-sig")("replace")
        self.text, self.at, self.over = "", 0, False

    def _more(self) -> bool:
        if self.over:
            return False
        piece = next(self.pieces, None)
        self.over = piece is None
        fresh = self.decoder.decode(piece or b"", final=self.over)
        self.text = self.text[self.at :] + fresh
        self.at = 0
        return True

    def skip(self, pattern: re.Pattern[str]) -> None:
        while True:
            match = pattern.match(self.text, self.at)
            self.at = match.end() if match else self.at
            if self.at < len(self.text) or not self._more():
                return

    def take(self, mark: str) -> bool:
        if self.at >= len(self.text) and not self._more():
            return False
        found = self.text.startswith(mark, self.at)
        self.at += found
        return found

    def at_end(self) -> bool:
        self.skip(_BLANK)
        return self.over and self.at >= len(self.text)

    def value(self, number: int) -> Any:
        while True:
            try:
                value, end = _DECODER.raw_decode(self.text, self.at)
            except json.JSONDecodeError as error:
                waits = len(self.text) - self.at
                if waits > LONGEST_LINE:
                    raise BadInput(
                        f"an object longer than {LONGEST_LINE >> 20} MB",
                        _EXPECTED,
                        file=self.file,
                        row=number,
                    ) from None
                if not self._more():
                    raise BadInput(
                        f"the JSON is broken ({error.msg})", "a whole array", file=self.file, row=number
                    ) from None
            except ValueError as error:
                raise BadInput(
                    f"the JSON is broken ({error})", _EXPECTED, file=self.file, row=number
                ) from None
            except RecursionError:
                raise BadInput("nested too deep", "rows of readings", file=self.file, row=number) from None
            else:
                self.at = end
                return value


def flat(found: dict[str, Any], file: Path, number: int, word: str) -> Row:
    """Return an object as names and fields; lists are numbered from 1.

    Raises
    ------
    BadInput
        Nested too deep, or two of its values have one name.
    """
    row: Row = {}
    try:
        _lay(found, "", row, 0)
    except ValueError as error:
        line, place = (number, None) if word == "line" else (None, number)
        raise BadInput(str(error), "rows of readings", file=file, line=line, row=place) from None
    return row


def _lay(value: dict[str, Any], above: str, row: Row, depth: int) -> None:
    if depth > DEEPEST:
        raise ValueError(f"nested more than {DEEPEST} levels deep")
    for key, part in value.items():
        name = f"{above} {key}" if above else key
        kind = type(part)
        if kind is Digits:
            text = part
        elif kind is list:
            _lay({str(k): x for k, x in enumerate(part, 1)}, name, row, depth + 1)
            continue
        elif kind is dict:
            _lay(part, name, row, depth + 1)
            continue
        elif kind is str:
            text = clean(part)
        else:
            text = "" if part is None else "1" if part else "0"
        if name in row:
            raise ValueError(f"two values of the name {name!r}")
        row[name] = text


READER = Reader("JSON", lambda head: bool(_FIRST_OBJECT.match(head.removeprefix(b"\xef\xbb\xbf"))), make)
