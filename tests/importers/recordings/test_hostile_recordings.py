"""Recordings built to hang or to fill the memory: one clear line within 5 s and 300 MB, nothing fetched."""

from __future__ import annotations

import gzip
import json
import os
import re
import struct
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
import pytest
import xlwt

from bmslogs.store import Store
from tests.importers.recordings.kinds import (
    as_ods,
    as_xlsx,
    as_xlsx_with_shared_texts,
    objects,
    typed,
    with_part,
)
from tests.importers.test_hostile import CODE
from tests.importers.writing import drive, pack_for

MB = 1 << 20
TRUTH = drive(rows=60)
ROWS = typed(TRUTH)
SHEET = "xl/worksheets/sheet1.xml"


def blown_up_part(path: Path) -> None:
    """Blow one part up to 150 MB of blanks."""
    with_part(
        as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"<sheetData>", b" " * (150 * MB) + b"<sheetData>")
    )


def lying_part(path: Path) -> None:
    """Let the archive say that a part of 150 MB is small."""
    as_xlsx(ROWS, path)
    data = b"<worksheet>" + b" " * (150 * MB)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(data) + packer.flush()
    name = SHEET.encode()
    with zipfile.ZipFile(path) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist() if i.filename != SHEET}
    with zipfile.ZipFile(path, "w") as archive:
        for part, text in parts.items():
            archive.writestr(part, text)
        archive.writestr(SHEET, packed)
    whole = path.read_bytes()
    for mark, at in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        start = next(k for k in _places(whole, mark) if name in whole[k : k + 80])
        # stored becomes deflated; the unpacked size stays that of the packed bytes
        whole = whole[: start + at] + struct.pack("<H", 8) + whole[start + at + 2 :]
    path.write_bytes(whole)


def _places(data: bytes, mark: bytes) -> list[int]:
    out, at = [], data.find(mark)
    while at >= 0:
        out.append(at)
        at = data.find(mark, at + 1)
    return out


def far_cell(path: Path) -> None:
    more = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"</sheetData>", more))


def far_cell_in_disguise(path: Path) -> None:
    more = b"<row r='61'><c\nr = 'XFD1048576'><v>1</v></c></row></sheetData>"
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"</sheetData>", more))


def shared_text_a_million_times(path: Path) -> None:
    """Let 90,000 cells name one text of 30,000 letters: 2.7 GB out of 600 kB."""
    as_xlsx_with_shared_texts([["x" * 30_000]], path)
    rows = [
        b"".join(b'<c r="%c%d" t="s"><v>0</v></c>' % (65 + c, r) for c in range(10)) for r in range(1, 9001)
    ]
    table = b"".join(b'<row r="%d">%s</row>' % (r, x) for r, x in enumerate(rows, 1))

    def change(x: bytes) -> bytes:
        assert b'<c r="A1" t="s"><v>0</v></c>' in x
        return re.sub(rb"<sheetData>.*</sheetData>", b"<sheetData>" + table + b"</sheetData>", x)

    with_part(path, SHEET, change)


def entities(path: Path) -> None:
    doctype = b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname"><!ENTITY b "&a;&a;">]><worksheet'
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"<worksheet", doctype, 1))


def entities_behind_blanks(path: Path) -> None:
    doctype = b" " * (9 * MB) + b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]><worksheet'
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"<worksheet", doctype, 1))


def blanks_behind_a_formula(path: Path) -> None:
    cell = b'<row r="61"><c r="A61"><f>1</f>' + b" " * (3 * MB) + b"<x/></c></row></sheetData>"
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"</sheetData>", cell))


def marks_in_one_tag(path: Path) -> None:
    cell = b'<row r="61"><c r="A61"' + b' t="s"' * (MB // 2) + b"<v>1</v></c></row></sheetData>"
    with_part(as_xlsx(ROWS, path), SHEET, lambda x: x.replace(b"</sheetData>", cell))


def merged_without_end(path: Path) -> None:
    merged = b"".join(b'<mergeCell ref="A%d:B900000"/>' % k for k in range(1, 100_000))
    more = b"</sheetData><mergeCells>" + merged + b"</mergeCells>"
    with_part(as_xlsx([*ROWS, *[[1.0]] * 3000], path), SHEET, lambda x: x.replace(b"</sheetData>", more))


def many_sheets(path: Path) -> None:
    book = openpyxl.Workbook()
    for k in range(3000):
        page = book.create_sheet(f"S{k}")
        for row in ROWS[:4]:
            page.append(row)
    book.save(path)


def many_columns_xlsx(path: Path) -> None:
    as_xlsx([[*row, *[1.0] * 3000] for row in ROWS[:9]], path)


def far_cells_xls(path: Path) -> None:
    book = xlwt.Workbook()
    for name in "ABC":
        page = book.add_sheet(name)
        page.write(0, 0, 1)
        page.write(65535, 255, 2)
    book.save(str(path))


def circle_xls(path: Path) -> None:
    book = xlwt.Workbook()
    page = book.add_sheet("A")
    for r in range(3000):
        page.write(r, 0, float(r))
    book.save(str(path))
    data = bytearray(path.read_bytes())
    fat = (struct.unpack_from("<I", data, 76)[0] + 1) * 512
    struct.pack_into("<I", data, fat + 40, 3)
    path.write_bytes(data)


def repeated_cells_ods(path: Path) -> None:
    cell, repeated = b"<table:table-cell ", b'<table:table-cell table:number-columns-repeated="16000" '

    def change(x: bytes) -> bytes:
        x = x.replace(b"<table:table-row>", b'<table:table-row table:number-rows-repeated="1000000">')
        return x.replace(cell, repeated)

    with_part(as_ods(ROWS, path), "content.xml", change)


def deep_ods(path: Path) -> None:
    tags = b"<x>" * 10**6 + b"<table:table "
    with_part(as_ods(ROWS, path), "content.xml", lambda x: x.replace(b"<table:table ", tags, 1))


def entities_ods(path: Path) -> None:
    laugh = (
        b'<!DOCTYPE x [<!ENTITY a "'
        + b"x" * 1000
        + b'">'
        + b"".join(b'<!ENTITY a%d "%s">' % (k, (b"&a%d;" % (k - 1) if k else b"&a;") * 10) for k in range(9))
        + b"]><office:document-content"
    )
    with_part(as_ods(ROWS, path), "content.xml", lambda x: x.replace(b"<office:document-content", laugh, 1))


def many_columns_arrow(path: Path) -> None:
    pyarrow.feather.write_feather(pa.table({f"x{k}": [1.0] for k in range(20_000)}), path)


def many_columns_parquet(path: Path) -> None:
    pq.write_table(pa.table({f"x{k}": [1.0] for k in range(20_000)}), path)


def long_text_parquet(path: Path) -> None:
    pq.write_table(pa.table({"Time": ["x" * (150 * MB)], "b": [1.0]}), path, compression="zstd")


def long_text_arrow(path: Path) -> None:
    pyarrow.feather.write_feather(
        pa.table({"Time": ["x" * (150 * MB)], "b": [1.0]}), path, compression="zstd"
    )


def noughts_parquet(path: Path) -> None:
    zeros = pa.array([0.0]).take(pa.array([0] * 10**6, pa.int32()))
    table = pa.table({f"Cell{k}": zeros for k in range(12)})
    with pq.ParquetWriter(path, table.schema, compression="zstd") as out:
        for _ in range(8):
            out.write_table(table)


def long_list_parquet(path: Path) -> None:
    pq.write_table(pa.table({"Time": [1.0], "cells": [[3.7] * 10**6]}), path)


def longest_text_json(path: Path) -> None:
    """Write 2 GB of one letter, packed."""
    packer = zlib.compressobj(1, zlib.DEFLATED, 31)
    with path.open("wb") as out:
        out.write(packer.compress(b'[{"Time": "'))
        block = b"x" * (16 * MB)
        for _ in range(128):
            out.write(packer.compress(block))
        out.write(packer.flush())


FILES: dict[str, tuple[str, Callable[[Path], object]]] = {
    "a part blown up": ("log.xlsx", blown_up_part),
    "a part whose size is a lie": ("log.xlsx", lying_part),
    "a cell in the last corner": ("log.xlsx", far_cell),
    "a cell in the last corner, written otherwise": ("log.xlsx", far_cell_in_disguise),
    "one text in 90,000 cells": ("log.xlsx", shared_text_a_million_times),
    "entities from outside": ("log.xlsx", entities),
    "entities behind 9 MB of blanks": ("log.xlsx", entities_behind_blanks),
    "blanks behind a formula": ("log.xlsx", blanks_behind_a_formula),
    "marks without end in one tag": ("log.xlsx", marks_in_one_tag),
    "cells merged over each other": ("log.xlsx", merged_without_end),
    "3,000 sheets": ("log.xlsx", many_sheets),
    "3,000 columns": ("log.xlsx", many_columns_xlsx),
    "cells in the last corners of three sheets": ("log.xls", far_cells_xls),
    "sectors in a circle": ("log.xls", circle_xls),
    "cells repeated without end": ("log.ods", repeated_cells_ods),
    "tags without end": ("log.ods", deep_ods),
    "entities of entities": ("log.ods", entities_ods),
    "20,000 columns of Arrow": ("log.feather", many_columns_arrow),
    "20,000 columns of Parquet": ("log.parquet", many_columns_parquet),
    "a text of 150 MB in Parquet": ("log.parquet", long_text_parquet),
    "a text of 150 MB in Arrow": ("log.feather", long_text_arrow),
    "96 million noughts": ("log.parquet", noughts_parquet),
    "a list of a million": ("log.parquet", long_list_parquet),
    "a text of 2 GB in JSON": ("log.json.gz", longest_text_json),
    "15 MB of one line of JSON": ("log.jsonl", lambda p: p.write_bytes(b'{"a": "' + b"x" * (15 * MB))),
    "lists in lists": ("log.json", lambda p: p.write_bytes(b'[{"a": ' + b"[" * (7 * MB))),
    "objects in objects": ("log.jsonl", lambda p: p.write_bytes(b'{"a": ' * MB + b"1" + b"}" * MB)),
    "objects in objects, line by line": (
        "log.jsonl",
        lambda p: p.write_bytes((json.dumps(objects(ROWS)[0]) + "\n").encode() + (b'{"a": ' * 5000 + b"\n") * 500),
    ),
    "a million names": (
        "log.json",
        lambda p: p.write_text(json.dumps([{f"a{k}": k for k in range(m, m + 300)} for m in range(0, 10**6, 300)])),
    ),
    "a number of a million digits": ("log.json", lambda p: p.write_bytes(b'[{"a": ' + b"9" * (5 * MB) + b"}]")),
    "100,000 fields": (
        "log.lp",
        lambda p: p.write_text("m " + ",".join(f"f{k}=1" for k in range(100_000)) + " 1778663400\n"),
    ),
    "100,000 series": ("log.lp", lambda p: p.write_text("".join(f"m,t={k} f=1 1778663400\n" for k in range(100_000)))),
    "a line of marks": ("log.lp", lambda p: p.write_text("m f=1 1778663400\nm " + "\\ ,=" * MB + "\n")),
    "an open text": ("log.lp", lambda p: p.write_text("m f=1 1778663400\n" + 'm f="' + "\\\\" * (3 * MB) + "\n")),
}  # fmt: skip


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is counted in kB on Linux alone")
@pytest.mark.parametrize("name", FILES)
def test_hostile_recordings(name: str, tmp_path: Path) -> None:
    file, write = FILES[name]
    write(tmp_path / file)
    root = Path(__file__).resolve().parents[3]
    done = subprocess.run(
        [
            *(sys.executable, "-c", CODE),
            *(pack_for(TRUTH).model_dump_json(), str(tmp_path / file), str(tmp_path / "store")),
        ],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-600:]
    took, peak, refused, rows = json.loads(done.stdout)
    assert took < 5 and peak < 300, (took, peak, refused)
    assert len(refused) == 1 and not rows
    assert "\n" not in refused[0] and len(refused[0]) < 2500


def test_gz_of_a_workbook_is_unpacked_within_limits(tmp_path: Path) -> None:
    from tests.importers.writing import refusal

    path = tmp_path / "log.parquet.gz"
    path.write_bytes(gzip.compress(b"PAR1" + bytes(100 * MB)))
    assert "unpacks to more than 400 times its size" in refusal(path, pack_for(TRUTH), tmp_path / "store")


def with_formulas_and_links(path: Path) -> Path:
    """Let names, headers and relations of a workbook name formulas and files outside itself."""
    rows = [[*ROWS[0][:-1], '=HYPERLINK("file:///etc/hostname";1)'], *ROWS[1:]]
    as_xlsx(rows, path)
    names = (
        b'<definedNames><definedName name="_xlnm.Auto_Open">[1]Sheet1!$A$1</definedName>'
        b'<definedName name="x">cmd|"/c calc"!A0</definedName></definedNames><calcPr'
    )
    with_part(
        path, "xl/workbook.xml", lambda x: x.replace(b"<definedNames/>", b"").replace(b"<calcPr", names)
    )
    outside = (
        b'<Relationship Id="rIdX" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/'
        b'externalLink" Target="file:///etc/hostname" TargetMode="External"/></Relationships>'
    )
    return with_part(path, "xl/_rels/workbook.xml.rels", lambda x: x.replace(b"</Relationships>", outside))


def test_formulas_in_names_and_links_to_other_files_are_followed_nowhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read as any workbook, or refused: but no other file is opened and no socket."""
    opened: list[str] = []
    live = True

    def listen(event: str, arguments: tuple[object, ...]) -> None:
        if live and event in ("open", "socket.connect", "subprocess.Popen"):
            opened.append(f"{event} {arguments[0]}")

    path = with_formulas_and_links(tmp_path / "log.xlsx")
    sys.addaudithook(listen)
    report = Store(tmp_path / "store").import_files([path], pack_for(TRUTH))
    live = False
    assert len(report.logs) + len(report.refused) == 1
    assert not [x for x in opened if "hostname" in x or not x.startswith("open")]
    assert all("\n" not in r.reason for r in report.refused)
