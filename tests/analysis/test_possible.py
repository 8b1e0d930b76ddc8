"""Voltages that no cell has are kept in the log, believed by nobody but those who ask about the sensing."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bmslogs import diagnose
from bmslogs.analysis.study.readings import readings_of
from tests.importers.writing import Dialect, drive, imported, pack_for, write


def swapped(folder: Path, rows: slice):  # type: ignore[no-untyped-def]
    """Import a drive in which the taps of cell 4 change places over some rows (algebra of a string)."""
    truth = drive(rows=900, cells=12)
    a, b, c = (truth.cells[rows, k].copy() for k in (2, 3, 4))
    truth.cells[rows, 2], truth.cells[rows, 3] = np.round(a + b, 3), -b
    truth.cells[rows, 4] = np.round(b + c, 3)
    limits = {"voltage_min_V": 2.5, "voltage_max_V": 4.2}
    return imported(write(truth, Dialect(), folder), pack_for(truth, limits=limits), folder / "store")


def test_estimators_do_not_see_them_and_sensing_does(tmp_path: Path) -> None:
    log = swapped(tmp_path, slice(200, 300))
    readings = readings_of(log)
    assert np.isfinite(readings.as_read).all() and (readings.as_read < 0).sum() == 100
    assert np.isnan(readings.log.cell_voltage[200:300, 2:5]).all()
    assert np.isnan(readings.log.cell_voltage).sum() == 300


def test_a_sound_log_is_the_log_itself(tmp_path: Path) -> None:
    truth = drive()
    log = imported(write(truth, Dialect(), tmp_path), pack_for(truth), tmp_path / "store")
    assert readings_of(log).log is log


def test_no_limit_is_judged_by_them(tmp_path: Path) -> None:
    for rows in (slice(200, 300), slice(None)):
        folder = tmp_path / str(rows.start)
        folder.mkdir()
        findings = diagnose(swapped(folder, rows)).findings
        assert not [f for f in findings if f.cause == "limit_exceeded"]
        if rows.start is None:
            assert [f.cells for f in findings if f.cause == "taps_swapped"]
