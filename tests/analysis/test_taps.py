"""Sense wires from the jumps at the edges of the bleed flags, against planted wires and readings."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.taps import TapResistance, corrected, tap_currents, tap_resistance

ROWS, CELLS, RESISTOR = 1200, 10, 33.0
SECONDS = np.arange(ROWS, dtype=float)
SURE = np.ones(CELLS, bool)


def bled(every=40, seed=1):
    """Return flags: one cell after the other is bled for 20 s."""
    out = np.zeros((ROWS, CELLS), bool)
    for k, begin in enumerate(range(10, ROWS - every, every)):
        out[begin : begin + 20, k % CELLS] = True
    return out


def readings(wires, flags, noise=3e-4, step=1e-3, seed=2):
    """Return readings [V] of cells that differ by up to 20 mV, with the drops of the bleed currents in the wires."""
    rng = np.random.default_rng(seed)
    true = 3.9 + rng.uniform(-0.01, 0.01, CELLS) + 0.02 * np.sin(SECONDS / 300)[:, None]
    drop = tap_currents(flags, true, RESISTOR) * wires
    read = true - drop[:, 1:] + drop[:, :-1] + rng.normal(0, noise, true.shape)
    return np.round(read / step) * step, true


def test_the_jump_of_a_bled_cell_and_its_neighbours():
    """0.15 ohm and 0.11 A: -33.0 mV on the bled cell, +16.5 mV on either side (algebra of the loom)."""
    flags = np.array([[False, True, False]])
    drop = tap_currents(flags, np.full((1, 3), 0.11 * RESISTOR), RESISTOR) * 0.15
    assert_allclose((-drop[:, 1:] + drop[:, :-1])[0] * 1e3, [16.5, -33.0, 16.5], atol=1e-9)


@pytest.mark.parametrize("missing", [0.0, 0.1])
def test_planted_wires_are_found_though_readings_are_missing(missing):
    wires, flags = np.full(CELLS + 1, 0.03), bled()
    wires[4] = 0.25
    volts, true = readings(wires, flags)
    volts[np.random.default_rng(3).random(volts.shape) < missing] = np.nan
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    assert (np.abs(found.ohm - wires) < 4 * found.se).all()
    assert_allclose(found.ohm[4], 0.25, atol=0.03)
    mended = corrected(volts, flags, RESISTOR, found)
    assert np.nanmax(np.abs(np.nanmean((mended - true)[flags.any(axis=1)], axis=0))) < 1e-3


def test_a_balancer_that_changes_its_mind_every_two_rows_tells_its_wires():
    """Cells bled in turn for two rows each, no longer pause between the edges; a wire of 0.5 ohm (planted)."""
    wires, flags = np.full(CELLS + 1, 0.01), np.zeros((ROWS, CELLS), bool)
    wires[6] = 0.5
    for k, begin in enumerate(range(10, ROWS - 10, 4)):
        flags[begin : begin + 2, (3 * k) % CELLS] = True
    volts, _ = readings(wires, flags)
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    assert (found.edges > 20).all()
    assert (np.abs(found.ohm - wires) < 4 * found.se)[wires < 0.1].all()
    # by hand: the bled cell itself is read 55 mV of 3.9 V too low, and its current with it
    assert_allclose(found.ohm[6], 0.5 / (1 - 0.055 / 3.9), atol=4 * found.se[6])


def test_readings_in_coarse_steps_do_not_make_wires_out_of_nothing():
    """Steps of 5 mV and no noise: most jumps are nought, which must not pass for no error at all."""
    flags = bled(every=200)
    volts, _ = readings(np.full(CELLS + 1, 0.03), flags, noise=0.0, step=5e-3)
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 5e-3)
    known = np.isfinite(found.ohm)
    assert known.any()
    assert (np.abs(found.ohm - 0.03)[known] < 4 * found.se[known]).all()
    assert (found.se[known] > 0.004).all()


def test_few_edges_tell_the_usual_wire_though_not_each():
    """Each wire alone is known to a tenth of an ohm; the drop of bled cells is taken out all the same."""
    wires, flags = np.full(CELLS + 1, 0.06), bled(every=60)
    volts, true = readings(wires, flags, noise=3e-3)
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    assert (found.ohm < 2 * found.se).any()
    assert_allclose(found.likely(), 0.06, atol=0.03)
    left = (corrected(volts, flags, RESISTOR, found) - true)[flags].mean()
    assert abs(left) < 0.5 * abs((volts - true)[flags].mean())


def test_wires_of_which_nothing_is_known_are_left_alone():
    nothing = TapResistance(np.full(5, np.nan), np.full(5, np.nan), np.zeros(5, np.int64), np.zeros(5))
    assert not nothing.likely().any()
    faint = TapResistance(np.full(5, 0.03), np.full(5, 0.3), np.zeros(5, np.int64), np.zeros(5))
    assert not faint.likely().any()


def test_one_edge_tells_a_bad_wire_where_both_readings_beside_it_jump():
    """Cell 6 is bled by hand once, to the end of the log; the wire above it has 0.3 ohm (planted)."""
    wires, flags = np.full(CELLS + 1, 0.01), np.zeros((ROWS, CELLS), bool)
    wires[6], flags[400:, 5] = 0.3, True
    volts, _ = readings(wires, flags)
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    assert found.edges[6] == 1
    assert_allclose(found.ohm[6], 0.3, atol=0.03)
    assert found.misfit[6] < 4.0
    # a cell that falls by itself when the bleeding begins pulls no neighbour up: no wires make that
    volts[400:, 5] -= 0.03
    assert tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3).misfit[6] > 4.0


def test_a_wire_that_is_none_of_the_looms_counts_by_itself():
    """By hand: 24 wires of 0.01 +- 0.05 ohm hold nothing back from one of 0.45; 0.05 among them are theirs."""
    ohm = np.full(25, 0.01)
    ohm[10], ohm[3] = 0.45, 0.05
    found = TapResistance(ohm, np.full(25, 0.05), np.full(25, 30), np.full(25, 0.1))
    assert_allclose(found.likely()[10], 0.45)
    assert found.likely()[3] < 0.03
    ohm[10] = -0.45  # no wire is less than nothing: the loom's usual stands for it
    assert 0.0 <= TapResistance(ohm, found.se, found.edges, found.misfit).likely()[10] < 0.03


@pytest.mark.parametrize("ohm", [0.06, 0.3, 2.0, 30.0, 500.0])
def test_a_wire_is_told_however_bad(ohm):
    """A corroded crimp up to fifteen times the resistor: the bleed current falls with it, and so do the jumps."""
    wires, flags = np.full(CELLS + 1, 0.03), bled()
    wires[4] = ohm
    rng = np.random.default_rng(2)
    true = 3.9 + rng.uniform(-0.01, 0.01, CELLS)
    amps = np.where(flags, true / (RESISTOR + wires[1:] + wires[:-1]), 0.0)
    out = np.zeros((ROWS, CELLS + 1))
    out[:, 1:] += amps
    out[:, :-1] -= amps
    drop = out * wires
    volts = np.round(true - drop[:, 1:] + drop[:, :-1] + rng.normal(0, 3e-4, flags.shape), 3)
    found = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    assert_allclose(found.ohm[4], ohm, rtol=0.05)
    assert_allclose(np.delete(found.ohm, 4), 0.03, atol=0.01)
    assert_allclose(found.likely()[4], ohm, rtol=0.05)


def test_a_loom_read_from_its_other_end_has_the_same_wires():
    wires, flags = np.random.default_rng(4).uniform(0.02, 0.3, CELLS + 1), bled()
    volts, _ = readings(wires, flags)
    one = tap_resistance(volts, flags, SECONDS, RESISTOR, SURE, 1e-3)
    two = tap_resistance(volts[:, ::-1], flags[:, ::-1], SECONDS, RESISTOR, SURE, 1e-3)
    for name in ("ohm", "se", "edges", "misfit"):
        assert_allclose(getattr(two, name), getattr(one, name)[::-1])
    assert_allclose(two.likely(), one.likely()[::-1])
    mended = corrected(volts[:, ::-1], flags[:, ::-1], RESISTOR, two)
    assert_allclose(mended, corrected(volts, flags, RESISTOR, one)[:, ::-1])


def test_the_currents_of_a_tap_add_up_to_nothing():
    """Kirchhoff: what leaves one tap enters another; two neighbours bled together cancel in the wire they share."""
    flags = np.random.default_rng(5).random((50, CELLS)) < 0.3
    volts = np.full((50, CELLS), 3.63)
    assert_allclose(tap_currents(flags, volts, RESISTOR).sum(axis=1), 0.0, atol=1e-12)
    both = np.zeros((1, 4), bool)
    both[0, 1:3] = True
    assert_allclose(tap_currents(both, np.full((1, 4), 3.63), RESISTOR), [[0, -0.11, 0, 0.11, 0]])


def test_no_flag_and_no_trusted_cell_tell_no_wire():
    volts, _ = readings(np.full(CELLS + 1, 0.1), bled())
    for flags, trusted in ((np.zeros_like(bled()), SURE), (bled(), ~SURE), (np.ones_like(bled()), SURE)):
        found = tap_resistance(volts, flags, SECONDS, RESISTOR, trusted, 1e-3)
        assert np.isnan(found.ohm).all() and not found.likely().any()
        assert corrected(volts, flags, RESISTOR, found) is volts
