"""Tables for a spreadsheet, by the command and by the page: nothing in them is a formula, numbers are numbers.

What a spreadsheet takes for a formula: OWASP, "CSV Injection".
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from bmslogs.faces.command import main
from bmslogs.fleet import diagnose_store
from bmslogs.store import Store
from dashboard.app import create_app
from tests.dashboard import invent

VEHICLE, MODULE, SENSOR = '=HYPERLINK("http://x")', "@SUM(1+1)*cmd|' /C calc'!A0", "+1"
RUNS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two packs whose vehicle, modules and sensors have names that a spreadsheet would run."""
    root = tmp_path_factory.mktemp("tables")
    for number in (1, 2):
        pack = invent.pack(name=VEHICLE, pack_id=f"-nasty-{number}")
        rename = {m.name: f"{MODULE}{i}" for i, m in enumerate(pack.modules)}
        as_typed = pack.model_dump() | {
            "modules": [m.model_dump() | {"name": rename[m.name]} for m in pack.modules],
            "boxes": [{"name": " =1+1", "modules": list(rename.values())}],
            "temperature_sensors": [
                s.model_dump() | {"name": f"{SENSOR}{i}"} for i, s in enumerate(pack.temperature_sensors)
            ],
        }
        pack = type(pack).model_validate(as_typed)
        file = invent.write_csv(invent.drive(pack, seed=number), root / f"drive-{number}.csv")
        assert not Store(root / "store").import_files([file], pack).refused
    assert (
        len(diagnose_store(root / "store", workers=1).of("done")) == 2
    )  # both routes then read the same answers
    return root / "store"


def harmless(text: str) -> list[dict[str, str]]:
    rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
    for row in rows:
        for cell in row:
            try:
                float(cell)
            except ValueError:
                assert not cell.lstrip(" ").startswith(RUNS), cell
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def of_command(words: list[str], target: Path, monkeypatch: pytest.MonkeyPatch) -> bytes:
    monkeypatch.setattr("sys.argv", ["bmslogs", words[0], "--csv", str(target), *words[1:]])
    try:
        main()
    except SystemExit as stop:
        assert not stop.code, stop.code
    return target.read_bytes()


def test_estimates_are_the_same_by_command_and_by_page(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["diagnose", "--pack-id=-nasty-1", "--store", str(store)]
    command = of_command(words, tmp_path / "a.csv", monkeypatch)
    page = create_app(store).server.test_client().get("/estimates.csv?pack=-nasty-1")
    assert page.status_code == 200 and page.mimetype == "text/csv"
    assert page.get_data() == command
    rows = harmless(command.decode("utf-8"))
    assert {r["vehicle"] for r in rows} == {"'" + VEHICLE} and {r["pack"] for r in rows} == {"'-nasty-1"}
    assert {r["sensor"] for r in rows if r["name"] == "heating"} >= {f"'{SENSOR}0"}
    resistances = [float(r["value"]) for r in rows if r["name"] == "resistance_10s" and r["value"]]
    assert len(resistances) == 16 and min(resistances) > 0
    assert any(r["kind"] == "caution" for r in rows)


def test_comparison_is_the_same_by_command_and_by_page(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["compare", "--store", str(store), "--", "-nasty-1", "-nasty-2"]
    command = of_command(words, tmp_path / "b.csv", monkeypatch)
    page = create_app(store).server.test_client().get("/comparison.csv?pack=-nasty-1&pack=-nasty-2")
    assert page.get_data() == command
    rows = harmless(command.decode("utf-8"))
    assert {r["pack"] for r in rows if r["kind"] == "pack"} == {"'-nasty-1", "'-nasty-2"}
    assert any(r["kind"] == "caution" for r in rows)


def test_a_pack_that_is_not_there(store: Path) -> None:
    client = create_app(store).server.test_client()
    assert client.get("/estimates.csv?pack=none").status_code == 404
    assert client.get("/comparison.csv").status_code == 400
