"""The dialect of a table of text: delimiter, decimal mark, preamble, header, units row."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.importers.text.encoding import find_encoding, to_text
from bmslogs.importers.text.units import is_unit
from bmslogs.importers.text.words import meanings, plain

HEAD_BYTES = 256 << 10
"""Choice [bytes]: the part of a file in which preamble and header must end."""
_MOST_LINES = 3000
MOST_COLUMNS = 2000
"""Choice: a pack of hundreds of cells with a flag for each stays below; 10,000 take a minute and a gigabyte."""
LEAST_ROWS = 10
"""Choice: as many rows of readings with another number of fields make a layout of their own."""
_MOST_BROKEN = 1000
"""Choice [lines]: a header may spread over as many; 300 names of three lines do not reach it."""
_JUDGED = 60
"""Choice [lines]: as many lines are looked at to settle a delimiter."""

FILLS = frozenset(
    [
        "-",
        "--",
        "---",
        ".",
        "..",
        "/",
        "\\",
        "?",
        "*",
        "x",
        "na",
        "n/a",
        "n.a.",
        "n.a",
        "nan",
        "null",
        "none",
        "nil",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "invalid",
        "error",
        "err",
        "fehler",
        "offline",
        "ol",
        "sna",
        "timeout",
        "unavailable",
        "ungültig",
        "ungueltig",
        "#n/a",
        "#nv",
        "#n/d",
        "#value!",
        "#wert!",
        "#valeur!",
        "#¡valor!",
        "#valore!",
        "#ref!",
        "#bezug!",
        "#num!",
        "#zahl!",
        "#nombre!",
        "#div/0!",
        "#name?",
        "#null!",
        "no_data",
        "nodata",
        "missing",
        "undef",
        "undefined",
        "<na>",
        "1.#qnan",
        "1.#inf",
        "-1.#ind",
        "1.#qnb",
        "-nan",
        "-nan(ind)",
        "nan(ind)",
        "+nan",
        "(null)",
        "\\n",
    ]
) | {"", "no data", "not available"}
"""Texts that stand where a number is missing, in small letters."""

DELIMITERS = (";", "\t", ",", "|")

_NUMBER = re.compile(r"[+-]?(\d[\d .,'’\u00a0\u202f]*|[.,]\d+)([eE][+-]?\d+)?")
_TIMELIKE = re.compile(r"\d{1,4}\D{1,2}(\d{1,2}|[^\W\d]{3,9}\.?)\D{1,2}\d{1,4}.*|\d{1,2}:\d{2}(:\d{2})?.*")


@dataclass(frozen=True)
class Dialect:
    """How the table is written.

    Attributes
    ----------
    encoding
        Codec name.
    delimiter
        One character; a blank stands for any run of blanks.
    decimal
        ``.`` or ``,``: the mark that most columns use.
    names, units
        Header texts and what the units row says, one per column; empty where there is none.
    header_line, first_line
        Line of the header (0 where there is none) and of the first row, counted from 1.
    width
        Fields a row.
    preamble
        Lines before the header.
    header_text
        The header line as written, to know it again in mid-file.
    units_text
        The same of a row of units.
    quoted
        Whether fields stand in quotes.
    nulls
        Texts for a missing number that the sample holds; the parser looks for these alone, and a block with another
        is read the slower way.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    first_line: int
    width: int
    preamble: tuple[str, ...] = ()
    header_text: str = ""
    units_text: str = ""
    quoted: bool = False
    nulls: tuple[str, ...] = ()

    @property
    def heads(self) -> frozenset[bytes]:
        """Lines that name the columns or their units, stripped: in mid-file they are no rows."""
        lines = (self.header_text if self.header_line else "", self.units_text)
        return frozenset(x.strip().encode() for x in lines if x.strip())


def split(line: str, delimiter: str) -> list[str]:
    """Split one line at the delimiter, quotes respected; fields stripped."""
    if delimiter == " ":
        return line.split()
    if '"' in line and line.count('"') % 2 == 0:
        try:
            return [f.strip() for f in next(csv.reader([line.replace("\0", "")], delimiter=delimiter), [])]
        except csv.Error:
            pass
    return [f.strip().strip('"') for f in line.split(delimiter)]


def is_number(text: str) -> bool:
    """Whether a field is a number under any marks, with or without a unit behind it."""
    match = _NUMBER.match(text)
    if not match:
        return False
    rest = text[match.end() :].strip()
    return not rest or is_unit(rest)


def is_datum(text: str) -> bool:
    """Whether a field is what a row holds: a number, a time or a fill."""
    return is_number(text) or bool(_TIMELIKE.match(text)) or text.lower() in FILLS


def sniff(head: bytes, file: Path, whole: bool, known: str | None = None) -> Dialect:
    """Work out the dialect from the first bytes of a file.

    Parameters
    ----------
    head
        The first `HEAD_BYTES` of the file, unpacked.
    file
        For messages.
    whole
        Whether `head` is all of the file: otherwise its last line is cut.
    known
        The delimiter of a table whose fields stand in their places whatever they hold.

    Raises
    ------
    BadInput
        No table in it.
    """
    encoding = find_encoding(head, file)
    text = to_text(head, encoding)
    lines = re.split(r"\r\n|\n|\r", text)
    if not whole and len(lines) > 1:
        lines.pop()
    lines = lines[:_MOST_LINES]
    if not any(line.strip() for line in lines):
        raise BadInput("nothing but blanks", "a log with a header and rows", file=file)
    delimiter, width = _delimiter(lines, file, known)
    if width > MOST_COLUMNS:
        raise BadInput(f"{width} columns", f"{MOST_COLUMNS} at most", file=file)
    lines = _one_line_each(lines, delimiter)
    rows = [split(line, delimiter) for line in lines[:_MOST_LINES]]
    lines, rows, width = _first_layout(lines, rows, width)
    body = _body_start(rows, width)
    if body is None:
        raise BadInput("no rows of numbers found", "a header and rows of readings", file=file)
    if known is None:
        _refuse_other_delimiter(lines[:body], delimiter, width, file)
    decimal = _decimal(rows[body : body + 60], delimiter)
    dialect = Dialect(
        encoding,
        delimiter,
        decimal,
        (),
        (),
        0,
        body + 1,
        width,
        preamble=tuple(lines[:body]),
        quoted='"' in "".join(lines[body : body + 20]),
    )
    return _with_header(dialect, lines, rows, body, file, by_place=known is not None)


def _refuse_other_delimiter(above: list[str], delimiter: str, width: int, file: Path) -> None:
    """Refuse a file whose first rows are parted by another delimiter: they would pass for a preamble."""
    for mark in DELIMITERS:
        if mark == delimiter:
            continue
        rows = [i for i, x in enumerate(above) if x.count(mark) == width - 1 > 1 and is_row(x, mark)]
        if len(rows) > 1:
            raise delimiter_changes(mark, delimiter, file, len(above) + 1)


def delimiter_changes(one: str, other: str, file: Path, line: int) -> BadInput:
    """Return the refusal of a file that changes its delimiter."""
    return BadInput(
        f"the delimiter changes from {one!r} to {other!r}",
        "one delimiter in a file; split it at that line",
        file=file,
        line=line,
    )


def _one_line_each(lines: list[str], delimiter: str) -> list[str]:
    """Join what quoted names with line breaks spread over lines; blank lines stay behind, so that numbers hold."""
    out = list(lines)
    opens = re.compile(rf'(?:^|{re.escape(delimiter)})\s*"[^"]*$')
    for i in range(len(out)):
        marks = out[i].count('"')
        if marks % 2 == 0 or not opens.search(out[i]):
            continue
        for j in range(i + 1, min(i + _MOST_BROKEN, len(out))):
            if is_row(lines[j], delimiter):
                break
            marks += lines[j].count('"')
            if marks % 2 == 0:
                out[i : j + 1] = [" ".join(lines[i : j + 1]), *[""] * (j - i)]
                break
    return out


def is_row(line: str, delimiter: str) -> bool:
    """Whether a line is a row of readings under a delimiter."""
    fields = split(line, delimiter)
    return len(fields) > 2 and _data_share(fields) > 0.5


def _first_layout(
    lines: list[str], rows: list[list[str]], width: int
) -> tuple[list[str], list[list[str]], int]:
    """Keep the lines of the first layout, where rows of readings change their number of fields within the head."""
    others = [i for i, r in enumerate(rows) if len(r) not in (width, 1) and len(r) > 3]
    others = [i for i in others if _data_share(rows[i]) > 0.7]
    counts = Counter(len(rows[i]) for i in others).most_common(1)
    if not counts or (counts[0][1] < LEAST_ROWS and not _own_header(rows, others[0], counts[0][0], width)):
        return lines, rows, width
    end = max(i for i in others if len(rows[i]) == counts[0][0]) + 1
    if any(len(r) == width and _data_share(r) > 0.7 for r in rows[:end]):
        return lines, rows, width
    return lines[:end], rows[:end], counts[0][0]


def _own_header(rows: list[list[str]], first: int, narrow: int, width: int) -> bool:
    """Whether few rows of another width stand under names of their own, and those of the usual width under others."""

    def names(row: list[str], fields: int) -> bool:
        return len(row) == fields and all(row[: narrow - 1]) and _data_share(row) < 0.3

    return any(names(r, narrow) for r in rows[:first]) and any(names(r, width) for r in rows[first:])


def _delimiter(lines: list[str], file: Path, known: str | None) -> tuple[str, int]:
    """Return the delimiter and the number of fields of most rows."""
    filled = [line for line in lines if line.strip()]
    judged = filled[-_JUDGED:] if len(filled) < 2 * _JUDGED else filled[len(filled) // 2 :][:_JUDGED]
    declared = known or next(
        (m.group(1) for m in (re.match(r'"?sep=(.)"?\s*$', x) for x in filled[:1]) if m), None
    )
    best: tuple[float, str, int] | None = None
    for delimiter in [declared] if declared else [";", "\t", ",", "|", " "]:
        rows = [split(line, delimiter) for line in judged]
        ((width, count),) = Counter(len(r) for r in rows).most_common(1)
        if width < 2:
            continue
        fields = [f for r in rows if len(r) == width for f in r]
        data = sum(is_datum(f) and not _holds_fields(f, delimiter) for f in fields) / len(fields)
        filled_share = sum(bool(f) for f in fields) / len(fields)
        penalty = 0.3 if delimiter == " " else 0.0
        score = count / len(rows) + 2.0 * data + 0.3 * filled_share - penalty + 0.01 * min(width, 20)
        if best is None or score > best[0]:
            best = (score, delimiter, width)
    if best is None:
        raise BadInput(
            "no delimiter parts the lines", "a table with comma, semicolon, tab or pipe", file=file
        )
    return best[1], best[2]


def _holds_fields(text: str, delimiter: str) -> bool:
    """Whether a field holds marks that part fields: one decimal comma may stand in it, no other such mark."""
    others = any(m in text for m in DELIMITERS if m not in (delimiter, ","))
    return others or (delimiter == " " and text.count(",") > 1)


def _body_start(rows: list[list[str]], width: int) -> int | None:
    """Return the index of the first row of readings: it and most that follow look like data."""
    able = [r for r in rows if len(r) >= max(2, width - 1)]
    judged = [r for r in able[len(able) // 3 :][:_JUDGED] if _data_share(r) > 0.5] or [
        r for r in able if _data_share(r) > 0.5
    ]
    shape = [_share([is_datum(r[k]) for r in judged if k < len(r) and r[k]]) for k in range(width)]
    data_columns = [k for k, share in enumerate(shape) if share > 0.7]
    if not data_columns:
        return None
    for i, row in enumerate(rows):
        if len(row) < max(2, width - 1) or _data_share(row) <= 0.5:
            continue
        here = [k for k in data_columns if k < len(row) and row[k]]
        wrong = [k for k in here if not is_datum(row[k])]
        if here and len(wrong) <= 0.1 * len(here) and not (wrong and _header_of_numbers(row, here, wrong)):
            return i
    return None


def _header_of_numbers(row: list[str], here: list[int], wrong: list[int]) -> bool:
    """Whether a row is a header such as ``time,1,2,3``: words where times stand, small integers elsewhere."""
    numbers = [row[k] for k in here if k not in wrong]
    return bool(numbers) and all(re.fullmatch(r"\d{1,3}", n) for n in numbers)


def _data_share(row: list[str]) -> float:
    filled = [f for f in row if f]
    return _share([is_number(f) or bool(_TIMELIKE.match(f)) or f.lower() in FILLS for f in filled])


def _share(flags: list[bool]) -> float:
    return sum(flags) / len(flags) if flags else 0.0


def _decimal(rows: list[list[str]], delimiter: str) -> str:
    """Return the decimal mark that the numbers of most columns use."""
    commas = points = 0
    for row in rows:
        for field in row:
            if not _NUMBER.fullmatch(field):
                continue
            comma, point = field.rfind(","), field.rfind(".")
            if comma > point:
                commas += 1
            elif point > comma:
                points += 1
    if delimiter == "," and commas and not points:
        return ","
    return "," if commas > points else "."


def _with_header(
    dialect: Dialect, lines: list[str], rows: list[list[str]], body: int, file: Path, by_place: bool
) -> Dialect:
    """Add names and units: the last lines before the body that have its width."""
    above = [i for i in range(body) if lines[i].strip()]
    width = dialect.width
    fitting = [i for i in above if abs(len(_trimmed(rows[i])) - width) <= 1 or len(rows[i]) == width]
    if not fitting or above[-1] - fitting[-1] > 2:
        return _without_header(dialect, lines, above, body, file)
    at = fitting[-1]
    units: list[str] = []
    units_text = ""
    if _is_units_row(rows[at]) and len(fitting) > 1:
        units, units_text = rows[at], lines[at]
        at = fitting[-2]
    names = _without_remark(list(rows[at]), rows[body : body + _JUDGED], width)
    if not by_place:
        _refuse_other_count(_trimmed(names), rows[body : body + _JUDGED], width, file, at + 1)
    names += [""] * (width - len(names))
    units += [""] * (width - len(units))
    groups = [i for i in fitting if i < at and i >= at - 1]
    if groups and _is_group_row(rows[groups[0]], names):
        names = _joined(rows[groups[0]], names)
    return replace(
        dialect,
        names=tuple(names[: max(width, len(_trimmed(names)))]),
        units=tuple(units[:width]),
        header_line=at + 1,
        preamble=tuple(lines[:at]),
        header_text=lines[at],
        units_text=units_text,
    )


def _without_remark(names: list[str], rows: list[list[str]], width: int) -> list[str]:
    """Return the names without a last one for remarks where no row has a field for it."""
    used = _trimmed(names)
    lacks = len(used) == width + 1 and all(len(r) <= width for r in rows)
    return used[:-1] if lacks and set(plain(used[-1]).split()) & meanings()["remark"] else names


def _refuse_other_count(names: list[str], rows: list[list[str]], width: int, file: Path, line: int) -> None:
    """Refuse a header whose names cannot be laid on the fields one by one."""
    used = max((len(_trimmed(r)) for r in rows if len(r) == width), default=width)
    if len(names) > width or len(names) < used:
        raise BadInput(
            f"a header of {len(names)} names over rows of {used} fields",
            "one name a field",
            file=file,
            line=line,
        )


def _trimmed(row: list[str]) -> list[str]:
    end = len(row)
    while end and not row[end - 1]:
        end -= 1
    return row[:end]


def _is_units_row(row: list[str]) -> bool:
    filled = [f.strip("[]() ") for f in row if f.strip("[]() -")]
    return bool(filled) and sum(is_unit(f) or is_format(f) for f in filled) >= 0.8 * len(filled)


def is_format(text: str) -> bool:
    """Whether a field describes a time, such as ``dd.mm.yyyy`` or ``hh:mm:ss``."""
    return bool(re.fullmatch(r"[dmyhsjatun%./: \-]{4,}", text.lower())) or text.lower() in (
        "text",
        "utc",
        "datetime",
    )


def _is_group_row(row: list[str], names: list[str]) -> bool:
    """Whether a row above the header names groups of its columns: words over bare numbers."""
    bare = sum(bool(re.fullmatch(r"\d{1,3}", n)) for n in names)
    return bare >= 0.4 * len(names) and any(f and not is_number(f) for f in row)


def _joined(groups: list[str], names: list[str]) -> list[str]:
    out, last = [], ""
    for i, name in enumerate(names):
        last = groups[i] if i < len(groups) and groups[i] else last
        out.append(f"{last} {name}".strip() if re.fullmatch(r"\d{1,3}", name) else name)
    return out


def _without_header(dialect: Dialect, lines: list[str], above: list[int], body: int, file: Path) -> Dialect:
    if above:
        near = above[-1]
        row = _trimmed(split(lines[near], dialect.delimiter))
        found = len(row)
        if found > 3 and found != dialect.width and _data_share(row) > 0.7:
            raise BadInput(
                f"rows of {found} fields become rows of {dialect.width}",
                "one set of columns in a file; split it at that line",
                file=file,
                line=body + 1,
            )
        if found > 2:
            raise BadInput(
                f"a header of {found} names over rows of {dialect.width} fields",
                "one field a name (a decimal comma in a comma-separated file cannot be told from a delimiter)",
                file=file,
                line=near + 1,
            )
    names = tuple(f"column {i + 1}" for i in range(dialect.width))
    return replace(
        dialect, names=names, units=("",) * dialect.width, header_line=0, preamble=tuple(lines[:body])
    )
