"""Cell against joint: what growth and change of an excess say (figures from simulated strings)."""

import numpy as np
import pytest

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
