"""Hot places, lying sensors, cold and weak cells, from whole logs of simulated strings with the truth known."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.study import Study
from bmslogs.analysis.thermal import SensorFault
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.findings import diagnose
from bmslogs.findings.case import Case
from bmslogs.findings.rules_thermal import _sensor_finding, _surely_off
from sample_logs import inject
from tests.accuracy.adapter import build_log, build_pack
from tests.accuracy.cases import Draft, draft

RESISTANCE = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")
WARMTH = (*RESISTANCE, "temperature_sensor_fault", "runs_hot")


def string(seed: int, cells: int = 32, sensors: list[range] | None = None, ambient: float = 18.0) -> Draft:
    """A sound string of one box, eight cells a module, and a sensor a module where none are given."""
    for k in range(40):
        d = draft([11, seed, k], 0.0, chemistry="NMC", capacity_Ah=100.0, ambient_C=ambient, most_cells=48)
        if d.n >= cells and len(d.string.modules[0]) == 8:
            break
    d.meter.volt_step = 0.001
    if sensors is not None:
        d.string.sensors = [np.array(s) for s in sensors]
    return d


def drive(d: Draft) -> Diagnosis:
    d.bench.rest(0.4)
    d.bench.drive(40, rms_c=0.7)
    d.bench.rest(0.7)
    return diagnose(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string)))


def loud(found: Diagnosis) -> list[Finding]:
    return [f for f in found.findings if f.level != "note" and f.cause in WARMTH]


def cold_air(d: Draft, air: np.ndarray) -> None:
    """The pack has long stood in air that differs from place to place."""
    d.string.air_offset_C = air
    from sample_logs.string_model import rested

    d.bench.state = rested(d.string, d.bench.ambient_C)


def test_a_cold_end_that_no_sensor_watches_is_not_called_weak():
    d = string(1, 32)
    d.string.sensors = [np.arange(0, 4), np.arange(8, 12)]
    cold_air(d, -14.0 * np.linspace(0, 1, d.n) ** 2)
    found = drive(d)
    assert loud(found) == []
    told = [f for f in found.findings if f.cause in RESISTANCE]
    assert all("no sensor is near" in f.says and "thermometer" in f.next[1] for f in told)


@pytest.mark.parametrize("more, level", [(0.3, "look"), (0.9, "look"), (3.0, "act")])
def test_a_weak_module_without_a_sensor_is_told_as_colder_or_weaker(more: float, level: str):
    d = string(2, 32)
    d.string.sensors = [np.arange(0, 4), np.arange(8, 12)]
    for cell in d.string.modules[2]:
        inject.cell_resistance(d.string, int(cell) + 1, more)
    (told,) = [f for f in loud(drive(d)) if f.cause in RESISTANCE]
    assert told.level == level and "colder or weaker, no sensor is near" in told.says and told.module == "M3"


@pytest.mark.parametrize("more", [0.3, 1.0])
def test_a_weak_module_with_its_own_sensor_is_to_be_acted_on(more: float):
    d = string(3, 32)
    for cell in d.string.modules[2]:
        inject.cell_resistance(d.string, int(cell) + 1, more)
    told = next(f for f in loud(drive(d)) if f.cause == "cell_resistance_high")
    assert told.level == "act" and told.module == "M3" and told.low < more < told.high


def test_a_sensor_that_is_off_a_little_makes_no_weak_cells():
    d = string(4, 32)
    inject.temperature_fault(d.meter, d.string, 2, "offset", 2.3)
    assert [f for f in drive(d).findings if f.cause in RESISTANCE] == []


def test_every_cell_has_the_temperature_of_its_own_sensor():
    d = string(5, 32)
    cold_air(d, np.linspace(0, -15.0, d.n))
    found = drive(d)
    told = {e.cell: e.conditions["temperature_C"] for e in found.estimates if e.quantity == "resistance_10s"}
    true = d.bench.trace().temperature
    for module in d.string.modules:
        here = [told[int(c) + 1] for c in module]
        assert np.ptp(here) < 1e-9
        assert true[:, module].min() - 0.5 < here[0] < true[:, module].max() + 0.5
    assert told[1] - told[d.n] > 8.0


@pytest.mark.parametrize("more", [0.3, 1.0, 3.0])
def test_a_hot_place_that_is_still_warm_from_before_is_called_hot(more: float):
    d = string(6, 32, ambient=25.0)
    inject.hot_spot(d.string, 2, more)
    d.bench.state.temperature_C = d.bench.state.temperature_C + np.where(
        np.isin(np.arange(d.n), d.string.sensors[1]), 4.0 * (1 + more), 4.0
    )
    d.bench.rest(0.1)
    d.bench.drive(40, rms_c=0.8)
    d.bench.rest(1.0)
    found = loud(diagnose(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string))))
    assert ("runs_hot", "T2") in [(f.cause, f.sensor) for f in found]
    assert all("not to be believed" not in f.says for f in found)


def test_a_place_that_its_own_cells_heat_is_called_hot_and_says_so():
    """A module of 80 % more resistance (planted): the cells are told, and the place that they warm with them."""
    d = string(3, 32)
    for cell in d.string.modules[2]:
        inject.cell_resistance(d.string, int(cell) + 1, 0.8)
    found = loud(drive(d))
    assert any(f.cause == "cell_resistance_high" and f.module == "M3" for f in found)
    (hot,) = [f for f in found if f.cause == "runs_hot"]
    assert hot.module == "M3" and any("their loss" in line for line in hot.because)


def test_of_two_sensors_the_warmer_one_is_named_and_none_called_right():
    d = string(7, 32)
    half = d.n // 2
    d.string.sensors = [np.arange(half), np.arange(half, d.n)]
    inject.hot_spot(d.string, 2, 0.6)
    (told,) = [f for f in loud(drive(d)) if f.cause == "runs_hot"]
    assert told.sensor == "T2" and "than the place at the other sensor" in told.says


@pytest.mark.parametrize("size, half, loud_enough", [(3.9, 1.3, False), (-4.6, 1.3, True), (12.0, 4.0, True)])
def test_a_sensor_that_a_place_explains_is_loud_only_where_its_nearer_bound_is_of_practical_size(
    size: float, half: float, loud_enough: bool
):
    """Three kelvin after a soak (common practice, no source), whatever the size."""
    assert _surely_off(SensorFault(0, "offset", size, half, "", "place")) is loud_enough


@pytest.mark.parametrize(
    ("size", "half", "level"),
    [
        (2.3, 2.3, "note"),  # its place may as well be as warm as the others: the interval reaches nought
        (2.3, 1.0, "look"),  # surely too warm by more than a kelvin: it hides charging in the cold
        (9.0, 2.0, "look"),
    ],
)
def test_a_place_that_may_be_as_warm_as_the_others_hides_nothing(
    size: float, half: float, level: str
) -> None:
    d = string(3)
    d.bench.rest(0.4)
    d.bench.drive(20, rms_c=0.5)
    log = build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string))
    fault = SensorFault(0, "curve", size, half, "planted", "air", reads_warm=True)
    assert _sensor_finding(Case(Knowledge(Study(log))), fault, "T1").level == level
