"""What rests say against the nominal capacity and the chemistry of a pack file: by the algebra of a line."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.models.pack_contradictions import capacity_by_curve, pack_contradictions, thinned
from bmslogs.analysis.ocv import OcvCurve, built_in
from bmslogs.analysis.rests import NONE, Anchors
from bmslogs.base.pack import Pack

LINE = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.2]), False, "1.2 V from empty to full")
CELLS = tuple(range(1, 7))


def pack(nominal=100.0, chemistry="NMC"):
    return Pack(
        id="wren", vehicle="Wren", chemistry=chemistry, nominal_capacity_Ah=nominal, cells_in_series=6
    )


def quiet_log(level=3.8, rows=200):
    """A log at rest that says nothing by itself."""
    volts = level + np.random.default_rng(1).normal(0, 4e-4, (rows, 6))
    return thinned(np.arange(rows) * 10.0, np.zeros(rows), np.zeros(rows), np.round(volts, 3), CELLS, 1e-3)


def two_rests(moved, fell, high=4.0, sd=0.002):
    return Anchors(np.array([0.0, moved]), np.array([high, high - fell]), np.full(2, sd))


def told(rests, nominal=100.0, curve=LINE, table_sd=0.005, chemistry="NMC"):
    found = pack_contradictions(
        quiet_log(3.3 if chemistry == "LFP" else 3.8),
        pack(nominal, chemistry),
        rests,
        curve,
        np.full(len(rests.charge), table_sd),
    )
    return [one.line.split(" =")[0] for one in found]


@pytest.mark.parametrize("moved", [20.0, 40.0, 60.0])
def test_the_capacity_that_two_rests_tell_by_hand(moved):
    """100 Ah fall by 1.2 V: the share moved times 1.2 V is right; half and twice of that are another pack's."""
    fell = 1.2 * moved / 100.0
    assert told(two_rests(moved, fell)) == []
    assert told(two_rests(moved, fell), nominal=200.0) == ["nominal_capacity_Ah"]
    assert told(two_rests(moved, fell), nominal=moved * 0.75 if moved > 50 else 50.0) == [
        "nominal_capacity_Ah"
    ]


def test_an_aged_and_a_fresh_pack_are_as_described():
    """75 to 125 % of the nominal capacity are a pack's own age (judgement)."""
    for share in (0.78, 1.2):
        assert told(two_rests(40.0, 1.2 * 0.4 / share)) == []


@pytest.mark.parametrize("factor", [2.0, 5.0, 50.0])
def test_a_pack_file_that_is_further_off_is_never_silent(factor):
    assert told(two_rests(40.0, 0.48), nominal=100.0 * factor) == (
        ["nominal_capacity_Ah"] if 8.0 * factor <= 40.0 else []
    )  # of too large a pack too little was moved to say so: 8 %
    assert told(two_rests(40.0, 0.48), nominal=max(100.0 / factor, 40.0)) == ["nominal_capacity_Ah"]


def test_how_far_the_table_may_be_off_is_part_of_the_answer():
    """40 Ah for 0.24 V: 200 Ah by the line; a table that may be off by 0.1 V at either rest tells nothing of it."""
    assert told(two_rests(40.0, 0.24)) == ["nominal_capacity_Ah"]
    assert told(two_rests(40.0, 0.24), table_sd=0.1) == []


def test_rests_at_the_ends_of_the_table_or_close_together_tell_nothing():
    assert told(two_rests(7.0, 0.01)) == []  # less than 8 % was moved
    assert told(two_rests(40.0, 0.3, high=4.25)) == []  # beyond the table nothing is known
    assert told(NONE) == []
    assert told(Anchors(np.array([0.0]), np.array([4.0]), np.array([0.002]))) == []


def test_the_ends_of_a_flat_curve_alone_tell_a_capacity():
    """From 3.40 V (95 % or more) to 3.20 V (25 % or less): 40 Ah are 70 % or more, 57 Ah at most (by hand)."""
    flat = built_in("LFP")
    down = Anchors(np.array([0.0, 40.0]), np.array([3.40, 3.20]), np.full(2, 0.002))
    assert told(down, nominal=50.0, curve=flat, chemistry="LFP") == []
    assert told(down, nominal=100.0, curve=flat, chemistry="LFP") == ["nominal_capacity_Ah"]
    middle = Anchors(np.array([0.0, 40.0]), np.array([3.31, 3.28]), np.full(2, 0.002))
    assert told(middle, nominal=100.0, curve=flat, chemistry="LFP") == []


def test_low_rests_that_lie_close_together_are_no_nmc():
    """0.1 V over a fifth of the charge at 3.35 V and below is right; 10 mV are a plateau's (published curves)."""
    low = Anchors(np.array([0.0, 20.0]), np.array([3.30, 3.29]), np.full(2, 0.002))
    assert told(low) == ["chemistry"]
    assert told(Anchors(low.charge, np.array([3.30, 3.14]), low.sd)) != ["chemistry"]
    assert told(low, chemistry="LFP", curve=built_in("LFP")) == []
    # given in another order they are the same rests
    assert told(Anchors(low.charge[::-1], low.volt[::-1], low.sd)) == ["chemistry"]


@pytest.mark.parametrize(
    ("capacity", "sd", "moved", "told_"),
    [(100.0, 5.0, 60.0, False), (40.0, 2.0, 30.0, True), (40.0, 15.0, 30.0, False), (40.0, 2.0, 15.0, False),
     (170.0, 5.0, 60.0, True), (170.0, 20.0, 60.0, False), (1700.0, 5.0, 60.0, True)],
)  # fmt: skip
def test_a_curve_laid_onto_the_table_by_hand(capacity, sd, moved, told_):
    """Of 100 Ah: 2.5 sd beyond 75 to 125 Ah, where 40 % of the smaller capacity was seen."""
    found = capacity_by_curve(capacity, sd, moved, 100.0)
    assert (found is not None) is told_
    if found is not None:
        assert found.line == "nominal_capacity_Ah = 100"
        assert f"{capacity - 2.5 * sd:.0f} to {capacity + 2.5 * sd:.0f} Ah" in found.found


def test_a_long_log_is_looked_at_in_few_rows():
    rows = 50_000
    few = thinned(np.arange(rows) * 1.0, None, None, np.full((rows, 6), 3.8), CELLS, 1e-3)
    assert 2000 <= len(few.seconds) <= 2100 and few.seconds[0] == 0.0
    assert np.ptp(np.diff(few.seconds)) == 0.0 and few.current is None
