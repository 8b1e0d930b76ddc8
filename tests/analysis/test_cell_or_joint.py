"""Cell against joint: what growth and change of an excess say (figures from simulated strings)."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.analysis.models.cell_or_joint import change_log_odds, weigh

NOT_KNOWN = (np.nan, np.nan)


@pytest.mark.parametrize(
    ("growth", "change", "warmth", "verdict"),
    [
        ((0.95, 0.15), NOT_KNOWN, NOT_KNOWN, "cell"),  # grows with time
        ((0.00, 0.10), (0.0, 0.1), (0.6, 0.3), "joint"),  # ohms that stay while the string's fall
        (
            (0.00, 0.10),
            (8.0, 0.3),
            (2.6, 0.6),
            "cell",
        ),  # slow kinetics: falls with the load far more than the string
        ((-0.05, 0.10), (0.05, 0.1), (3.9, 0.3), "cell"),  # a film: falls with warmth, not with the load
        ((0.00, 0.10), NOT_KNOWN, NOT_KNOWN, "either"),  # growth alone does not tell
        (NOT_KNOWN, NOT_KNOWN, NOT_KNOWN, "either"),
    ],
)
def test_what_the_shares_say(growth, change, warmth, verdict):
    assert weigh(growth, change, warmth, True, True, 0.3) == verdict


def test_no_joint_where_no_link_is():
    for link, described in ((False, True), (False, False)):
        assert weigh((0.0, 0.1), (0.0, 0.1), (0.5, 0.3), link, described, 5.0) != "joint"


def test_an_excess_beyond_any_cell_s_is_a_joint():
    assert weigh((0.0, 0.05), NOT_KNOWN, NOT_KNOWN, True, True, 3.0) == "joint"


def test_a_wide_share_says_nothing():
    assert abs(change_log_odds(0.0, 30.0)) < 0.2


@pytest.mark.parametrize(
    ("share", "half", "odds"),
    [
        # by hand, exact shares: 0.5 ((x - 1.8)^2 / 0.25 - (x - 0.5)^2 / 0.16) + ln(0.5 / 0.4)
        (0.5, 0.0, 3.38 + 0.22314),
        (1.8, 0.0, -5.28125 + 0.22314),
        (0.0, 0.0, 6.48 - 0.78125 + 0.22314),
    ],
)
def test_odds_of_a_change_by_hand(share, half, odds):
    assert change_log_odds(share, half) == pytest.approx(odds, abs=1e-4)


@pytest.mark.parametrize("unknown", [(np.nan, 0.1), (0.3, np.nan), (np.inf, 0.1), (0.3, np.inf)])
def test_what_is_not_known_weighs_nothing(unknown):
    assert change_log_odds(*unknown) == 0.0


def test_a_share_known_less_well_never_weighs_more():
    for share in (-1.0, 0.0, 0.5):
        odds = [change_log_odds(share, half) for half in (0.0, 0.2, 0.5, 1.0, 3.0)]
        assert odds == sorted(odds, reverse=True) and odds[-1] >= 0.0


@settings(max_examples=100, deadline=None)
@given(
    st.floats(-0.5, 1.5),
    st.floats(0.01, 1.0),
    st.floats(-1.0, 4.0),
    st.floats(0.05, 1.0),
    st.floats(0.0, 3.0),
)
def test_a_larger_excess_takes_no_verdict_back(growth, half, change, change_half, least):
    """A joint that is worse stays a joint, and a cell a cell: only what was open may be closed."""
    verdicts = [
        weigh((growth, half), (change, change_half), NOT_KNOWN, True, True, size)
        for size in (least, 2 * least, 1e6)
    ]
    for before, after in pairwise(verdicts):
        assert before in ("either", after)


def test_warmth_alone_never_makes_a_joint():
    """What falls with warmth speaks for a cell; what does not, speaks for neither: a film does not always."""
    assert weigh((0.0, 0.1), NOT_KNOWN, (0.0, 0.05), True, True, 0.3) == "either"
    assert weigh((0.0, 0.1), (0.0, 0.1), (3.9, 0.2), True, True, 0.3) != "joint"
