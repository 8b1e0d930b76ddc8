"""A parked week by hand: what a cell leaks, and where it stood when the log began."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis import parked
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.ocv import OcvCurve, built_in
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

HOURS = np.arange(8 * 24, dtype=float)
CAPACITY = 100.0
LEAK_A, START = 0.010, 0.004


def week(seed=2):
    """Eight NMC cells at 70 %, hourly for eight days; cell 5 begins 0.4 % fuller and leaks 10 mA (1.91 % in all)."""
    rng = np.random.default_rng(seed)
    soc = np.full((len(HOURS), 8), 0.70)
    soc[:, 4] += START - LEAK_A * HOURS / CAPACITY
    volts = built_in("NMC").voltage(soc) + rng.normal(0, 3e-4, soc.shape)
    pack = Pack(id="wren", vehicle="Wren", chemistry="NMC", nominal_capacity_Ah=CAPACITY, cells_in_series=8)
    time = np.datetime64("2026-06-01T06:00:00", "us") + (HOURS * 3.6e9).astype("timedelta64[us]")
    return Log(
        id="week",
        time=time,
        current=rng.normal(0, 0.1, len(HOURS)),
        cells=tuple(range(1, 9)),
        cell_voltage=np.round(volts, 4),
        temperature=np.full((len(HOURS), 1), 19.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-4,
    )


def test_the_slope_of_a_leaking_cell():
    """A line of -2 mV a day among level ones: -2e-3 / 24 V/h, exactly where nothing is noisy."""
    volts = np.tile(3.9, (len(HOURS), 6)) + np.where(np.arange(6) == 2, -2e-3 / 24, 0.0) * HOURS[:, None]
    found = parked.drift(volts, HOURS * 3600.0, None, np.ones(6, bool))
    assert_allclose(found.slope[2], -2e-3 / 24, rtol=1e-6)
    assert_allclose(np.delete(found.slope, 2), 0.0, atol=1e-12)


def test_the_offset_is_that_of_the_first_row_and_not_of_the_last():
    known = Knowledge(Study(week()))
    offset = known.offset
    assert not isinstance(offset, str)
    assert abs(offset.value[4] - START) < offset.half[4] < 0.004
    assert_allclose(known.leak.amps[4], LEAK_A, rtol=0.1)


def test_a_reading_that_stands_still_does_not_pass_for_no_leak():
    """Cells of a pack in steps of 5 mV: a week at 0.5 mA of 100 Ah moves 1 mV, so most readings never move."""
    rng = np.random.default_rng(11)
    soc = 0.54 + rng.normal(0, 0.0005, 14) - 0.0005 * HOURS[:, None] / CAPACITY
    volts = np.round((built_in("NMC").voltage(soc) + rng.normal(0, 5e-4, soc.shape)) / 0.005) * 0.005
    assert (np.ptp(volts, axis=0) == 0).any()
    found = parked.drift(volts, HOURS * 3600.0, None, np.ones(14, bool), 0.005)
    per_volt_hour = CAPACITY / float(built_in("NMC").slope(0.54))
    half = parked.half_width(found.se, found.blocks) * per_volt_hour
    leak = -found.slope * per_volt_hour
    assert (np.abs(leak) < half).all()
    assert half.min() > 0.001
    assert (np.abs(volts[0] - volts[0].mean() - found.level) < 0.005).all()


def test_single_readings_that_are_missing_do_not_lose_the_row():
    whole = week()
    holes = whole.cell_voltage.copy()
    holes[np.random.default_rng(8).random(holes.shape) < 0.15] = np.nan
    leak = Knowledge(Study(replace(whole, cell_voltage=holes))).leak
    assert not isinstance(leak, str)
    assert_allclose(leak.amps[4], LEAK_A, rtol=0.15)


def parked_log(volts, hours, chemistry="NMC", seed=5):
    """A parked pack of 100 Ah read in steps of 1 mV with 0.4 mV of noise."""
    rng = np.random.default_rng(seed)
    cells = volts.shape[1]
    pack = Pack(
        id="wren", vehicle="Wren", chemistry=chemistry, nominal_capacity_Ah=CAPACITY, cells_in_series=cells
    )
    time = np.datetime64("2026-06-01T06:00:00", "us") + (hours * 3.6e9).astype("timedelta64[us]")
    return Log(
        id="parked",
        time=time,
        current=rng.normal(0, 0.1, len(hours)),
        cells=tuple(range(1, cells + 1)),
        cell_voltage=np.round(volts + rng.normal(0, 4e-4, volts.shape), 3),
        temperature=np.full((len(hours), 1), 19.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=1e-3,
    )


def leaks(log):
    found = Knowledge(Study(log)).leak
    assert not isinstance(found, str), found
    return found, [f for f in diagnose(log).findings if f.cause == "self_discharge_high"]


def test_a_common_drain_over_a_kink_of_the_curve_is_no_leak():
    """All cells feed a BMS with 5 mA for three days; two stand where their curve is 1.8 times steeper than the table's.

    Planted: by hand their voltage falls 0.8 times further than the others', which is 4 mA of leak by the table.
    """
    hours = np.arange(0.0, 72.0, 0.25)
    level = np.array([0.0, 1, -2, 3, -1, 2, 4, -3, 1, 0, -33, -36]) * 1e-3
    fall = 0.005 * hours / CAPACITY * float(built_in("NMC").slope(0.55))
    steeper = np.where(level < -0.02, 1.8, 1.0)
    found, told = leaks(parked_log(3.80 + level - fall[:, None] * steeper, hours))
    assert not told
    assert (np.abs(found.amps) < found.half).all()


def test_a_leak_well_beyond_the_common_drain_is_told_from_the_kink():
    """The same pack, but one of the low cells leaks 25 mA of its own (planted): the kink does not hide that."""
    hours = np.arange(0.0, 72.0, 0.25)
    level = np.array([0.0, 1, -2, 3, -1, 2, 4, -3, 1, 0, -33, -36]) * 1e-3
    fall = hours / CAPACITY * float(built_in("NMC").slope(0.55))
    amps = np.where(np.arange(12) == 11, 0.030, 0.005)
    found, told = leaks(parked_log(3.80 + level - fall[:, None] * amps, hours))
    assert [f.cells for f in told] == [(12,)]
    assert abs(found.amps[11] - 0.025) < found.half[11]


def test_a_soft_short_is_told_from_one_day():
    """0.6 A in cell 4, 14 % of charge in a day (planted on the table's curve): louder than a small leak."""
    hours = np.arange(0.0, 24.0, 1 / 60)
    soc = np.full((len(hours), 12), 0.70)
    soc[:, 3] -= 0.6 * hours / CAPACITY
    found, told = leaks(parked_log(built_in("NMC").voltage(soc), hours))
    assert [(f.cells, f.level) for f in told] == [((4,), "act")]
    assert abs(found.amps[3] - 0.6) < found.half[3] < 0.45


def test_a_night_of_unlike_settling_is_no_leak():
    """Twelve hours after a charge: cells settle by 6 +- 2 mV with 4 +- 1 h (planted), nothing leaks."""
    rng = np.random.default_rng(8)
    hours = np.arange(0.0, 14.0, 1 / 30)
    size, tau = rng.normal(6e-3, 2e-3, 12), rng.normal(4.0, 1.0, 12)
    found, told = leaks(parked_log(3.90 + size * np.exp(-hours[:, None] / tau), hours))
    assert not told
    assert (np.abs(found.amps) < found.half).all()


def bled_every_night(leak_A):
    """A week parked: four of twelve cells bled for all but one hour in four, cell 9 leaks (planted)."""
    hours = np.arange(0.0, 7 * 24.0, 0.25)
    bled = (np.arange(12) < 4)[None, :] & (hours % 4.0 >= 1.0)[:, None]
    lost = np.cumsum(bled * 0.080, axis=0) * 0.25 + np.where(np.arange(12) == 8, leak_A, 0.0) * hours[:, None]
    volts = built_in("NMC").voltage(0.70 + 0.005 * (np.arange(12) < 4) - lost / CAPACITY)
    return replace(parked_log(volts, hours), bleed=bled)


def test_a_leak_shows_in_a_pack_that_is_bled_day_and_night():
    found, told = leaks(bled_every_night(0.060))
    assert [(f.cells, f.level) for f in told] == [((9,), "act")]
    assert abs(found.amps[8] - 0.060) < found.half[8]
    assert np.isnan(found.amps[:4]).all()  # what these lost by themselves does not show
    reasons = {
        e.why
        for e in diagnose(bled_every_night(0.060)).estimates
        if e.quantity == "leak_current_relative" and e.cell in (1, 2, 3, 4)
    }
    assert reasons == {"it was bled while parked: what it lost by itself does not show"}


def test_bleeding_is_no_leak():
    found, told = leaks(bled_every_night(0.0))
    assert not told
    assert (np.abs(found.amps[4:]) < found.half[4:]).all()


def test_a_long_time_without_bleeding_tells_of_all_cells():
    flags = np.zeros((40, 3), bool)
    flags[5:9, 1] = True
    rows, cells = parked.without_bleeding(flags, np.arange(40) * 3600.0)
    assert rows.tolist() == [False] * 9 + [True] * 31
    assert cells.all()
    flags[20, 0] = flags[30, 0] = True  # by hand: the longest time without is now 11 h, from row 9 to 19
    rows, cells = parked.without_bleeding(flags, np.arange(40) * 3600.0)
    assert rows.sum() == 40 - 6
    assert cells.tolist() == [False, False, True]


def with_pauses(leak_A, in_pauses_only=False):
    """Four days parked, of which the logger sleeps 10 of every 24 hours; cell 7 leaks (planted)."""
    hours = np.arange(0.0, 96.0, 0.1)
    awake = hours % 24.0 < 14.0
    spent = np.cumsum(np.where(awake, 0.0, 0.1)) if in_pauses_only else hours
    lost = np.where(np.arange(12) == 6, leak_A, 0.0) * spent[:, None] + 0.002 * hours[:, None]
    volts = built_in("NMC").voltage(0.62 + 0.002 * np.sin(np.arange(12)) - lost / CAPACITY)
    return parked_log(volts[awake], hours[awake])


def test_a_logger_that_sleeps_now_and_then_still_tells_a_leak():
    found, told = leaks(with_pauses(0.010))
    assert found.conditions["hours"] > 60.0
    assert [f.cells for f in told] == [(7,)]
    assert abs(found.amps[6] - 0.010) < found.half[6] < 0.006


def test_what_goes_while_nobody_looks_is_no_leak():
    _, told = leaks(with_pauses(0.030, in_pauses_only=True))
    assert not told


def test_a_pack_that_was_used_in_the_pause_was_not_parked_through():
    rests = [parked.Stretch("parked", 0, 9), parked.Stretch("rest", 10, 19), parked.Stretch("parked", 20, 29)]
    volts = np.full((30, 4), 3.7)
    seconds = np.arange(30.0)
    assert parked.bridged(rests, seconds, volts, np.ones(4, bool)) == [parked.Stretch("parked", 0, 29)]
    volts[20:] += 0.006
    apart = [parked.Stretch("parked", 0, 19), parked.Stretch("parked", 20, 29)]
    assert parked.bridged(rests, seconds, volts, np.ones(4, bool)) == apart
    driven = [rests[0], parked.Stretch("drive", 10, 19), rests[2]]
    assert parked.bridged(driven, seconds, np.full((30, 4), 3.7), np.ones(4, bool)) == [rests[0], rests[2]]


def test_short_rests_around_a_long_pause_are_one_time_parked():
    rests = [parked.Stretch("rest", 0, 9), parked.Stretch("rest", 10, 19)]
    volts, seconds = np.full((20, 4), 3.7), np.r_[np.arange(10.0), 80_000.0 + np.arange(10.0)]
    assert parked.bridged(rests, seconds, volts, np.ones(4, bool)) == [parked.Stretch("parked", 0, 19)]
    assert parked.bridged(rests, np.arange(20.0), volts, np.ones(4, bool)) == []


def test_a_leak_shows_in_a_pack_that_falls_along_its_curve():
    """Ten cells up to 9 mV apart feed 75 mA for ten days; one leaks 12 mA besides (planted), steps of 1 mV."""
    hours = np.arange(0.0, 240.0, 0.25)
    start = 0.74 + 0.001 * np.array([-4, 3, 6, 8, 2, -5, 2, -6, -3, -2])
    amps = 0.075 + np.where(np.arange(10) == 5, 0.012, 0.0)
    volts = built_in("NMC").voltage(start - amps * hours[:, None] / CAPACITY)
    found, told = leaks(parked_log(np.round(volts, 3), hours))
    assert [f.cells for f in told] == [(6,)]
    assert abs(found.amps[5] - 0.012) < found.half[5]
    assert (np.abs(np.delete(found.amps, 5)) < np.delete(found.half, 5)).all()


def test_the_line_through_the_drifts_is_that_of_the_others():
    """Drifts of -2 per 1000 h times the level, by hand; one cell a tenth of a millivolt an hour off it."""
    level = 1e-3 * np.array([-4.0, 3, 6, 8, 2, -5, 1, -3])
    slope = -2e-3 * (level - np.median(level))
    slope[2] -= 1e-4
    found = parked.Drift(slope, np.full(8, 1e-6), 8, 200.0, level, np.full(8, 1e-5), -6e-4)
    trend, scatter = parked.by_level(found, np.ones(8, bool))
    assert_allclose((slope - trend)[2], -1e-4, rtol=0.02)
    assert_allclose(np.delete(slope - trend, 2), 0.0, atol=4e-6)
    assert scatter < 4e-6


@pytest.mark.parametrize("leak", [0.03, 0.08])
def test_a_leak_shows_though_a_house_load_draws_the_pack_through_many_slopes(leak: float):
    """Twelve cells feed 0.2 A for eight days, 38 % of their charge; cell 5 loses `leak` besides (planted)."""
    rng = np.random.default_rng(2)
    amps = 0.2 + np.where(np.arange(12) == 4, leak, 0.0)
    soc = 0.92 + rng.normal(0, 0.003, 12) - amps * HOURS[:, None] / CAPACITY
    log = week()
    found, told = leaks(
        replace(
            log,
            current=0.2 + rng.normal(0, 0.03, len(HOURS)),
            cells=tuple(range(1, 13)),
            cell_voltage=np.round(built_in("NMC").voltage(soc) + rng.normal(0, 4e-4, soc.shape), 3),
            pack=log.pack.model_copy(update={"cells_in_series": 12}),
            voltage_step=1e-3,
        )
    )
    assert [f.cells for f in told] == [(5,)]
    assert_allclose(found.amps[4], leak, rtol=0.1)
    assert abs(found.amps[4] - leak) < found.half[4] < leak


def test_a_cell_that_is_hours_ahead_is_as_many_volts_ahead_wherever_it_stands():
    """A string falls from 3.95 to 3.35 V along 0.5 and 1 V per unit in 100 h; one cell is ten hours ahead (by hand)."""
    curve = OcvCurve(np.array([0.0, 0.5, 1.0]), np.array([3.0, 3.5, 3.75]), False, "by hand")
    hours = np.arange(0.0, 100.0, 0.5)
    soc = 0.85 - 0.005 * (hours[:, None] + np.array([0.0, 0.0, 10.0, 0.0, 0.0]))
    volts = parked.straightened(curve.voltage(soc), hours * 3600.0, np.ones(5, bool))
    assert volts is not None
    fall = float(volts[0, 0] - volts[-1, 0]) / hours[-1]
    assert_allclose(volts[:, 0], volts[0, 0] - fall * hours, atol=2e-3)
    inside = hours < 85.0
    assert_allclose((volts[:, 0] - volts[:, 2])[inside], 10.0 * fall, rtol=0.03)
    slope = parked.slope_of_walk(curve.voltage(soc), np.ones(5, bool), curve)
    assert_allclose(fall * 100.0 / slope, 0.5, rtol=0.03)  # half of the charge in a hundred hours
    assert parked.straightened(curve.voltage(soc[:8]), hours[:8] * 3600.0, np.ones(5, bool)) is None


def test_house_loads_part_no_parked_week():
    """Three days, each with an hour of 1 A out of 100 Ah: one time parked; an hour of 20 A is a drive (by hand)."""
    seconds = np.arange(72) * 3600.0
    rows = [(0, 23), (25, 47), (49, 71)]
    parts = [parked.Stretch("parked", a, b) for a, b in rows]
    parts[1:1] = [parked.Stretch("drive", 24, 24)]
    parts[3:3] = [parked.Stretch("drive", 48, 48)]
    volts = np.full((72, 4), 3.8) - 0.01 * np.arange(72)[:, None]
    light = np.ones(72, bool)
    known = np.ones(4, bool)
    assert parked.bridged(parts, seconds, volts, known, light) == [parked.Stretch("parked", 0, 71)]
    light[24] = False
    assert parked.bridged(parts, seconds, volts, known, light) == [
        parked.Stretch("parked", 0, 23),
        parked.Stretch("parked", 25, 71),
    ]
