"""The commands that keep order: done and undone, refused in one line."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from sample_logs import SAMPLES
from tests.faces.program import Program

HERON = SAMPLES / "heron-main.toml"


@pytest.fixture
def short_drive(tmp_path: Path) -> Path:
    """The first two minutes of a sample drive, as plain CSV."""
    path = tmp_path / "drive.csv"
    with gzip.open(SAMPLES / "heron-2-test-drive.csv.gz", "rt", encoding="utf-8") as lines:
        path.write_text("".join(next(lines) for _ in range(122)), encoding="utf-8")
    return path


@pytest.fixture
def log(bmslogs: Program, short_drive: Path) -> str:
    assert bmslogs("import", short_drive, "--pack", HERON).code == 0
    return str(json.loads(bmslogs("logs", "--json", "-").out)["logs"][0]["id"])


def described(tmp_path: Path, **changes: tuple[str, str]) -> Path:
    text = Path(HERON).read_text(encoding="utf-8")
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "pack.toml"
    path.write_text(text, encoding="utf-8")
    return path


ANOTHER = {
    "id": ('id = "heron-main"', 'id = "egret-main"'),
    "vehicle": ('vehicle = "Heron"', 'vehicle = "Egret"'),
}


def test_removed_listed_and_brought_back(bmslogs: Program, log: str) -> None:
    assert "nothing in the bin" in bmslogs("bin").err
    assert f"bring-back {log}" in bmslogs("remove", log, "--by", "Ann").out
    assert f"{log}  heron-main" in bmslogs("bin").out and "removed by Ann, until 20" in bmslogs("bin").out
    gone = bmslogs("remove", log)
    assert gone.code == 2 and len(gone.err.splitlines()) == 1
    assert bmslogs("bring-back", log[:13]).code == 0
    assert log in bmslogs("logs").out and bmslogs("bring-back", log).code == 2


def test_moved_and_moved_back(bmslogs: Program, log: str, tmp_path: Path) -> None:
    refused = bmslogs("move", log, "egret-main")
    assert refused.code == 2 and "no pack 'egret-main'" in refused.err
    assert bmslogs("describe", described(tmp_path, **ANOTHER)).out == "egret-main: kept\n"
    moved = bmslogs("move", log[:13], "egret-main")
    new = moved.out.split()[-1]
    assert moved.code == 0 and new != log and new in bmslogs("logs", "--pack-id", "egret-main").out
    assert bmslogs("remove-pack", "egret-main").code == 2
    assert bmslogs("move", new, "heron-main").out.split()[-1] == log
    assert bmslogs("remove-pack", "egret-main").code == 0
    assert "egret-main  pack of Egret" in bmslogs("bin").out
    assert bmslogs("bring-back", "egret-main").out == "egret-main: brought back\n"


def test_notes(bmslogs: Program, log: str) -> None:
    first = json.loads(bmslogs("logs", "--json", "-").out)["logs"][0]["start"][:16]
    assert bmslogs("note", log, "rain from here", "--at", first, "--by", "Ann").code == 0
    assert bmslogs("note", "heron-main", "tab re-welded", "--cell", "5").code == 0
    (line,) = bmslogs("note", log).out.splitlines()
    assert "Ann" in line and first in line and line.endswith("rain from here")
    assert "cell 5  tab re-welded" in bmslogs("note", "heron-main").out
    assert bmslogs("note", log, "--take-out", line.split()[0]).code == 0
    assert bmslogs("note", log).out == ""
    for bad in (("--at", "noon"), ("--at", "1990-01-01"), ("--cell", "17")):
        refused = bmslogs("note", log, "x", *bad)
        assert refused.code == 2 and len(refused.err.splitlines()) == 1


def test_a_description_is_given_to_the_logs_from_a_day_on(bmslogs: Program, log: str, tmp_path: Path) -> None:
    file = described(tmp_path, capacity=("nominal_capacity_Ah = 100.0", "nominal_capacity_Ah = 90.0"))
    assert bmslogs("describe", file, "--since", "2100-01-01").out == "heron-main: kept, given to 0 logs\n"
    assert bmslogs("describe", file, "--since", "2000-01-01").out == "heron-main: kept, given to 1 logs\n"
    assert bmslogs("describe", file, "--since", "spring").code == 2
    assert bmslogs("verify").code == 0


def test_a_vehicle_is_renamed(bmslogs: Program, log: str) -> None:
    assert bmslogs("rename-vehicle", "Heron", "Egret").out == "Heron: now Egret, 1 log\n"
    assert json.loads(bmslogs("logs", "--json", "-").out)["logs"][0]["vehicle"] == "Egret"
    assert bmslogs("rename-vehicle", "Heron", "Stork").code == 2
