"""One block of lines turned into arrays in base units. Blocks know nothing of each other, so they run side by side."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from bmslogs.importers.plan.plan import Plan, Taken
from bmslogs.importers.reading.bleed_bits import decode_bits
from bmslogs.importers.reading.directions import directions
from bmslogs.importers.reading.fills import extremes
from bmslogs.importers.text.arrow import arrow_numbers, arrow_texts, no_text, numpy_of, whole
from bmslogs.importers.text.dialect import DELIMITERS, FILLS, Dialect, is_row
from bmslogs.importers.text.encoding import block_to_utf8
from bmslogs.importers.text.fixed_width import read_even
from bmslogs.importers.text.flags import flag
from bmslogs.importers.text.numbers import NumberStyle
from bmslogs.importers.text.quotes import is_open, without_stray
from bmslogs.importers.text.stamps import MISSING
from bmslogs.importers.text.text_table import Wrong, column_key, read_text, read_typed
from bmslogs.importers.text.words import plain

Float32s = npt.NDArray[np.float32]
Int64s = npt.NDArray[np.int64]
MOST_HEADERS = 50
"""Choice [rows]: as many unreadable rows of a block are looked at for a second header."""
LEAST_TIMELESS = 3
"""Choice [rows]: with as many rows without a time another delimiter is looked for."""
Bad = dict[str, npt.NDArray[np.int64]]
"""By column: rows of the block whose field is neither number nor fill."""


@dataclass
class Chunk:
    """The readings of one block, in file order.

    Attributes
    ----------
    time
        (rows,) local microseconds, `MISSING` where there is none.
    current
        (rows,) [A] in the logger's sign, NaN where missing; None where the file has none.
    cells
        (cells, rows) [mV], NaN where missing.
    temperatures
        (sensors, rows) [degC].
    bleed, bleed_known
        (cells, rows) flags and whether they were readable.
    others
        Further columns by their normalised name.
    line
        Line of the block's first line in the file.
    not_text
        Columns that hold other than the plan says: texts among numbers, readings where there were none.
    reckoned
        Rows whose time a count beside their stamp tells, because the clock was not set.
    lines
        Lines of the block that hold something, those between the rows included.
    other_delimiter
        Another delimiter that parts some of its lines, and the number of the first of them.
    other_header
        Line of a second header that names the columns otherwise, 0 where there is none.
    whole
        Whether the cells were rounded to whole mV: once they are finished, where the logger's step allows it.
    """

    rows: int
    time: Int64s
    current: Float32s | None
    pack: Float32s | None
    cells: Float32s
    temperatures: Float32s
    bleed: npt.NDArray[np.bool_] | None
    bleed_known: npt.NDArray[np.bool_] | None
    others: dict[str, Any]
    line: int = 0
    wrong: list[tuple[int, int, str]] = field(default_factory=list)
    repeated_headers: int = 0
    nul_lines: int = 0
    odd_quotes: int = 0
    stray_quotes: int = 0
    reckoned: int = 0
    lines: int = 0
    other_delimiter: tuple[str, int] | None = None
    other_header: int = 0
    unreadable: Bad = field(default_factory=dict)
    not_text: set[int] = field(default_factory=set)
    whole: bool = False

    def take(self, where: Any) -> Chunk:
        """Return the chunk with some rows: a slice, a mask, or the rows' numbers in their new order."""

        def cut(x: Any) -> Any:
            return None if x is None else x[..., where]

        if isinstance(where, slice):
            others = {k: v[where] for k, v in self.others.items()}
        else:
            chosen = arrow_numbers(where)
            mask = where.dtype == np.bool_
            others = {k: v.filter(chosen) if mask else v.take(chosen) for k, v in self.others.items()}
        time = self.time[where]
        return Chunk(
            len(time),
            time,
            cut(self.current),
            cut(self.pack),
            cut(self.cells),
            cut(self.temperatures),
            cut(self.bleed),
            cut(self.bleed_known),
            others,
            self.line,
        )


def join_chunks(first: Chunk, second: Chunk) -> Chunk:
    """Return two chunks as one."""

    def both(a: Any, b: Any) -> Any:
        return None if a is None else np.concatenate([a, b], axis=-1)

    others = {k: pa.concat_arrays([v, second.others[k]]) for k, v in first.others.items()}
    return Chunk(
        first.rows + second.rows,
        np.concatenate([first.time, second.time]),
        both(first.current, second.current),
        both(first.pack, second.pack),
        both(first.cells, second.cells),
        both(first.temperatures, second.temperatures),
        both(first.bleed, second.bleed),
        both(first.bleed_known, second.bleed_known),
        others,
        first.line,
    )


_NUMBERS = (
    "current",
    "charge current",
    "discharge current",
    "pack voltage",
    "cell",
    "temperature",
    "soc",
    "ambient",
)


class BlockReader:
    """Reads blocks by a plan. Without state: any thread may call `read`.

    Parameters
    ----------
    plan
        What the columns are.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._roles: dict[str, list[Taken]] = {}
        self._types: dict[str, Any] = {}
        self._include: list[str] = []
        for taken in plan.columns:
            if taken.role in ("nothing", "unused"):
                continue
            self._roles.setdefault(taken.role, []).append(taken)
            self._types[column_key(taken.index)] = self._type(taken)
            self._include.append(column_key(taken.index))
        for role in ("cell", "temperature", "bleed"):
            self._roles.setdefault(role, []).sort(key=lambda t: t.number)
        self._cells_at = self._side_by_side(self._roles["cell"])
        self._heads = plan.dialect.heads
        self._later = BlockReader(plan.later) if plan.later is not None else None

    def _side_by_side(self, cells: list[Taken]) -> range:
        """Return the columns of the cells where they stand side by side, in order, not first; else none."""
        at = [t.index for t in cells]
        plain = all(self._types[column_key(k)] == pa.float64() for k in at)
        if not plain or not at or at[0] == 0 or at != list(range(at[0], at[0] + len(at))):
            return range(0)
        clock = self.plan.clock
        used = set(clock.columns) if clock is not None else set()
        return range(0) if used.intersection(at) else range(at[0], at[0] + len(at))

    def _type(self, taken: Taken) -> Any:
        clock = self.plan.clock
        if taken.role == "time":
            numbers = clock is not None and clock.kind == "number"
            return (
                pa.float64()
                if numbers and taken.style is not None and self._fast(taken.style)
                else pa.string()
            )
        if taken.role in _NUMBERS and taken.style is not None and self._fast(taken.style):
            return pa.float64()  # the parser makes doubles faster than floats
        if (
            taken.role == "extra"
            and self.numeric_extra(taken)
            and taken.style is not None
            and self._fast(taken.style)
        ):
            return pa.float64()
        return pa.string()  # of a silent column: whether anything stands in it

    def numeric_extra(self, taken: Taken) -> bool:
        """Whether an extra column is kept as numbers."""
        return (
            taken.style is not None and taken.style.unit is None and taken.index not in self.plan.text_columns
        )

    def _fast(self, style: NumberStyle) -> bool:
        return style.plain and style.decimal == self.plan.dialect.decimal

    def read(self, block: bytes, line: int, lines: int = -1) -> Chunk | None:
        """Turn a block of whole lines into readings; None where it holds none.

        Parameters
        ----------
        block
            Bytes that end at a line end.
        line
            Line number of its first line.
        lines
            Number of its line ends, where it is known.
        """
        chunk = self._read(block, line)
        if chunk is None:
            return None
        odd = bool(chunk.wrong or chunk.unreadable) or bool((chunk.time == MISSING).any())
        if odd and not self.plan.dialect.quoted and b'"' in block:
            quoted = replace(self.plan, dialect=replace(self.plan.dialect, quoted=True))
            other = BlockReader(quoted)._read(block, line)
            if other is not None and _read_well(other) > _read_well(chunk):
                chunk = other
        if odd and chunk.other_delimiter is None:
            chunk.other_delimiter = self._other_delimiter(chunk, block, line)
        named = len(chunk.wrong) + chunk.repeated_headers + chunk.nul_lines + chunk.odd_quotes
        blanks = self.plan.dialect.delimiter == " "
        chunk.lines = lines if lines == chunk.rows + named else lines_in(block, blanks)
        return chunk

    def _other_delimiter(self, chunk: Chunk, block: bytes, line: int) -> tuple[str, int] | None:
        """Look for lines under another delimiter that pass for rows without a time."""
        dialect = self.plan.dialect
        if (chunk.time == MISSING).sum() < LEAST_TIMELESS:
            return None
        for mark in DELIMITERS:
            code = mark.encode()
            if (
                mark in (dialect.delimiter, dialect.decimal)
                or mark in dialect.header_text
                or code not in block
            ):
                continue
            for k, text in enumerate(block.decode("utf-8", "replace").splitlines()):
                if text.count(mark) == dialect.width - 1 > 1 and is_row(text, mark):
                    return mark, line + k
        return None

    def _read(self, block: bytes, line: int) -> Chunk | None:
        block, repeated, nuls, quotes, strays = self._clean(block)
        if not block or block.isspace():
            if not repeated + nuls + quotes:
                return None
            chunk = self._chunk(self._nothing(), {}, set())
            chunk.line, chunk.repeated_headers, chunk.nul_lines, chunk.odd_quotes = (
                line,
                repeated,
                nuls,
                quotes,
            )
            return chunk
        wrong = Wrong()
        bad: Bad = {}
        header = ""
        not_text: set[int] = set()
        second: Chunk | None = None
        if self._later is not None:
            block, behind = _parted(block, self._later.plan.dialect)
            second = self._later._read(behind, line) if behind else None
            if second is not None and (not block or block.isspace()):
                second.repeated_headers += repeated
                second.nul_lines += nuls
                second.odd_quotes += quotes
                return second
        if self.plan.dialect.delimiter == " ":
            block = b"\n".join(b" ".join(x.split()) for x in block.splitlines()) + b"\n"
        even = self._even(block) if self._cells_at else None
        if even is not None:
            chunk = self._chunk(even[0], bad, not_text, even[1])
        else:
            try:
                table = read_typed(block, self.plan.dialect, self._types, self._include, wrong)
            except pa.ArrowInvalid:
                wrong = Wrong()
                text = read_text(block, self.plan.dialect, wrong)
                table = self._lenient(text, bad, not_text)
                header = self._other_header(text, bad)
            chunk = self._chunk(table, bad, not_text)
        chunk.line = line
        chunk.wrong = [(line + _line_of(block, text), fields, text) for _, fields, text in wrong.rows]
        chunk.repeated_headers, chunk.nul_lines, chunk.odd_quotes = repeated, nuls, quotes
        chunk.stray_quotes = strays
        if header:
            chunk.other_header = line + _line_of(block, header)
        if wrong.other is not None:
            mark, text = wrong.other
            chunk.other_delimiter = mark, line + _line_of(block, text)
        chunk.unreadable, chunk.not_text = bad, not_text
        return chunk if second is None else _behind(chunk, second)

    def _even(self, block: bytes) -> tuple[Any, Float32s] | None:
        """Return the other columns as a table and the cells (cells, rows) as written, None where a row is odd."""
        dialect, at = self.plan.dialect, self._cells_at
        even = read_even(block, dialect, at.start, len(at))
        if even is None:
            return None
        cells = {column_key(k) for k in at}
        types = {k: t for k, t in self._types.items() if k not in cells}
        include = [k for k in self._include if k not in cells]
        wrong = Wrong()
        try:
            table = read_typed(pa.py_buffer(even.rest), dialect, types, include, wrong, at)
        except pa.ArrowInvalid:
            return None
        if wrong.rows or table.num_rows != even.values.shape[1]:
            return None
        return table, even.values

    def _clean(self, block: bytes) -> tuple[bytes, int, int, int, int]:
        """Return a block without what is no row, and how many lines went: headers, noughts, open quotes; and strays."""
        block = block_to_utf8(block)
        repeated = nuls = quotes = strays = 0
        end = b"\r" if block.count(b"\n", 0, len(block) - 1) == 0 and b"\r" in block else b"\n"
        if b"\0" in block:
            block, nuls = _without(block, end, lambda x: b"\0" in x)
        if any(block.find(head) >= 0 for head in self._heads):
            block, repeated = _without(block, end, lambda x: x.strip() in self._heads)
        if self.plan.dialect.quoted and b'"' in block:
            # an open quote would swallow the lines behind it up to the next one
            block, strays = self._without_stray_quotes(block, end)
            block, quotes = _without(block, end, is_open)
        return block, repeated, nuls, quotes, strays

    def _without_stray_quotes(self, block: bytes, end: bytes) -> tuple[bytes, int]:
        """Take the quotes from lines that have an odd number of them and are whole without."""
        mark, width = self.plan.dialect.delimiter.encode(), self.plan.dialect.width
        lines, strays = block.split(end), 0
        for k, x in enumerate(lines):
            mended = without_stray(x, mark, width) if is_open(x) else None
            if mended is not None:
                lines[k] = mended
                strays += 1
        return (end.join(lines), strays) if strays else (block, 0)

    def _nothing(self) -> Any:
        """Return a table without rows."""
        columns = [pa.chunked_array([pa.nulls(0, self._types[k])]) for k in self._include]
        return pa.Table.from_arrays(columns, names=self._include)

    def _lenient(self, table: Any, bad: Bad, not_text: set[int]) -> Any:
        """Convert a table of texts column by column: what is no number becomes null and is counted."""
        out = {}
        for taken in self.plan.columns:
            key = column_key(taken.index)
            if key not in self._types:
                continue
            column = table.column(key)
            kind = self._types[key]
            if kind == pa.string():
                out[key] = column
                continue
            style = taken.style or NumberStyle(self.plan.dialect.decimal)
            values, wrong = numbers_of(column, style)
            if len(wrong) and taken.role == "extra":
                not_text.add(taken.index)
            if len(wrong):
                bad[taken.name] = wrong
            out[key] = pa.chunked_array([arrow_numbers(values, np.isnan(values)).cast(kind)])
        return pa.Table.from_arrays(list(out.values()), names=list(out))

    def _other_header(self, text: Any, bad: Bad) -> str:
        """Return the start of a line that names the columns in another order, empty where there is none."""
        if not bad:
            return ""
        # a header is no number in any column of numbers
        numeric = sum(not pa.types.is_string(t) for t in self._types.values())
        rows = np.flatnonzero(np.bincount(np.concatenate(list(bad.values()))) > 0.5 * numeric)
        names = [plain(n.strip().strip('"')) for n in self.plan.dialect.names] if len(rows) else []
        for row in rows[:MOST_HEADERS].tolist():
            fields = [
                plain(str(f or "").strip().strip('"')) for f in text.slice(row, 1).to_pylist()[0].values()
            ]
            known = sum(bool(f) and f in names for f in fields)
            if known > 0.5 * len([n for n in names if n]) and fields != names[: len(fields)]:
                mark = self.plan.dialect.delimiter
                return mark.join(str(f or "") for f in list(text.slice(row, 1).to_pylist()[0].values())[:2])
        return ""

    def _numbers(self, table: Any, taken: Taken, bad: Bad) -> npt.NDArray[Any]:
        column = table.column(column_key(taken.index))
        if pa.types.is_floating(column.type):
            return numpy_of(whole(column))
        if taken.style is None:
            return np.full(len(column), np.nan, dtype=np.float32)
        values, wrong = numbers_of(column, taken.style)
        if len(wrong):
            bad[taken.name] = wrong
        return values

    def _scaled(
        self, table: Any, role: str, bad: Bad, factor: float = 1.0, read: Float32s | None = None
    ) -> Float32s:
        """Return the readings of a role in base units times a factor; `read` are those numbers, where known yet."""
        columns = self._roles.get(role, [])
        out = np.empty((len(columns), table.num_rows), dtype=np.float32) if read is None else read
        if read is None:
            for k, taken in enumerate(columns):
                values = self._numbers(table, taken, bad)
                with np.errstate(over="ignore"):
                    out[k] = values
        units = [(taken.scale * factor, taken.offset * factor) for taken in columns]
        if len(set(units)) == 1:
            _to_base_unit(out, *units[0])
        else:
            for row, unit in zip(out, units):
                _to_base_unit(row, *unit)
        if np.isinf(extremes(out)).any() and np.isinf(out).any():
            endless = np.isinf(out)
            for k in np.flatnonzero(endless.any(axis=1)).tolist():
                bad[columns[k].name] = np.flatnonzero(endless[k])
            out[endless] = np.nan
        return out

    def _chunk(self, table: Any, bad: Bad, not_text: set[int], cells: Float32s | None = None) -> Chunk:
        plan, rows = self.plan, table.num_rows
        time, reckoned = np.full(rows, MISSING, dtype=np.int64), 0
        if plan.clock is not None:
            columns = [table.column(column_key(i)) for i in plan.clock.columns]
            if plan.clock.kind == "number":
                columns = [self._counted(c, i) for c, i in zip(columns, plan.clock.columns)]
            fraction, steady = plan.clock.fraction, plan.clock.steady
            time = plan.clock.raw(columns, None if fraction is None else self._beside(table, fraction.index))
            if steady is not None:
                stamped, time = time, steady.right(time, self._beside(table, steady.index))
                reckoned = int(np.count_nonzero(stamped != time))
        self._awake(table, not_text)
        current = None
        if self._roles.get("current"):
            current = self._scaled(table, "current", bad)[0]
            if plan.sign_by_mode and plan.beside.mode is not None:
                current = self._signed_by_mode(table, current)
        elif self._roles.get("discharge current"):
            out = np.abs(self._scaled(table, "discharge current", bad)[0])
            into = np.abs(self._scaled(table, "charge current", bad)[0])
            both = np.isnan(out) & np.isnan(into)
            current = np.where(both, np.nan, np.nan_to_num(out) - np.nan_to_num(into)).astype(np.float32)
        pack = self._scaled(table, "pack voltage", bad)[0] if self._roles.get("pack voltage") else None
        bleed, known = self._bleed(table)
        return Chunk(
            rows,
            time,
            current,
            pack,
            self._scaled(table, "cell", bad, 1e3, cells),
            self._scaled(table, "temperature", bad),
            bleed,
            known,
            self._others(table, bad),
            reckoned=reckoned,
        )

    def _counted(self, column: Any, index: int) -> Any:
        """Return a time column of numbers as such."""
        if pa.types.is_floating(column.type):
            return column
        taken = next(t for t in self.plan.columns if t.index == index)
        return arrow_numbers(numbers_of(column, taken.style or NumberStyle())[0])

    def _signed_by_mode(self, table: Any, current: Float32s) -> Float32s:
        """Return a current without a sign with the one that the mode column says: charge is negative."""
        mode = self.plan.beside.mode
        assert mode is not None
        taken = next(t for t in self._roles["extra"] if t.target == mode.target)
        charging = directions(whole(table.column(column_key(taken.index))), mode) < 0
        size = np.abs(current)
        return np.where(charging, -size, size)

    def _awake(self, table: Any, not_text: set[int]) -> None:
        """Note the columns that were taken for silent and hold a reading after all."""
        for taken in self._roles.get("silent", []):
            column = whole(table.column(column_key(taken.index)))
            text = pc.utf8_lower(pc.utf8_trim_whitespace(column))
            if not pc.all(
                pc.or_kleene(pc.is_in(text, value_set=arrow_texts(sorted(FILLS))), pc.is_null(text))
            ).as_py():
                not_text.add(taken.index)

    def _beside(self, table: Any, index: int) -> npt.NDArray[np.float64]:
        """Return a column of numbers beside the clock's own."""
        taken = next(t for t in self.plan.columns if t.index == index)
        return np.asarray(self._numbers(table, taken, {}), dtype=np.float64)

    def _bleed(self, table: Any) -> tuple[npt.NDArray[np.bool_] | None, npt.NDArray[np.bool_] | None]:
        n, rows = len(self.plan.cells), table.num_rows
        bits = self._roles.get("bleed bits")
        if bits and self.plan.bits is not None:
            texts = table.column(column_key(bits[0].index)).to_pylist()
            texts = [None if t is None or t.strip().lower() in FILLS else t for t in texts]
            readable = np.array([t is not None for t in texts], dtype=bool)
            return decode_bits(texts, self.plan.bits, n).T, np.broadcast_to(readable, (n, rows)).copy()
        columns = self._roles.get("bleed", [])
        if not columns:
            return None, None
        flags = np.zeros((len(columns), rows), dtype=bool)
        known = np.zeros((len(columns), rows), dtype=bool)
        for k, taken in enumerate(columns):
            encoded = whole(table.column(column_key(taken.index))).dictionary_encode()
            truths = [flag(t) for t in encoded.dictionary.to_pylist()]
            unknown = numpy_of(pc.is_null(encoded.indices))
            codes = np.where(unknown, len(truths), numpy_of(_known_codes(encoded.indices)))
            flags[k] = np.array([bool(t) for t in truths] + [False])[codes]
            known[k] = np.array([t is not None for t in truths] + [False])[codes]
        return flags, known

    def _others(self, table: Any, bad: Bad) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for role in ("ambient", "soc"):
            for taken in self._roles.get(role, []):
                values = self._numbers(table, taken, bad) * taken.scale + taken.offset
                values = np.asarray(values, dtype=np.float32)
                out[taken.target] = arrow_numbers(values, np.isnan(values))
        for role in ("contactor", "fault", "extra", "cell number", "module"):
            for taken in self._roles.get(role, []):
                column = whole(table.column(column_key(taken.index)))
                if role == "extra" and self.numeric_extra(taken):
                    if not pa.types.is_floating(column.type):
                        values, wrong = numbers_of(column, taken.style or NumberStyle())
                        if len(wrong):
                            bad[taken.name] = wrong
                        column = arrow_numbers(values, np.isnan(values))
                    out[taken.target] = column
                else:
                    out[taken.target] = (
                        whole(_null_empty(column)) if pa.types.is_string(column.type) else column
                    )
        return out


def _read_well(chunk: Chunk) -> tuple[int, int]:
    """Return how many rows have a time, and how few fields are no number."""
    return int(np.count_nonzero(chunk.time != MISSING)), -sum(map(len, chunk.unreadable.values()))


def _without(block: bytes, end: bytes, odd: Callable[[bytes], bool]) -> tuple[bytes, int]:
    """Return a block without its odd lines, and how many these were."""
    lines = block.split(end)
    gone = [x for x in lines if odd(x)]
    if not gone:
        return block, 0
    return end.join([x for x in lines if not odd(x)]), sum(lines_in(x) for x in gone)


def lines_in(block: bytes, blanks: bool = False) -> int:
    """Return how many lines of a block hold something; with `blanks` those of blanks alone hold nothing."""
    return sum(bool(x.strip() if blanks else x) for x in re.split(rb"\r\n|\n|\r", block))


def _to_base_unit(values: Float32s, scale: float, offset: float) -> None:
    """Multiply readings by the scale and add the offset, in place."""
    if abs(scale - 1.0) >= 1e-12:
        values *= np.float32(scale)
    if offset:
        values += np.float32(offset)


def _parted(block: bytes, later: Dialect) -> tuple[bytes, bytes]:
    """Part lines of the later width from the others."""
    mark = later.delimiter.encode()
    lines = block.splitlines(keepends=True)
    wide = [x.count(mark) == later.width - 1 for x in lines]
    return b"".join(x for x, w in zip(lines, wide) if not w), b"".join(x for x, w in zip(lines, wide) if w)


def _behind(first: Chunk, second: Chunk) -> Chunk:
    """Join the rows of the later columns behind those of the earlier ones."""
    out = join_chunks(first, second)
    out.wrong = first.wrong + second.wrong
    out.repeated_headers = first.repeated_headers + second.repeated_headers
    out.nul_lines, out.odd_quotes = first.nul_lines + second.nul_lines, first.odd_quotes + second.odd_quotes
    out.stray_quotes = first.stray_quotes + second.stray_quotes
    out.reckoned = first.reckoned + second.reckoned
    out.other_delimiter = first.other_delimiter
    out.unreadable = dict(first.unreadable)
    for name, rows in second.unreadable.items():
        moved = rows + first.rows
        out.unreadable[name] = (
            np.concatenate([out.unreadable[name], moved]) if name in out.unreadable else moved
        )
    out.not_text = first.not_text | second.not_text
    return out


def _known_codes(indices: Any) -> Any:
    """Return the codes of a dictionary with nought for null."""
    return pa.Array.from_buffers(indices.type, len(indices), [None, indices.buffers()[1]], 0, indices.offset)


def _null_empty(column: Any) -> Any:
    return pc.if_else(pc.is_in(column, value_set=arrow_texts([""])), no_text(), column)


def numbers_of(column: Any, style: NumberStyle) -> tuple[npt.NDArray[np.float64], Int64s]:
    """Return texts as numbers, NaN where one is none, and the rows of what was neither number nor fill."""
    text = whole(column)
    if not len(text):
        return np.empty(0), np.empty(0, dtype=np.int64)
    text = pc.utf8_trim_whitespace(text)
    if style.unit is not None:
        text = pc.replace_substring_regex(text, r"\s*[^\d\s.,'+\-][^\d]*$", "")
    empty = pc.is_null(text)
    good = pc.and_kleene(pc.match_substring_regex(text, style.pattern), pc.invert(empty))
    fills = pc.or_(pc.is_in(pc.utf8_lower(text), value_set=arrow_texts(sorted(FILLS))), empty)
    odd = numpy_of(pc.and_not(pc.invert(good), fills))
    wrong = np.flatnonzero(odd).astype(np.int64)
    clean = pc.if_else(good, text, no_text())
    for mark in style.thousands:
        clean = pc.replace_substring(clean, mark, "")
    if style.decimal != ".":
        clean = pc.replace_substring(clean, style.decimal, ".")
    clean = pc.utf8_ltrim(clean, "+")
    values = np.array(numpy_of(clean.cast(pa.float64())), dtype=np.float64)
    values[~np.isfinite(values)] = np.nan
    return values, wrong


def _line_of(block: bytes, text: str) -> int:
    """Return how many lines stand before the one that holds `text`."""
    at = block.find(text.encode())
    return block.count(b"\n", 0, at) if at > 0 else 0


def tidy(text: str) -> str:
    """Return a text fit for one line of a message."""
    return re.sub(r"\s+", " ", text).strip()[:60]
