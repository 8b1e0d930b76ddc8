"""Channels that stand still before their converter: planted into a string of plain drops; what looks like it."""

import numpy as np
import pytest

from bmslogs.analysis.trembling import trembling_channels

SECONDS = np.arange(1500.0)


def string(seed=1, cells=8):
    """Loads of ten seconds each on 1 mohm a cell, noise of 0.6 mV, steps of 1 mV."""
    rng = np.random.default_rng(seed)
    current = np.repeat(rng.normal(20.0, 50.0, 150), 10)
    volts = 3.8 - 1e-3 * current[:, None] * np.ones(cells) + rng.normal(0, 6e-4, (1500, cells))
    return np.round(volts, 3), current


@pytest.mark.parametrize("first", [0, 500, 1000])
def test_a_channel_that_trembles_about_one_value_is_stuck(first):
    volts, _ = string()
    volts[first:, 4] = np.round(3.81 + np.random.default_rng(2).normal(0, 6e-4, 1500 - first), 3)
    found = trembling_channels(volts, SECONDS, 0.001)
    assert [(f.kind, f.columns) for f in found] == [("channel_stuck", (4,))]


def test_a_sound_string_and_one_at_rest_have_none():
    volts, _ = string()
    assert trembling_channels(volts, SECONDS, 0.001) == []
    rest = np.round(3.8 + np.random.default_rng(3).normal(0, 6e-4, (1500, 8)), 3)
    assert trembling_channels(rest, SECONDS, 0.001) == []


def test_a_cell_on_the_flat_is_not_stuck_while_the_others_climb_the_knee():
    """A steady charge of LFP cells: seven climb 60 mV, one lags on the plateau; nothing of the load moved it."""
    climb = np.linspace(0, 0.06, 1500)[:, None] * np.array([1, 1, 1, 1, 1, 1, 1, 0])
    volts = np.round(3.36 + climb + np.random.default_rng(4).normal(0, 5e-4, climb.shape), 3)
    assert trembling_channels(volts, SECONDS, 0.001, drop=np.full(1500, -0.03)) == []
    assert [f.columns for f in trembling_channels(volts, SECONDS, 0.001)] == [(7,)]


def test_a_cell_that_a_charger_holds_at_its_limit_is_not_stuck():
    """The leading cell stands at 4.200 V while the current tapers for it and the others still climb (planted)."""
    rng = np.random.default_rng(5)
    climb = 4.10 + 0.09 * (1 - np.exp(-SECONDS / 600.0))
    volts = np.repeat(climb[:, None], 8, axis=1)
    volts[:, 2] = 4.200
    volts = np.round(volts + rng.normal(0, 4e-4, volts.shape), 3)
    current = -20.0 * np.exp(-SECONDS / 700.0)
    assert trembling_channels(volts, SECONDS, 0.001, current=current) == []


@pytest.mark.parametrize("off", [0.02, 0.2, 0.9, -0.9])
def test_wherever_it_stands_it_is_stuck(off):
    """Planted up to the volt from which on limits speak of it; how far it is off is told."""
    volts, _ = string()
    volts[:, 4] = np.round(3.8 + off + np.random.default_rng(2).normal(0, 6e-4, 1500), 3)
    (found,) = trembling_channels(volts, SECONDS, 0.001)
    assert found.columns == (4,)
    assert found.size_V > abs(off)


def test_channels_answer_by_their_place_and_holes_hide_none():
    volts, _ = string()
    volts[:, 1] = np.round(3.79 + np.random.default_rng(2).normal(0, 6e-4, 1500), 3)
    turn = np.random.default_rng(6).permutation(8)
    assert trembling_channels(volts[:, turn], SECONDS, 0.001)[0].columns == (
        int(np.flatnonzero(turn == 1)[0]),
    )
    volts[np.random.default_rng(7).random(volts.shape) < 0.3] = np.nan
    assert [f.columns for f in trembling_channels(volts, SECONDS, 0.001)] == [(1,)]


def test_most_channels_stuck_are_a_logger_that_stopped():
    volts, _ = string()
    volts[:, :4] = np.round(3.8 + np.random.default_rng(2).normal(0, 6e-4, (1500, 4)), 3)
    assert trembling_channels(volts, SECONDS, 0.001) == []


@pytest.mark.parametrize("rows", [1, 60, 1500])
def test_where_nothing_is_read_nothing_is_stuck(rows):
    assert trembling_channels(np.full((rows, 4), np.nan), np.arange(float(rows)), 0.001) == []
