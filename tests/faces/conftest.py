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


@pytest.fixture(scope="session")
def built_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of all sample logs, diagnosed; not to be written to."""
    from bmslogs.faces.demo import build
    from bmslogs.store import Store

    root = tmp_path_factory.mktemp("samples") / "store"
    build(Store(root), lambda _name: None)
    return root


@pytest.fixture
def sample_store(built_store: Path, tmp_path: Path) -> Path:
    """A copy of that store that a test may change."""
    return shutil.copytree(built_store, tmp_path / "copied_store")


SAMPLE_LOGS = [(pack, file) for pack, files in samples().items() for file in files]
