"""The first sentence of a page: hand cases; a number and interval only where the answer knows it, never "safe"."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools

import pytest

from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.faces.headlines import (
    Standing,
    apart_says,
    charge_says,
    compared_says,
    findings_says,
    found_says,
    overview_says,
    record_says,
    vehicles_says,
)
from bmslogs.findings.compare import Compared, Comparison, Difference
from bmslogs.fleet.overview import PackOverview
from tests.dashboard import invent

PACK = invent.pack()
R = "resistance_10s_relative"
HIGH = Finding(
    "cell_resistance_high", "act", "box 1, module M2, cell 6: drops 22 % more.", cells=(6,),
    size=0.22, low=0.2, high=0.24,
)  # fmt: skip
EMPTY = Finding("soc_offset_low", "look", "cell 3: emptier.", cells=(3,), size=-0.03, low=-0.04, high=-0.02)
LOST = Finding("log_quality", "note", "Three rows lost.")


def diagnosis(*findings: Finding, estimates: tuple[Estimate, ...] = ()) -> Diagnosis:
    return dataclasses.replace(invent.diagnosis(PACK), findings=findings, estimates=estimates)


def ah(key: str, cell: int, value: float, half: float = 0.1) -> Estimate:
    return Estimate(key, "Ah", cell=cell, value=value, low=value - half, high=value + half)


def charge(lacks: dict[int, float], half: float = 0.1, hours: float | None = None) -> Diagnosis:
    """Of cells that lack so much to full; what is bled from each is what it lacks less than the last one."""
    most = max(lacks.values())
    made = [ah("charge_to_full", c, v, half) for c, v in lacks.items()]
    made += [ah("bleed_needed", c, most - v, half) for c, v in lacks.items()]
    if hours:
        made.append(Estimate("balancing_time", "h", value=hours, low=hours - 2, high=hours + 2))
    return diagnosis(estimates=tuple(made))


def test_nothing_stored() -> None:
    assert vehicles_says([]) == "No pack is described yet."
    assert vehicles_says([Standing("Heron", 0, None)]) == "1 pack described, and no log of any yet."
    assert record_says(None, 0).startswith("No log yet")


def test_healthy_is_said_of_the_logs_and_of_no_pack() -> None:
    says = vehicles_says([Standing("Heron", 3, ()), Standing("Plover", 1, (LOST,))])
    assert says == "Nothing that asks for work was found in the logs of Heron and Plover."
    told = findings_says(diagnosis(estimates=invent.estimates(PACK, R, by=0.0)))
    assert told == "Nothing was found in this log."


def test_what_stays_open_is_said_beside_nothing_found() -> None:
    silent = refused("capacity", "Ah", "no charge in it", "a whole charge", cell=1)
    made = (*invent.estimates(PACK, R, by=0.0), silent)
    assert findings_says(diagnosis(estimates=made)) == "Nothing was found in this log. 1 question stays open."


def test_one_finding_with_its_number_and_interval() -> None:
    says = "Box 1, module M2, cell 6: drops 22 % more (95 % interval +20.0 to +24.0 %)."
    assert findings_says(diagnosis(HIGH)) == says
    assert vehicles_says([Standing("Heron", 2, (HIGH,)), Standing("Plover", 1, ())]).startswith(
        "Heron: Box 1"
    )


def test_a_size_without_interval_is_not_repeated() -> None:
    bare = dataclasses.replace(HIGH, low=None, high=None)
    assert found_says(bare) == "Box 1, module M2, cell 6: drops 22 % more."
    assert found_says(LOST) == "Three rows lost."


def test_an_interval_goes_into_brackets_that_stand_there_already() -> None:
    aside = dataclasses.replace(HIGH, says=f"{HIGH.says.rstrip('. ')} (six times the rest)")
    says = "Box 1, module M2, cell 6: drops 22 % more (six times the rest; 95 % interval +20.0 to +24.0 %)."
    assert found_says(aside) == says


def test_several_findings_are_counted_and_the_first_is_told() -> None:
    says = findings_says(diagnosis(LOST, EMPTY, HIGH))
    assert says.startswith(
        "1 to act on before it is used again, 1 to look at next time, 1 to note. First: Box 1"
    )
    fleet = vehicles_says(
        [Standing("Wren", 1, (EMPTY,)), Standing("Heron", 2, (HIGH,)), Standing("Ruff", 1, None)]
    )
    assert fleet.startswith("Heron first: Box 1") and "2 findings in 2 vehicles in all." in fleet
    assert fleet.endswith("Not weighed yet: Ruff.")


def test_not_knowable_is_not_told_as_nothing_found() -> None:
    made = tuple(refused(R, "", "no load in it", "a drive", cell=c) for c in range(1, 17))
    says = findings_says(diagnosis(estimates=made))
    assert "found" not in says and "tells nothing" in says
    assert "no load in it" in apart_says(R, made, PACK)
    assert (
        findings_says(None, why="2 rows are too few")
        == "Nothing can be said of this log yet: 2 rows are too few."
    )


def test_the_cell_furthest_from_the_middle() -> None:
    says = apart_says(R, invent.estimates(PACK, R, high=6, by=0.22), PACK)
    assert PACK.place(6) in says and "+22" in says and "to +2" in says
    assert "alike" not in says


def test_no_cell_apart_is_bounded_by_the_intervals_and_the_unknown_named() -> None:
    made = tuple(
        Estimate(R, "", cell=c, value=1.0 + 0.004 * (-1) ** c, low=0.99, high=1.01) for c in range(1, 16)
    )
    says = apart_says(R, (*made, refused(R, "", "wire off", "mend it", cell=16)), PACK)
    assert (
        "no cell lies further" in says and "1.0 % at most" in says and "Of cell 16 it is not known." in says
    )


def test_a_cell_left_behind_its_charge_and_the_hours() -> None:
    says = charge_says(charge({1: 0.2, 2: 0.5, 3: 0.4, 6: 4.3}, half=0.2, hours=29.0), PACK)
    assert says.startswith(
        f"{PACK.place(6)[0].upper()}{PACK.place(6)[1:]} lacks 4.30 Ah (4.10 to 4.50) to full; "
    )
    assert "the others lie within 0.3 Ah of each other" in says
    assert "Bleeding takes 29.0 h (27.0 to 31.0)." in says


def test_a_cell_that_leads_alone() -> None:
    says = charge_says(charge({1: 4.0, 2: 4.1, 3: 4.2, 6: 0.2}, half=0.2), PACK)
    assert "cell 6 is full first: 4.00 Ah (3.80 to 4.20) is to be bled" in says


def test_an_even_charge_and_an_untold_one() -> None:
    says = charge_says(charge({1: 0.2, 2: 0.3, 3: 0.25}), PACK)
    assert "No cell lags or leads by more than this log can tell" in says
    none = diagnosis(estimates=(refused("charge_to_full", "Ah", "it holds no charge", "a charge", cell=1),))
    assert charge_says(none, PACK) == "This log does not tell who is full first: it holds no charge."
    some = charge({1: 0.2, 2: 4.0, 3: 0.3})
    some = dataclasses.replace(
        some, estimates=(*some.estimates, refused("charge_to_full", "Ah", "wire", "", cell=4))
    )
    assert "Of cell 4 it is not known." in charge_says(some, PACK)


@pytest.mark.parametrize(
    ("ratio", "low", "high", "says"),
    [
        (1.013, 0.95, 1.08, "not a difference that these logs can tell"),
        (1.12, 1.08, 1.16, "Heron +12.0 % (+8.0 to +16.0) against Plover"),
    ],
)
def test_packs_side_by_side(ratio: float, low: float, high: float, says: str) -> None:
    one = Difference("resistance_10s", "h", "p", ratio, low, high)
    told = Comparison((Compared("resistance_10s", True, ()),), (one,))
    assert says in compared_says(told, {"h": "Heron", "p": "Plover"})


def test_packs_that_cannot_be_compared() -> None:
    told = Comparison((Compared("resistance_10s", False, (), why_not="the logs lie 40 K apart."),), ())
    assert compared_says(told, {"h": "Heron", "p": "Plover"}).endswith(
        "packs differ: the logs lie 40 K apart."
    )
    assert "second" in compared_says(told, {"h": "Heron"})


def test_no_sentence_calls_a_pack_safe() -> None:
    everything = [
        findings_says(diagnosis(*some, estimates=invent.estimates(PACK, R)))
        for n in range(4)
        for some in itertools.combinations((HIGH, EMPTY, LOST), n)
    ]
    everything += [charge_says(charge({1: 0.2, 2: 0.3}), PACK), vehicles_says([Standing("Heron", 1, ())])]
    for word in ("safe", "sound", "healthy", "fine", "ok", "balanced", "alike"):
        assert not any(word in says.lower().replace(",", " ").split() for says in everything), word


def test_many_packs_in_one_sentence() -> None:
    def pack(name: str, act: int, look: int, worst: str | None) -> PackOverview:
        when = dt.datetime(2026, 5, 3, tzinfo=dt.UTC)
        return PackOverview(f"{name}-main", name, 3, when, act, look, 0, worst, 2)

    assert overview_says([], 3) == "No pack is weighed yet. Of 3 packs nothing is known yet."
    quiet = overview_says([pack("Ruff", 0, 0, None)], 0)
    assert quiet == "Nothing that asks for work was found in the logs of 1 pack."
    first = pack("Knot", 1, 0, "cell 6 drops 22 % more.")
    says = overview_says([first, pack("Ruff", 0, 1, "x"), pack("Wren", 0, 0, None)], 1)
    assert says.startswith(
        "2 of 3 packs ask for work, 1 before it is used again. First Knot: Cell 6 drops 22 % more."
    )
    assert says.endswith("Of 1 pack nothing is known yet.")
