"""Fixtures of the faces' tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bmslogs.faces.demo import samples
from tests.faces.program import Program


@pytest.fixture
def bmslogs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Program:
    """The program, in an empty folder of its own and without a store named by the environment."""
    monkeypatch.delenv("BMSLOGS_STORE", raising=False)
    monkeypatch.chdir(tmp_path)
    return Program(monkeypatch, capsys)


@pytest.fixture
def sample_store(built_store: Path, tmp_path: Path) -> Path:
    """A copy of that store that a test may change."""
    return shutil.copytree(built_store, tmp_path / "copied_store")


SAMPLE_LOGS = [(pack, file) for pack, files in samples().items() for file in files]
