"""Temperatures: heat balances solved by scipy, thermistor tables, and sensors that lie in known ways."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from bmslogs.analysis.thermal import Heating, heating, sensor_faults
from bmslogs.base.errors import NotEnoughData

SENSORS, CAPACITY = 6, 100.0
HEAT = np.array([1.0, 1.0, 1.4, 1.0, 0.9, 1.1]) * 2e-3  # [K/A^2] steady rise of each place


def current_at(t: np.ndarray | float) -> np.ndarray:
    return 90.0 * np.sin(np.asarray(t) / 70) ** 2 * (np.asarray(t) % 3000 < 2000) - 20.0


def drive(
    tau_s: float,
    hours: float = 2.0,
    noise: float = 0.0,
    seed: int = 0,
    start: float = 22.0,
    heat: np.ndarray = HEAT,
    apart: float = 0.3,
):
    """Warm each place by its loss: tau dT/dt = k I^2 - (T - T_around), solved by scipy."""
    t = np.arange(0.0, hours * 3600, 5.0)
    rise = solve_ivp(
        lambda s, x: (current_at(s) ** 2 - x) / tau_s, (0, t[-1]), [0.0], t_eval=t, max_step=5.0, rtol=1e-8
    ).y[0]
    own = apart * np.array([1.0, -1.0, 0.9, -0.8, 1.0, -0.9])
    temperature = start + own + rise[:, None] * heat
    temperature = temperature + np.random.default_rng(seed).normal(0, noise, temperature.shape)
    return temperature, current_at(t), t


def fit(
    temperature: np.ndarray, current: np.ndarray, t: np.ndarray, trusted: np.ndarray | None = None
) -> Heating:
    trusted = np.ones(SENSORS, bool) if trusted is None else trusted
    return heating(temperature, current, t, trusted, 0.3 * CAPACITY)


@pytest.mark.parametrize("tau_s", [600.0, 2400.0])
def test_the_rise_per_ampere_squared_comes_back(tau_s: float):
    found = fit(*drive(tau_s))
    assert found.tau_s == tau_s
    assert_allclose(found.slope, HEAT, rtol=5e-3)


def test_a_time_constant_in_between_keeps_the_order_of_the_places():
    found = fit(*drive(1700.0))
    assert_allclose(found.slope / np.median(found.slope), HEAT / np.median(HEAT), rtol=0.02)


def test_a_hot_place_stands_out_of_noise_and_the_others_do_not():
    found = fit(*drive(1200.0, noise=0.1))
    away = found.slope - np.median(found.slope)
    true = HEAT - np.median(HEAT)
    assert np.all(np.abs(away - true) < 1.5 * found.relative_half_width)
    # ordinary least squares on white noise: sd of a coefficient is noise times the root of its place in (X'X)^-1
    temperature, _, t = drive(1200.0, heat=np.ones(SENSORS), start=0.0)
    design = np.column_stack([np.ones(len(t)), np.exp(-t / 1200.0), temperature.mean(axis=1)])
    sd = 0.1 * np.sqrt(np.linalg.inv(design.T @ design)[2, 2])
    ratio = found.relative_half_width / (2.36 * sd)  # Student, 7 degrees of freedom, by any table
    assert np.all((ratio > 0.3) & (ratio < 2.0)), ratio
    assert away[2] > 3 * found.relative_half_width[2]


def test_sensors_that_are_not_trusted_get_no_answer():
    trusted = np.arange(SENSORS) != 3
    temperature, current, t = drive(1200.0)
    temperature[:, 3] = np.nan
    found = fit(temperature, current, t, trusted)
    assert np.isnan(found.slope[3]) and np.isfinite(np.delete(found.slope, 3)).all()


def test_too_little_current_is_refused():
    temperature, current, t = drive(1200.0)
    with pytest.raises(NotEnoughData, match="rms current"):
        fit(temperature, 0.2 * current, t)


def faults(temperature: np.ndarray, t: np.ndarray) -> dict[int, tuple[str, float | None, float | None]]:
    found = sensor_faults(temperature, t, t < 300)
    assert len({f.column for f in found}) == len(found)
    return {f.column: (f.kind, f.size_C, f.half_C) for f in found}


def test_sound_sensors_stay_quiet():
    for seed in range(5):
        temperature, _, t = drive(1200.0, noise=0.1, seed=seed)
        assert faults(np.round(temperature, 1), t) == {}


@pytest.mark.parametrize("reads, kind", [(-40.0, "open"), (150.0, "short"), (np.nan, "open")])
def test_open_and_short_circuits(reads: float, kind: str):
    """A thermistor of negative coefficient reads cold where its circuit is open, hot where it is short: by its law."""
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 4] = reads
    assert faults(temperature, t) == {4: (kind, None, None)}


def test_a_sensor_that_never_moves_while_the_others_do():
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 1] = 22.0
    found = faults(temperature, t)
    assert list(found) == [1] and found[1][0] == "stuck"


def test_a_sensor_that_stands_still_from_some_day_on():
    """A month of days that warm and cool by 6 K; one sensor follows for a day and never moves again (planted)."""
    t = np.arange(0.0, 30 * 86400.0, 600.0)
    temperature = 14.0 + 3.0 * np.sin(2 * np.pi * t / 86400.0)[:, None] + np.array([0.0, 0.5, 0.2, 0.3])
    temperature[145:, 2] = temperature[145, 2]
    found = faults(np.round(temperature), t)
    assert [found[2][0], *found] == ["stuck", 2]


def test_a_sensor_that_trembles_by_its_last_digit_stands_still():
    """Readings of 22 degC with 0.1 K of noise while the others warm by 5 K and more (planted)."""
    temperature, _, t = drive(1200.0, noise=0.1, heat=2.0 * HEAT)
    assert np.ptp(temperature[:, 0]) > 5.0
    temperature[:, 1] = 22.0 + np.random.default_rng(6).normal(0, 0.1, len(t))
    found = faults(np.round(temperature, 1), t)
    assert list(found) == [1] and found[1][0] == "stuck"
    # and a place that warms a tenth as much as the others does not
    temperature[:, 1] = 22.0 + 0.1 * (temperature[:, 3] - 22.0)
    assert not any(kind == "stuck" for kind, *_ in faults(np.round(temperature, 1), t).values())


@pytest.mark.parametrize("more", [1.0, 3.0])
def test_a_place_that_cools_badly_is_known_to_be_hot(more: float):
    """A blocked duct: the same loss, but half or a quarter of the cooling, so time constant and rise are larger.

    The filter of the others fits that place badly; its readings rise further all the same (solved by scipy).
    """
    alike = np.full(SENSORS, 2e-3)
    temperature, current, t = drive(600.0, noise=0.1, heat=alike)
    slow = drive(600.0 * (1.0 + more), noise=0.1, heat=alike * (1.0 + more), seed=3)[0]
    temperature[:, 3] = slow[:, 3]
    found = fit(temperature, current, t)
    middle = np.median(found.slope)
    excess, half = found.slope[3] / middle - 1.0, found.relative_half_width[3] / middle
    risen = np.ptp(temperature[:, 3]) / np.ptp(temperature[:, 0]) - 1.0
    assert excess - half > 0.1 and excess - half < risen < excess + 2 * half


def test_a_day_in_the_weather_tells_a_wrong_curve_from_places_that_follow_late():
    """Parked from 4 to 37 degC: places follow within ten minutes of each other; one sensor turned by 15 % (planted)."""
    t = np.arange(0.0, 14 * 3600.0, 60.0)
    late = np.array([0.0, 300.0, -200.0, 600.0, 100.0, -400.0])
    true = 4.0 + 33.0 / (1.0 + np.exp(-(t[:, None] - late - 7 * 3600.0) / 5000.0))
    true = true + np.random.default_rng(4).normal(0, 0.1, true.shape)
    current = np.zeros(len(t))
    assert sensor_faults(np.round(true, 1), t, t < 0, current, idle=True) == []
    true[:, 2] = 25.0 + 1.15 * (true[:, 2] - 25.0)
    found = sensor_faults(np.round(true, 1), t, t < 0, current, idle=True)
    assert [(f.column, f.kind) for f in found] == [(2, "curve")]
    # 15 % of the 21 K to 25 degC at the cold end, by hand
    assert abs(found[0].size_C + 0.15 * 21.0) < found[0].half_C


@pytest.mark.parametrize("off", [4.0, -6.0])
def test_an_offset_comes_back_within_its_interval(off: float):
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 3] += off
    found = faults(temperature, t)
    assert list(found) == [3] and found[3][0] == "offset"
    assert abs(found[3][1] - off) < found[3][2] < 0.5 * abs(off)
    alike, _, t = drive(1200.0, noise=0.1, apart=0.0)
    alike[:, 3] += off
    assert_allclose(faults(alike, t)[3][1], off, atol=0.1)  # means of 60 rows of 0.1 K scatter


def test_a_place_that_starts_warm_and_comes_to_the_others_is_no_offset():
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 3] += 5.0 * np.exp(-t / 1500)
    assert faults(temperature, t) == {}


def test_neighbours_that_are_warm_together_are_no_offset():
    temperature, _, t = drive(1200.0, noise=0.1, heat=np.full(SENSORS, 2e-3))
    temperature[:, [2, 3]] += 4.0
    assert faults(temperature, t) == {}


def test_a_hot_place_is_no_offset():
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 2] += 5.0 * (temperature[:, 2] - 22.0) / 3.0 * (t > 300)
    assert 2 not in faults(temperature, t) or faults(temperature, t)[2][0] != "offset"


def test_two_sensors_that_part_are_both_named():
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 1] += 5.0
    found = faults(temperature[:, :2], t)
    assert {f[0] for f in found.values()} == {"offset"} and len(found) == 2
    assert_allclose([found[0][1], found[1][1]], [-4.4, 4.4], atol=0.3)  # own places part by -0.6 K


@pytest.mark.parametrize("start", [32.0, 2.0])
def test_a_wrong_thermistor_curve_turns_the_reading_about_25_degrees(start: float):
    """R = R25 exp(B (1/T - 1/T25)) of a part with B 3431, read as if B were 3950.

    28 674 ohm at 0 degC and 4105 ohm at 50 degC of the 10 k part in the Linux kernel's hwmon thermistor driver give
    B 3431; such a sensor reads 3.04 degC at 0 degC, 37.95 at 40: by the same law.
    """

    def reading(true_C: np.ndarray) -> np.ndarray:
        log_ratio = 3431.4 * (1 / (true_C + 273.15) - 1 / 298.15)
        return 1 / (1 / 298.15 + log_ratio / 3950.0) - 273.15

    assert_allclose(reading(np.array([0.0, 40.0])), [3.04, 37.95], atol=0.01)
    temperature, _, t = drive(
        2400.0, hours=3.0, noise=0.1, start=start, heat=np.full(SENSORS, 1.2e-2), apart=0.1
    )
    off = reading(temperature[:, 3]) - temperature[:, 3]
    temperature[:, 3] += off
    found = faults(temperature, t)
    assert list(found) == [3] and found[3][0] == "curve"
    true = off[np.argmax(np.abs(off))]
    assert abs(found[3][1] - true) < max(found[3][2], 0.5)


def test_sensors_that_are_open_now_and_then_are_named_however_many():
    """Two of four sensors lose a fifth of their readings at random (planted); one read every fifth row is whole."""
    temperature, current, t = drive(1200.0, noise=0.05)
    holes = np.random.default_rng(9).random(temperature.shape) < 0.2
    holes[:, [0, 3, 4, 5]] = False
    faults = sensor_faults(np.where(holes, np.nan, temperature)[:, :4], t, np.zeros(len(t), bool), current)
    assert sorted((f.column, f.kind) for f in faults) == [(1, "open"), (2, "open")]
    seldom = np.zeros(temperature.shape, bool)
    seldom[:, 1] = np.arange(len(t)) % 5 != 0
    faults = sensor_faults(np.where(seldom, np.nan, temperature)[:, :4], t, np.zeros(len(t), bool), current)
    assert [f for f in faults if f.kind == "open"] == []


def test_a_sensor_that_jumps_to_and_fro_is_named_and_no_hot_place():
    """Row by row now and then 60 K up or down, as a loose plug makes it (planted); the places are alike."""
    temperature, current, t = drive(1200.0, noise=0.05, heat=np.full(SENSORS, 2e-3))
    rng = np.random.default_rng(12)
    rows = rng.choice(len(t), 60, replace=False)
    temperature[rows, 2] += rng.choice([-60.0, 60.0], 60)
    faults = sensor_faults(temperature, t, np.zeros(len(t), bool), current)
    assert [(f.column, f.kind) for f in faults] == [(2, "jumps")]
    sound = sensor_faults(drive(1200.0, noise=0.05)[0], t, np.zeros(len(t), bool), current)
    assert all(f.kind != "jumps" for f in sound)


def test_two_sensors_that_stand_far_apart_are_told_of_whatever_makes_it():
    """One holds 37 degC to its last digit while the other warms by 3 K (planted): stuck, or far from it."""
    temperature, _, t = drive(1200.0, noise=0.1)
    temperature[:, 0] = 37.0
    found = faults(temperature[:, :2], t)
    assert set(found) and all(kind in ("offset", "stuck") for kind, *_ in found.values())


@pytest.mark.parametrize(("step", "sure"), [(1.0, False), (0.1, True)])
def test_a_rise_of_one_step_of_the_reading_is_known_to_that_step(step: float, sure: bool):
    """Places that rise by 1.2 K, one by a fifth more (planted), read to 1 K or to 0.1 K."""
    heat = np.array([1.0, 1.0, 1.2, 1.0, 1.0, 1.0]) * 4e-4
    temperature, current, t = drive(1200.0, noise=0.02, heat=heat)
    found = fit(np.round(temperature / step) * step, current, t)
    middle = float(np.median(found.slope))
    assert (found.rounding[0] < 0.2 * middle) == sure
    assert (found.relative_half_width >= found.rounding).all()


@pytest.mark.parametrize("more", [1.2, 3.0, 10.0, 100.0])
def test_a_hotter_place_is_told_as_much_hotter(more: float):
    heat = np.where(np.arange(SENSORS) == 2, more, 1.0) * 2e-3
    found = fit(*drive(2400.0, noise=0.05, heat=heat))
    assert_allclose(found.slope[2] / np.median(found.slope), more, rtol=0.05)
    assert found.slope[2] - found.half_width[2] > np.delete(found.slope, 2).max()


def test_places_answer_by_their_sensor_and_a_common_level_warms_none():
    temperature, current, t = drive(2400.0, noise=0.05)
    one = fit(temperature, current, t)
    two = fit(temperature[:, ::-1] - 30.0, -current, t)  # charge warms as discharge does
    for name in ("slope", "half_width", "relative_half_width", "rounding"):
        assert_allclose(getattr(two, name)[::-1], getattr(one, name), rtol=1e-6)


@pytest.mark.parametrize("scale", [0.1, 10.0])
def test_a_current_read_times_another_factor_divides_the_rise_by_its_square(scale: float):
    temperature, current, t = drive(2400.0)
    one, other = (
        fit(temperature, current, t),
        heating(temperature, scale * current, t, np.ones(SENSORS, bool), 1.0),
    )
    assert_allclose(other.slope * scale**2, one.slope, rtol=1e-6)
