"""The command line: exit codes, one line for each refusal, nothing but JSON on standard output, nothing heavy."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.results import Diagnosis
from bmslogs.base.schema import schema_of
from bmslogs.faces.demo import samples
from bmslogs.findings.compare import Comparison
from bmslogs.findings.registry import CAUSES
from sample_logs import SAMPLES
from tests.faces.conftest import SAMPLE_LOGS
from tests.faces.program import Program

HERON = SAMPLES / "heron-main.toml"
DRIVE = SAMPLES / "heron-2-test-drive.csv.gz"
CHARGE = SAMPLES / "heron-1-first-charge.csv.gz"
DIAGNOSIS = jsonschema.Draft202012Validator(schema_of(Diagnosis, quantity=QUANTITIES, cause=CAUSES))
COMPARISON = jsonschema.Draft202012Validator(schema_of(Comparison, quantity=QUANTITIES))
ROOT = Path(__file__).parents[2]


def contents(folder: Path) -> dict[str, str]:
    """Return the hash of every file of a folder that is no lock."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "lock" not in path.name
    }


@pytest.fixture
def short_drive(tmp_path: Path) -> Path:
    """The first two minutes of a sample drive, as plain CSV."""
    path = tmp_path / "drive.csv"
    with gzip.open(DRIVE, "rt", encoding="utf-8") as lines:
        path.write_text("".join(next(lines) for _ in range(122)), encoding="utf-8")
    return path


def test_help_version_and_usage(bmslogs: Program) -> None:
    assert bmslogs("--version").out.startswith("bmslogs 0")
    listed = bmslogs("--help")
    assert listed.code == 0 and "diagnose" in listed.out
    assert bmslogs("nosuch").code == 2
    assert bmslogs("import").code == 2
    assert bmslogs("serve", "--port", "x").code == 2


@pytest.mark.parametrize(
    "words",
    [
        ("logs",),
        ("diagnose", "20260509-1330-0123456789ab"),
        ("diagnose",),
        ("diagnose", "x.csv", "--pack-id", "heron-main"),
        ("compare",),
        ("compare", "--before", "20260509"),
        ("compare", "heron-main", "--before", "a", "--after", "b"),
        ("record", "heron-main", "--out", "x.html"),
        ("remove", "20260509-1330-0123456789ab"),
        ("verify",),
        ("explain", "nothing_of_that_name"),
        ("import", "missing.csv", "--pack", "missing.toml"),
        ("import", "missing.csv", "--pack", HERON),
        ("inspect", "missing.csv"),
        ("diagnose", DRIVE),
    ],
)
def test_what_cannot_be_done_is_one_line_and_exit_code_2(bmslogs: Program, words: tuple[object, ...]) -> None:
    done = bmslogs(*words)
    assert done.code == 2
    assert done.out == ""
    assert len(done.err.splitlines()) == 1 and done.err.strip()


def test_import_says_what_became_of_each_file(bmslogs: Program, tmp_path: Path, short_drive: Path) -> None:
    done = bmslogs("import", short_drive, "--pack", HERON, "--json", "-")
    assert done.code == 0
    report = json.loads(done.out)
    assert report["refused"] == []
    (log,) = report["logs"]
    assert (log["rows"], log["status"]) == (120, "new")
    again = json.loads(bmslogs("import", short_drive, "--pack", HERON, "--json", "-").out)
    assert (again["logs"][0]["id"], again["logs"][0]["status"]) == (log["id"], "known")
    assert log["id"] in bmslogs("logs").out
    assert json.loads(bmslogs("logs", "--json", "-").out)["logs"][0]["id"] == log["id"]
    assert bmslogs("verify").code == 0
    assert bmslogs("remove", log["id"]).code == 0
    assert json.loads(bmslogs("logs", "--json", "-").out)["logs"] == []


def test_import_says_what_it_noted(bmslogs: Program, tmp_path: Path, short_drive: Path) -> None:
    assert bmslogs("import", short_drive, "--pack", HERON).code == 0
    packed = tmp_path / "again.csv.gz"
    packed.write_bytes(gzip.compress(short_drive.read_bytes()))
    done = bmslogs("import", packed, "--pack", HERON)
    assert "already known" in done.out and "note: the same content as" in done.out
    (log,) = json.loads(bmslogs("import", packed, "--pack", HERON, "--json", "-").out)["logs"]
    assert any("the same content as" in note for note in log["notes"])


def test_the_pack_may_be_named_by_its_id_once_it_is_known(bmslogs: Program, short_drive: Path) -> None:
    assert bmslogs("import", short_drive, "--pack", "heron-main").code == 2
    assert bmslogs("import", short_drive, "--pack", HERON).code == 0
    assert bmslogs("import", short_drive, "--pack", "heron-main").code == 0


BAD = {
    "not a CSV": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, None),
    "no rows": (b"time,current_A,cell_1_mV,cell_2_mV\n", None),
    "wrong cell count": (None, ("cells_in_series = 16", "cells_in_series = 17")),
    "broken pack file": (None, ("[pack]", "[pack")),
}


@pytest.mark.parametrize("what", BAD)
def test_bad_input_is_one_line_exit_2_and_leaves_the_store_as_it_was(
    bmslogs: Program, tmp_path: Path, short_drive: Path, what: str
) -> None:
    assert bmslogs("import", short_drive, "--pack", HERON).code == 0
    before = contents(tmp_path / "bms_store")
    data, change = BAD[what]
    file, pack = tmp_path / "bad.csv", tmp_path / "bad.toml"
    file.write_bytes(data if data is not None else short_drive.read_bytes() + b"\n")
    text = HERON.read_text(encoding="utf-8")
    if change and "cells" in change[0]:
        text = text.replace("cells = [13, 14, 15, 16]", "cells = [13, 14, 15, 16, 17]")
    pack.write_text(text.replace(*change) if change else text, encoding="utf-8")
    for command in (("import", file), ("diagnose", file)):
        done = bmslogs(*command, "--pack", pack, "--json", "-")
        assert done.code == 2
        assert len(done.err.splitlines()) == 1
        assert "bad." in done.err
    assert contents(tmp_path / "bms_store") == before


def test_one_bad_file_among_good_ones_is_exit_1_and_the_rest_is_done(
    bmslogs: Program, tmp_path: Path, short_drive: Path
) -> None:
    (tmp_path / "bad.csv").write_text("nothing of use\n", encoding="utf-8")
    done = bmslogs("import", short_drive, tmp_path / "bad.csv", "--pack", HERON, "--json", "out.json")
    assert done.code == 1
    assert done.err.startswith("bad.csv: ") and len(done.err.splitlines()) == 1
    report = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert len(report["logs"]) == 1 and len(report["refused"]) == 1


def test_inspect_prints_a_profile_that_import_takes(
    bmslogs: Program, tmp_path: Path, short_drive: Path
) -> None:
    shown = bmslogs("inspect", short_drive, "--pack", HERON)
    assert shown.code == 0
    (tmp_path / "p.toml").write_text(shown.out, encoding="utf-8")
    done = bmslogs("import", short_drive, "--pack", HERON, "--profile", tmp_path / "p.toml")
    assert (done.code, done.err) == (0, "")


@pytest.mark.parametrize(("pack", "file"), SAMPLE_LOGS, ids=[file.name for _, file in SAMPLE_LOGS])
def test_every_sample_log_is_diagnosed_by_path_without_a_store_and_its_json_is_valid(
    bmslogs: Program, pack: Path, file: Path
) -> None:
    done = bmslogs("diagnose", file, "--pack", pack, "--json", "-", "--csv", "table.csv")
    assert done.code == 0, done.err
    document = json.loads(done.out)
    assert [error.message for error in DIAGNOSIS.iter_errors(document)] == []
    assert tuple(document["cautions"]) == CAUTIONS
    text = bmslogs("diagnose", document["log"]["id"])
    assert text.code == 0 and document["pack"]["vehicle"] in text.out
    for finding in document["findings"]:
        assert " ".join(finding["says"].split()) in " ".join(text.out.split())


@pytest.mark.parametrize("pack_id", [pack.stem for pack in samples()])
def test_a_whole_pack_is_weighed_and_its_json_is_valid(
    bmslogs: Program, built_store: Path, pack_id: str
) -> None:
    done = bmslogs("diagnose", "--pack-id", pack_id, "--store", built_store, "--json", "-")
    assert done.code == 0, done.err
    document = json.loads(done.out)
    assert [error.message for error in DIAGNOSIS.iter_errors(document)] == []
    assert len(document["logs"]) >= 3


def test_packs_are_compared_and_a_repair_too(bmslogs: Program, built_store: Path) -> None:
    side = bmslogs("compare", "heron-main", "plover-main", "--store", built_store, "--json", "-")
    assert side.code == 0, side.err
    assert [e.message for e in COMPARISON.iter_errors(json.loads(side.out))] == []
    assert "changes" not in json.loads(side.out)
    logs = json.loads(bmslogs("logs", "--store", built_store, "--json", "-").out)["logs"]
    wren = {log["source"].split(".")[0]: log["id"] for log in logs if log["pack"] == "wren-main"}
    words = ("--before", wren["wren-2-before-repair"], "--after", wren["wren-3-after-repair"])
    repair = bmslogs("compare", *words, "--store", built_store, "--json", "-")
    assert repair.code == 0, repair.err
    document = json.loads(repair.out)
    assert [e.message for e in COMPARISON.iter_errors(document)] == []
    assert document["changes"]
    assert bmslogs("compare", *words, "--store", built_store).code == 0
    wrong = bmslogs("compare", "--before", words[3], "--after", words[1], "--store", built_store)
    assert wrong.code == 2 and len(wrong.err.splitlines()) == 1


def test_a_record_is_written_with_its_baseline(bmslogs: Program, sample_store: Path, tmp_path: Path) -> None:
    words = ("record", "heron-main", "--store", sample_store, "--baseline", "hand-over")
    first = bmslogs(*words, "--out", "a.html", "--insulation-ohm", "2e6", "--instrument", "bench meter")
    assert first.code == 0, first.err
    assert "hand-over record" in first.out
    second = bmslogs(*words, "--out", "b.html", "--json", "-")
    assert second.code == 0, second.err
    assert json.loads(second.out)["kind"] == "Service record"
    assert "Service record: Heron" in (tmp_path / "b.html").read_text(encoding="utf-8")
    assert bmslogs("record", "nosuch", "--store", sample_store, "--out", "c.html").code == 2
    lost = bmslogs("record", "heron-main", "--store", sample_store, "--out", "no/such/folder.html")
    assert lost.code == 2 and len(lost.err.splitlines()) == 1


def test_the_store_is_named_by_option_then_environment(
    bmslogs: Program, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, short_drive: Path
) -> None:
    monkeypatch.setenv("BMSLOGS_STORE", str(tmp_path / "by-environment"))
    assert bmslogs("import", short_drive, "--pack", HERON).code == 0
    assert (tmp_path / "by-environment").is_dir()
    assert bmslogs("import", short_drive, "--pack", HERON, "--store", tmp_path / "by-option").code == 0
    assert (tmp_path / "by-option").is_dir()
    assert not (tmp_path / "bms_store").exists()


HEAVY = ("pandas", "scipy", "plotly", "dash", "matplotlib", "rich", "jinja2", "duckdb")


def loaded(tmp_path: Path, words: list[str], which: tuple[str, ...]) -> str:
    """Run a command in a process of its own; return which of the libraries it loaded."""
    script = (
        "import sys\n"
        f"sys.argv = {['bmslogs', *words]!r}\n"
        "from bmslogs.faces.command import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code\n"
        f"print('LOADED', [m for m in {which!r} if m in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.splitlines()[-1]


def test_import_loads_none_of_the_heavy_libraries(tmp_path: Path, short_drive: Path) -> None:
    assert loaded(tmp_path, ["import", str(short_drive), "--pack", str(HERON)], HEAVY) == "LOADED []"


def test_a_stored_answer_is_shown_without_the_numerical_libraries(
    bmslogs: Program, sample_store: Path, tmp_path: Path
) -> None:
    log = json.loads(bmslogs("logs", "--store", sample_store, "--json", "-").out)["logs"][0]["id"]
    assert bmslogs("diagnose", log, "--store", sample_store).code == 0
    for words in ([], ["--json", "a.json", "--csv", "a.csv"]):
        again = ["diagnose", log, "--store", str(sample_store), *words]
        assert loaded(tmp_path, again, (*HEAVY, "numpy", "pyarrow")) == "LOADED []"


@pytest.mark.skipif(sys.platform == "win32", reason="pipes that close early are a matter of POSIX")
def test_a_reader_that_stops_early_sees_no_traceback(tmp_path: Path) -> None:
    line = f"{sys.executable} -m bmslogs explain | head -n 1"
    done = subprocess.run(
        line,
        shell=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout == "Quantities\n"
    assert done.stderr == ""
