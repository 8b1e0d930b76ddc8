"""A slice of the damaged recordings, and that the judge of them can fail."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.importers.fuzz_recordings import Field, as_written, balance, verify
from tests.importers.recordings.kinds import as_parquet, stored, typed
from tests.importers.writing import drive, pack_for


@pytest.mark.parametrize("seed", range(40))
def test_damaged_recordings(seed: int, tmp_path: Path) -> None:
    Field(tmp_path).case(seed)


def test_the_judge_finds_what_is_wrong(tmp_path: Path) -> None:
    truth = drive(rows=100, cells=4, sensors=1)
    rows = typed(truth)
    log = stored(as_parquet(rows, tmp_path / "log.parquet"), pack_for(truth), tmp_path / "store")
    assert verify(log, as_written(rows), loose=False) is None and balance(log, rows) is None
    changed = [list(r) for r in rows]
    changed[50][3] += 0.002
    assert verify(log, as_written(changed), loose=False) is not None
    changed = [list(r) for r in rows]
    changed[50][3], changed[50][4] = changed[50][4] + 0.01, changed[50][3]
    assert verify(log, as_written(changed), loose=False) is not None
    assert verify(log, as_written(rows[:90]), loose=False) == "row 89: a stamp that was not written"
    assert balance(log, rows[:90]) == "89 rows written, 100 stored, 0 named"
