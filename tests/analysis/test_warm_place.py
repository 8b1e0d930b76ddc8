"""A hot place or a lying sensor: both by scipy's solution of the law of cooling, sensors spoilt by known formulas."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from bmslogs.analysis.models import warm_place
from bmslogs.analysis.thermal import SensorFault, lone_share, sensor_faults, settled_by_cells

SENSORS = 6
TIME = np.arange(0.0, 3 * 3600, 10.0)
REST = 1200.0
AMPS = np.where(
    (TIME > REST) & (TIME < 2 * 3600), 60.0 + 80.0 * np.sign(np.sin(TIME / 40.0)) * np.sin(TIME / 700.0), 0.0
)


def places(
    heat: np.ndarray,
    air: np.ndarray | float,
    start: np.ndarray | float,
    tau_s: np.ndarray | float = 2500.0,
    seed: int = 0,
) -> np.ndarray:
    """Warm each place by its own loss: tau dT/dt = k I^2 - (T - T_air)."""
    tau = np.broadcast_to(tau_s, SENSORS)

    def slope(t: float, x: np.ndarray) -> np.ndarray:
        return (heat * np.interp(t, TIME, AMPS) ** 2 - (x - air)) / tau

    begin = np.broadcast_to(start, SENSORS).astype(float)
    solved = solve_ivp(slope, (0, TIME[-1]), begin, t_eval=TIME, max_step=20.0, rtol=1e-6)
    return solved.y.T + np.random.default_rng(seed).normal(0, 0.05, (len(TIME), SENSORS))


def faults(temperature: np.ndarray) -> dict[int, SensorFault]:
    found = sensor_faults(np.round(temperature, 1), TIME, TIME < REST, AMPS)
    return {f.column: f for f in found}


HEAT = np.array([0.9, 1.0, 1.05, 1.0, 1.1, 0.95]) * 1.5e-3


def hotter(more: float) -> np.ndarray:
    return HEAT * np.where(np.arange(SENSORS) == 3, 1.0 + more, 1.0)


def read_as_3950(true_C: np.ndarray) -> np.ndarray:
    """A part of B 3431 read as if it were 3950, by the beta equation."""
    log_ratio = 3431.4 * (1 / (true_C + 273.15) - 1 / 298.15)
    return 1 / (1 / 298.15 + log_ratio / 3950.0) - 273.15


@pytest.mark.parametrize("air", [-5.0, 10.0, 20.0, 25.0, 33.0])
@pytest.mark.parametrize("more", [0.3, 1.0, 3.0])
def test_a_hot_place_is_never_surely_a_lying_sensor(air: float, more: float):
    for own in (2500.0, 900.0, 5000.0):
        tau = np.where(np.arange(SENSORS) == 3, own, 2500.0)
        for fault in faults(places(hotter(more), air, air, tau)).values():
            assert fault.column == 3 and fault.doubt == "hot"


@pytest.mark.parametrize("air", [5.0, 25.0])
def test_nor_one_that_is_still_hot_from_the_drive_before(air: float):
    start = air + np.where(np.arange(SENSORS) == 3, 15.0, 7.0)
    assert all(f.doubt is not None for f in faults(places(hotter(1.2), air, start)).values())


@pytest.mark.parametrize("off", [-12.0, -4.0, 4.0, 7.0, 30.0])
def test_a_shift_that_stays_at_soak_and_load_is_the_sensor(off: float):
    temperature = places(HEAT, 18.0, 18.0)
    temperature[:, 2] += off
    found = faults(temperature)
    assert list(found) == [2] and found[2].doubt is None
    assert abs(found[2].size_C - off) < found[2].half_C


@pytest.mark.parametrize("air", [-15.0, -8.0, 0.0, 45.0])
def test_a_wrong_curve_is_told_where_the_soak_is_far_from_25_degrees(air: float):
    temperature = places(HEAT, air, air)
    temperature[:, 2] = read_as_3950(temperature[:, 2])
    found = faults(temperature)
    assert list(found) == [2] and found[2].doubt is None
    assert found[2].reads_warm  # at freezing, which hides charging in the cold
    assert (found[2].size_C > 0) == (air < 25.0)


def test_from_25_degrees_on_a_wrong_curve_and_a_hot_place_are_alike():
    """Turned about 25 degC by a fifth, or a fifth hotter from air of 25 degC: the same readings."""
    hot = places(hotter(0.2), 25.0, 25.0)
    turned = places(HEAT, 25.0, 25.0)
    turned[:, 3] = 25.0 + 1.2 * (turned[:, 3] - 25.0)
    assert_allclose(hot, turned, atol=0.2)
    assert all(f.doubt is not None for f in [*faults(hot).values(), *faults(turned).values()])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("air", [-10.0, 15.0, 30.0])
def test_gradients_and_late_cold_accuse_no_sensor(air: float, seed: int):
    line = np.linspace(0.0, -10.0, SENSORS)
    assert faults(places(HEAT, air + line, air, seed=seed)) == {}  # it comes with the drive
    assert faults(places(HEAT, air + line, air + line, seed=seed)) == {}  # it has long been there
    both = -8.0 * np.abs(np.linspace(-1, 1, SENSORS)) ** 2
    assert faults(places(HEAT, air + both, air + 0.7 * both, seed=seed)) == {}


def test_neighbours_lead_up_to_a_gradient_and_not_to_a_lone_sensor():
    assert_allclose(lone_share(np.array([4.5, 1.5, -1.5, -4.5])), [0, 0, 0, 0], atol=1e-12)
    assert_allclose(lone_share(np.array([0.0, 0.0, 5.0, 0.0, 0.0]))[2], 1.0)
    assert lone_share(np.array([0.0, 0.0, 4.2, 4.0, 0.0]))[2] < 0.1


def test_the_air_is_told_by_the_law_of_cooling():
    temperature = places(HEAT, 12.0, 20.0)
    course, _ = warm_place.warmth(np.median(temperature, axis=1), TIME, AMPS, TIME < REST)
    assert not course.soaked and abs(course.air - 12.0) < 2 * course.air_sd


def test_of_two_sensors_that_part_none_is_called_right():
    temperature = places(HEAT, 18.0, 18.0)[:, :2]
    temperature[:, 1] += 5.0
    found = sensor_faults(temperature, TIME, TIME < REST, AMPS)
    assert [f.doubt for f in found] == ["either", "either"] and [f.column for f in found] == [0, 1]
    at = [np.arange(8) < 4, np.arange(8) >= 4]
    alike, colder = np.ones(8), np.where(np.arange(8) < 4, np.exp(0.04 * 5.0), 1.0)
    assert {f.doubt for f in settled_by_cells(found, alike, at, 20.0)} == {"one"}
    # 4 % a kelvin: the cells at the colder reading are colder
    assert settled_by_cells(found, colder, at, 20.0) == []


@cache
def course(soaked: bool = True) -> tuple[warm_place.Warmth, np.ndarray]:
    """The pack of `places` in air of 12 degC: its course in blocks, and the temperatures of the blocks."""
    read = places(HEAT, 12.0, 12.0)
    w, start = warm_place.warmth(np.median(read, axis=1), TIME, AMPS, (TIME < REST) & soaked)
    return w, warm_place.block_means(read, start)


@pytest.mark.parametrize("off", [-8.0, 4.0, 15.0, 60.0])
def test_the_further_a_reading_is_shifted_the_surer_and_the_larger(off: float):
    w, levels = course()
    away = levels - np.median(levels, axis=1, keepdims=True)
    usual = warm_place.weigh(away, w, 0.1)[2]
    away[:, 2] += off
    found = warm_place.weigh(away, w, 0.1)[2]
    assert found.odds["shift"] > usual.odds["shift"] + 3.0
    assert found.size["shift"] - usual.size["shift"] == pytest.approx(off, abs=1e-6)
    further = away.copy()
    further[:, 2] += np.sign(off) * 2.0
    assert warm_place.weigh(further, w, 0.1)[2].odds["shift"] > found.odds["shift"]


@pytest.mark.parametrize("more", [0.5, 2.0, 10.0])
def test_a_place_that_warms_more_is_told_by_its_share(more: float):
    w, levels = course()
    away = levels - np.median(levels, axis=1, keepdims=True)
    away[:, 4] += more * (w.middle - 12.0)
    found = warm_place.weigh(away, w, 0.1)[4]
    assert found.true_place == max(found.odds["place"], found.odds["air"]) > found.fault
    assert found.size["place"] == pytest.approx(more, rel=0.25)


def test_sensors_are_weighed_each_by_its_own_and_in_any_order():
    w, levels = course()
    away = levels - np.median(levels, axis=1, keepdims=True)
    away[:, 1] += 6.0
    one, two = warm_place.weigh(away, w, 0.1), warm_place.weigh(away[:, ::-1], w, 0.1)
    for a, b in zip(one, two[::-1], strict=True):
        assert a.odds == pytest.approx(b.odds) and a.size == pytest.approx(b.size, nan_ok=True)


def test_the_soak_s_temperature_is_that_of_the_air():
    w, _ = course()
    assert w.soaked and abs(w.air - 12.0) < 2 * w.air_sd < 3.0
    assert np.all(np.diff(w.fading) < 0) and 0.9 < w.fading[0] < 1.0
    blind, _ = course(soaked=False)
    assert not blind.soaked and blind.air_sd > w.air_sd


@pytest.mark.parametrize("reads", [0.0, 10.0, 40.0, 60.0])
def test_a_part_of_another_beta_turns_about_25_degrees(reads: float):
    """By the beta equation, 3431 read as 3950: the turn grows with the distance from 25 degC, by about its share."""
    true = np.array([reads])
    off = read_as_3950(true) - true
    assert_allclose(off, (3431.4 / 3950.0 - 1.0) * warm_place.turned(true), atol=0.06 * abs(reads - 25.0))
