"""What a cell lost while the logger slept: pauses between two rests, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.asleep import lost_asleep
from bmslogs.analysis.stretches import Stretch

CELLS, ROWS = 12, 100
RESTS = [Stretch("drive", 0, 9), Stretch("rest", 10, ROWS - 1), Stretch("rest", ROWS, 2 * ROWS - 1)]
ALL = np.ones(CELLS, bool)


def night(fell: dict[int, float], hours: float = 90.0, used_V: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Two rests of readings in millivolts, a pause between them; some cells fell meanwhile (planted)."""
    rng = np.random.default_rng(4)
    seconds = np.arange(2 * ROWS) * 5.0
    seconds[ROWS:] += hours * 3600.0
    volts = np.tile(3.8 + rng.normal(0, 0.001, CELLS), (2 * ROWS, 1))
    volts[ROWS:] -= used_V
    for cell, by in fell.items():
        volts[ROWS:, cell] -= by
    return seconds, np.round(volts + rng.normal(0, 0.0005, volts.shape), 3)


@pytest.mark.parametrize("by", [0.012, 0.05, 0.3])
def test_a_cell_that_fell_below_the_others_is_told(by: float):
    seconds, volts = night({3: by})
    found = lost_asleep(RESTS, seconds, volts, ALL, 0.001)
    assert found is not None
    assert list(np.flatnonzero(found.fallen)) == [3]
    assert abs(found.fell_V[3] - by) < 0.002
    assert abs(found.hours - 90.0) < 0.01


def test_a_cell_that_a_balancer_brought_level_is_no_leak():
    """It stood 20 mV above the others before and stands with them now."""
    seconds, volts = night({3: 0.0})
    volts[:ROWS, 3] += 0.02
    found = lost_asleep(RESTS, seconds, volts, ALL, 0.001)
    assert found is not None and not found.fallen.any()
    assert found.fell_V[3] > 0.015


@pytest.mark.parametrize(
    ("hours", "used_V", "rests"),
    [
        (5.0, 0.0, RESTS),  # shorter than a time parked
        (90.0, 0.02, RESTS),  # the string stands elsewhere: it was used
        (
            90.0,
            0.0,
            [Stretch("rest", 0, ROWS - 1), Stretch("drive", ROWS, 2 * ROWS - 1)],
        ),  # no rest behind it
        (90.0, 0.0, [Stretch("drive", 0, 94), Stretch("rest", 95, 99), RESTS[2]]),  # hardly a rest before it
    ],
)
def test_where_nothing_can_be_told(hours: float, used_V: float, rests: list[Stretch]):
    seconds, volts = night({3: 0.05}, hours, used_V)
    assert lost_asleep(rests, seconds, volts, ALL, 0.001) is None


@pytest.mark.parametrize("by", [0.009, 0.05, 0.5, 2.5])
def test_the_cell_that_fell_is_named_by_its_place_however_far(by: float):
    """Eight cells, ten minutes of rest on either side of ten hours; noise of 0.5 mV (planted)."""
    seconds = np.concatenate([np.arange(0, 601, 10.0), 36_600 + np.arange(0, 601, 10.0)])
    volts = np.round(3.7 + np.random.default_rng(3).normal(0, 5e-4, (122, 8)), 3)
    volts[61:, 6] -= by
    parts = [Stretch("rest", 0, 60), Stretch("rest", 61, 121)]
    found = lost_asleep(parts, seconds, volts, np.ones(8, bool), 1e-3)
    assert found is not None and np.flatnonzero(found.fallen).tolist() == [6]
    assert found.fell_V[6] == pytest.approx(by, abs=1e-3) and found.below_V[6] == pytest.approx(by, abs=2e-3)
    assert found.hours == pytest.approx(10.0, abs=0.01)
    turned = lost_asleep(parts, seconds, volts[:, ::-1], np.ones(8, bool), 1e-3)
    assert turned is not None and np.flatnonzero(turned.fallen).tolist() == [1]
    # one that is not believed, and one without readings, are never named
    some = np.arange(8) != 6
    assert not lost_asleep(parts, seconds, volts, some, 1e-3).fallen.any()
    volts[61:, 6] = np.nan
    assert not lost_asleep(parts, seconds, volts, np.ones(8, bool), 1e-3).fallen.any()


def test_a_cell_that_rose_against_the_others_lost_nothing():
    seconds = np.concatenate([np.arange(0, 601, 10.0), 36_600 + np.arange(0, 601, 10.0)])
    volts = np.round(3.7 + np.random.default_rng(3).normal(0, 5e-4, (122, 8)), 3)
    volts[61:, 2] += 0.05
    found = lost_asleep(
        [Stretch("rest", 0, 60), Stretch("rest", 61, 121)], seconds, volts, np.ones(8, bool), 1e-3
    )
    assert found is not None and not found.fallen.any()
