"""A workbook cut short anywhere is refused in one line: old ones make the reader's own code give up."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.importers.fuzz_recordings import typed
from tests.importers.recordings.kinds import KINDS
from tests.importers.writing import drive, pack_for, refusal


@pytest.mark.parametrize("kind", ["xls", "xlsx", "ods"])
@pytest.mark.parametrize("share", [0.999, 0.99, 0.9, 0.6, 0.3, 0.1])
def test_a_cut_workbook_is_refused_in_one_line(kind: str, share: float, tmp_path: Path) -> None:
    truth = drive(rows=60, cells=2, sensors=0)
    write, name = KINDS[kind]
    path = write(typed(truth), tmp_path / name)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert len(reason) < 300
