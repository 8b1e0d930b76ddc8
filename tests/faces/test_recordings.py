"""The commands take every kind of recording, and say of it what they say of its CSV."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bmslogs.store import Store
from tests.faces.program import Program
from tests.importers.recordings.kinds import KINDS, Rows, as_csv, typed
from tests.importers.writing import drive, pack_for

TRUTH = drive(rows=240, cells=6, sensors=2)
ROWS = typed(TRUTH)
PACK = """
[pack]
id = "heron-main"
vehicle = "Heron"
chemistry = "NMC"
nominal_capacity_Ah = 100.0
cells_in_series = 6
"""


@pytest.mark.parametrize("kind", KINDS)
def test_inspect_and_import(kind: str, tmp_path: Path, bmslogs: Program) -> None:
    pack = tmp_path / "pack.toml"
    pack.write_text(PACK, encoding="utf-8")
    write, name = KINDS[kind]
    path = write(ROWS, tmp_path / name)
    csv = as_csv(ROWS, tmp_path / "log.csv")
    said = [bmslogs("inspect", p, "--pack", pack, "--store", tmp_path / "s").out for p in (path, csv)]
    assert said[0].count("cell ") == said[1].count("cell ") and "[cell_voltage]" in said[0]
    done = bmslogs("import", path, "--pack", pack, "--store", tmp_path / "s", "--json", "-", "--strict")
    assert done.code == 0 and json.loads(done.out)["logs"][0]["rows"] == 240


def test_a_refusal_is_one_line(tmp_path: Path, bmslogs: Program) -> None:
    pack = tmp_path / "pack.toml"
    pack.write_text(PACK, encoding="utf-8")
    (tmp_path / "log.parquet").write_bytes(b"PAR1 and nothing more")
    done = bmslogs("import", tmp_path / "log.parquet", "--pack", pack, "--store", tmp_path / "s")
    assert done.code == 2 and len(done.err.strip().splitlines()) == 1 and "cut off" in done.err


def test_parts_of_several_kinds_are_one_log(tmp_path: Path) -> None:
    halves: list[Rows] = [ROWS[:121], [ROWS[0], *ROWS[121:]]]
    paths = []
    for number, (kind, half) in enumerate(zip(("xlsx", "parquet"), halves)):
        write, name = KINDS[kind]
        paths.append(write(half, tmp_path / f"{number}-{name}"))
    report = Store(tmp_path / "s").import_files(paths, pack_for(TRUTH), together=True)
    assert not report.refused and report.logs[0].rows == 240
