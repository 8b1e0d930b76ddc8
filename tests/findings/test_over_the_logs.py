"""All logs of a pack weighed together: what stands, what dated work and later logs end, and what these cannot."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Event, Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.findings import diagnose, diagnose_pack
from tests.findings.by_hand import a_pack, run, string
from tests.findings.planted import DRIVE, bled_at_rest, bled_through_wires

MEDIAN, RATIO = "fraction of pack median", "ratio to pack median"


def day(n: int) -> str:
    return (dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC) + dt.timedelta(days=n)).strftime("%Y-%m-%dT%H:%M:%SZ")


def answer(
    n: int,
    estimates: Sequence[Estimate] = (),
    findings: Sequence[Finding] = (),
    kinds: tuple[str, ...] = ("drive",),
    **more: Any,
) -> Diagnosis:
    """Return what the log of day `n` said."""
    log = {"id": f"log-{n}", "start": day(n), "end": day(n), "rows": 100, "kinds": list(kinds)}
    return Diagnosis(
        log, {"id": "wren-main", "vehicle": "Wren", "cells": 12}, tuple(estimates), tuple(findings), **more
    )


def told_of(
    quantity: str, unit: str, value: float, half: float, cell: int | None = 6, **more: Any
) -> Estimate:
    return Estimate(quantity, unit, cell=cell, value=value, low=value - half, high=value + half, **more)


def a_finding(
    cause: str = "capacity_low", cells: tuple[int, ...] = (6,), level: Any = "look", **more: Any
) -> Finding:
    given: dict[str, Any] = {"size": -0.1, "low": -0.12, "high": -0.08, "unit": MEDIAN}
    return Finding(
        cause, level, "Cell 6: it holds 10 % less.", cells=cells, because=("as measured",), **(given | more)
    )


def with_work(*events: dict[str, Any]) -> Pack:
    return a_pack().model_copy(update={"events": tuple(Event(**e) for e in events)})


def still(logs: Sequence[Diagnosis], pack: Pack | None = None) -> set[str]:
    return {f.cause for f in diagnose_pack(logs, pack).findings}


# ---- the whole ----------------------------------------------------------------------------------------------------


def test_no_log_is_no_pack() -> None:
    with pytest.raises(NotEnoughData, match="no log of this pack"):
        diagnose_pack([])


def test_the_logs_are_put_in_order_of_time_and_counted() -> None:
    logs = [
        answer(5, kinds=("charge", "rest"), repairs=("a", "b")),
        answer(1, kinds=("drive",), repairs=("b", "c")),
    ]
    whole = diagnose_pack(logs)
    assert [x["id"] for x in whole.logs] == ["log-1", "log-5"]
    assert (whole.log["start"], whole.log["end"], whole.log["rows"]) == (day(1), day(5), 200)
    assert whole.log["kinds"] == ["drive", "rest", "charge"]
    assert whole.repairs == ("b", "c", "a")  # each once, in the order of the logs
    assert whole.log["id"] == "2 logs"


# ---- quantities ---------------------------------------------------------------------------------------------------


def test_two_logs_that_tell_equally_well_are_averaged() -> None:
    """0.90 and 0.92, each to 0.02: 0.91, and both lie within what is told."""
    (one,) = diagnose_pack(
        [answer(n, [told_of("capacity_relative", RATIO, v, 0.02)]) for n, v in ((0, 0.90), (9, 0.92))]
    ).of("capacity_relative")
    assert one.value == pytest.approx(0.91, abs=1e-9)
    assert one.low is not None and one.high is not None and one.low < 0.90 < 0.92 < one.high
    assert one.conditions["logs"] == 2


def test_the_log_that_tells_better_weighs_more() -> None:
    """By inverse squares alone the second would weigh a tenth, by its scatter against the first up to a half."""
    (one,) = diagnose_pack(
        [
            answer(n, [told_of("capacity_relative", RATIO, v, h)])
            for n, v, h in ((0, 0.90, 0.01), (9, 0.92, 0.03))
        ]
    ).of("capacity_relative")
    assert one.value is not None and 0.902 <= one.value < 0.910


def test_an_offset_is_that_of_the_latest_log() -> None:
    """Balancing goes on: what a cell was ahead a month ago is no part of what it is now."""
    (one,) = diagnose_pack(
        [answer(n, [told_of("soc_offset", "fraction", v, 0.002)]) for n, v in ((0, 0.05), (30, 0.01))]
    ).of("soc_offset")
    assert one.value == 0.01 and one.conditions["log"] == "log-30"


def test_what_was_bled_adds_up() -> None:
    (one,) = diagnose_pack(
        [answer(n, [told_of("bleed_done", "Ah", v, 0.01)]) for n, v in ((0, 0.2), (7, 0.3), (14, 0.1))]
    ).of("bleed_done")
    assert (one.value, one.low, one.high) == (pytest.approx(0.6), pytest.approx(0.57), pytest.approx(0.63))


def test_a_bound_of_an_earlier_log_stands_where_later_ones_tell_nothing() -> None:
    bound = Estimate(
        "capacity_relative", RATIO, cell=6, high=0.82, status="bounded", why="flat", settle_by="A charge."
    )
    nothing = refused("capacity_relative", RATIO, "the log holds no charge", "A charge.", cell=6)
    (one,) = diagnose_pack([answer(0, [bound]), answer(9, [nothing])]).of("capacity_relative")
    assert (one.status, one.high) == ("bounded", 0.82)
    known = told_of("capacity_relative", RATIO, 0.8, 0.01)
    (one,) = diagnose_pack([answer(0, [bound]), answer(9, [known])]).of("capacity_relative")
    assert one.status == "determined"


def test_resistances_are_brought_to_one_temperature_before_they_are_averaged() -> None:
    """At 0.3 eV 1.221 mohm at 20 degC are 1.000 at 25 and 1.856 at 10 (METHODS C16): one cell, three days."""
    ohms = ((10.0, 1.856e-3), (20.0, 1.221e-3), (25.0, 1.000e-3))
    logs = [
        answer(7 * k, [told_of("resistance_10s", "ohm", v, 0.02 * v, conditions={"temperature_C": t})])
        for k, (t, v) in enumerate(ohms)
    ]
    (one,) = diagnose_pack(logs).of("resistance_10s")
    assert one.conditions["temperature_C"] == 20.0
    assert one.low is not None and one.high is not None and one.low < 1.221e-3 < one.high
    assert one.value == pytest.approx(1.221e-3, rel=0.01)


# ---- what later logs end, and what they cannot --------------------------------------------------------------------


def capacity(value: float = 1.0) -> Estimate:
    return told_of("capacity_relative", RATIO, value, 0.02)


def test_a_finding_stands_until_as_many_logs_that_could_tell_do_not() -> None:
    seen = [answer(n, [capacity(0.9)], [a_finding()]) for n in (0, 7)]
    assert still([*seen, answer(14, [capacity()])]) == {"capacity_low"}
    assert still([*seen, answer(14, [capacity()]), answer(21, [capacity()])]) == set()


def test_logs_that_cannot_tell_do_not_speak_against_it() -> None:
    blind = refused("capacity_relative", RATIO, "no charge", "A charge.", cell=6)
    later = [answer(n, [blind]) for n in (14, 21, 28)]
    whole = diagnose_pack([answer(0, [capacity(0.9)], [a_finding()]), *later])
    (one,) = whole.findings
    assert any("seen in 1 of 1 logs that could tell" in line for line in one.because)
    # nor does one that tells it of another cell only
    other = told_of("capacity_relative", RATIO, 1.0, 0.02, cell=7)
    assert still([answer(0, [capacity(0.9)], [a_finding()]), answer(9, [other])]) == {"capacity_low"}


def test_an_offset_is_gone_with_the_first_log_that_no_longer_sees_it() -> None:
    seen = answer(
        0, [told_of("soc_offset", "fraction", -0.03, 0.003)], [a_finding("soc_offset_low", unit="fraction")]
    )
    assert still([seen, seen]) == {"soc_offset_low"}
    assert still([seen, seen, answer(9, [told_of("soc_offset", "fraction", 0.0, 0.003)])]) == set()


def test_an_offset_that_comes_back_charge_after_charge_says_so() -> None:
    logs = [
        answer(
            n,
            [told_of("soc_offset", "fraction", -0.03, 0.003)],
            [a_finding("soc_offset_low", unit="fraction", size=-0.03, low=-0.033, high=-0.027)],
        )
        for n in (0, 7)
    ]
    (one,) = diagnose_pack(logs).findings
    assert any("leaks or is weak, rather than having only drifted" in line for line in one.because)


@pytest.mark.parametrize("cause", ["limit_exceeded", "cold_charge", "joint_loose"])
def test_what_happened_once_or_comes_and_goes_is_not_ended_by_silence(cause: str) -> None:
    seen = answer(0, [capacity()], [a_finding(cause)])
    assert still([seen, *(answer(n, [capacity()]) for n in range(5, 50, 5))]) == {cause}


def later(made: Diagnosis, n: int) -> Diagnosis:
    return replace(made, log=made.log | {"id": f"log-{n}", "start": day(n), "end": day(n)})


@pytest.mark.parametrize(
    ("cause", "log"),
    [
        ("tap_resistive", bled_through_wires(0.6)),
        ("bleed_ineffective", bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0})),
        ("bleed_misplaced", bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 12: 1.0})),
    ],
)
def test_what_only_bleeding_shows_is_not_ended_by_logs_without_bleeding(cause: str, log: Any) -> None:
    """A drive with no flags, one in which no flag is ever set, and one in which these cells are bled as before."""
    seen = later(diagnose(log), 0)
    drive = run(string(4, cells=16, pack=log.pack), DRIVE)
    flags = np.zeros(drive.cell_voltage.shape, bool)
    assert still([seen, later(diagnose(drive), 5)]) == {cause}
    assert still([seen, *(later(diagnose(replace(drive, bleed=flags)), n) for n in (5, 6))]) == {cause}
    mended = (
        bled_through_wires(0.0)
        if cause == "tap_resistive"
        else bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 9: 1.0})
    )
    assert still([seen, later(diagnose(mended), 9)]) == set()


def test_a_shifted_reading_is_not_ended_by_a_log_that_knows_no_capacity() -> None:
    seen = answer(0, [], [a_finding("channel_offset", unit="V", size=0.03, low=0.029, high=0.031)])
    drive = answer(5, [told_of("soc_offset", "fraction", 0.02, 0.003)])
    assert still([seen, drive]) == {"channel_offset"}
    assert still([seen, drive, answer(9, [capacity()])]) == set()


def test_a_bad_sensor_is_not_ended_by_a_log_in_which_nothing_warmed() -> None:
    seen = answer(
        0,
        [],
        [a_finding("temperature_sensor_fault", (5, 6, 7, 8), sensor="TF2", size=None, low=None, high=None)],
    )
    assert still([seen, answer(5, [capacity()])]) == {"temperature_sensor_fault"}
    warmed = Estimate("heating", "K/A^2", sensor="TF2", value=0.0, low=-1e-5, high=1e-5)
    assert still([seen, answer(5, [warmed])]) == set()


# ---- dated work ---------------------------------------------------------------------------------------------------


def seen_and_later(cause: str, cells: tuple[int, ...], **more: Any) -> list[Diagnosis]:
    return [answer(0, [], [a_finding(cause, cells, **more)])]


@pytest.mark.parametrize(
    ("kind", "where", "cause", "cells", "ended"),
    [
        ("module swapped", "F2", "capacity_low", (6,), True),
        ("module swapped", "front", "capacity_low", (6,), True),
        ("module swapped", None, "capacity_low", (6,), True),
        ("module swapped", "R3", "capacity_low", (6,), False),
        ("module swapped", "F2", "limit_exceeded", (6,), False),  # what happened stays in the record
        ("joint remade", "F2", "joint_resistance_high", (5,), True),
        ("joint remade", "F1", "joint_resistance_high", (5,), True),  # the link from F1 to F2 lies in its tap
        ("joint remade", "F1", "joint_resistance_high", (7,), False),
        ("joint remade", "F2", "joint_loose", (5,), True),
        ("joint remade", "F2", "capacity_low", (6,), False),
        ("joint remade", "cell 5", "cell_or_joint_resistance_high", (5,), True),
        ("joint remade", "Cell 5", "cell_or_joint_resistance_high", (5,), True),
        ("joint remade", "5", "cell_or_joint_resistance_high", (5,), True),
        ("joint remade", "cell 6", "cell_or_joint_resistance_high", (5,), False),
        ("sense wire moved", "F2", "tap_open", (5, 6), True),
        ("sense wire moved", "F2", "joint_resistance_high", (5,), False),
        ("bench charged", "F2", "soc_offset_low", (6,), True),
        ("bench charged", "F2", "capacity_low", (6,), False),
        ("other", "F2", "capacity_low", (6,), False),
        (
            "module swapped",
            "the blue one",
            "capacity_low",
            (6,),
            False,
        ),  # no place of this pack: nothing is ended
    ],
)
def test_dated_work_ends_what_it_was_meant_for_where_it_was_done(
    kind: str, where: str | None, cause: str, cells: tuple[int, ...], ended: bool
) -> None:
    pack = with_work({"date": "2026-03-10", "kind": kind, "where": where})
    assert still(seen_and_later(cause, cells), pack) == (set() if ended else {cause})


def test_work_on_the_day_of_a_log_is_done_before_it() -> None:
    """Later logs are of the pack as it then was, and so is that of the same day."""
    for date, ended in (("2026-03-01", False), ("2026-03-02", True)):
        pack = with_work({"date": date, "kind": "module swapped", "where": "F2"})
        assert (still(seen_and_later("capacity_low", (6,)), pack) == set()) is ended


def test_a_module_that_is_called_by_a_number_is_no_cell_of_that_number() -> None:
    """Modules 1, 2, 3 of four cells: work on module 2 is on cells 5 to 8, and not on cell 2."""
    pack = a_pack()
    modules = tuple(m.model_copy(update={"name": str(k + 1)}) for k, m in enumerate(pack.modules))
    event = Event(date=dt.date(2026, 3, 10), kind="module swapped", where="2")
    pack = pack.model_copy(update={"modules": modules, "boxes": (), "events": (event,)})
    assert still(seen_and_later("capacity_low", (6,)), pack) == set()
    assert still(seen_and_later("capacity_low", (2,)), pack) == {"capacity_low"}


def test_values_from_before_a_swap_are_left_out_and_said_to_be() -> None:
    pack = with_work({"date": "2026-03-10", "kind": "module swapped", "where": "F2"})
    logs = [answer(0, [capacity(0.8)]), answer(20, [capacity(1.0)])]
    (one,) = diagnose_pack(logs, pack).of("capacity_relative")
    assert one.value == 1.0
    nothing = refused("capacity_relative", RATIO, "no charge", "A charge.", cell=6)
    (one,) = diagnose_pack([logs[0], answer(20, [nothing])], pack).of("capacity_relative")
    assert one.status == "not_determinable" and "last log-0, are from before work on this place" in str(
        one.why
    )


def test_the_heating_of_a_module_that_was_swapped_is_left_out_with_it() -> None:
    pack = with_work({"date": "2026-03-10", "kind": "module swapped", "where": "F2"})

    def heats(value: float, sensor: str) -> Estimate:
        return Estimate("heating", "K/A^2", sensor=sensor, value=value, low=value - 1e-5, high=value + 1e-5)

    logs = [answer(n, [heats(v, "TF2"), heats(1e-4, "TR3")]) for n, v in ((0, 9e-4), (20, 1e-4), (30, 1e-4))]
    told = {e.sensor: e for e in diagnose_pack(logs, pack).of("heating")}
    assert told["TF2"].value == pytest.approx(1e-4)
    assert told["TF2"].conditions["logs"] == 2 and told["TR3"].conditions["logs"] == 3


# ---- sizes over logs ----------------------------------------------------------------------------------------------


def test_the_loudest_level_of_all_logs_stands() -> None:
    logs = [answer(n, [capacity(0.9)], [a_finding(level=level)]) for n, level in ((0, "act"), (7, "look"))]
    assert diagnose_pack(logs).findings[0].level == "act"


def test_logs_that_disagree_on_a_size_say_so_and_tell_the_latest() -> None:
    """-30 % to within 2 in one, +2 % to within 2 in the other: together they make no size."""
    logs = [
        answer(
            n, [], [a_finding("runs_hot", (5, 6, 7, 8), sensor="TF2", size=s, low=s - 0.02, high=s + 0.02)]
        )
        for n, s in ((0, -0.3), (7, 0.3))
    ]
    (one,) = diagnose_pack(logs).findings
    assert one.size == 0.3
    assert any("the logs disagree: -30 %, +30 %; the latest is told" in line for line in one.because)


def test_a_size_over_several_logs_is_said_beside_the_sentence_of_the_latest() -> None:
    """10, 11, 12 and 13 mA, told equally well: 11.5 mA, while the sentence is that of the log with 13."""
    logs = [
        answer(
            n,
            [told_of("leak_current_relative", "A", amps, 0.003)],
            [a_finding("self_discharge_high", unit="A", size=amps, low=amps - 0.003, high=amps + 0.003)],
        )
        for n, amps in ((0, 0.010), (20, 0.011), (40, 0.012), (60, 0.013))
    ]
    (one,) = diagnose_pack(logs).findings
    assert one.size == pytest.approx(0.0115)
    assert "over 4 logs +0.0115 A; each: +0.01 A, +0.011 A, +0.012 A, +0.013 A" in one.because


def drives(temperatures: Sequence[float], joint_ohm: float, factor: float = 1.0) -> list[Diagnosis]:
    """Return drives in which cell 5 has a joint of `joint_ohm` in its tap, or `factor` the others' resistance."""
    out = []
    for k, t in enumerate(temperatures):
        usual = 1e-3 * float(np.exp(0.3 / 8.617333e-5 * (1 / (t + 273.15) - 1 / 293.15)))
        ohms = {c: usual * (1 + 0.002 * (c - 3)) for c in range(1, 7)}
        ohms[5] = factor * usual + joint_ohm
        estimates = [
            told_of("resistance_10s", "ohm", v, 0.005 * v, cell=c, conditions={"temperature_C": t})
            for c, v in ohms.items()
        ]
        size = ohms[5] / usual - 1.0
        estimates.append(told_of("resistance_10s_relative", RATIO, 1.0 + size, 0.01, cell=5))
        says = f"cell 5: it drops {100 * size:.0f} % more per ampere than the pack's middle; cell or joint, who knows."
        told = {"size": size, "low": size - 0.03, "high": size + 0.03, "unit": MEDIAN}
        both = Finding("cell_or_joint_resistance_high", "act", says, cells=(5,), **told)
        out.append(answer(10 * k, estimates, [both]))
    return out


def test_over_temperatures_a_joint_keeps_its_ohms_while_the_cells_change_theirs() -> None:
    """0.4 mohm of copper in a string whose cells go from 1.9 to 0.6 mohm between 5 and 35 degC."""
    (one,) = diagnose_pack(drives((5.0, 15.0, 25.0, 35.0), 0.4e-3)).findings
    assert (one.cause, one.unit) == ("joint_resistance_high", "ohm")
    assert one.low is not None and one.high is not None and one.low < 0.4e-3 < one.high
    assert one.says.endswith("over several temperatures it is the joint.")


def test_a_name_with_a_semicolon_is_not_cut() -> None:
    logs = [
        replace(d, findings=tuple(replace(f, says=f"module A; left, {f.says}") for f in d.findings))
        for d in drives((5.0, 15.0, 25.0, 35.0), 0.4e-3)
    ]
    (one,) = diagnose_pack(logs).findings
    assert one.says.startswith("module A; left, cell 5: it drops") and one.says.endswith("it is the joint.")


def test_over_temperatures_a_cell_goes_with_the_others() -> None:
    (one,) = diagnose_pack(drives((5.0, 15.0, 25.0, 35.0), 0.0, 1.4)).findings
    assert (one.cause, one.unit) == ("cell_resistance_high", MEDIAN)
    assert one.says.endswith("over several temperatures it is the cell.")


@pytest.mark.parametrize("temperatures", [(20.0, 22.0, 24.0, 26.0), (10.0, 30.0)])
def test_too_few_or_too_like_temperatures_leave_it_open(temperatures: tuple[float, ...]) -> None:
    (one,) = diagnose_pack(drives(temperatures, 0.4e-3)).findings
    assert one.cause == "cell_or_joint_resistance_high"
