"""The door: its names, what it costs to open it, its results in every form, its errors."""

from __future__ import annotations

import ast
import functools
import inspect
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

import bmslogs
from bmslogs.base.cautions import CAUTIONS, LOCAL_RULES
from bmslogs.door.asking import Diagnosis
from bmslogs.door.showing import Shown
from sample_logs import SAMPLES
from tests.faces.examples import WREN, diagnosis
from tests.faces.program import Program

ROOT = Path(__file__).parents[2]
OFFERED = (
    "load_pack", "import_files", "open_store", "read_log", "diagnose", "diagnose_pack", "compare", "plan", "match",
    "check_loom", "diagnose_store", "plot_log", "plot_pack", "plot_finding",
)  # fmt: skip
HEAVY = ("pandas", "scipy", "plotly", "dash", "dashboard", "pyarrow", "numpy")
DRIVE = "20260509"
READINGS = pd.DataFrame({"cell": range(1, 17), "voltage_V": [3.65] * 8 + [-3.65] + [3.65] * 7})
ITEMS = pd.DataFrame({
    "name": list("abcd"), "rest_voltage_V": 3.6, "capacity_Ah": [50.0, 46.0, 50.2, 46.1], "capacity_half_width_Ah": 0.2
})  # fmt: skip


def python(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"}
    environment.pop("BMSLOGS_STORE", None)
    return subprocess.run(
        [sys.executable, "-c", code], cwd=folder, env=environment, capture_output=True, text=True, timeout=300,
        check=False,
    )  # fmt: skip


def test_the_door_completes_what_it_offers_and_nothing_else() -> None:
    assert set(OFFERED) | {"BmsLogsError", "__version__"} == set(dir(bmslogs)) == set(bmslogs.__all__)
    for name in OFFERED:
        assert callable(getattr(bmslogs, name))
    with pytest.raises(AttributeError, match="no attribute 'diagnos'"):
        _ = bmslogs.diagnos
    kept = [n for n, v in vars(bmslogs).items() if not n.startswith("_") and not inspect.ismodule(v)]
    assert set(kept) <= set(bmslogs.__all__), "a name beside the door is open to everybody"


@pytest.mark.parametrize("name", OFFERED)
def test_every_name_of_the_door_is_documented(name: str) -> None:
    text = inspect.getdoc(getattr(bmslogs, name)) or ""
    for part in ("Parameters", "Returns", "Raises", "Examples"):
        assert f"\n{part}\n{'-' * len(part)}\n" in text, f"{name} lacks {part}"
    signature = inspect.signature(getattr(bmslogs, name))
    told = text.split("Parameters\n")[1].split("Returns\n")[0]
    for argument in signature.parameters:
        assert argument in told, f"{name} does not explain {argument}"


def test_opening_the_door_loads_nothing_heavy(tmp_path: Path) -> None:
    code = f"import sys, bmslogs; dir(bmslogs); print([m for m in {HEAVY} if m in sys.modules])"
    assert python(code, tmp_path).stdout.strip() == "[]"


def test_a_log_plots_without_the_dashboard(at_work: Path) -> None:
    code = (
        f"import sys, bmslogs; f = bmslogs.read_log({DRIVE!r}).plot(cells=[5]); assert len(f.data) > 3\n"
        f"d = bmslogs.diagnose({DRIVE!r}); bmslogs.plot_pack(d); bmslogs.plot_finding(d)\n"
        "print([m for m in ('dash', 'dashboard') if m in sys.modules])"
    )
    done = python(code, at_work)
    assert done.stdout.strip() == "[]", done.stderr


SPAWNED = """import multiprocessing
from bmslogs.fleet import processes, run
run.cheap_processes = lambda: processes._without_main(multiprocessing.get_context("spawn"))
"""


@pytest.mark.parametrize("begin", ["", SPAWNED], ids=["as this system has it", "each worker begun anew"])
def test_a_script_without_a_guard_diagnoses_a_store_in_parallel(begin: str, at_work: Path) -> None:
    for answer in (at_work / "bms_store" / "_answers").rglob("*.json"):
        answer.unlink()
    script = at_work / "all.py"
    script.write_text(
        begin
        + "import bmslogs\nprint('begun', flush=True)\nrun = bmslogs.diagnose_store('bms_store', workers=2)\n"
        "print([(o.status, o.reason) for o in run.outcomes])\nimport __main__; print(__main__.__file__)\n",
        encoding="utf-8",
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, str(script)], cwd=at_work, env=environment, capture_output=True, text=True, timeout=300,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("begun") == 1
    assert done.stdout.count("('done', None)") == 10
    assert str(script) in done.stdout  # and the script is still what runs


@functools.cache
def asked(name: str) -> Shown:
    """One result of each kind; made once, in whichever copy of the workshop asks first."""
    makers = {
        "log": lambda: bmslogs.diagnose(DRIVE),
        "pack": lambda: bmslogs.diagnose_pack("heron-main"),
        "compare": lambda: bmslogs.compare("heron-main", "plover-main"),
        "repair": lambda: bmslogs.compare(before=DRIVE, after="20260516"),
        "plan": lambda: bmslogs.plan("20260516"),
        "match": lambda: bmslogs.match(ITEMS, 2, strings=2),
        "loom": lambda: bmslogs.check_loom(READINGS, "heron-main", meter_total=51.1),
        "logs": lambda: bmslogs.open_store(),
        "import": lambda: bmslogs.import_files(["heron-2-test-drive.csv.gz"], "heron-main"),
    }
    return makers[name]()


COMMANDS = {
    "log": ["diagnose", DRIVE],
    "pack": ["diagnose", "--pack-id", "heron-main"],
    "compare": ["compare", "heron-main", "plover-main"],
    "repair": ["compare", "--before", DRIVE, "--after", "20260516"],
    "plan": ["plan", "20260516"],
    "match": ["match", "items.csv", "--series", "2", "--strings", "2"],
    "loom": ["check-loom", "readings.csv", "--pack", "heron-main", "--meter-total", "51.1"],
    "logs": ["logs"],
    "import": ["import", "heron-2-test-drive.csv.gz", "--pack", "heron-main"],
}


@pytest.fixture
def bench(at_work: Path) -> Path:
    """The workshop with the tables of the bench in it."""
    ITEMS.to_csv("items.csv", index=False)
    READINGS.to_csv("readings.csv", index=False)
    (at_work / "heron-2-test-drive.csv.gz").write_bytes((SAMPLES / "heron-2-test-drive.csv.gz").read_bytes())
    return at_work


@pytest.mark.parametrize("name", COMMANDS)
def test_the_json_is_that_of_the_command_to_the_byte(
    name: str, bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    result = asked(name)
    done = Program(monkeypatch, capsys)(*COMMANDS[name], "--json", "cli.json")
    assert done.code == (1 if name == "loom" else 0), done.err
    assert (
        result.to_json("door.json").encode()
        == Path("cli.json").read_bytes()
        == Path("door.json").read_bytes()
    )
    assert json.loads(result.to_json()) == json.loads(json.dumps(result.to_dict()))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_result_shows_itself_in_few_lines_with_its_cautions(name: str, bench: Path) -> None:
    result = asked(name)
    text, markup = repr(result), result._repr_html_()
    told = [LOCAL_RULES] if name in ("logs", "import") else list(CAUTIONS)
    for caution in told:
        assert caution in text and caution in markup
    lines = text.splitlines()
    assert lines[0].startswith("<") and lines[0].endswith(">")
    assert len(lines) <= 1 + 7 + len(told)
    assert "<script" not in markup and "http" not in markup
    frame = result.to_frame()
    assert isinstance(frame, pd.DataFrame) and len(frame)
    assert frame.attrs["cautions"] == list(CAUTIONS)


def test_the_frame_of_a_diagnosis_has_a_row_an_estimate_and_a_finding_with_units(at_work: Path) -> None:
    result = bmslogs.diagnose_pack("heron-main")
    document, frame = json.loads(result.to_json()), result.to_frame()
    estimates = frame[frame["kind"] == "estimate"]
    assert len(estimates) == len(document["estimates"])
    assert len(frame) - len(estimates) == len(document["findings"]) > 0
    for row, told in zip(estimates.to_dict("records"), document["estimates"], strict=True):
        assert (
            row["name"] == told["quantity"]
            and row["unit"] == told["unit"]
            and row["status"] == told["status"]
        )
        for key in ("value", "low", "high"):
            value = told.get(key)
            assert pd.isna(row[key]) if value is None else row[key] == value
        assert pd.isna(row["cell"]) if told["cell"] is None else row["cell"] == told["cell"]
        temperature = told.get("conditions", {}).get("temperature_C")
        assert pd.isna(row["temperature_C"]) if temperature is None else row["temperature_C"] == temperature


def test_a_log_in_memory_is_answered_as_the_stored_one(at_work: Path) -> None:
    log = bmslogs.read_log("20260601")
    assert bmslogs.diagnose(log).to_json() == bmslogs.diagnose("20260601").to_json()
    (path,) = at_work.glob("bms_store/vehicle=*/pack=*/20260601*.parquet")
    assert bmslogs.diagnose(path).to_json() == bmslogs.diagnose("20260601").to_json()


def test_a_log_as_a_frame_is_what_the_store_holds(at_work: Path) -> None:
    (path,) = at_work.glob(f"bms_store/vehicle=*/pack=*/{DRIVE}*.parquet")
    stored, log = pd.read_parquet(path), bmslogs.read_log(path)
    frame = log.to_frame()
    assert str(frame.index.tz) == "UTC" and (frame.index == pd.DatetimeIndex(stored["time"])).all()
    for name in ("current_A", "cell_005_mV", "temperature_01_C"):
        # what the file holds in 32 bits or as whole millivolts is had in 64
        assert np.allclose(frame[name], stored[name].astype(float), rtol=0, atol=1e-9, equal_nan=True), name
    assert repr(bmslogs.read_log(DRIVE)) == repr(log)
    assert json.loads(log.to_json())["log"]["rows"] == len(stored)


def test_names_from_files_are_shown_as_text() -> None:
    made = Diagnosis(diagnosis(name="<b>Wren</b>"), WREN)
    assert "<b>Wren" not in made._repr_html_() and "&lt;b&gt;Wren" in made._repr_html_()


def test_several_files_one_refused(bench: Path) -> None:
    Path("broken.csv").write_text("nothing here\n", encoding="utf-8")
    done = bmslogs.import_files(["heron-2-test-drive.csv.gz", "broken.csv"], "heron-main")
    assert [log.status for log in done] == ["known"] and len(done.refused) == 1
    assert "broken.csv" in repr(done) and set(done.to_frame()["status"]) == {"known", "refused"}
    with pytest.raises(bmslogs.BmsLogsError, match=r"broken\.csv"):
        bmslogs.import_files("broken.csv", "heron-main")


WRONG = {
    "no log": lambda: bmslogs.diagnose("nonsense"),
    "no pack file": lambda: bmslogs.load_pack("no.toml"),
    "no store": lambda: bmslogs.open_store("nowhere"),
    "no store to weigh": lambda: bmslogs.diagnose_store("nowhere"),
    "no file": lambda: bmslogs.import_files("no.csv", "heron-main"),
    "nothing to import": lambda: bmslogs.import_files([], "heron-main"),
    "no pack beside it": lambda: bmslogs.diagnose("heron-2-test-drive.csv.gz"),
    "no quantity": lambda: bmslogs.plot_pack(bmslogs.diagnose(DRIVE), "warmth"),
    "no finding": lambda: bmslogs.plot_finding(bmslogs.diagnose(DRIVE), 99),
    "no cell": lambda: bmslogs.plot_log(DRIVE, cells=[44]),
    "no time": lambda: bmslogs.plot_log(DRIVE, start="yesterday evening"),
    "no readings": lambda: bmslogs.check_loom("no.csv", "heron-main"),
    "a wrong column": lambda: bmslogs.match(ITEMS.rename(columns={"capacity_Ah": "size"}), 2),
    "nothing to compare": lambda: bmslogs.compare(),
    "half of a repair": lambda: bmslogs.compare(before=DRIVE),
    "no such pack": lambda: bmslogs.diagnose_pack("heron-spare"),
    "no logs": lambda: bmslogs.diagnose_pack([]),
    "not a cell": lambda: bmslogs.check_loom(
        pd.DataFrame({"cell": ["nan"], "voltage_V": [3.6]}), "heron-main"
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said_in_one_line(name: str, bench: Path) -> None:
    with pytest.raises(bmslogs.BmsLogsError) as caught:
        WRONG[name]()
    assert str(caught.value).strip() and "\n" not in str(caught.value)


def test_a_part_of_a_log_in_another_zone_is_drawn(at_work: Path) -> None:
    log = bmslogs.read_log(DRIVE)
    figure = bmslogs.plot_log(log, start="2026-05-09T16:00+02:00", end="2026-05-09 14:30", dark=True)
    assert isinstance(figure, go.Figure)
    (current,) = (t for t in figure.data if t.name == "current")
    assert min(current.x) >= "2026-05-09" and str(min(current.x))[11:13] == "14"
    assert figure.layout.meta["cautions"] == list(CAUTIONS)


def test_a_finding_of_a_whole_pack_is_drawn_from_its_log(at_work: Path) -> None:
    whole = bmslogs.diagnose_pack("heron-main")
    for number in range(1, len(whole.findings) + 1):
        assert bmslogs.plot_finding(whole, number).data


def test_type_checkers_are_told_of_every_name_where_it_lives() -> None:
    """They read the branch that never runs; what runs is the table."""
    tree = ast.parse((ROOT / "bmslogs" / "__init__.py").read_text(encoding="utf-8"))
    (told,) = (node for node in tree.body if isinstance(node, ast.If))
    homes = {a.name: n.module for n in told.body if isinstance(n, ast.ImportFrom) for a in n.names}
    assert homes == bmslogs._HOME
