"""Every cause, planted in a log worked out by hand: named alone, sized, louder when larger, said in safe words."""

from __future__ import annotations

import re

import jsonschema
import pytest

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.results import LEVELS, Diagnosis, Finding
from bmslogs.base.schema import schema_of
from bmslogs.findings.case import METER_FIRST
from bmslogs.findings.registry import CAUSES
from tests.findings.planted import CASES, told_of

UNITS = {
    "": r"",
    "V": r"\d m?V\b",
    "A": r"\d m?A\b",
    "Ah": r"\d Ah\b",
    "ohm": r"\d m?ohm\b",
    "degC": r"K\b",
    "fraction": r"\d %",
    "fraction of pack median": r"\d %",
}
"""What a sentence and its evidence must hold for a size in this unit."""
AT_THE_PACK = re.compile(
    r"^(Open|Swap|Move the|Re-make|Clean|Measure|Put a"
    r"|Look (?:at|for) (?:a|the|its) (?:wire|crimp|resistor|loose|plug|channel))"
)
"""Steps for which a lid is opened or a tap is reached."""


def found(cause: str, larger: bool = False) -> Diagnosis:
    """Return what is told of a planted cause."""
    return told_of(cause, larger)[1]


def the_finding(cause: str, larger: bool = False) -> Finding:
    return told_of(cause, larger)[2]


def test_every_cause_of_the_registry_is_planted_here() -> None:
    assert list(CASES) == list(CAUSES)


@pytest.mark.parametrize("cause", CASES)
def test_it_is_named_at_its_place_and_nothing_else_is(cause: str) -> None:
    case, one = CASES[cause], the_finding(cause)
    assert one.cells == case.cells
    assert (one.level == "note") is not case.loud
    assert [(f.cause, f.cells) for f in found(cause).findings if f.level != "note" and f is not one] == []


@pytest.mark.parametrize("larger", [False, True])
@pytest.mark.parametrize("cause", [c for c, case in CASES.items() if case.told])
def test_its_size_is_what_was_planted(cause: str, larger: bool) -> None:
    """The 95 % interval holds the planted size, and is told no wider than the fault itself where there is one."""
    case, one = CASES[cause], the_finding(cause, larger)
    assert case.told is not None
    size = case.told(case.larger if larger else case.size)
    assert one.unit == CAUSES[cause].unit
    if one.size is None:  # a sensor that reads 125 degC is short-circuited: no shift is told of it
        assert cause == "temperature_sensor_fault" and larger and "short circuit" in one.says
        return
    assert one.low is not None and one.high is not None
    # a contact's bounds are the least and the most that its jumps show, read a row apart, not an interval of their mean
    beyond = 0.01 * size if cause == "joint_loose" else 0.0
    assert one.low - beyond <= size <= one.high + beyond
    assert one.low <= one.size <= one.high
    assert abs(one.size - size) <= 0.05 * max(abs(size), CAUSES[cause].least or 0.0) + 0.002


@pytest.mark.parametrize("cause", CASES)
def test_ten_times_as_large_it_is_no_quieter(cause: str) -> None:
    small, large = the_finding(cause), the_finding(cause, larger=True)
    assert large.cells == small.cells
    assert LEVELS.index(large.level) <= LEVELS.index(small.level)


@pytest.mark.parametrize("cause", CASES)
def test_the_sentence_names_the_place_and_the_size_with_its_unit(cause: str) -> None:
    one = the_finding(cause)
    assert CASES[cause].place in one.says
    assert one.says.endswith(".") and "\n" not in one.says
    assert one.because and all(line and "\n" not in line for line in one.because)
    assert re.search(UNITS[one.unit], " ".join([one.says, *one.because]))
    if len(one.cells) == 1:
        assert one.module == "F2" or one.cells == (9,)


@pytest.mark.parametrize("larger", [False, True])
@pytest.mark.parametrize("cause", CASES)
def test_no_number_is_said_as_less_than_nought_where_it_is_nought(cause: str, larger: bool) -> None:
    for f in found(cause, larger).findings:
        for line in (f.says, *f.because):
            assert not re.search(r"(?<![\d.])-0(?:\.0+)?(?![\d.])", line), line
            assert not re.search(r"\b(?:nan|inf)\b", line), line


@pytest.mark.parametrize("larger", [False, True])
@pytest.mark.parametrize("cause", CASES)
def test_nothing_is_opened_or_measured_before_the_pack_is_proven_dead(cause: str, larger: bool) -> None:
    for f in found(cause, larger).findings:
        assert f.next
        steps = list(f.next)
        risky = [k for k, step in enumerate(steps) if AT_THE_PACK.match(step)]
        if risky:
            assert METER_FIRST in steps and steps.index(METER_FIRST) < risky[0], steps
        assert not any(
            re.search(r"\b(?:feel|touch)\b", step, re.IGNORECASE) for step in steps if "flag is on" in step
        )


@pytest.mark.parametrize("cause", CASES)
def test_its_published_form_is_what_the_schema_says(cause: str) -> None:
    told = found(cause).to_json()
    jsonschema.validate(told, schema_of(Diagnosis, quantity=QUANTITIES, cause=CAUSES))
    (one,) = [f for f in told["findings"] if f["cause"] == cause]
    assert one["cells"] == list(CASES[cause].cells) and one["unit"] == CAUSES[cause].unit
    assert tuple(told["cautions"]) == CAUTIONS
    assert Diagnosis.from_json(told).to_json() == told


@pytest.mark.parametrize("cause", CASES)
def test_findings_come_in_order_of_urgency(cause: str) -> None:
    levels = [LEVELS.index(f.level) for f in found(cause, larger=True).findings]
    assert levels == sorted(levels)
