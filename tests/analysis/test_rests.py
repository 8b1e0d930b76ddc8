"""What a rest settles to, by planted relaxations, and rests that lie close together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bmslogs.analysis.rests import NONE, Anchors, merged, settled_level

T = np.arange(0.0, 1801.0, 5.0)


@pytest.mark.parametrize("size", [0.0, 0.003, 0.03, 0.1])
@pytest.mark.parametrize("charged", [1.0, -1.0])
def test_what_diffuses_and_what_dies_away_lie_within_the_width(size: float, charged: float) -> None:
    """After a load a cell climbs to 3.7 V, after a charge it falls to it: by 1/sqrt(t), and by an exponential."""
    diffuses = 3.7 + charged * size / np.sqrt(1.0 + T / 30.0)
    dies = 3.7 + charged * size * np.exp(-T / 300.0)
    for volt in (diffuses, dies):
        level, sd = settled_level(T, volt)
        assert abs(level - 3.7) < 1.96 * sd


def test_by_hand() -> None:
    """Flat: the level, as well as a reading is known. Still moving by 4 mV from a quarter to the end: half way on."""
    assert settled_level(T, np.full(len(T), 3.65)) == pytest.approx((3.65, 0.0005))
    early = T < 900.0
    level, sd = settled_level(T, np.where(early, 3.650, 3.654))
    assert level == pytest.approx(3.656)
    assert sd == pytest.approx(np.hypot(0.002, 0.0005))


def test_the_parts_of_a_rest_that_tell_of_it() -> None:
    """The fifth part to three tenths, and the last tenth; when the clock began, and what it read before, is nothing."""
    volt = np.full(len(T), 3.9)
    volt[(T >= 360.0) & (T <= 540.0)] = 3.650
    volt[T >= 1620.0] = 3.654
    for begun in (0.0, 50_000.0):
        assert settled_level(T + begun, volt) == pytest.approx((3.656, np.hypot(0.002, 0.0005)))


def test_a_larger_relaxation_is_surer_by_no_means() -> None:
    widths = [settled_level(T, 3.7 - size * np.exp(-T / 900.0))[1] for size in (0.0, 0.01, 0.1, 1.0)]
    assert widths == sorted(widths) and widths[-1] > 10 * widths[0]


def anchors(charge: list[float], sd: list[float]) -> Anchors:
    at = np.array(charge)
    return Anchors(at, 4.0 - 0.01 * at, np.array(sd))


def test_of_rests_close_together_the_surest_stands() -> None:
    found = merged(anchors([0.0, 1.0, 40.0], [0.002, 0.001, 0.005]), 3.0)
    assert found.charge.tolist() == [1.0, 40.0]
    assert_allclose(found.volt, [3.99, 3.6])
    assert found.sd.tolist() == [0.001, 0.005]
    assert len(merged(NONE, 3.0).charge) == 0


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-100, 100), st.floats(1e-4, 1e-2)), max_size=12, unique_by=lambda one: one[0]
    ),
    st.floats(0.1, 50.0),
)
def test_no_two_that_are_kept_lie_closer_and_none_is_lost_without_a_surer_one(
    pairs: list[tuple[float, float]], within: float
) -> None:
    given_ = anchors([q for q, _ in pairs], [sd for _, sd in pairs])
    kept = merged(given_, within)
    assert np.all(np.diff(kept.charge) >= within)
    for q, sd in pairs:
        near = np.abs(kept.charge - q) < within
        assert q in kept.charge.tolist() or kept.sd[near].min(initial=np.inf) <= sd
