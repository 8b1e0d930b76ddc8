"""Bleed commands by the jumps at their edges: wires by Ohm's law, planted crossings, what looks like them."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.bleed_commands import crossed_commands

CELLS, EDGES = 12, 160
FALL_V = 2 * 0.015 * 3.7 / 33.0
"""Two wires of 15 mohm under the current of 33 ohm at 3.7 V: 3.4 mV (Ohm's law)."""


def edges(acts_on: dict[int, int], noise: float = 5e-4, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Edges of a balancer that switches three cells at a time; `acts_on`: where crossed commands go (-1: nowhere)."""
    rng = np.random.default_rng(seed)
    toggled = np.zeros((EDGES, CELLS))
    jump = rng.normal(0.0, noise, (EDGES, CELLS))
    for row in range(EDGES):
        for cell in rng.choice(CELLS, 3, replace=False).tolist():
            sign = 1.0 if row % 2 else -1.0
            toggled[row, cell] = sign
            at = acts_on.get(cell, cell)
            if at >= 0:
                jump[row, at] -= sign * FALL_V
                for beside in (at - 1, at + 1):
                    if 0 <= beside < CELLS:
                        jump[row, beside] += sign * FALL_V / 2
    return jump, toggled


@pytest.mark.parametrize("pair", [(1, 4), (5, 6), (0, 11)])
def test_crossed_leads_are_named_both_ways(pair: tuple[int, int]):
    a, b = pair
    found = crossed_commands(*edges({a: b, b: a}))
    assert {(one.told, one.acts_on) for one in found} == {(a, b), (b, a)}
    assert found[0].usual_V == pytest.approx(FALL_V, rel=0.1)


@pytest.mark.parametrize("acts_on", [{}, {3: -1}])
def test_sound_commands_and_a_dead_bleeder_are_no_crossing(acts_on: dict[int, int]):
    assert crossed_commands(*edges(acts_on)) == []


def test_noise_that_hides_the_wires_tells_nothing():
    assert crossed_commands(*edges({1: 4, 4: 1}, noise=0.03)) == []


def test_flags_that_always_go_together_are_not_told_apart():
    """Odd and even cells by turns: no edge is of one cell, and no wire shows."""
    toggled = np.where(np.arange(CELLS) % 2, 1.0, -1.0) * np.where(np.arange(40) % 2, 1.0, -1.0)[:, None]
    assert crossed_commands(np.random.default_rng(2).normal(0, 5e-4, toggled.shape), toggled) == []


@pytest.mark.parametrize("times", [0.5, 3.0, 100.0])
def test_worse_wires_name_the_same_cells(times: float):
    jump, toggled = edges({2: 9, 9: 2})
    found = crossed_commands(times * jump, toggled)
    assert sorted((c.told, c.acts_on) for c in found) == [(2, 9), (9, 2)]
    usual = {round(c.usual_V / FALL_V / times, 1) for c in found}
    assert usual == {1.0}
    for one in found:
        assert one.other_V == pytest.approx(times * FALL_V, rel=0.15)
        assert abs(one.own_V) < 0.2 * times * FALL_V
        assert one.edges == int(np.abs(toggled[:, one.told]).sum())


def test_a_chain_of_three_is_named_link_by_link_and_from_the_other_end():
    acts = {3: 4, 4: 5, 5: 3}
    jump, toggled = edges(acts)
    assert {c.told: c.acts_on for c in crossed_commands(jump, toggled)} == acts
    turned = crossed_commands(jump[:, ::-1], toggled[:, ::-1])
    assert {11 - c.told: 11 - c.acts_on for c in turned} == acts


def test_too_few_edges_or_cells_tell_nothing():
    jump, toggled = edges({2: 9, 9: 2})
    assert crossed_commands(jump[:6], toggled[:6]) == []
    few = toggled.copy()
    few[:, 3:] = 0.0
    assert crossed_commands(jump, few) == []
    assert crossed_commands(np.zeros((0, CELLS)), np.zeros((0, CELLS))) == []
    jump[np.random.default_rng(3).random(jump.shape) < 0.2] = np.nan
    assert sorted((c.told, c.acts_on) for c in crossed_commands(jump, toggled)) == [(2, 9), (9, 2)]
