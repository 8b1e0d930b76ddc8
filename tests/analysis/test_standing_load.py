"""A current that stands at rest: planted as the sensor's zero and as a true load, and which of the two is told.

The string is a circuit of its own (one relaxation) on the built-in curve; the truth is what was planted.
"""

import numpy as np
import pytest

from bmslogs.analysis import stretches
from bmslogs.analysis.models.standing_load import weigh
from bmslogs.analysis.ocv import built_in
from bmslogs.base.pack import Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

CAPACITY = 100.0


def told(chemistry, amps, flows, hours, soc=0.6):
    """What is said of `amps` read over a rest, of which the share `flows` flows."""
    rng = np.random.default_rng(4)
    seconds = np.arange(0.0, hours * 3600.0, 10.0)
    curve = built_in(chemistry)
    z = soc - amps * flows * seconds / 3600.0 / CAPACITY
    volts = curve.voltage(z) + 0.004 * np.exp(-seconds / 900.0) + rng.normal(0, 2e-4, len(seconds))
    current = np.full(len(seconds), amps) + rng.normal(0, 0.1, len(seconds))
    return weigh(
        seconds,
        current,
        np.zeros(len(seconds), np.int64),
        np.ones(len(seconds), bool),
        amps,
        lambda rows: volts[rows],
        curve,
        CAPACITY,
        0.001,
    )


@pytest.mark.parametrize("amps", [3.0, -3.0, 12.0])
def test_a_curve_that_climbs_tells_a_zero_from_a_load(amps):
    hours = 8.0 if abs(amps) < 10 else 3.0
    zero, load = (told("NMC", amps, flows, hours) for flows in (0.0, 1.0))
    assert (zero.kind, load.kind) == ("zero", "load")
    assert abs(zero.share) < 3 * zero.share_sd
    assert abs(load.share - 1.0) < 3 * load.share_sd
    # what would be seen by hand: the charge drawn times the slope of the curve
    assert load.would_V == pytest.approx(load.fell_V, abs=0.3 * abs(load.fell_V))


def test_a_flat_curve_leaves_both():
    assert {told("LFP", 1.0, flows, 6.0).kind for flows in (0.0, 1.0)} == {"either"}


def test_ten_minutes_after_an_unknown_load_leave_both():
    assert {told("NMC", 1.0, flows, 1 / 6).kind for flows in (0.0, 1.0)} == {"either"}


@pytest.mark.parametrize("zero", [0.4, 2.9, 6.0, 18.0])
def test_a_rest_is_a_level_whatever_its_size(zero):
    rng = np.random.default_rng(2)
    drive = np.repeat(rng.normal(0, 40, 240), 10)
    current = np.concatenate([np.zeros(1200), drive, np.zeros(2400)]) + zero + rng.normal(0, 0.2, 6000)
    levels = stretches.still_levels(current, np.arange(6000.0), CAPACITY)
    assert max(levels, key=lambda s: s.seconds).amps == pytest.approx(zero, abs=0.1)


@pytest.mark.parametrize("noise", [0.5, 2.0, 5.0])
def test_a_noisy_sensor_keeps_its_rest(noise):
    """Up to noise of 5 % of the capacity per hour, rows a second apart (planted)."""
    rng = np.random.default_rng(3)
    drive = np.repeat(rng.normal(0, 40, 240), 10)
    current = np.concatenate([np.zeros(1200), drive, np.zeros(2400)]) + rng.normal(0, noise, 6000)
    longest = max(stretches.still_levels(current, np.arange(6000.0), CAPACITY), key=lambda s: s.seconds)
    assert longest.amps == pytest.approx(0.0, abs=0.5 * noise)
    assert longest.seconds > 3000.0


def test_the_mean_of_a_drive_that_is_logged_seldom_is_no_level():
    """A row each 30 s: pulls about 35 A, three rows in ten at a stop that draws 2.5 A (planted)."""
    rng = np.random.default_rng(5)
    current = np.where(rng.random(240) < 0.3, 2.5, rng.normal(35.0, 15.0, 240)) + rng.normal(0, 0.1, 240)
    levels = stretches.still_levels(current, 30.0 * np.arange(240.0), CAPACITY)
    assert not [s for s in levels if abs(s.amps) > 6.0]


def test_a_charge_is_none_of_the_sensors_zero_though_the_curve_is_not_the_tables():
    """25 A for three hours into cells that climb at a quarter to twice the table's slope (planted): it flows.

    Charge by the table then comes at 0.5 to 4 times the rate counted; the voltage rises by half a volt all the same.
    """
    rng = np.random.default_rng(9)
    seconds = np.arange(0.0, 3 * 3600.0, 10.0)
    curve = built_in("NMC")
    held = 0.2 + 25.0 * seconds / 3600.0 / CAPACITY
    by_table = held + 0.05 * np.sin(2 * np.pi * held / 0.4) + 0.02 * np.tanh((held - 0.55) / 0.01)
    volts = curve.voltage(by_table) + 0.03 + rng.normal(0, 2e-4, len(seconds))
    before = np.zeros(360)
    current = np.concatenate([before, np.full(len(seconds), -25.0)]) + rng.normal(0, 0.1, 360 + len(seconds))
    volts = np.concatenate([np.full(360, curve.voltage(by_table[0])), volts])
    clock = np.arange(len(volts)) * 10.0
    found = weigh(
        clock,
        current,
        np.zeros(len(clock), np.int64),
        clock >= 3600.0,
        -25.0,
        lambda rows: volts[rows],
        curve,
        CAPACITY,
        0.001,
    )
    assert found.kind == "load"
    assert abs(found.share - 1.0) < 3 * found.share_sd


@pytest.mark.parametrize(("amps", "level"), [(1.2, "note"), (-2.0, "look")])
def test_what_may_be_a_standby_load_is_a_note(amps, level):
    """A drive and five hours on the plateau, where no charge shows: 1.2 A may be a supply, but nothing charges."""
    rng = np.random.default_rng(1)
    hours = np.arange(0.0, 5.5, 1 / 360)
    load = np.where(hours < 0.5, np.repeat(rng.normal(0, 40, len(hours) // 4 + 1), 4)[: len(hours)], 0.0)
    volts = 3.30 - 0.001 * load[:, None] + rng.normal(0, 4e-4, (len(hours), 8))
    time = np.datetime64("2026-06-01T06:00:00", "us") + (hours * 3.6e9).astype("timedelta64[us]")
    log = Log(
        id="parked",
        time=time,
        current=load + amps + rng.normal(0, 0.1, len(hours)),
        cells=tuple(range(1, 9)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((len(hours), 1), 19.0),
        bleed=None,
        pack_voltage=None,
        pack=Pack(
            id="wren", vehicle="Wren", chemistry="LFP", nominal_capacity_Ah=CAPACITY, cells_in_series=8
        ),
        voltage_step=1e-3,
    )
    assert [f.level for f in diagnose(log).findings if f.cause == "current_sensor_zero"] == [level]


@pytest.mark.parametrize("amps", [2.0, 6.0, 20.0])
def test_the_larger_the_current_the_surer_what_it_is(amps):
    """Planted as a load and as the sensor's zero over two hours: odds grow apart with the current."""
    load, zero = told("NMC", amps, 1.0, 2.0), told("NMC", amps, 0.0, 2.0)
    assert load.log_odds > zero.log_odds
    larger = told("NMC", 1.4 * amps, 1.0, 2.0)
    assert larger.share_sd < load.share_sd


def test_where_no_voltage_is_known_nothing_is_said():
    seconds = np.arange(0.0, 7200.0, 10.0)
    found = weigh(
        seconds,
        np.full(720, 3.0),
        np.zeros(720, np.int64),
        np.ones(720, bool),
        3.0,
        lambda rows: np.full(len(rows), np.nan),
        built_in("NMC"),
        CAPACITY,
        0.001,
    )
    assert found.kind == "either" and found.log_odds == 0.0 and found.amps == 3.0


def test_a_smaller_pack_of_the_same_c_rate_is_told_alike():
    """Charge and capacity in proportion: the same shares (the sensor's noise is not asked)."""

    def at(scale):
        seconds = np.arange(0.0, 4 * 3600.0, 10.0)
        curve = built_in("NMC")
        volts = curve.voltage(0.6 - 5.0 * seconds / 3600.0 / CAPACITY)
        return weigh(
            seconds,
            np.full(len(seconds), 5.0 * scale),
            np.zeros(len(seconds), np.int64),
            np.ones(len(seconds), bool),
            5.0 * scale,
            lambda rows: volts[rows],
            curve,
            CAPACITY * scale,
            0.001,
        )

    one, other = at(1.0), at(0.1)
    assert one.kind == other.kind == "load"
    assert other.share == pytest.approx(one.share, abs=1e-3)
    assert other.log_odds == pytest.approx(one.log_odds, rel=1e-2)


def test_the_words_say_which_way_it_went():
    fell = told("NMC", 3.0, 1.0, 4.0).evidence()
    assert "fell by" in fell and "make it fall by" in fell and "+3.00 A" in fell and "over 3.9 h" in fell
    rose = told("NMC", -3.0, 1.0, 4.0).evidence()
    assert "rose by" in rose and "make it rise by" in rose and "-3.00 A" in rose
