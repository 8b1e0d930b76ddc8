"""What commands took against the resistor of the pack file, from Ohm's law, and what looks like it."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.bleed import BleedEffect
from bmslogs.analysis.models.fitted_resistor import resistor_contradicted, taken_by_commands

EVERY = np.ones(12, bool)


def rest(
    fitted_ohm: float, said_ohm: float = 100.0, bled: tuple[int, ...] = (2, 7, 9), level: float = 0.0
) -> BleedEffect:
    """Return 34 h at 4.0 V: I = U / R takes 4.0 / R * 34 Ah, by the fitted resistor and by the one that is said."""
    commanded, lost = np.zeros(12), np.full(12, level)
    commanded[list(bled)] = 4.0 / said_ohm * 34.0
    lost[list(bled)] += 4.0 / fitted_ohm * 34.0
    return BleedEffect(commanded, lost, 0.05 + 0.3 * np.abs(lost), 34.0, commanded * 0.02)


@pytest.mark.parametrize("fitted", [10.0, 20.0, 33.0, 50.0, 250.0, 400.0])
@pytest.mark.parametrize("level", [0.0, -0.4])
def test_another_resistor_is_told_with_its_size(fitted: float, level: float) -> None:
    """100 ohm are said: the factor is 100 / fitted, whatever level the voltages leave open."""
    taken = taken_by_commands(rest(fitted, level=level), EVERY)
    assert taken is not None and taken.factor == pytest.approx(100.0 / fitted, rel=1e-9)
    assert list(np.flatnonzero(taken.cells)) == [2, 7, 9]
    told = resistor_contradicted(taken, 100.0)
    assert told is not None and told.line == "bleed_resistor_ohm = 100" and not told.curve
    low, high = (float(x) for x in told.found.partition("which is ")[2].removesuffix(" ohm").split(" to "))
    assert low <= fitted * 1.05 and fitted * 0.95 <= high


@pytest.mark.parametrize("fitted", [68.0, 100.0, 150.0])
def test_what_a_steeper_curve_explains_is_no_contradiction(fitted: float) -> None:
    assert resistor_contradicted(taken_by_commands(rest(fitted), EVERY), 100.0) is None


def test_one_cell_is_that_cells_own_fault() -> None:
    assert taken_by_commands(rest(20.0, bled=(3,)), EVERY) is None
    assert (
        taken_by_commands(rest(20.0, bled=tuple(range(11))), EVERY) is None
    )  # one is left alone: against what?


def test_cells_that_part_tell_no_resistor_together() -> None:
    found = rest(100.0)
    found.lost[[2, 7]] = 0.0, 2.7  # a dead bleeder and a cell that leaks
    assert taken_by_commands(found, EVERY) is None


def test_bleeding_that_does_not_work_is_no_resistor() -> None:
    assert taken_by_commands(rest(5000.0), EVERY) is None
    assert (
        taken_by_commands(BleedEffect(np.zeros(12), np.zeros(12), np.ones(12), 5.0, np.zeros(12)), EVERY)
        is None
    )


def test_a_dead_bleeder_among_many_hides_no_other_resistor() -> None:
    found = rest(20.0, bled=(0, 2, 4, 7, 9))
    found.lost[4] = 0.0
    taken = taken_by_commands(found, EVERY)
    assert taken is not None and taken.factor == pytest.approx(5.0) and not taken.cells[4]
