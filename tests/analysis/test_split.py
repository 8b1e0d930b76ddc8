"""The split of deviations into charge, capacity and resistance: planted and recovered, and by hand where it can be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from bmslogs.analysis.common_fit import SHAPE_SD, Split, SplitData
from bmslogs.analysis.polarisation import low_pass
from bmslogs.analysis.split import split
from bmslogs.base.errors import NotEnoughData

CELLS, CAPACITY, OHM, NOISE_V = 12, 50.0, 1.2e-3, 0.001


def curve(q: np.ndarray) -> np.ndarray:
    """An invented open-circuit curve over the charge drawn: a slope, a step and a knee; no product's."""
    return 3.95 - 0.006 * q + 0.05 * np.tanh((18 - q) / 3) - 0.25 * np.exp((q - 42) / 2.5)


@dataclass
class Plant:
    """What each cell of the string has, as shares of nominal: charge [Ah], lack of capacity, resistance; shift [V]."""

    a: np.ndarray
    b: np.ndarray
    r: np.ndarray
    shift: np.ndarray


def healthy() -> Plant:
    return Plant(*(np.zeros(CELLS) for _ in range(4)))


def drawn(
    plant: Plant,
    hours: float,
    mean_A: float,
    seed: int = 1,
    swing: float = 1.0,
    wander: float = 0.0,
    excess: np.ndarray | None = None,
) -> Split:
    """Drive the planted string and split what its cells read (mV steps, white noise of `NOISE_V`)."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, hours * 3600, 10.0)
    section = np.zeros(len(t), dtype=np.int64)
    current = mean_A + swing * (50 * np.sin(t / 40) * (np.sin(t / 300) > -0.5) + 15 * np.sin(t / 13))
    q = np.cumsum(current) * 10 / 3600
    relaxed = low_pass(current, t, section, 90.0)
    x = q[:, None] * (1 + plant.b) - plant.a
    minute = (t // 60).astype(int)
    x = x + wander * rng.normal(size=(minute[-1] + 1, CELLS))[minute]
    drop = -(OHM * current + 0.4 * OHM * relaxed)[:, None] * (1 + plant.r)
    volts = curve(x) + drop + plant.shift + rng.normal(0, NOISE_V, x.shape)
    taus = (4.0, 20.0, 90.0, 400.0)
    polar = np.stack([-current, *(-low_pass(current, t, section, tau) for tau in taus)], axis=1)
    block = (np.arange(len(t)) * 8 // len(t)).astype(np.int64)
    data = SplitData(
        np.round(volts, 3), np.repeat(q[:, None], CELLS, 1), polar, current, block, CAPACITY, OHM, NOISE_V,
        period_s=10.0, excess=None if excess is None else (excess, np.full(CELLS, 0.004)),
    )  # fmt: skip
    return split(data, np.ones(CELLS, dtype=bool))


def test_a_module_of_aged_cells_moves_no_other_cell():
    """Excesses are known over the middle cell, which is sound, and the mean cell, which is not, is the measure here."""
    plant = healthy()
    plant.r[8:] = 0.27
    found = drawn(plant, hours=1.8, mean_A=23.0, excess=plant.r.copy())
    np.testing.assert_allclose(
        found.r, plant.r / (1 + plant.r.mean()), atol=0.03
    )  # shares of the mean cell's
    np.testing.assert_allclose(found.rho / OHM, 0.0, atol=0.03)
    assert np.all(np.abs(found.a) < np.maximum(2.6 * found.se["a"], 0.05))


def test_planted_cells_come_back_within_their_intervals():
    plant = healthy()
    plant.a[2], plant.b[5], plant.r[8] = -2.0, 0.08, 0.30
    found = drawn(plant, hours=1.8, mean_A=23.0)
    for name, cell, true in (("a", 2, -2.0), ("b", 5, 0.08), ("r", 8, 0.30)):
        value, se = getattr(found, name)[cell], found.se[name][cell]
        assert abs(value - true) < 2.6 * se, (name, value, se)  # 99 % of a normal error
        assert abs(true) > 4 * se, (name, se)  # and the interval says something
    for name, least in (("a", 0.5), ("b", 0.025), ("r", 0.10)):
        others = np.delete(getattr(found, name), {"a": 2, "b": 5, "r": 8}[name])
        assert np.abs(others).max() < least, (name, others)


def test_intervals_hold_what_was_planted():
    """A 95 % interval holds the truth in 34 of 36 cases; 28 or fewer have a chance below 1 in 1000 (binomial).

    The cells' curves differ sideways by as much as the module allows them to, from minute to minute.
    """
    rng = np.random.default_rng(3)
    inside = {"a": [], "b": []}
    for seed in range(3):
        plant = healthy()
        plant.a, plant.b = rng.normal(0, 0.8, CELLS), rng.normal(0, 0.02, CELLS)
        found = drawn(plant, hours=1.8, mean_A=23.0, seed=seed, wander=SHAPE_SD * CAPACITY)
        for name in inside:
            true = getattr(plant, name) - np.median(getattr(plant, name))
            inside[name] += (np.abs(getattr(found, name) - true) < 1.96 * found.se[name]).tolist()
    for name, hits in inside.items():
        assert np.sum(hits) > 28, (name, np.mean(hits))


def test_a_healthy_string_stays_quiet():
    for seed in (1, 2):
        found = drawn(healthy(), hours=1.8, mean_A=23.0, seed=seed)
        for name in ("a", "b", "r", "rho"):
            assert np.all(np.abs(getattr(found, name)) < 4 * found.se[name]), name


def test_the_curve_is_that_of_the_string():
    found = drawn(healthy(), hours=1.8, mean_A=23.0)
    q = np.linspace(3, 38, 100)
    away = found.curve(q) - curve(q)
    assert np.ptp(away) < 0.012  # its level is shared with the polarisation, its shape is not
    slope = np.gradient(curve(q), q)
    np.testing.assert_allclose(found.slope(q)[5:-5], slope[5:-5], atol=0.25 * np.abs(slope).max())


def test_on_a_straight_curve_charge_is_the_voltage_over_its_slope():
    """By hand: U = 3.9 - 0.02 q, so a cell 40 mV below the others has 2 Ah less; capacity alone could not do that."""
    t = np.arange(0.0, 3600.0, 10.0)
    section = np.zeros(len(t), dtype=np.int64)
    current = 10 + 40 * np.sin(t / 50)
    q = np.cumsum(current) * 10 / 3600
    lower = np.zeros(8)
    lower[3] = 0.040
    rng = np.random.default_rng(1)
    volts = 3.9 - 0.02 * q[:, None] - OHM * current[:, None] - lower + rng.normal(0, 5e-4, (len(t), 8))
    polar = np.stack([-current, -low_pass(current, t, section, 60.0)], axis=1)
    block = (np.arange(len(t)) * 8 // len(t)).astype(np.int64)
    data = SplitData(
        volts, np.repeat(q[:, None], 8, 1), polar, current, block, CAPACITY, OHM, 5e-4, period_s=10.0
    )
    found = split(data, np.ones(8, dtype=bool))
    assert abs(found.a[3] + 2.0) < max(2 * found.se["a"][3], 0.1)
    assert found.se["a"][3] < 0.5


def test_a_shifted_reading_and_a_lack_of_charge_are_told_apart():
    """Where the curve bends, missing charge changes a cell's distance from the others; a shifted reading does not."""
    shifted, emptier = healthy(), healthy()
    shifted.shift[4], emptier.a[4] = -0.015, -2.0
    one, other = drawn(shifted, hours=1.8, mean_A=23.0), drawn(emptier, hours=1.8, mean_A=23.0)
    assert one.shift_odds[4] > 3.0 > -3.0 > other.shift_odds[4]
    assert abs(one.shift[4] + 0.015) < max(3 * one.shift_se[4], 0.002)


def test_where_no_charge_moved_there_is_no_answer():
    with pytest.raises(NotEnoughData, match="Ah moved"):
        drawn(healthy(), hours=0.5, mean_A=0.1, swing=0.1)


def test_a_cell_that_fits_worse_by_itself_stays_in_the_fit_with_all(monkeypatch):
    """Three sound cells pass for far; laid onto the others they would fit ten times worse (by hand)."""
    from bmslogs.analysis import split as room
    from bmslogs.analysis.models.lone_cell import LoneCell

    plain = drawn(healthy(), 2.0, 15.0)
    asked = []

    def far_at_first(found, data, reference):
        asked.append(1)
        return (np.arange(CELLS) < 3) & reference & (len(asked) == 1)

    def badly(*_, **__):
        return LoneCell(np.array([1.4, 0.09, 0.0, 0.0]), np.eye(4) * 1e-4, np.eye(4) * 1e-4, (0.0, 1.0), 10.0)

    monkeypatch.setattr(room, "_far", far_at_first)
    monkeypatch.setattr(room, "lone_cell", badly)
    found = drawn(healthy(), 2.0, 15.0)
    assert len(asked) > 1
    assert not found.far.any()
    np.testing.assert_array_equal(found.b, plain.b)
