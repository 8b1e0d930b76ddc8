"""Whether bleeding works: rests with known losses, by hand and by counting intervals that hold them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.bleed import SLOPE_ERROR, bleed_effect, bleed_falls
from bmslogs.base.errors import NotEnoughData

# Ohm's law: 3.65 V over 33 ohm
AMPERE = 3.65 / 33.0
SLOPE = 0.008  # [V/Ah] of one cell's open-circuit curve, invented
CELLS = 10


def rest(
    works: dict[int, float], hours: float = 6.0, noise: float = 0.0, seed: int = 0, drift: float = 0.0
) -> tuple[np.ndarray, ...]:
    """A rest in which some cells are bled; each loses its share `works` of what is commanded."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, hours * 3600 + 1, 30.0)
    bleed = np.zeros((len(t), CELLS), dtype=bool)
    bleed[:, list(works)] = True
    bled = bleed * (AMPERE * t / 3600)[:, None]
    share = np.ones(CELLS)
    share[list(works)] = list(works.values())
    own = np.linspace(-0.01, 0.01, CELLS)
    # what all cells do together, as they settle and cool, says nothing of bleeding
    volts = 3.7 + own + drift * np.exp(-t / 5000)[:, None] - SLOPE * bled * share
    return volts + rng.normal(0, noise, volts.shape), bled, bleed, t


def test_losses_come_back_exactly_without_noise():
    volts, bled, bleed, t = rest({1: 1.0, 4: 0.5, 7: 0.0}, drift=0.02)
    found = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), SLOPE)
    # by hand: the first half hour is for settling, 5.5 h are left
    commanded = AMPERE * 5.5
    assert_allclose(found.hours, 5.5, atol=0.01)
    assert_allclose(found.commanded[[1, 4, 7]], commanded, rtol=2e-3)
    assert_allclose(found.lost[[1, 4, 7]], np.array([1.0, 0.5, 0.0]) * commanded, atol=0.01)
    assert_allclose(np.delete(found.lost, [1, 4, 7]), 0.0, atol=0.01)


@pytest.mark.parametrize("pairs", [1, 2])
def test_leads_that_changed_places_do_not_set_the_scatter(pairs: int):
    """Of eight cells two or four are odd: commanded ones that lose nothing beside others that lose it (planted)."""
    volts, bled, bleed, t = rest(dict.fromkeys((2, 5)[:pairs], 0.0), noise=0.0005)
    volts, bled, bleed = volts[:, :8], bled[:, :8], bleed[:, :8]
    for i in (3, 6)[:pairs]:
        volts[:, i] -= SLOPE * AMPERE * t / 3600
    found = bleed_effect(volts, bled, bleed, t, np.ones(8, bool), SLOPE)
    moved = AMPERE * 5.5
    assert_allclose(found.lost[[2, 3]], [0.0, moved], atol=0.05)
    assert found.half_width[[2, 3]].max() < 0.5 * moved


def test_a_slope_that_is_wrong_within_its_error_stays_inside_the_interval():
    # lost charge is voltage over slope: a slope 12 % too small reads 1 / 0.88 of it
    volts, bled, bleed, t = rest({1: 1.0, 4: 0.0})
    found = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), 0.88 * SLOPE)
    true = AMPERE * 5.5
    assert abs(found.lost[1] - true / 0.88) < 0.01
    assert abs(found.lost[1] - true) < found.half_width[1]
    assert found.half_width[1] > 1.96 * SLOPE_ERROR * true
    assert (
        found.lost[4] + found.half_width[4] < found.commanded[4]
    )  # and a resistor that does nothing is seen


def test_intervals_hold_the_loss():
    """95 % intervals over 60 long rests with 1 mV of noise and slopes as uncertain as the module says."""
    rng = np.random.default_rng(5)
    hits = []
    for seed in range(60):
        works = rng.uniform(0.6, 1)
        volts, bled, bleed, t = rest({1: 1.0, 4: works, 7: 1.0}, hours=12.0, noise=0.001, seed=seed)
        slope = SLOPE / (1 + SLOPE_ERROR * rng.normal())
        found = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), slope)
        hits.append(abs(found.lost[4] - works * AMPERE * 11.5) < found.half_width[4])
    assert np.mean(hits) > 0.85  # 3.5 sd of a binomial below 0.95


def test_cells_that_are_not_trusted_set_no_level():
    volts, bled, bleed, t = rest({1: 1.0, 4: 0.0})
    trusted = np.ones(CELLS, bool)
    trusted[[0, 8, 9]] = False
    volts[:, [0, 8, 9]] += 0.02 * np.linspace(0, 1, len(t))[:, None]
    found = bleed_effect(volts, bled, bleed, t, trusted, SLOPE)
    assert_allclose(found.lost[[1, 4]], [AMPERE * 5.5, 0.0], atol=0.02)


@pytest.mark.parametrize(
    "works, hours, few, says",
    [
        ({1: 1.0}, 0.9, False, "0.9 h only"),
        ({}, 6.0, False, "Ah was bled"),
        ({1: 1.0}, 6.0, True, "too few cells"),
    ],
)
def test_what_cannot_be_told_is_refused(works: dict[int, float], hours: float, few: bool, says: str):
    volts, bled, bleed, t = rest(works, hours)
    trusted = np.arange(CELLS) < (3 if few else CELLS)
    with pytest.raises(NotEnoughData, match=says):
        bleed_effect(volts, bled, bleed, t, trusted, SLOPE)


def test_falls_of_readings_need_no_curve():
    """Cells 2, 5 and 8 are commanded; 8 does not fall, 4 falls instead; all settle by 3 mV (planted)."""
    hours = np.linspace(0.0, 8.0, 500)
    fall = np.zeros(12)
    fall[[1, 4, 3]] = 0.15
    volts = 3.45 - (fall * hours[:, None] / 8.0) - 0.003 * (1 - np.exp(-hours[:, None]))
    volts = np.round(volts + np.random.default_rng(1).normal(0, 4e-4, volts.shape), 3)
    bled = np.zeros((500, 12))
    bled[:, [1, 4, 7]] = 2.7 * hours[:, None] / 8.0
    found = bleed_falls(volts, bled, hours * 3600.0, np.ones(12, bool), 1e-3)
    assert_allclose(found.fell_V[[1, 4, 3]], 0.15, atol=0.012)
    assert abs(found.fell_V[7]) < 3 * found.scatter_V < 0.004
    with pytest.raises(NotEnoughData):
        bleed_falls(volts[:, :6], bled[:, :6], hours * 3600.0, np.ones(6, bool), 1e-3)


def test_bleeding_that_ends_early_in_a_long_rest_is_held_against_what_was_bled_by_then():
    """Two and a half of 95 hours are bled: the levels of the days after say nothing of an even loss (planted)."""
    volts, _, bleed, t = rest({1: 1.0, 4: 1.0, 7: 0.0}, hours=95.0)
    bleed[t > 2.5 * 3600] = False
    bled = bleed * 0.0 + np.where(bleed.any(axis=0), AMPERE * np.minimum(t, 9000.0)[:, None] / 3600, 0.0)
    share = np.ones(CELLS)
    share[7] = 0.0
    volts = volts[:1] - SLOPE * bled * share
    found = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), SLOPE)
    assert found.hours < 4.0
    assert_allclose(found.lost[[1, 4]], found.commanded[[1, 4]], rtol=0.05)
    assert_allclose(found.lost[7], 0.0, atol=0.02)


@pytest.mark.parametrize("times", [2.0, 5.0, 20.0])
def test_a_resistor_that_stays_on_loses_more_than_was_commanded_and_is_told_so(times):
    """A switch that shorted: twice to twenty times the charge; never brought back to what is usual."""
    volts, bled, bleed, t = rest({1: times, 4: 1.0, 7: 1.0}, noise=0.0003)
    found = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), SLOPE)
    assert found.lost[1] / found.commanded[1] == pytest.approx(times, rel=0.05)
    assert found.lost[1] - found.half_width[1] > found.commanded[1] + (
        0.0 if times < 3 else found.half_width[4]
    )


def test_cells_answer_by_their_place_and_a_common_drift_is_none_of_them():
    volts, bled, bleed, t = rest({1: 1.0, 4: 0.0, 7: 1.0}, noise=0.0003)
    one = bleed_effect(volts, bled, bleed, t, np.ones(CELLS, bool), SLOPE)
    turn = np.random.default_rng(2).permutation(CELLS)
    fallen = volts - 0.05 * (t / t[-1])[:, None]
    two = bleed_effect(fallen[:, turn], bled[:, turn], bleed[:, turn], t, np.ones(CELLS, bool), SLOPE)
    for name in ("commanded", "lost", "half_width", "drop_V"):
        assert_allclose(getattr(two, name), getattr(one, name)[turn], atol=1e-9)


def test_falls_by_hand():
    """40 mV where the others fell by 10: 30 mV against them; scatter of those left alone, no less than a step's."""
    t = np.arange(0.0, 7201.0, 30.0)
    volts = 3.8 - 0.010 * (t / 7200.0)[:, None] * np.ones(CELLS)
    volts[:, 3] -= 0.030 * t / 7200.0
    bled = np.zeros((len(t), CELLS))
    bled[:, 3] = 0.2 * t / 7200.0
    found = bleed_falls(volts, bled, t, np.ones(CELLS, bool), 0.001)
    # the levels are medians of the first and last twentieth: 95 % of the way lies between them
    assert_allclose(found.fell_V[3], 0.030 * 0.95, rtol=0.01)
    assert_allclose(np.delete(found.fell_V, 3), 0.0, atol=1e-12)
    assert found.scatter_V == pytest.approx(0.001 / np.sqrt(6.0))
    assert found.commanded[3] == pytest.approx(0.2) and found.hours == 2.0
    with pytest.raises(NotEnoughData, match="no scatter"):
        bleed_falls(volts[:, :6], bled[:, :6], t, np.ones(6, bool), 0.001)
    with pytest.raises(NotEnoughData, match=r"0\.5 h"):
        bleed_falls(volts[:61], bled[:61], t[:61], np.ones(CELLS, bool), 0.001)
