"""A lug or a wire that opens for moments: planted bursts recovered, and what looks like them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.models.loose_joint import find, residuals, settled

ROWS, CELLS, OHM, CAPACITY, STEP = 3000, 10, 1e-3, 100.0, 1e-3
TIME = np.arange(ROWS, dtype=float)
SECTION = np.zeros(ROWS, np.int64)
ALL = np.ones(CELLS, bool)
RESISTANCE = np.full(CELLS, OHM)


def drive(seed=1, regenerates=True):
    """Levels of the current that hold for 15 s each [A], a quarter of them rests. Origin: planted."""
    rng = np.random.default_rng(seed)
    levels = rng.uniform(-60.0 if regenerates else 10.0, 150.0, ROWS // 15)
    levels[rng.uniform(size=len(levels)) < 0.25] = 0.0
    return levels.repeat(15)


def string(current, seed=2):
    """Cells that differ a little in level and resistance, with noise of 0.4 mV, in whole millivolts."""
    rng = np.random.default_rng(seed)
    ohm = OHM * (1 + 0.03 * rng.standard_normal(CELLS))
    volts = 3.7 - 5e-5 * TIME[:, None] - current[:, None] * ohm + 0.003 * rng.standard_normal(CELLS)
    return volts + rng.normal(0, 4e-4, volts.shape)


def open_at(current, bursts=14, length=4, seed=3, loaded=True):
    """(rows,) True in bursts of some rows inside levels that hold, under load or whatever flows."""
    rng = np.random.default_rng(seed)
    out = np.zeros(ROWS, bool)
    held = np.arange(0, ROWS, 15)
    fit = held[np.abs(current[held]) > 15.0] if loaded else held
    for first in rng.choice(fit, bursts, replace=False):
        out[first + 6 : first + 6 + length] = True
    return out


def looked_at(volts, current, trusted=ALL, masked=None):
    volts = np.round(volts / STEP) * STEP
    loads = np.stack([np.ones(ROWS), TIME / ROWS, (TIME / ROWS) ** 2, current], axis=1)
    left = residuals(volts, loads, trusted)
    return find(left, loads, current, TIME, SECTION, RESISTANCE, trusted, STEP, CAPACITY, masked)


@pytest.mark.parametrize("share", [0.5, 1.0, 4.0, 30.0, 500.0])
def test_a_lug_that_opens_for_moments_is_named_however_bad(share):
    """Planted in the fourth cell, from half of a cell's resistance to five hundred times it."""
    current = drive()
    volts = string(current)
    opened = open_at(current)
    volts[opened, 3] -= share * OHM * current[opened]
    joints, wires = looked_at(volts, current)
    assert [j.column for j in joints] == [3] and wires == []
    (one,) = joints
    assert one.ohm == pytest.approx(share * OHM, rel=0.15)
    assert one.ohm_low <= one.ohm <= one.ohm_high
    assert one.follows and one.wrong == 0
    assert 9 <= one.bursts <= 14  # at low currents a burst of half a resistance drowns in the noise
    assert 3.0 <= one.seconds <= 5.0
    assert one.rows[opened].mean() > 0.8 and one.rows.mean() < 0.1


def test_both_directions_of_the_current_are_counted():
    current = drive(5)
    volts = string(current)
    opened = open_at(current, bursts=30)
    volts[opened, 7] -= 2 * OHM * current[opened]
    (one,) = looked_at(volts, current)[0]
    charging = sum(current[k] < 0 for k in np.flatnonzero(opened & ~np.roll(opened, 1)))
    assert one.charging == charging and one.discharging == one.bursts - charging


def test_the_cell_that_is_named_is_the_one_that_jumps():
    current = drive(6)
    base, opened = string(current), open_at(current)
    for cell in (0, 4, 9):
        volts = base.copy()
        volts[opened, cell] -= 2 * OHM * current[opened]
        assert [j.column for j in looked_at(volts, current)[0]] == [cell]


def test_a_sound_string_and_one_that_only_resists_more_have_no_loose_lug():
    current = drive(7)
    volts = string(current)
    assert looked_at(volts, current) == ([], [])
    volts[:, 2] -= 1.0 * OHM * current  # an aged cell follows the load smoothly and jumps nowhere
    assert looked_at(volts, current) == ([], [])


def test_readings_that_drop_at_rest_as_well_are_no_joint():
    """Look-alike: moments of 30 mV whatever flows, by disturbance of a channel."""
    current = drive(8)
    volts = string(current)
    volts[open_at(current, bursts=40, loaded=False), 5] -= 0.030
    assert looked_at(volts, current)[0] == []


@pytest.mark.parametrize("share", [1.0, 5.0, 100.0])
def test_a_contact_that_is_open_but_for_moments_switches(share):
    """Planted: open all the while, shut in 20 moments: the readings jump up, and what is usual is the open state."""
    current = drive(9, regenerates=False)
    volts = string(current)
    shut = open_at(current, bursts=20)
    volts[~shut, 5] -= share * OHM * current[~shut]
    (one,) = looked_at(volts, current)[0]
    assert one.column == 5 and one.switches
    assert one.ohm == pytest.approx(share * OHM, rel=0.1)
    assert one.rows.mean() > 0.9 and not one.rows[shut].all()


def test_a_string_that_jumps_together_has_no_lug_of_its_own():
    """A frame read late moves all cells alike; many cells that jump one by one are no lugs either."""
    current = drive(10)
    volts = string(current)
    volts[open_at(current, bursts=25)] -= 0.05
    assert looked_at(volts, current) == ([], [])
    volts = string(current)
    for cell in range(5):
        opened = open_at(current, seed=20 + cell)
        volts[opened, cell] -= 3 * OHM * current[opened]
    assert looked_at(volts, current)[0] == []


@pytest.mark.parametrize("size", [0.03, 0.3, 1.5])
def test_a_sense_wire_that_opens_moves_two_cells_by_the_same(size):
    """One up by what the other goes down, whatever flows (Kirchhoff: their sum stays)."""
    current = drive(11)
    volts = string(current)
    opened = open_at(current, bursts=20, loaded=False)
    volts[opened, 4] += size
    volts[opened, 5] -= size
    joints, wires = looked_at(volts, current)
    assert joints == []
    (wire,) = wires
    assert wire.columns == (4, 5)
    assert wire.volts == pytest.approx(size, rel=0.1)
    assert 15 <= wire.bursts <= 21


def test_three_bursts_are_chance():
    current = drive(12)
    volts = string(current)
    opened = open_at(current, bursts=1)
    volts[opened, 3] -= 3 * OHM * current[opened]
    assert looked_at(volts, current) == ([], [])


def test_bleeding_that_goes_on_and_off_jumps_and_is_left_out():
    current = drive(13)
    volts = string(current)
    on = open_at(current, bursts=20, length=8)
    volts[on, 6] -= 0.02
    edges = on != np.roll(on, 1)
    assert looked_at(volts, current, masked=edges) == ([], [])


def test_a_cell_that_is_not_trusted_is_never_named():
    current = drive(14)
    volts = string(current)
    opened = open_at(current)
    volts[opened, 3] -= 5 * OHM * current[opened]
    trusted = np.arange(CELLS) != 3
    volts[100:200, 3] = np.nan
    assert looked_at(volts, current, trusted) == ([], [])
    assert find(np.zeros((59, 4)), np.ones((59, 1)), np.zeros(59), TIME[:59], SECTION[:59], RESISTANCE[:4],
                np.ones(4, bool), STEP, CAPACITY) == ([], [])  # fmt: skip


def test_residuals_leave_what_no_load_explains():
    """By numpy's least squares on the healthy ones; a level, a drift and a share of the load go, a burst stays."""
    current = drive(15)
    volts = string(current)
    loads = np.stack([np.ones(ROWS), TIME / ROWS, current], axis=1)
    plain = residuals(volts, loads, ALL)
    assert plain.std(axis=0).max() < 6e-4  # the noise of 0.4 mV, and that of the mean of the others
    volts[:, 1] += 0.010 - 1e-5 * TIME + 3e-4 * current
    assert residuals(volts, loads, ALL).std(axis=0).max() < 6e-4
    volts[500:504, 1] -= 0.2
    left = residuals(volts, loads, ALL)
    assert_allclose(left[500:504, 1], -0.2, atol=0.01)
    assert np.abs(np.delete(left, 1, axis=1)).max() < 0.01
    assert np.abs(settled(left[:, 1], loads)[600:]).max() < 0.01


def open_half_of_the_time(current, seed=4):
    """(rows,) True between moments at which a contact turns over, a few rows into levels that hold."""
    rng = np.random.default_rng(seed)
    held = np.arange(0, ROWS, 15)
    turns = np.zeros(ROWS, int)
    turns[rng.choice(held[np.abs(current[held]) > 15.0], 40, replace=False) + 7] = 1
    return np.cumsum(turns) % 2 == 1


@pytest.mark.parametrize("share", [0.8, 3.0, 50.0])
def test_a_contact_that_is_open_as_often_as_not_switches(share):
    current = drive(16)
    volts = string(current)
    opened = open_half_of_the_time(current)
    volts[opened, 2] -= share * OHM * current[opened]
    (one,) = looked_at(volts, current)[0]
    assert one.column == 2 and one.switches and one.follows and not one.by_windows
    assert one.ohm == pytest.approx(share * OHM, rel=0.15)
    # twenty; of a very large one the wander of the current itself between two levels passes for a few more
    assert 15 <= one.bursts <= (20 if share < 10 else 26)
    assert one.rows[opened].mean() > 0.9  # what is open is not taken for the cell's own
    assert one.charging + one.discharging == one.bursts


def test_a_channel_that_turns_over_whatever_flows_does_not_switch():
    """Look-alike: 40 mV up or down at rest as under load."""
    current = drive(17)
    volts = string(current)
    rng = np.random.default_rng(5)
    turns = np.zeros(ROWS, int)
    turns[rng.choice(np.arange(0, ROWS, 15), 60, replace=False) + 7] = 1
    volts[np.cumsum(turns) % 2 == 1, 2] -= 0.04
    assert looked_at(volts, current)[0] == []


def test_a_drop_of_minutes_is_a_change_and_no_burst():
    """Four drops of two minutes each, under a current that holds: longer than a burst may be (a minute; choice)."""
    current = np.full(ROWS, 80.0)
    current[::300] = 0.0
    volts = string(current)
    for first in (200, 800, 1400, 2000):
        volts[first + 10 : first + 130, 2] -= 2 * OHM * current[first + 10 : first + 130]
    assert not any(j.column == 2 and not j.switches for j in looked_at(volts, current)[0])


def test_a_log_in_sections_jumps_at_none_of_their_borders():
    """What parts two sections is a pause: each may begin at another level."""
    current = drive(18)
    volts = string(current)
    section = (TIME // 100).astype(np.int64)
    volts[:, 6] += 0.05 * (section % 2)
    loads = np.stack([np.ones(ROWS), TIME / ROWS, current], axis=1)
    left = residuals(np.round(volts, 3), loads, ALL)
    found = find(left, loads, current, TIME, section, RESISTANCE, ALL, STEP, CAPACITY)
    assert found == ([], [])
