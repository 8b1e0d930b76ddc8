"""Damaged logs that grow, in small blocks: stored as one import stores them, refused as it refuses, or left to it."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from bmslogs.base.errors import BadInput
from bmslogs.importers.reading import stream
from bmslogs.store.growing import CannotGrow, WasReplaced
from bmslogs.store.store import Store
from tests.importers import fuzz
from tests.importers.writing import drive, pack_for, text_of
from tests.store.test_growing import grown, once

DAMAGES = (
    "none",
    "flip",
    "cut",
    "cut_out",
    "rubbish",
    "huge_field",
    "twice",
    "shuffle",
    "words",
    "wide",
    "double",
)


def outcome(data: bytes, rng: random.Random, pack: object, folder: Path) -> str:
    """Return ``stored``, ``refused`` or ``left``; fails where growing ends otherwise than one import."""
    whole, refused = once(data, pack, folder / "once")  # type: ignore[arg-type]
    cuts = [rng.randrange(1, max(2, len(data))) for _ in range(rng.randrange(0, 7))]
    try:
        store, _ = grown(data, cuts, pack, folder / "grown")  # type: ignore[arg-type]
    except CannotGrow:
        return "left"
    except BadInput as error:
        assert refused, f"only growing refuses: {error}"
        return "refused"
    assert not refused, f"only one import refuses: {refused}"
    same(store, whole)
    return "stored"


def same(one: Store, other: Store) -> None:
    (a,), (b,) = one.logs(), other.logs()
    mine, theirs = pq.read_table(a.path), pq.read_table(b.path)
    assert mine.schema.equals(theirs.schema) and mine.equals(theirs)
    assert [f.metadata for f in mine.schema] == [f.metadata for f in theirs.schema]
    assert {str(r) for r in a.repairs} == {str(r) for r in b.repairs}


def run(count: int, seed: int, folder: Path) -> Counter[str]:
    """Let damaged files grow."""
    counts: Counter[str] = Counter()
    for number in range(count):
        rng = random.Random(f"{seed} {number}")
        name, damage = rng.choice(sorted(fuzz.BASES)), rng.choice(DAMAGES)
        truth = drive(rows=rng.randrange(60, 400), cells=6, sensors=2, seed=number)
        text = text_of(truth, fuzz.BASES[name])
        data = text if isinstance(text, bytes) else text.encode(fuzz.BASES[name].encoding)
        data = getattr(fuzz, damage)(data, rng)
        place = folder / f"{number}"
        try:
            counts[outcome(data, rng, pack_for(truth), place)] += 1
        except WasReplaced:
            raise
        except AssertionError as error:
            raise AssertionError(f"case {number}, {name}, {damage}: {error}") from error
    return counts


@pytest.mark.parametrize("cases", [10, pytest.param(40, marks=pytest.mark.sweep)])
def test_damaged_logs_grow_into_what_one_import_makes_of_them(
    cases: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "SMALLEST_BLOCK", 2048)
    monkeypatch.setattr(stream, "LARGEST_BLOCK", 8192)
    counts = run(cases, 1, tmp_path)
    assert counts["stored"] > 0.37 * cases, counts
