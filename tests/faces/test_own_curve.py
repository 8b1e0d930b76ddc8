"""`own-curve` on the sample logs: a curve that a pack file can take, or the reason why there is none."""

from __future__ import annotations

import json
from pathlib import Path

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.pack import read_ocv_table
from bmslogs.store import Store
from sample_logs import SAMPLES
from tests.faces.program import Program


def brought(bmslogs: Program, store: Path, name: str) -> str:
    pack = SAMPLES / f"{name.split('-')[0]}-main.toml"
    done = bmslogs("import", SAMPLES / name, "--pack", pack, "--store", store, "--json", "-")
    return str(json.loads(done.out)["logs"][0]["id"])


def test_a_slow_charge_gives_a_table_with_its_source(bmslogs: Program, tmp_path: Path) -> None:
    store, file = tmp_path / "store", tmp_path / "ocv.csv"
    log = brought(bmslogs, store, "heron-1-first-charge.csv.gz")
    done = bmslogs("own-curve", log, "--store", store, "--out", file, "--keep", "--json", "-")
    told = json.loads(done.out)
    assert done.code == 0 and told["cautions"] == list(CAUTIONS)
    assert [list(row) for row in read_ocv_table(file)] == told["table"]
    assert log in file.read_text(encoding="utf-8")
    kept = Store(store).pack("heron-main")
    assert kept.ocv == read_ocv_table(file) and log in str(kept.ocv_table)


def test_a_charge_too_fast_for_a_flat_curve_is_refused_in_one_line(bmslogs: Program, tmp_path: Path) -> None:
    log = brought(bmslogs, tmp_path / "store", "wren-1-first-charge.csv.gz")
    done = bmslogs("own-curve", log, "--store", tmp_path / "store", "--out", tmp_path / "ocv.csv")
    assert done.code == 2 and done.err.count("\n") == 1 and "tells no curve" in done.err
    assert not (tmp_path / "ocv.csv").exists()
