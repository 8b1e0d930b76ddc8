"""Limits passed, charging outside its temperatures, the current's zero, the log itself, lines of the pack file."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bmslogs.base.pack import Limits
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import a_pack, city, only, rest, run, string, told
from tests.findings.planted import charge

STANDING = rest(20)


def standing(soc: float = 0.5, **limits: float) -> Log:
    """Return twenty minutes at rest, all cells alike: 3.6 V at half charge."""
    return run(string(pack=a_pack(limits=Limits(**limits)), soc=soc, lot=0.0), STANDING)


def with_excursion(log: Log, volts: float, seconds: int, cells: tuple[int, ...] = (6,)) -> Log:
    """Return the log with some cells moved by `volts` for so long."""
    readings = log.cell_voltage.copy()
    readings[300 : 300 + seconds, np.array(cells) - 1] += volts
    return replace(log, cell_voltage=np.round(readings, 3))


def passed(log: Log) -> list[Finding]:
    return [f for f in diagnose(log).findings if f.cause == "limit_exceeded"]


# ---- voltage ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("beyond", "seconds", "level"),
    [
        (0.005, 600, "look"),
        (0.012, 600, "act"),  # more than 10 mV for more than a minute
        (0.012, 40, "look"),
        (0.030, 40, "act"),  # twice as far for a moment of it
        (0.030, 5, "note"),
        (0.150, 5, "look"),  # so far is more than a note however short
    ],
)
def test_above_the_upper_limit_by_size_and_length(beyond: float, seconds: int, level: str) -> None:
    """The cells stand at 3.600 V, the limit is 3.620 V (levels: judgement, METHODS G5)."""
    (one,) = passed(with_excursion(standing(voltage_max_V=3.62), 0.02 + beyond, seconds))
    assert (one.cells, one.level) == ((6,), level)
    assert one.size == pytest.approx(beyond, abs=0.0021)
    assert "above the upper limit of 3.620 V" in one.says and f"{seconds} s" in one.says.replace(
        "10 min", "600 s"
    )
    assert "08:05:00" in one.because[1]  # 300 s after the start at eight


@pytest.mark.parametrize(
    ("beyond", "seconds", "level"),
    [(0.012, 600, "look"), (0.030, 600, "act"), (0.030, 40, "look"), (0.060, 40, "act"), (0.060, 5, "note")],
)
def test_below_the_lower_limit_the_same_charge_is_more_volts(beyond: float, seconds: int, level: str) -> None:
    (one,) = passed(with_excursion(standing(voltage_min_V=3.58), -0.02 - beyond, seconds))
    assert (one.cells, one.level) == ((6,), level)
    assert "below the lower limit of 3.580 V" in one.says
    assert any("not charged again without the maker's advice" in step for step in one.next)


def test_cells_alike_are_told_together_and_one_far_beyond_by_itself() -> None:
    log = with_excursion(standing(voltage_max_V=3.62), 0.026, 600, (2, 3, 4))
    first, second = passed(with_excursion(log, 0.12, 600, (9,)))
    assert (first.cells, first.level) == ((9,), "act") and first.size == pytest.approx(0.1, abs=0.002)
    assert second.cells == (2, 3, 4) and "each at most" in second.says


def test_what_stays_within_its_limits_is_silent_to_the_last_millivolt() -> None:
    assert passed(with_excursion(standing(voltage_max_V=3.62, voltage_min_V=3.58), 0.018, 600)) == []
    assert passed(with_excursion(standing(voltage_max_V=3.62, voltage_min_V=3.58), -0.018, 600)) == []


# ---- temperature and current ---------------------------------------------------------------------------------------


def at_degrees(celsius: float, seconds: int, **limits: float) -> Log:
    """Return a log of which all three places come from 20 degC to `celsius` for a while, and go back."""
    log = standing(**limits)
    warm = np.full((log.rows, 3), 20.0) + np.random.default_rng(2).normal(0, 0.05, (log.rows, 3))
    warm[300 : 300 + seconds] += celsius - 20.0
    return replace(log, temperature=np.round(warm, 1))


@pytest.mark.parametrize(
    ("celsius", "seconds", "level"),
    [(56.0, 60, "look"), (58.0, 60, "act"), (56.0, 400, "act"), (58.0, 4, "note"), (54.0, 400, None)],
)
def test_above_the_warmest_by_size_and_length(celsius: float, seconds: int, level: str | None) -> None:
    found = [f for f in passed(at_degrees(celsius, seconds, temperature_max_C=55.0)) if f.unit == "degC"]
    if level is None:
        assert found == []
        return
    assert {(f.sensor, f.level) for f in found} == {(f"T{m}", level) for m in ("F1", "F2", "R3")}
    for f in found:
        assert f.low is not None and f.high is not None and f.low <= celsius - 55.0 <= f.high
        assert "above the limit of 55 degC" in f.says


def test_below_the_coldest_is_told_as_below() -> None:
    found = passed(at_degrees(-23.0, 400, temperature_min_C=-20.0))
    assert {f.sensor for f in found} == {"TF1", "TF2", "TR3"}
    assert all("below the limit of -20 degC" in f.says and "lowest reading" in f.because[0] for f in found)


def loaded(amps: float, seconds: int, **limits: float) -> list[Finding]:
    """A rest with one steady load in it."""
    current = STANDING.copy()
    current[300 : 300 + seconds] = amps
    s = string(pack=a_pack(limits=Limits(**limits)), soc=0.5)
    return [f for f in diagnose(run(s, current)).findings if f.unit == "A" and f.cause == "limit_exceeded"]


@pytest.mark.parametrize(("amps", "word"), [(230.0, "discharge"), (-75.0, "charge")])
def test_a_current_beyond_its_limit_is_told_with_its_direction(amps: float, word: str) -> None:
    limits = {"discharge_current_max_A": 200.0, "charge_current_max_A": 50.0}
    (one,) = loaded(amps, 60, **limits)
    beyond = abs(amps) - (200.0 if amps > 0 else 50.0)
    assert one.level == "look" and one.size == pytest.approx(beyond, abs=1.0)
    assert f"The {word} current was above its limit of" in one.says and "60 s" in one.says
    (short,) = loaded(amps, 4, **limits)
    assert short.level == "note"
    assert loaded(0.95 * (abs(amps) - beyond) * np.sign(amps), 60, **limits) == []


# ---- charging temperature -------------------------------------------------------------------------------------------


def charged_at(celsius: float, amps: float, seconds: int, **limits: float) -> list[Finding]:
    """A rest with one steady charge in it, all places at one temperature."""
    current = STANDING.copy()
    current[300 : 300 + seconds] = -amps
    s = string(pack=a_pack(limits=Limits(**limits)), soc=0.5)
    log = run(s, current)
    found = diagnose(replace(log, temperature=np.full((log.rows, 3), celsius))).findings
    return [f for f in found if f.unit == "Ah" and f.cause in ("cold_charge", "limit_exceeded")]


@pytest.mark.parametrize(
    ("celsius", "amps", "seconds", "level"),
    [
        (-5.0, 30.0, 600, "act"),
        (-0.5, 30.0, 600, "look"),
        (-5.0, 5.0, 20, "look"),
        (-5.0, 30.0, 5, "note"),
        (0.5, 30.0, 600, None),
    ],
)
def test_charge_below_its_temperature_in_ampere_hours(
    celsius: float, amps: float, seconds: int, level: str | None
) -> None:
    """30 A for ten minutes are 5 Ah; within a kelvin of the limit the sensor may err.

    Half a minute, or a 2000th of the capacity, 50 mAh, may have plated lithium (judgement): 30 A need 6 s for that.
    """
    found = charged_at(celsius, amps, seconds, charge_temperature_min_C=0.0)
    if level is None:
        assert found == []
        return
    (one,) = found
    assert (one.cause, one.level) == ("cold_charge", level)
    assert one.low is not None and one.high is not None and one.low <= amps * seconds / 3600.0 <= one.high
    assert "regeneration counts as charging" in one.says
    assert one.next[0].startswith("Do not charge or regenerate below the limit")


def test_charge_above_its_temperature_is_a_limit_passed() -> None:
    (one,) = charged_at(50.0, 30.0, 600, charge_temperature_max_C=45.0)
    assert (one.cause, one.level) == (
        "limit_exceeded",
        "act",
    ) and "above the charging limit of 45 degC" in one.says
    assert one.size == pytest.approx(5.0, rel=0.03)


def test_a_discharge_in_the_cold_is_no_charge() -> None:
    assert charged_at(-10.0, -30.0, 600, charge_temperature_min_C=0.0) == []


# ---- the current's zero ---------------------------------------------------------------------------------------------


def at_rest(amps: float, flows: bool) -> list[Finding]:
    """Ten hours parked, a row a minute; `amps` are read, and flow or do not."""
    s = string(soc=0.8)
    log = run(s, np.full(600, amps if flows else 0.0), 60)
    return [
        f
        for f in diagnose(log if flows else replace(log, current=log.current + amps)).findings
        if f.cause == "current_sensor_zero"
    ]


@pytest.mark.parametrize("amps", [1.5, -1.5, 5.0, 12.0])
def test_amperes_that_are_read_and_do_not_flow_are_the_sensor_s(amps: float) -> None:
    """1.5 A for ten hours would be 15 Ah, 180 mV of this curve; the readings stand. Over a day it makes 36 Ah."""
    (one,) = at_rest(amps, flows=False)
    assert one.level == "look" and one.low is not None and one.high is not None
    assert one.low - 0.03 * abs(amps) < amps < one.high + 0.03 * abs(amps)
    assert "though no such charge leaves the cells" in one.says
    assert float(one.says.split("would invent ")[1].split(" Ah")[0]) == pytest.approx(
        24 * abs(amps), rel=0.03
    )


@pytest.mark.parametrize("amps", [1.0, 2.5])
def test_amperes_that_flow_are_a_load_and_no_fault_of_the_sensor(amps: float) -> None:
    """The voltages fall by what they take: 1 A for ten hours is a tenth of the charge, 120 mV."""
    assert [f for f in at_rest(amps, flows=True) if f.level != "note"] == []


@pytest.mark.parametrize("amps", [0.0, 0.2, -0.2])
def test_a_reading_within_a_two_hundredth_of_the_capacity_is_nought(amps: float) -> None:
    assert at_rest(amps, flows=False) == []


# ---- the log itself -------------------------------------------------------------------------------------------------


def what_limits(log: Log) -> list[str]:
    found = [f for f in diagnose(log).findings if f.cause == "log_quality"]
    assert all(f.level == "note" for f in found)
    return [line for f in found for line in f.because]


def a_drive(**more: Any) -> Log:
    return replace(run(string(), np.r_[rest(3), city(10), rest(5)]), **more)


def test_a_sound_log_says_nothing_of_itself() -> None:
    assert what_limits(a_drive()) == []


def test_a_pause_under_load_breaks_the_counted_charge() -> None:
    """A quarter of an hour is missing in the middle of a drive of a quarter of an hour: half of the time."""
    log = a_drive()
    late = log.time.copy()
    late[500:] += np.timedelta64(1080, "s")
    (line,) = what_limits(replace(log, time=late))
    assert "1 pauses take 50 % of the time" in line and "not counted through" in line


def test_a_pause_at_rest_costs_nothing() -> None:
    log = a_drive()
    late = log.time.copy()
    late[-200:] += np.timedelta64(1080, "s")
    assert what_limits(replace(log, time=late)) == []


def test_a_current_that_is_missing_now_and_then() -> None:
    log = a_drive()
    current = log.current.copy()
    current[300:408] = np.nan  # of 1080 rows
    lines = what_limits(replace(log, current=current))
    assert any("the current is missing in 10 % of the rows" in line for line in lines)


def test_cells_that_are_renewed_every_few_rows() -> None:
    """A board that answers every four seconds, in a log of a row a second."""
    log = a_drive()
    held = log.cell_voltage[(np.arange(log.rows) // 4) * 4]
    assert any("renewed every 4.0 s only" in line for line in what_limits(replace(log, cell_voltage=held)))


# ---- lines of the pack file ----------------------------------------------------------------------------------------


def contradicted(pack_more: dict[str, Any], **how: float) -> list[Finding]:
    s = string(pack=a_pack(**pack_more), soc=0.2, lot=0.2, **how)
    return [f for f in told(run(s, charge(75.0), 10)) if f.cause == "pack_file_mismatch"]


def test_more_charge_than_the_pack_file_s_capacity_names_the_line_and_both_numbers() -> None:
    (one,) = contradicted({"nominal_capacity_Ah": 40.0})
    assert one.cells == () and one.level == "look"
    assert "nominal_capacity_Ah = 40" in one.says and "75 Ah were charged in one go" in one.says
    assert "data sheet" in one.next[0] and "shunt" in one.next[1]
    assert (
        contradicted({"nominal_capacity_Ah": 90.0}) == []
    )  # a fresh cell holds a little more than is printed


def test_a_table_that_ends_below_where_the_string_stands() -> None:
    low = tuple((z, round(2.0 + 0.8 * z, 3)) for z in np.round(np.linspace(0, 1, 11), 2).tolist())
    log = run(string(soc=0.8), rest(30, 5), 5)
    other = log.pack.model_copy(update={"ocv": low})
    one = only(told(replace(log, pack=other)), "pack_file_mismatch")
    assert 'ocv_table = "line.csv"' in one.says and "the table ends at 2.80 V" in one.says
    assert any("trust no charge limit" in step for step in one.next)


def test_a_limit_in_another_unit_is_a_line_of_the_pack_file_and_no_limit_passed() -> None:
    """Millivolts, kilovolts and kelvin where volts and degrees belong."""
    for name, value in (
        ("voltage_max_V", 4200.0),
        ("voltage_max_V", 0.0042),
        ("voltage_min_V", 2800.0),
        ("temperature_max_C", 328.0),
    ):
        found = told(standing(**{name: value}))
        assert [(f.cause, name in f.says) for f in found] == [("pack_file_mismatch", True)]


def test_a_charging_limit_in_fahrenheit_makes_no_charge_at_twenty_degrees_a_cold_one() -> None:
    """32 degF are 0 degC: a file that says 32 is told so, and 0 degC counts until it is mended."""
    assert charged_at(20.0, 30.0, 600, charge_temperature_min_C=32.0) == []
    (one,) = charged_at(-5.0, 30.0, 600, charge_temperature_min_C=32.0)
    assert one.cause == "cold_charge" and "below the charging limit of 0 degC" in one.says


def test_a_whole_string_that_stands_above_a_possible_limit_is_told_as_such_all_the_same() -> None:
    """A quarter of a volt above 4.2 V in all rows: be it the limit or the pack, until that is known it is passed."""
    full = standing(0.99, voltage_max_V=4.2)
    found = told(replace(full, cell_voltage=full.cell_voltage + 0.262))
    assert ("limit_exceeded", "act", tuple(range(1, 13))) in {(f.cause, f.level, f.cells) for f in found}
