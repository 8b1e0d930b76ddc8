"""Fixtures of the handbook's tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sample_logs import SAMPLES


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with `sample_logs` in it, entered: where the handbook's examples begin."""
    shutil.copytree(SAMPLES, tmp_path / "sample_logs", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    monkeypatch.delenv("BMSLOGS_STORE", raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path
