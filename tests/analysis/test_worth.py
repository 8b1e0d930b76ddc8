"""What a string is worth: against a textbook's algebra, brute force, and intervals on planted strings."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.reference import pack_charge
from bmslogs.analysis.worth import FLOOR, string_worth

SURE = np.tile(np.diag([1e-12, 1e-10]), (4, 1, 1))
NOTHING = np.zeros(3)
MODULE = np.array([0, 0, 1, 1])


def worth(soc, capacity, cover=SURE, common=NOTHING, module=MODULE):
    return string_worth(np.array(soc, float), np.array(capacity, float), cover, common, module)


def test_a_sure_string_by_hand():
    """Jiang and Zhang, chapter 6: 100 Ah at 75 % in series with 90 Ah at 50 % give 45 + 25 Ah, 90 when balanced.

    Replaced is a module, its cells then at the median: 90 goes to the median of 100, 90, 96, 97 = 96.5.
    """
    found = worth([0.75, 0.50, 0.7, 0.7], [100, 90, 96, 97])
    for key, true in (("usable_charge", 70.0), ("gain_by_balancing", 20.0), ("gain_by_replacing", 6.0)):
        assert_allclose(found[key].value, true, atol=0.01)
        # no interval is narrower than the least share of the capacity
        assert found[key].high - found[key].value == pytest.approx(FLOOR * 96.5, rel=0.05)
        assert found[key].low <= true <= found[key].high


def test_a_module_is_replaced_whole():
    """Both weak cells in one module: the next weakest decides; each in its own: hardly anything is won (by hand)."""
    together = worth([0.5] * 4, [80, 81, 99, 100])["gain_by_replacing"].value
    apart = worth([0.5] * 4, [80, 99, 81, 100])["gain_by_replacing"].value
    assert_allclose([together, apart], [10.0, 1.0], atol=0.01)  # to the median of 90, and to 81


def test_amounts_are_those_of_the_textbook_for_any_string():
    rng = np.random.default_rng(1)
    for _ in range(20):
        soc, capacity = rng.uniform(0.2, 0.8, 4), rng.uniform(80, 100, 4)
        found, book = worth(soc, capacity), pack_charge(capacity, soc)
        assert_allclose(found["usable_charge"].value, book.usable, atol=0.02)
        assert_allclose(found["gain_by_balancing"].value, book.gain_by_balancing, atol=0.02)


def test_the_order_of_cells_and_the_unit_of_charge_are_free():
    soc, capacity = np.array([0.4, 0.5, 0.6, 0.45]), np.array([95.0, 88.0, 99.0, 100.0])
    turn = np.array([2, 0, 3, 1])
    one, two = worth(soc, capacity), worth(soc[turn], capacity[turn], module=MODULE[turn])
    milli = worth(soc, 1e3 * capacity, SURE * [[1.0, 1e3], [1e3, 1e6]])
    for key, value in one.items():
        assert two[key].value == pytest.approx(value.value, abs=1e-3)
        assert milli[key].value == pytest.approx(1e3 * value.value, abs=1.0)


@pytest.mark.parametrize("lack", [5.0, 20.0, 50.0, 90.0])
def test_a_worse_cell_leaves_less_and_its_replacement_wins_more(lack):
    better, worse = (
        worth([0.5] * 4, [100, 100 - 0.9 * lack, 100, 100]),
        worth([0.5] * 4, [100, 100 - lack, 100, 100]),
    )
    assert worse["usable_charge"].value < better["usable_charge"].value
    assert worse["gain_by_replacing"].value > better["gain_by_replacing"].value


@pytest.mark.parametrize("sd", [0.002, 0.01])
def test_intervals_hold_the_truth_of_planted_strings(sd):
    """The least of many uncertain cells reads too low: estimates drawn about true strings of twelve cells."""
    rng = np.random.default_rng(2)
    cover = np.tile(np.diag([sd**2, (100 * sd) ** 2]), (12, 1, 1))
    module = np.arange(12) // 4
    holds, away = [], []
    for _ in range(60):
        soc, capacity = 0.5 + 0.01 * rng.standard_normal(12), 100 + rng.standard_normal(12)
        true = pack_charge(capacity, soc).usable
        found = string_worth(
            soc + sd * rng.standard_normal(12),
            capacity + 100 * sd * rng.standard_normal(12),
            cover,
            NOTHING,
            module,
        )["usable_charge"]
        holds.append(found.low <= true <= found.high)
        away.append(found.value - true)
    assert np.mean(holds) >= 0.88
    assert abs(np.mean(away)) < 1.2 * 100 * sd / np.sqrt(2)


def test_what_all_cells_share_widens_and_moves_nothing():
    """2 % of the capacity, one sd: +-3.9 % of the usable charge at least (by hand)."""
    alone, shared = (
        worth([0.5] * 4, [100] * 4),
        worth([0.5] * 4, [100] * 4, common=np.array([0.0, 0.02, 0.0])),
    )
    gain = worth([0.5] * 4, [100] * 4, common=np.array([0.0, 0.0, 0.02]))
    for wide in (shared, gain):
        assert wide["usable_charge"].high - wide["usable_charge"].low == pytest.approx(
            2 * 1.96 * 2.0, rel=0.1
        )
        assert wide["usable_charge"].value == pytest.approx(alone["usable_charge"].value, abs=0.2)


def test_no_amount_is_less_than_nothing():
    found = worth([0.0, 0.0, 0.5, 1.0], [50, 100, 100, 100], np.tile(np.diag([1e-2, 25.0]), (4, 1, 1)))
    for one in found.values():
        assert 0.0 <= one.low <= one.value <= one.high


def test_a_string_of_one():
    found = string_worth(np.array([0.3]), np.array([60.0]), SURE[:1], NOTHING, np.array([0]))
    assert_allclose([found[k].value for k in ("usable_charge", "gain_by_balancing", "gain_by_replacing")],
                    [60.0, 0.0, 0.0], atol=0.01)  # fmt: skip
