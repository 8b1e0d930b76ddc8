"""Every kind of recording comes in as the CSV of the same rows does: the same Parquet, digit by digit."""

from __future__ import annotations

import gzip
import hashlib
import zipfile
from pathlib import Path

import numpy as np
import pytest

from bmslogs.importers import inspect_file
from bmslogs.log import read_log
from tests.importers.recordings.kinds import KINDS, as_csv, assert_equal, stored, typed
from tests.importers.writing import assert_same, bring, drive, pack_for

TRUTH = drive(rows=300, cells=6, sensors=2, period_s=0.25)
PACK = pack_for(TRUTH)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_comes_in_as_its_csv(kind: str, tmp_path: Path) -> None:
    write, name = KINDS[kind]
    rows = typed(TRUTH)
    log = stored(write(rows, tmp_path / name), PACK, tmp_path / "store")
    assert_same(read_log(log), TRUTH)
    assert_equal(log, stored(as_csv(rows, tmp_path / "log.csv"), PACK, tmp_path / "other"))


@pytest.mark.parametrize("kind", KINDS)
def test_holes_and_pauses_stay(kind: str, tmp_path: Path) -> None:
    truth = drive(rows=300, cells=6, sensors=2)
    truth.cells[40:44, 2] = np.nan
    truth.temperatures[100, :] = np.nan
    truth.time[200:] += np.timedelta64(90, "m")
    write, name = KINDS[kind]
    rows = typed(truth)
    path = stored(write(rows, tmp_path / name), PACK, tmp_path / "store")
    assert_equal(path, stored(as_csv(rows, tmp_path / "log.csv"), PACK, tmp_path / "other"))
    log = read_log(path)
    assert np.isnan(log.cell_voltage[40:44, 2]).all() and np.isnan(log.temperature[100]).all()


@pytest.mark.parametrize("kind", KINDS)
def test_the_hash_is_that_of_the_file_and_it_is_known_again(kind: str, tmp_path: Path) -> None:
    write, name = KINDS[kind]
    path = write(typed(TRUTH), tmp_path / name)
    log = read_log(stored(path, PACK, tmp_path / "store"))
    assert log.meta["bmslogs.source_sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    again = bring(path, PACK, tmp_path / "store")
    assert [e.status for e in again.logs] == ["known"]


@pytest.mark.parametrize("kind", KINDS)
def test_inspect_says_the_same_as_of_the_csv(kind: str, tmp_path: Path) -> None:
    write, name = KINDS[kind]
    rows = typed(TRUTH)
    found = inspect_file(write(rows, tmp_path / name), pack=PACK)
    plain = inspect_file(as_csv(rows, tmp_path / "log.csv"), pack=PACK)
    assert [(c.taken_for) for c in found.columns] == [c.taken_for for c in plain.columns]
    assert found.problems == plain.problems == ()


@pytest.mark.parametrize("kind", KINDS)
def test_packed_recordings_come_in_too(kind: str, tmp_path: Path) -> None:
    write, name = KINDS[kind]
    rows = typed(TRUTH)
    path = write(rows, tmp_path / name)
    packed = tmp_path / f"{name}.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    archive = tmp_path / "log.zip"
    with zipfile.ZipFile(archive, "w") as out:
        out.write(path, name)
    csv = stored(as_csv(rows, tmp_path / "log.csv"), PACK, tmp_path / "other")
    assert_equal(stored(packed, PACK, tmp_path / "store"), csv)
    assert_equal(stored(archive, PACK, tmp_path / "store of zip"), csv)


@pytest.mark.parametrize("kind", KINDS)
def test_no_temporary_file_stays(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gc
    import tempfile

    write, name = KINDS[kind]
    path = write(typed(TRUTH), tmp_path / name)
    there = tmp_path / "there"
    there.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(there))
    bring(path, PACK, tmp_path / "store")
    gc.collect()
    assert list(there.iterdir()) == []
