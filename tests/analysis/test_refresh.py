"""Channels that are read in turns: found, fitted at their own moments, and no sound one called stuck."""

import numpy as np
import pytest

from bmslogs.analysis import sensing
from bmslogs.analysis.signals.refresh import carried, find_turns, held_straight
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Pack
from bmslogs.log import Log

CELLS, CAPACITY = 16, 100.0


def driven(turns, seed=3, rows=3000):
    """Readings of a drive, a row a second, of which each row renews every `turns`-th channel, and their truth."""
    rng = np.random.default_rng(seed)
    current = np.repeat(rng.normal(15.0, 55.0, rows), rng.integers(2, 12, rows))[:rows]
    current[:300] = 0.0
    ohm = 1e-3 * (1 + rng.normal(0, 0.03, CELLS))
    ohm[4] *= 1.3
    charge = np.cumsum(current) / 3600.0
    true = 3.9 - 0.008 * charge[:, None] - current[:, None] * ohm + rng.normal(0, 4e-4, (rows, CELLS))
    row = np.arange(rows)
    last = np.stack([row - (row - i) % turns for i in range(CELLS)], axis=1)
    volts = np.round(true[np.maximum(last, 0), np.arange(CELLS)], 3)
    return volts, current, ohm / np.median(ohm)


def as_log(volts, current):
    time = np.datetime64("2026-06-01T06:00:00", "us") + np.arange(len(volts)) * np.timedelta64(1, "s")
    pack = Pack(
        id="wren", vehicle="Wren", chemistry="NMC", nominal_capacity_Ah=CAPACITY, cells_in_series=CELLS
    )
    return Log(
        id="drive",
        time=time,
        current=current,
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=volts,
        temperature=np.full((len(volts), 1), 20.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=0.001,
    )


@pytest.mark.parametrize("turns", [4, 16, 32])
def test_the_turns_are_found_and_their_period(turns):
    volts, current, _ = driven(turns)
    found = find_turns(volts, current, np.arange(len(volts), dtype=float), 0.001, 1e-3)
    assert found is not None
    assert len(found.groups) == min(turns, CELLS)
    assert found.period_s == pytest.approx(turns)


def test_channels_read_together_are_in_no_turns():
    volts, current, _ = driven(1)
    assert find_turns(volts, current, np.arange(len(volts), dtype=float), 0.001, 1e-3) is None
    assert (
        find_turns(volts[::5].repeat(5, axis=0), current, np.arange(len(volts), dtype=float), 0.001, 1e-3)
        is None
    )


def test_a_reading_that_is_only_repeated_lies_on_the_line_to_the_next():
    """By hand: 1.0 V at 0 s, 2.0 V at 4 s, held between; at 1 s the line has 1.25 V."""
    volts, current, _ = driven(4)
    found = find_turns(volts, current, np.arange(len(volts), dtype=float), 0.001, 1e-3)
    channel = int(found.groups[0][0])
    fresh = np.flatnonzero(found.fresh[:, 0])[10:12]
    volts[fresh[0] : fresh[1], channel], volts[fresh[1], channel] = 1.0, 2.0
    straight = held_straight(volts, np.arange(len(volts), dtype=float), found)[:, channel]
    assert straight[fresh[0] + 1] == pytest.approx(1.0 + 1.0 / (fresh[1] - fresh[0]))


def test_what_is_carried_by_the_load_is_what_was_there():
    """Planted: two channels read in every other row, a straight open-circuit voltage less the load's drop."""
    seconds = np.arange(41.0)
    drop = np.random.default_rng(2).normal(0, 50.0, 41)[:, None] * np.array([1e-3, 1.2e-3])
    true = np.array([3.70, 3.72]) + 1e-4 * seconds[:, None] - drop
    fresh = np.stack(
        [np.arange(41) % 2 == 0, (np.arange(41) % 2 == 1) | np.isin(np.arange(41), (0, 40))], axis=1
    )
    seen = np.where(fresh, true, np.nan)
    found = carried(seen, seconds, fresh, (np.array([0]), np.array([1])), drop)
    assert np.abs(found - true).max() < 1e-12


@pytest.mark.parametrize("turns", [4, 16])
def test_each_channel_is_fitted_at_its_own_moments(turns):
    volts, current, truth = driven(turns)
    ratio, se = Study(as_log(volts, current)).loads.relative
    assert np.abs(ratio - truth).max() < 4 * np.median(se)
    assert np.median(se) < 0.02
    assert ratio[4] == pytest.approx(truth[4], abs=0.05)


@pytest.mark.parametrize("turns", [1, 16, 64])
def test_a_channel_is_stuck_only_when_others_were_renewed_meanwhile(turns):
    volts, _, _ = driven(turns)
    seconds = np.arange(len(volts), dtype=float)
    assert sensing.stuck_channels(volts, seconds, 0.001) == []
    volts[1000:, 9] = volts[1000, 9]
    assert [f.columns for f in sensing.stuck_channels(volts, seconds, 0.001)] == [(9,)]


@pytest.mark.parametrize("turns", [4, 8])
def test_the_turns_of_channels_go_with_them(turns):
    volts, current, _ = driven(turns)
    seconds = np.arange(len(volts), dtype=float)
    order = np.random.default_rng(9).permutation(CELLS)
    one = find_turns(volts, current, seconds, 0.001, 1e-3)
    two = find_turns(volts[:, order], current, seconds, 0.001, 1e-3)
    sets = {frozenset(g.tolist()) for g in one.groups}
    assert {frozenset(order[g].tolist()) for g in two.groups} == sets
    assert sets == {frozenset(range(k, CELLS, turns)) for k in range(turns)}
    assert two.period_s == one.period_s


def test_without_a_load_that_steps_or_with_few_rows_nothing_is_said_of_turns():
    volts, current, _ = driven(4)
    seconds = np.arange(len(volts), dtype=float)
    assert find_turns(volts, np.zeros(len(current)), seconds, 0.001, 1e-3) is None
    assert find_turns(volts, np.full(len(current), np.nan), seconds, 0.001, 1e-3) is None
    assert find_turns(volts[:150], current[:150], seconds[:150], 0.001, 1e-3) is None
    assert find_turns(volts[:, :1], current, seconds, 0.001, 1e-3) is None
    # turns that come round within a second and a half are a scan
    assert find_turns(volts, current, seconds / 4.0, 0.001, 1e-3) is None


def test_a_channel_that_never_changes_and_missing_readings_part_no_turns():
    volts, current, _ = driven(4)
    volts[:, 5] = 3.7
    volts[np.random.default_rng(10).random(len(volts)) < 0.05, 8] = np.nan
    found = find_turns(volts, current, np.arange(len(volts), dtype=float), 0.001, 1e-3)
    assert sorted(int(i) for g in found.groups for i in g) == list(range(CELLS))
    straight = held_straight(volts, np.arange(len(volts), dtype=float), found)
    assert np.isfinite(straight).all()
    np.testing.assert_array_equal(straight[:, 5], 3.7)
