"""Fixtures of the door's tests: a folder as its examples expect it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from sample_logs import SAMPLES


@pytest.fixture(scope="session")
def workshop(built_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `sample_logs` and the store `bms_store` of them, diagnosed."""
    folder = tmp_path_factory.mktemp("workshop")
    shutil.copytree(SAMPLES, folder / "sample_logs", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    shutil.copytree(built_store, folder / "bms_store")
    return folder


@pytest.fixture
def at_work(workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that folder, entered."""
    monkeypatch.delenv("BMSLOGS_STORE", raising=False)
    folder = shutil.copytree(workshop, tmp_path / "workshop")
    monkeypatch.chdir(folder)
    return folder
