"""Joints of a log: marked where cells do what no cell can, and nowhere else; the analysis begins anew there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bmslogs.analysis.sampling import sections
from bmslogs.analysis.study import Study
from bmslogs.log import Log
from bmslogs.store import Store
from tests.importers.writing import Dialect, Truth, drive, imported, pack_for, write

D = Dialect()


def after(*parts: Truth, period_s: float = 1.0) -> Truth:
    """Return logs one after the other, with stamps that go on evenly."""
    rows = sum(len(p.time) for p in parts)
    time = parts[0].time[0] + (np.arange(rows) * period_s * 1e6).astype("timedelta64[us]")
    return Truth(
        time,
        np.concatenate([p.current for p in parts]),
        np.concatenate([p.cells for p in parts]),
        np.concatenate([p.temperatures for p in parts]),
    )


def at_rest(volts: float, rows: int, seed: int, cells: int = 12, step: float = 0.001) -> Truth:
    rng = np.random.default_rng(seed)
    truth = drive(rows=rows, cells=cells, seed=seed)
    truth.current[:] = np.round(rng.normal(0, 0.05, rows), 1)
    own = np.random.default_rng(9).normal(0, 0.004, cells)
    truth.cells[:] = np.round((volts + own + rng.normal(0, 0.0008, (rows, cells))) / step) * step
    truth.temperatures[:] = np.round(21 + rng.normal(0, 0.05, truth.temperatures.shape), 1)
    return truth


def read(truth: Truth, folder: Path, d: Dialect = D) -> Log:
    return imported(write(truth, d, folder), pack_for(truth), folder / "store")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("sign", [1, -1])
def test_a_clock_that_stood_while_the_key_was_off(seed: int, sign: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(100, 900))
    jump = float(rng.choice([-0.3, -0.05, -0.012, 0.02, 0.1, 0.4]))
    truth = after(drive(rows=600, seed=seed), at_rest(3.7, rows, seed), at_rest(3.7 + jump, 300, seed + 1))
    log = read(truth, tmp_path, D.but(sign=sign))
    assert 600 + rows in log.sections
    says = [j["says"] for j in json.loads(log.meta["bmslogs.sections"]) if j["row"] == 600 + rows]
    assert "this log has a joint at" in says[0]
    assert any("this log has a joint at" in n for n in json.loads(log.meta["bmslogs.notes"]))


@pytest.mark.parametrize("seed", range(4))
def test_a_drive_three_times_one_after_the_other(seed: int, tmp_path: Path) -> None:
    once = drive(rows=900, seed=seed)
    for ends in (slice(0, 5), slice(-5, None)):  # it begins and ends at rest
        once.cells[ends] = np.round(once.cells[ends] + 0.0011 * once.current[ends][:, None], 3)
        once.current[ends] = 0.0
    log = read(after(once, once, once), tmp_path)
    assert log.sections == (900, 1800)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("period", [0.1, 1.0, 10.0, 60.0])
def test_plain_drives_have_no_joint(seed: int, period: float, tmp_path: Path) -> None:
    assert read(drive(rows=2000, seed=seed, period_s=period), tmp_path).sections == ()


def steps(rows: int = 2000) -> Truth:
    """Return a rest with hard steps of current: contactors, a pulse, a charge."""
    rng = np.random.default_rng(1)
    truth = drive(rows=rows)
    current = np.zeros(rows)
    current[700:900], current[1200:1203], current[1500:] = 150.0, 300.0, -60.0
    charge = np.cumsum(current)[:, None] * 1e-7
    volts = (
        3.8
        + rng.normal(0, 0.004, 12)
        - 0.0011 * current[:, None]
        - charge
        + rng.normal(0, 0.0005, (rows, 12))
    )
    truth.current[:], truth.cells[:], truth.temperatures[:] = current, np.round(volts, 3), 21.0
    return truth


@pytest.mark.parametrize("late", [0, 1, 2, -1])
def test_steps_of_current_are_no_joints(late: int, tmp_path: Path) -> None:
    truth = steps()
    truth.cells[:] = np.roll(truth.cells, late, axis=0)
    truth.cells[:3], truth.cells[-3:] = truth.cells[4], truth.cells[-4]
    assert read(truth, tmp_path).sections == ()


@pytest.mark.parametrize("every", [2, 5, 10])
def test_a_slow_refresh_is_no_joint(every: int, tmp_path: Path) -> None:
    truth = drive(rows=3000, seed=7)
    truth.cells[:] = truth.cells[np.arange(3000) // every * every]
    assert read(truth, tmp_path).sections == ()


def test_a_jump_over_a_gap_is_no_joint(tmp_path: Path) -> None:
    truth = after(at_rest(3.7, 300, 1), at_rest(3.9, 300, 2))
    truth.time[300:] += np.timedelta64(8, "h")
    assert read(truth, tmp_path).sections == ()


def test_the_jump_of_one_cell_is_no_joint(tmp_path: Path) -> None:
    truth = at_rest(3.7, 600, 1)
    truth.cells[300:, 4] -= 0.2
    assert read(truth, tmp_path).sections == ()


def test_joints_of_parts_lie_where_the_parts_do(tmp_path: Path) -> None:
    whole = after(at_rest(3.7, 300, 1), at_rest(3.8, 300, 2), at_rest(3.8, 300, 3))
    files = []
    for k, (a, b) in enumerate([(0, 500), (500, 900)]):
        part = Truth(whole.time[a:b], whole.current[a:b], whole.cells[a:b], whole.temperatures[a:b])
        files.append(write(part, D, tmp_path, f"part_{k}.csv"))
    store = Store(tmp_path / "store")
    report = store.import_files(files[::-1], pack_for(whole), together=True)
    assert not report.refused
    from bmslogs.log import read_log

    assert read_log(store.log_path(report.logs[0].id)).sections == (300,)


def test_the_analysis_begins_anew_at_a_joint(tmp_path: Path) -> None:
    log = read(after(at_rest(3.7, 300, 1), at_rest(3.8, 300, 2)), tmp_path)
    section = Study(log).flow.section
    assert section[299] == 0 and section[300] == 1 and section[-1] == 1


def test_sections_by_hand() -> None:
    seconds = np.array([0.0, 1, 2, 3, 100, 101, 102])
    assert sections(seconds).tolist() == [0, 0, 0, 0, 1, 1, 1]
    assert sections(seconds, (2, 6)).tolist() == [0, 0, 1, 1, 2, 2, 3]
    assert sections(seconds, (4,)).tolist() == [0, 0, 0, 0, 1, 1, 1]


def test_a_logger_that_writes_more_seldom_while_the_pack_stands_makes_no_pauses() -> None:
    """A row a second, then one in two minutes for an hour, then a row a second again; a pause of an hour parts."""
    step = np.r_[np.ones(100), np.full(30, 120.0), np.ones(100), 3600.0, np.ones(20)]
    seconds = np.r_[0.0, np.cumsum(step)]
    still = np.ones(len(seconds), bool)
    assert sections(seconds, (), still).tolist() == [0] * 231 + [1] * 21
    # where a current flows what it was between two such rows is not known
    still[100:131] = False
    assert sections(seconds, (), still)[131] > 20
    assert sections(seconds)[131] > 20


@pytest.mark.parametrize("awake", [2, 3, 5])
def test_a_joint_right_behind_a_load_that_the_cells_have_answered(awake: int, tmp_path: Path) -> None:
    """A load of 150 A ends, its drop of 1.1 mohm returns at once; rows later the cells stand 45 mV higher, relaxed."""
    rng = np.random.default_rng(awake)
    truth = at_rest(3.7, 900, 3)
    off = 500
    truth.current[:off] = 150.0
    truth.current[off:] = 0.0
    level = np.where(np.arange(900) < off, -0.165, 0.0) + np.where(np.arange(900) < off + awake, -0.045, 0.0)
    truth.cells[:] = np.round(3.7 + level[:, None] + rng.normal(0, 0.0005, truth.cells.shape), 3)
    log = read(truth, tmp_path, D.but(current_name="Current (discharge positive)"))
    assert log.sections == (off + awake,)


@pytest.mark.parametrize("span", [1, 2, 6])
@pytest.mark.parametrize("drop", [0.45, 0.08])
def test_hard_loads_of_few_rows_on_a_rest_are_no_joints(span: int, drop: float, tmp_path: Path) -> None:
    """9 C for a moment: the resistance is half of what is usual, or a tenth."""
    truth = at_rest(3.9, 400, 5)
    truth.current[:] = 0.0
    for at in (100, 250, 257):
        truth.current[at : at + span] = 900.0
        truth.cells[at : at + span] = np.round(truth.cells[at : at + span] - drop, 3)
    assert read(truth, tmp_path, D.but(current_name="Current (discharge positive)")).sections == ()


@pytest.mark.parametrize("colder", [-3.4, 4.0])
def test_a_joint_at_the_one_step_of_current_is_told_by_the_sensors(colder: float, tmp_path: Path) -> None:
    """The current steps nowhere else, so its drop would be learnt from the joint: 265 mV at 53 A, five times it."""
    truth = after(at_rest(3.836, 400, 1), at_rest(4.1, 300, 2))
    truth.current[:400], truth.current[400:] = 53.0, 0.0
    truth.temperatures[400:] += colder
    log = read(truth, tmp_path, D.but(current_name="Current (discharge positive)"))
    assert log.sections == (400,)


def test_a_joint_that_shares_its_row_with_a_large_step_is_told_by_the_drop_of_the_others(
    tmp_path: Path,
) -> None:
    """A drive with 0.35 mohm, a third of what is usual; 136 A end in the row of a joint: 48 of 235 mV are theirs."""
    rng = np.random.default_rng(4)
    truth = drive(rows=1200, cells=12, seed=4)
    truth.current[698:702], truth.current[702:706] = 144.0, [8.0, 15.0, 21.0, 27.0]
    level = np.where(np.arange(1200) < 702, 3.86, 4.047)
    own = rng.normal(0, 0.004, 12)
    noise = rng.normal(0, 0.0003, truth.cells.shape)
    truth.cells[:] = np.round(level[:, None] + own - 3.5e-4 * truth.current[:, None] + noise, 3)
    log = read(truth, tmp_path, D.but(current_name="Current (discharge positive)"))
    assert log.sections == (702,)


def test_one_cell_of_three_may_stand_apart_at_a_joint(tmp_path: Path) -> None:
    truth = after(at_rest(3.95, 400, 1, cells=3), at_rest(3.91, 300, 2, cells=3))
    truth.cells[400:, 2] += 0.032
    assert read(truth, tmp_path).sections == (400,)


@pytest.mark.parametrize("late", [1, 2])
@pytest.mark.parametrize("tau", [1.0, 2.0, 4.0])
def test_loads_that_come_by_and_by_under_a_late_current_are_no_joints(
    late: int, tau: float, tmp_path: Path
) -> None:
    """The first row of such a load is its largest step, and the current shows it a row or two later."""
    rng = np.random.default_rng(int(10 * tau))
    truth = at_rest(3.8, 1500, 6)
    wanted = np.repeat(rng.choice([0.0, 40.0, 110.0, 150.0], 30), 50)
    load = np.zeros(1500)
    for k in range(1, 1500):
        load[k] = load[k - 1] + (wanted[k] - load[k - 1]) * (1 - np.exp(-1 / tau))
    truth.current[:] = np.round(np.concatenate([np.zeros(late), load[:-late]]), 1)
    truth.cells[:] = np.round(truth.cells - 5e-4 * load[:, None], 3)
    assert read(truth, tmp_path, D.but(current_name="Current (discharge positive)")).sections == ()
