"""What a user can mend is said in one line: file, place, what was found, what was expected."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bmslogs.base import errors
from bmslogs.base.errors import Ambiguous, BadInput, BadPack, BadProfile, BmsLogsError, printable


@pytest.mark.parametrize(
    ("where", "text"),
    [
        ({}, "found 'abc'; expected a voltage in mV"),
        ({"file": "log.csv"}, "log.csv: found 'abc'; expected a voltage in mV"),
        ({"file": "/some/where/log.csv"}, "log.csv: found 'abc'; expected a voltage in mV"),
        ({"file": "log.csv", "line": 12}, "log.csv: line 12: found 'abc'; expected a voltage in mV"),
        ({"line": 12, "column": "U3"}, "line 12, column U3: found 'abc'; expected a voltage in mV"),
        (
            {"file": Path("b/trip.xlsx"), "sheet": "Day 2", "row": 7, "column": "U3"},
            "trip.xlsx: sheet Day 2, row 7, column U3: found 'abc'; expected a voltage in mV",
        ),
        ({"line": 0}, "line 0: found 'abc'; expected a voltage in mV"),
        ({"column": ""}, "found 'abc'; expected a voltage in mV"),
    ],
)
def test_the_line_names_what_is_known_of_the_place(where: dict[str, Any], text: str) -> None:
    assert str(BadInput("found 'abc'", "a voltage in mV", **where)) == text


def test_without_an_expectation_the_finding_stands_alone() -> None:
    assert str(BadInput("no rows", file="log.csv")) == "log.csv: no rows"


def test_a_file_is_named_once_by_whoever_knows_it_first() -> None:
    first = BadInput("no rows").in_file("a/one.csv")
    assert str(first) == "one.csv: no rows"
    assert str(first.in_file("two.csv")) == "one.csv: no rows"


@pytest.mark.parametrize("kind", [BadInput, BadPack, BadProfile, Ambiguous])
def test_a_place_that_is_found_later_keeps_the_kind_of_error(kind: type[BadInput]) -> None:
    moved = kind("found 1", "2", file="x.csv", line=3, column="U1").at(line=30)
    assert type(moved) is kind and str(moved) == "x.csv: line 30, column U1: found 1; expected 2"
    other = kind("found 1", file="x.xlsx", line=3).at(row=4, sheet="S")
    assert str(other) == "x.xlsx: sheet S, row 4: found 1"


def test_all_errors_of_the_project_are_of_one_family() -> None:
    own = [e for e in vars(errors).values() if isinstance(e, type) and issubclass(e, Exception)]
    assert len(own) == 7 and all(issubclass(e, BmsLogsError) for e in own)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("two\nlines\tand a tab", "two\\nlines\\tand a tab"),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("caf\u00e9 \u2212 \u00b0C", "caf\u00e9 \u2212 \u00b0C"),
        ("\u202eturned", "\\u202eturned"),  # a mark that turns the rest of a line round
        ("\r", "\\r"),
    ],
)
def test_nothing_that_was_read_breaks_the_line(text: str, line: str) -> None:
    assert printable(text) == line
    assert line in str(BadInput(f"found {text}", file="x.csv"))


def test_a_line_has_an_end_however_much_was_read() -> None:
    assert printable("x" * 100, 10) == "x" * 9 + "\u2026"
    assert printable("x" * 10, 10) == "x" * 10
    assert len(str(BadInput("y" * 100_000, "z" * 100_000))) <= 2000
