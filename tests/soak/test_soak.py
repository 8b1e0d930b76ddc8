"""Two days of the soak, and that its judge can fail."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bmslogs.store import Store
from tests.importers.writing import Dialect, drive, pack_for, write
from tests.soak.days import Kept, Workshop
from tests.soak.judging import lost_or_twice, other_than_afresh
from tests.soak.loggers import Written

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.sweep
def test_two_days_end_as_they_must() -> None:
    """In a process of its own: what is injected stays in it."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.soak", "--days", "2", "--rows", "200", "--seed", "3"],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "2 days in" in done.stdout and ", 0 failures" in done.stdout


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Workshop]:
    """Give one with a single log, nothing injected."""
    truth = drive(rows=120)
    made = Workshop(tmp_path / "work", 1, 120)
    path = write(truth, Dialect(), made.archive, "heron-000-drive.csv")
    made.store = Store(made.root)
    made.packs = {"heron-main": pack_for(truth)}
    assert not made.store.import_files([path], pack_for(truth)).refused
    kept = Written(path.name, path.read_bytes(), 120).archived(made.archive)
    made.kept[path.name] = Kept(kept, "heron-main", "heron-main")
    yield made


def test_a_sound_store_is_judged_sound(shop: Workshop) -> None:
    assert lost_or_twice(shop) == [] and other_than_afresh(shop) == (1, [])


def test_the_judge_sees_a_lost_log_and_one_that_came_back(shop: Workshop) -> None:
    (kept,) = shop.kept.values()
    kept.removed = shop.true
    assert lost_or_twice(shop) == [f"{kept.written.name}: removed, and in the store"]
    kept.removed = None
    shop.store.logs()[0].path.unlink()
    assert lost_or_twice(shop) == [f"{kept.written.name}: 0 times in the store"]


def test_the_judge_sees_a_log_twice_and_another_answer(shop: Workshop) -> None:
    (entry,) = shop.store.logs()
    shop.store.save_answer({"method": "1"}, entry.id)
    assert "another than the one made afresh" in other_than_afresh(shop)[1][0]
    entry.path.with_name("20260101-0000-0123456789ab.parquet").write_bytes(entry.path.read_bytes())
    assert "2 times in the store" in lost_or_twice(shop)[0]
