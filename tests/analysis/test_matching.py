"""Matching against exhaustive search and hand-worked cases."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest

from bmslogs.analysis.bench_charge import bench_plan
from bmslogs.analysis.grouping import classes, level_groups, told_apart
from bmslogs.analysis.matching import Frame, Item, match
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import parse_pack


def lot(capacity, half=0.1, *, resistance=None, r_half=1e-5, volts=None, lots=None):
    n = len(capacity)
    return [
        Item(
            f"c{i + 1}",
            3.3 if volts is None else volts[i],
            float(capacity[i]),
            half,
            None if resistance is None else float(resistance[i]),
            None if resistance is None else r_half,
            None if lots is None else lots[i],
        )
        for i in range(n)
    ]


def exhaustive_strings(q, each):
    """Best sum of the two strings' weakest items over every way to choose them."""
    everyone = set(range(len(q)))
    best = 0.0
    for first in combinations(everyone, each):
        for second in combinations(everyone - set(first), each):
            best = max(best, min(q[i] for i in first) + min(q[i] for i in second))
    return best


@pytest.mark.parametrize("seed", range(5))
def test_two_strings_are_the_best_there_are(seed):
    q = np.random.default_rng(seed).normal(100, 3, 9)
    plan = match(lot(q, 1e-6), Frame(2, 4))
    assert plan.usable == pytest.approx(exhaustive_strings(q, 4), abs=1e-3)
    assert plan.gain >= 0 and len(plan.spare) == 1


@pytest.mark.parametrize("seed", range(4))
def test_parallel_groups_are_level(seed):
    q = np.random.default_rng(seed).normal(50, 2, 6)
    best = max(
        min(q[list(p[:2])].sum(), q[list(p[2:4])].sum(), q[list(p[4:])].sum()) for p in permutations(range(6))
    )
    assert q[level_groups(q, 3, 5.0)].sum(axis=1).min() == pytest.approx(best, abs=1e-6)


def test_every_item_once():
    rng = np.random.default_rng(3)
    plan = match(lot(rng.normal(50, 2, 20)), Frame(2, 4, 2), time_limit=2.0)
    names = [n for p in plan.places for n in p.items] + list(plan.spare)
    assert sorted(names) == sorted(f"c{i + 1}" for i in range(20))
    assert plan.usable >= plan.usable_as_arrived


def test_not_sorted_finer_than_measured():
    rng = np.random.default_rng(4)
    vague = match(lot(100 + rng.normal(0, 0.5, 16), half=2.0), Frame(2, 8))
    assert vague.sorted_by == () and vague.gain == 0.0 and "guesswork" in vague.notes[0]
    assert [p.items for p in vague.places] == [(f"c{i + 1}",) for i in range(16)]
    q, sd = np.array([100.0, 100.2, 100.4, 105.0, 105.1]), np.full(5, 0.5)
    assert classes(q, sd).tolist() == [0, 0, 0, 1, 1]
    # Cochran's test by hand: two values 2 apart with sd 1 give chi2 = 2, p = 0.157; 4 apart give 8, p = 0.005
    assert not told_apart(np.array([0.0, 2.0]), np.ones(2)) and told_apart(np.array([0.0, 4.0]), np.ones(2))


def test_highest_resistance_in_the_coolest_place():
    r = [1.0e-3, 1.4e-3, 1.2e-3, 1.1e-3]
    plan = match(lot([100] * 4, 1.0, resistance=r), Frame(1, 4, heating=(2.0, 1.0, 3.0, 1.5)))
    assert [p.items[0] for p in plan.places] == ["c4", "c2", "c1", "c3"]  # by hand: 1.4 at 1.0, 1.0 at 3.0
    assert plan.sorted_by == ("resistance",)


def test_low_items_are_set_apart_and_lots_kept_together():
    plan = match(lot([100] * 5, 1.0, volts=[3.3, 3.3, 1.9, 3.3, 3.3]), Frame(1, 4))
    assert plan.apart[0][0] == "c3" and "do not charge" in plan.apart[0][1]
    rng = np.random.default_rng(6)
    items = lot(rng.normal(100, 3, 12), lots=["a", "b"] * 6)
    plan = match(items, Frame(2, 6))
    for s in (1, 2):
        assert (
            len({next(i.lot for i in items if i.name == p.items[0]) for p in plan.places if p.string == s})
            == 1
        )


def test_bad_frames_and_lists():
    with pytest.raises(BadInput, match="items that can be used"):
        match(lot([100] * 3), Frame(1, 4))
    with pytest.raises(BadInput, match="twice"):
        match([*lot([100] * 4), lot([100])[0]], Frame(1, 4))
    with pytest.raises(BadInput, match="heating"):
        match(lot([100] * 4), Frame(1, 4, heating=(1.0,)))


def test_bench_charge():
    pack = parse_pack(
        {
            "pack": {
                "id": "p",
                "vehicle": "Wren",
                "chemistry": "NMC",
                "nominal_capacity_Ah": 100.0,
                "cells_in_series": 8,
                "bleed_resistor_ohm": 33.0,
            },
            "module": [{"name": "M1", "cells": [1, 2, 3, 4]}, {"name": "M2", "cells": [5, 6, 7, 8]}],
        }
    )
    plan = bench_plan({1: 0.5, 2: 0.6, 3: 0.5, 4: 0.7, 5: 6.5, 6: 6.6, 7: 7.5, 8: 6.8}, pack)
    # by hand: module M2's fullest cell lacks 6.0 Ah more than the pack's fullest; 1.0 Ah stays for cell 7
    (charge,) = plan.charges
    assert (charge.name, charge.cells) == ("M2", (5, 6, 7, 8))
    assert charge.charge == pytest.approx(6.0) and charge.left_to_bleed == pytest.approx(1.0)
    assert charge.hours == pytest.approx(0.6) and charge.stop < 4.2
    # 7 Ah over 4.1 V / 33 ohm = 0.1242 A
    assert plan.bleed_hours_now == pytest.approx(56.34, abs=0.01) and plan.wanted
    assert plan.bleed_hours_after == pytest.approx(8.05, abs=0.01)
    assert not bench_plan({1: 0.0, 5: 1.0}, pack).wanted


def test_a_string_of_one_gives_what_it_has():
    plan = match(lot([48.0]), Frame(1, 1))
    assert (plan.usable, plan.usable_as_arrived, plan.gain) == (48.0, 48.0, 0.0)


@pytest.mark.parametrize(
    ("capacity", "resistance"),
    [
        ([50.0, 51.0], [0.0, 1e-3]),
        ([50.0, 51.0], [-1e-3, 1e-3]),
        ([50.0, 51.0], [np.nan, 1e-3]),
        ([np.inf, 51.0], None),
        ([np.nan, 51.0], None),
        ([-50.0, 51.0], None),
    ],
)
def test_what_no_instrument_reads_is_asked_about(capacity, resistance):
    """A resistance of nought would be put in the hottest place, a negative one anywhere."""
    with pytest.raises(BadInput, match="c1"):
        match(lot(capacity, resistance=resistance), Frame(1, 2, heating=(1.0, 2.0)))


def test_the_order_of_arrival_names_the_items_and_changes_no_plan():
    """The same lot in another order: the same strings of the same capacities."""
    q = np.random.default_rng(11).normal(100, 4, 8)
    turn = np.random.default_rng(12).permutation(8)
    one, two = match(lot(q, 1e-3), Frame(2, 4)), match(lot(q[turn], 1e-3), Frame(2, 4))
    assert one.usable == pytest.approx(two.usable)

    def strings(plan, values):
        return sorted(
            sorted(values[int(p.items[0][1:]) - 1] for p in plan.places if p.string == s) for s in (1, 2)
        )

    assert strings(one, q) == strings(two, q[turn])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_placing_makes_the_hottest_place_cooler(seed):
    """Every order of five groups by brute force: the largest of resistance times heat is as small as it can be."""
    rng = np.random.default_rng(seed)
    ohm, heat = rng.uniform(0.8e-3, 1.6e-3, 5), tuple(rng.uniform(1.0, 2.0, 5))
    plan = match(lot([50.0] * 5, resistance=ohm), Frame(1, 5, heating=heat))
    assert plan.sorted_by == ("resistance",)
    placed = np.array([ohm[int(p.items[0][1:]) - 1] for p in plan.places])
    best = min(max(r * h for r, h in zip(order, heat, strict=True)) for order in permutations(ohm))
    assert max(placed * np.array(heat)) == pytest.approx(best, rel=0.01)


def test_a_string_is_made_of_one_lot_as_far_as_the_lots_reach():
    rng = np.random.default_rng(4)
    lots = ["a"] * 5 + ["b"] * 4 + ["c"] * 3
    plan = match(lot(rng.normal(50, 2, 12), lots=lots), Frame(3, 4), time_limit=1.0)
    of = {f"c{k + 1}": one for k, one in enumerate(lots)}
    strings = [{of[p.items[0]] for p in plan.places if p.string == s} for s in (1, 2, 3)]
    assert sorted(len(s) for s in strings) == [
        1,
        1,
        2,
    ]  # five, four and three: two strings of one lot, one mixed
    assert any("mixes lots" in note for note in plan.notes)


@pytest.mark.parametrize("scale", [1e-3, 10.0, 1e3])
def test_a_lot_of_larger_cells_is_matched_alike(scale):
    q = np.random.default_rng(5).normal(100, 4, 9)
    one, two = match(lot(q, 0.5), Frame(2, 4)), match(lot(scale * q, scale * 0.5), Frame(2, 4))
    assert [p.items for p in one.places] == [p.items for p in two.places]
    assert two.gain == pytest.approx(scale * one.gain, rel=1e-6)
    assert one.gain_low <= one.gain <= one.gain_high


def test_an_item_below_its_voltage_is_set_apart_and_never_placed():
    volts = [3.3, 2.49, 3.3, 3.3, 0.0]
    plan = match(lot([50, 99, 51, 52, 98], volts=volts), Frame(1, 3))
    assert [name for name, _ in plan.apart] == ["c2", "c5"]
    assert sorted(n for p in plan.places for n in p.items) == ["c1", "c3", "c4"]
    with pytest.raises(BadInput, match="3 items that can be used"):
        match(lot([50, 99, 51, 52, 98], volts=volts), Frame(1, 4))


@pytest.mark.parametrize(
    "frame",
    [Frame(0, 4), Frame(1, 0), Frame(1, 2, 0), Frame(1, 2, heating=(1.0,)), Frame(1, 2, heating=(1.0, 0.0))],
)
def test_frames_that_make_no_sense_are_asked_about(frame):
    with pytest.raises(BadInput):
        match(lot([50.0, 51.0]), frame)
    with pytest.raises(BadInput, match="twice"):
        match([*lot([50.0]), *lot([51.0])], Frame(1, 2))
