"""Files on their way into the store: parts of one log, a pack that is split; no browser."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from bmslogs.store import Store
from dashboard.bring_card import asked
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.jobs import BUSY, Job, Jobs, bring_in, bring_in_together, inspect
from dashboard.pages import bring as page
from tests.dashboard import invent

PACK = invent.pack(name="Knot", pack_id="knot-main")


def settled(jobs: Jobs) -> list[Job]:
    """Wait for the work behind the page."""
    until = time.monotonic() + 60
    while jobs.busy():
        assert time.monotonic() < until
        time.sleep(0.02)
    return jobs.all()


def waiting(folder: Path, *files: Path, modules: tuple[str, ...] = ()) -> tuple[Desk, Jobs, list[str]]:
    """Jobs as uploads leave them, looked at."""
    desk, jobs = Desk(folder / "store"), Jobs()
    desk.store.save_pack(PACK)
    tokens = [f"t{i}" for i in range(len(files))]
    for token, file in zip(tokens, files, strict=True):
        (folder / token).mkdir()
        jobs.add(token, file.name, Path(shutil.copy(file, folder / token)))
        inspect(jobs, token, PACK, modules=modules)
    assert all(j.state not in BUSY for j in settled(jobs))
    return desk, jobs, tokens


def two_parts(folder: Path) -> tuple[Path, Path, Path]:
    """A drive as one file, and the same rows as two."""
    whole = invent.write_csv(invent.drive(PACK), folder / "drive.csv")
    header, *rows = whole.read_text(encoding="utf-8").splitlines()
    parts = folder / "drive_1.csv", folder / "drive_2.csv"
    for path, piece in zip(parts, (rows[:1300], rows[1300:]), strict=True):
        path.write_text("\n".join([header, *piece]) + "\n", encoding="utf-8")
    return whole, *parts


def test_parts_become_the_one_log_that_they_were(tmp_path: Path) -> None:
    whole, first, second = two_parts(tmp_path)
    desk, jobs, tokens = waiting(tmp_path, second, first)  # in the wrong order
    assert [j.name for j in page.parts_of_one(jobs)] == ["drive_1.csv", "drive_2.csv"]
    bring_in_together(jobs, tokens, desk, PACK)
    (done,) = settled(jobs)
    assert done.state == "done", done.says
    assert done.name == "drive_2.csv + drive_1.csv"
    (entry,) = desk.store.logs()
    same = Store(tmp_path / "other").import_files([whole], PACK).logs[0]
    assert (entry.rows, entry.start, entry.end) == (same.rows, same.start, same.end)
    assert not done.path.exists()


def test_a_part_that_is_no_log_keeps_its_reason_and_the_others_wait(tmp_path: Path) -> None:
    _, first, _ = two_parts(tmp_path)
    other = tmp_path / "drive_9.csv"
    other.write_text(first.read_text(encoding="utf-8").replace("cell_16_V", "note"), encoding="utf-8")
    desk, jobs, tokens = waiting(tmp_path, first, other)
    bring_in_together(jobs, tokens, desk, PACK)
    states = {j.name: j.state for j in settled(jobs)}
    assert states == {"drive_1.csv": "confirm", "drive_9.csv": "refused"}
    assert desk.store.logs() == []


def test_a_split_pack_gives_the_cells_of_its_modules(tmp_path: Path) -> None:
    """Readings of cells 5 to 12, counted from 1 by a logger that knows of no others."""
    log = invent.drive(PACK)
    volts = log.cell_voltage[:, 4:12]
    lines = ["time,current_A," + ",".join(f"cell_{i}_V" for i in range(1, 9))]
    for when, current, row in zip(log.time.astype("datetime64[s]"), log.current, volts, strict=True):
        lines.append(f"{when}Z,{current:.1f}," + ",".join(f"{v:.3f}" for v in row))
    file = tmp_path / "split.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    desk, jobs, tokens = waiting(tmp_path, file)
    assert asked(jobs.all()[0]) is not None  # eight cells are not the pack
    inspect(jobs, tokens[0], PACK, modules=("M2", "M3"))
    (job,) = settled(jobs)
    assert job.modules == ("M2", "M3") and asked(job) is None
    assert "only M2, M3" in str(page.job_list(Frame.of(desk, "?pack=knot-main"), jobs))
    bring_in(jobs, tokens[0], desk, PACK)
    (done,) = settled(jobs)
    assert done.state == "done", done.says
    kept = desk.log(done.log_id)
    assert kept.cells == tuple(range(5, 13))
    read = np.isfinite(kept.cell_voltage)  # frames that the importer takes for held ones are left out
    assert read.mean() > 0.95
    np.testing.assert_allclose(kept.cell_voltage[read], volts[read], atol=5e-4)  # half a step of 1 mV


@pytest.mark.parametrize("together", [False, True])
def test_one_button_brings_a_log_in(tmp_path: Path, together: bool) -> None:
    _, first, second = two_parts(tmp_path)
    desk, jobs, _ = waiting(tmp_path, first, second)
    words = str(page.job_list(Frame.of(desk, "?pack=knot-main"), jobs, together))
    assert words.count("Bring this log in") == (0 if together else 2)
    assert words.count("as one log") == (1 if together else 0)


def test_a_sheet_comes_in_as_its_csv_does_and_several_are_asked_about(tmp_path: Path) -> None:
    csv = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    rows = [line.split(",") for line in csv.read_text(encoding="utf-8").splitlines()]
    book = openpyxl.Workbook()
    book.active.title = "Drive"
    other = book.create_sheet("Again")
    for row in [rows[0], *([r[0], *map(float, r[1:])] for r in rows[1:])]:
        book.active.append(row)
        other.append(row)
    book.save(tmp_path / "two.xlsx")
    del book["Again"]
    book.save(tmp_path / "drive.xlsx")
    desk, jobs, tokens = waiting(tmp_path, tmp_path / "drive.xlsx", tmp_path / "two.xlsx")
    assert [j.state for j in jobs.all()] == ["confirm", "refused"]
    assert "2 sheets look like a log: 'Drive', 'Again'" in jobs.all()[1].says
    inspect(jobs, tokens[1], PACK, '[file]\nsheet = "Again"\n')
    settled(jobs)
    for token in tokens:
        job = jobs.get(token)
        assert job is not None
        bring_in(jobs, token, desk, PACK, job.profile)
    assert [j.state for j in settled(jobs)] == ["done", "done"]
    same = Store(tmp_path / "other").import_files([csv], PACK).logs[0]
    assert {e.rows for e in desk.store.logs()} == {same.rows}


def test_a_dropped_signal_database_is_kept_and_the_recording_looked_at_again(tmp_path: Path) -> None:
    """The recording comes first and is refused; its database follows; then both need no option any more."""
    cantools = pytest.importorskip("cantools", reason="the extra 'can' is not installed")
    pytest.importorskip("can", reason="the extra 'can' is not installed")
    from tests.importers.can.recorded import plain_bus, plain_dbc, record
    from tests.importers.writing import drive

    cells = PACK.cells_in_series
    truth = drive(rows=120, cells=cells)
    database = tmp_path / "pack.dbc"
    database.write_text(plain_dbc(cells), encoding="utf-8")
    file = record(plain_bus(truth, cantools.database.load_file(database)), tmp_path / "drive.log")
    desk, jobs, tokens = waiting(tmp_path, file)
    inspect(jobs, tokens[0], PACK, store=desk.store)
    assert settled(jobs)[0].state == "refused" and "signal database" in jobs.all()[0].says
    (tmp_path / "dropped").mkdir()
    jobs.add("dropped", database.name, Path(shutil.copy(database, tmp_path / "dropped")))
    inspect(jobs, "dropped", PACK, store=desk.store)
    recording, kept = settled(jobs)
    assert kept.state == "done" and "kept with the pack" in str(page.job_list(Frame.of(desk, ""), jobs))
    assert recording.state == "confirm", recording.says
    assert f"cell {cells}" in {c.taken_for for c in recording.inspection.columns}
    bring_in(jobs, tokens[0], desk, PACK)
    done = next(j for j in settled(jobs) if j.token == tokens[0])
    assert done.state == "done", done.says
    assert np.array_equal(np.rint(desk.log(done.log_id).cell_voltage * 1000), np.rint(truth.cells * 1000))
