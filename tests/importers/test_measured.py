"""Measured files, where they are on this machine: `BMSLOGS_MEASURED` names the folder (see `measured.py`)."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.importers.measured import CASES, Case, details_of, judge

FOLDER = os.environ.get("BMSLOGS_MEASURED") or None


@pytest.mark.skipif(FOLDER is None, reason="no measured files here: BMSLOGS_MEASURED names no folder")
@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.source}-{case.name}")
def test_nothing_false_is_stored(case: Case) -> None:
    assert FOLDER is not None
    folder = Path(FOLDER)
    if not case.file(folder).is_file():
        pytest.skip(f"{case.source}/{case.name} is not in {folder}")
    outcome = judge(case, folder)
    assert outcome.result != "WRONG", "\n".join(details_of(outcome))
