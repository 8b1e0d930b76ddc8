"""One table of typed values written as each kind of recording, so that each can be held against the CSV of the same."""

from __future__ import annotations

import datetime as dt
import json
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import xlwt
from odf.opendocument import OpenDocumentSpreadsheet
from odf.style import Style
from odf.table import Table, TableCell, TableRow
from odf.text import P

from bmslogs.base.pack import Pack
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.importers.writing import Truth, bring

Rows = list[list[Any]]
"""Header and rows: datetimes (naive, UTC), floats, booleans, texts, None."""
NAMES = ("Time", "Current (A)")


def stamp_of(time: np.datetime64) -> dt.datetime:
    return dt.datetime(1970, 1, 1) + dt.timedelta(
        microseconds=int(time.astype("datetime64[us]").astype(np.int64))
    )


def typed(truth: Truth) -> Rows:
    """Return a truth as header and typed rows, in the plainest names."""
    n, s = truth.cells.shape[1], truth.temperatures.shape[1]
    rows: Rows = [
        [*NAMES, *(f"Cell{c} (V)" for c in range(1, n + 1)), *(f"T{k} (C)" for k in range(1, s + 1))]
    ]
    for k in range(len(truth.time)):
        readings = [truth.current[k], *truth.cells[k], *truth.temperatures[k]]
        rows.append([stamp_of(truth.time[k]), *(None if np.isnan(x) else float(x) for x in readings)])
    return rows


def as_csv(rows: Rows, path: Path) -> Path:
    """Write rows as the plainest CSV: the text that every other kind must equal."""
    lines = [",".join(_csv_text(v) for v in row) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _csv_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, dt.datetime):
        return value.isoformat(timespec="microseconds")
    return repr(value) if isinstance(value, float) else str(value)


def as_xlsx(rows: Rows, path: Path, sheet: str = "Log") -> Path:
    book = openpyxl.Workbook()
    page = book.active
    page.title = sheet
    for row in rows:
        page.append(row)
    _dated(page)
    book.save(path)
    return path


def as_xlsx_with_shared_texts(rows: Rows, path: Path) -> Path:
    """Write the same with its texts in a part of their own, as the usual programs do."""
    as_xlsx(rows, path)
    texts: dict[bytes, int] = {}

    def named(match: re.Match[bytes]) -> bytes:
        number = texts.setdefault(match[2], len(texts))
        return b'%s t="s"><v>%d</v></c>' % (match[1], number)

    inline = re.compile(rb'(<c r="\w+"(?: s="\d+")?) t="inlineStr"><is><t[^>]*>(.*?)</t></is></c>')
    with_part(path, "xl/worksheets/sheet1.xml", lambda x: inline.sub(named, x))
    kind = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"
    relation = (
        b'<Relationship Id="rIdS" Type="%s" Target="sharedStrings.xml"/></Relationships>' % kind.encode()
    )
    with_part(path, "xl/_rels/workbook.xml.rels", lambda x: x.replace(b"</Relationships>", relation))
    items = b"".join(b"<si><t>%s</t></si>" % t for t in texts)
    space = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", b'<sst xmlns="%s">%s</sst>' % (space, items))
    return path


def _dated(page: Any) -> None:
    """Give stamps a format with milliseconds, as a program that keeps them does."""
    for row in page.iter_rows():
        for cell in row:
            if isinstance(cell.value, dt.datetime):
                cell.number_format = "yyyy-mm-dd hh:mm:ss.000"


def serial(stamp: dt.datetime) -> float:
    """Return a stamp as a spreadsheet counts it: days since 1899-12-30."""
    return (stamp - dt.datetime(1899, 12, 30)) / dt.timedelta(days=1)


def as_xls(rows: Rows, path: Path) -> Path:
    book = xlwt.Workbook()
    page = book.add_sheet("Log")
    dated = xlwt.easyxf(num_format_str="yyyy-mm-dd hh:mm:ss.000")
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            if isinstance(value, dt.datetime):
                page.write(r, c, serial(value), dated)  # xlwt itself would cut fractions of a second off
            elif value is not None:
                page.write(r, c, value)
    book.save(str(path))
    return path


def ods_cell(value: Any, **more: Any) -> TableCell:
    """Return one cell of an OpenDocument sheet."""
    if value is None:
        return TableCell(**more)
    if isinstance(value, bool):
        return TableCell(valuetype="boolean", booleanvalue=str(value).lower(), **more)
    if isinstance(value, dt.datetime):
        return TableCell(valuetype="date", datevalue=value.isoformat(timespec="milliseconds"), **more)
    if isinstance(value, float):
        return TableCell(valuetype="float", value=repr(value), **more)
    cell = TableCell(valuetype="string", **more)
    cell.addElement(P(text=str(value)))
    return cell


def as_ods(rows: Rows, path: Path) -> Path:
    book = OpenDocumentSpreadsheet()
    book.automaticstyles.addElement(Style(name="none", family="table"))
    table = Table(name="Log")
    for row in rows:
        line = TableRow()
        for value in row:
            line.addElement(ods_cell(value))
        table.addElement(line)
    book.spreadsheet.addElement(table)
    book.save(str(path))
    return path


def as_arrow(rows: Rows) -> pa.Table:
    columns = [list(c) for c in zip(*rows[1:])]
    return pa.table([pa.array(c) for c in columns], names=rows[0])


def as_parquet(rows: Rows, path: Path) -> Path:
    pq.write_table(as_arrow(rows), path, row_group_size=97)
    return path


def as_feather(rows: Rows, path: Path) -> Path:
    pyarrow.feather.write_feather(as_arrow(rows), path, compression="zstd", chunksize=90)
    return path


def as_arrow_stream(rows: Rows, path: Path) -> Path:
    table = as_arrow(rows)
    with pa.ipc.new_stream(path, table.schema) as out:
        out.write_table(table, max_chunksize=50)
    return path


def objects(rows: Rows) -> list[dict[str, Any]]:
    return [
        {n: v.isoformat() if isinstance(v, dt.datetime) else v for n, v in zip(rows[0], row)}
        for row in rows[1:]
    ]


def as_json_lines(rows: Rows, path: Path) -> Path:
    path.write_text("".join(json.dumps(x) + "\n" for x in objects(rows)), encoding="utf-8")
    return path


def as_json_array(rows: Rows, path: Path) -> Path:
    path.write_text(json.dumps(objects(rows), indent=2), encoding="utf-8")
    return path


def ns_of(stamp: dt.datetime) -> int:
    return (stamp - dt.datetime(1970, 1, 1)) // dt.timedelta(microseconds=1) * 1000


def escaped(text: str) -> str:
    return text.replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")


def as_line_protocol(rows: Rows, path: Path) -> Path:
    lines = []
    for row in rows[1:]:
        fields = ",".join(f"{escaped(n)}={v!r}" for n, v in zip(rows[0][1:], row[1:]) if v is not None)
        lines.append(f"log,vehicle=heron {fields} {ns_of(row[0])}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


KINDS: dict[str, tuple[Callable[[Rows, Path], Path], str]] = {
    "xlsx": (as_xlsx, "log.xlsx"),
    "xlsx with shared texts": (as_xlsx_with_shared_texts, "log.xlsx"),
    "xls": (as_xls, "log.xls"),
    "ods": (as_ods, "log.ods"),
    "parquet": (as_parquet, "log.parquet"),
    "feather": (as_feather, "log.feather"),
    "arrow stream": (as_arrow_stream, "log.arrows"),
    "JSON lines": (as_json_lines, "log.jsonl"),
    "JSON array": (as_json_array, "log.json"),
    "line protocol": (as_line_protocol, "log.lp"),
}


def with_part(path: Path, part: str, change: Callable[[bytes], bytes]) -> Path:
    """Change one file of an archive."""
    with zipfile.ZipFile(path) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, change(data) if name == part else data)
    return path


def stored(path: Path, pack: Pack, store: Path, profile: Any = None) -> Path:
    """Import one file that must not be refused; return the Parquet file of its log."""
    report = bring(path, pack, store, profile)
    assert not report.refused, report.refused
    return Store(store).log_path(report.logs[0].id)


def assert_equal(log: Path, other: Path) -> None:
    """Compare two stored logs column by column: names, types, values to the last bit, and what was mended."""
    left, right = pq.read_table(log), pq.read_table(other)
    assert left.column_names == right.column_names
    for name in left.column_names:
        assert left[name].type == right[name].type, name
        assert left[name].combine_chunks().equals(right[name].combine_chunks()), name
    rules = [[r["rule"] for r in read_log(p).repairs] for p in (log, other)]
    assert rules[0] == rules[1]
