"""The figures of the fleet simulations hold on a part of their seeds; each script prints them on all."""

from __future__ import annotations

import numpy as np

from tests.accuracy import fleet_matching, fleet_positions, fleet_repair


def test_joint_at_one_place_of_five_vehicles():
    # planted: 15 % of a cell's resistance, spread 5 %, repeatable to 1 %, two drives a vehicle
    found, beside, false = fleet_positions.rates(40)
    assert found >= 0.90
    # 5 % of healthy fleets, and two sd of 40 draws (7 %)
    assert false <= 0.125 and beside <= 0.125


def test_repair_of_a_cell_ten_percent_high():
    confirmed, imagined, _ = fleet_repair.rates(80, 12, 0.10, logged=False)
    assert confirmed >= 0.85 and imagined <= 0.0125  # at most one in eighty


def test_matching_against_order_of_arrival_in_truth():
    gains = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        items, q, r = fleet_matching.simulated(rng, 36, 0.03, 0.005)
        plan = fleet_matching.match(items, fleet_matching.Frame(3, 12, 1, tuple(np.linspace(1, 1.4, 12))))
        usable, _ = fleet_matching.truth(plan, q, r, np.linspace(1, 1.4, 12))
        before = q[:36].reshape(3, 12).min(axis=1).sum()
        gains.append(usable / before - 1)
    assert min(gains) >= 0 and np.mean(gains) > 0.01
