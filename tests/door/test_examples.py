"""The examples in the documentation of the door run, and print what they say."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

import bmslogs
from tests.door.test_door import OFFERED


@pytest.mark.parametrize("name", OFFERED)
def test_the_example_of_a_name_runs(name: str, at_work: Path) -> None:
    (test,) = doctest.DocTestFinder(recurse=False).find(getattr(bmslogs, name), name)
    assert len(test.examples) >= 2
    told: list[str] = []
    failed, _ = doctest.DocTestRunner(verbose=False).run(test, out=told.append)
    assert not failed, "".join(told)
