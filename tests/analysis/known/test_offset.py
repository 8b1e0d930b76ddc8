"""Charge offsets: half widths by hand, planted cells at rest, and what keeps a charge from being counted."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.known.offset import FirstRest, by_rest, by_split, counted_from_the_start
from bmslogs.analysis.ocv import OcvCurve, built_in
from tests.analysis.known.cells import cells, reading

STRAIGHT = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")


def test_offsets_by_the_split():
    """2 Ah of 100 Ah are 2 %; 0.05 Ah of error, 5 % of the value by the slope, 0.1 % by the curve (by hand)."""
    found = by_split(cells([0.0, 2.0, -1.0], 0.0, slope_error=0.05), reading(3), {"soc_low": 0.3})
    assert_allclose(found.value, [0.0, 0.02, -0.01])
    slope = 0.05 * np.array([0.0, 0.02, 0.01])
    assert_allclose(found.half, np.sqrt((1.96 * 5e-4) ** 2 + slope**2 + (1.96 * 1e-3) ** 2))
    assert found.conditions == {"soc_low": 0.3, "at": "start"}
    assert "the charge of a cell is told to +-0.22 % only" in found.why


def test_the_wider_error_counts():
    one = cells([0.0, 2.0], 0.0)
    wide = replace(one, blocks=replace(one.blocks, a=np.full(2, 0.5**2)))
    assert_allclose(by_split(wide, reading(2), {}).half, 1.96 * np.hypot(0.005, 0.001))


@pytest.mark.parametrize(
    ("hours", "settled_V"), [(0.5, 0.001), (5.0, 0.0005), (24.0, 0.00025), (200.0, 0.00025)]
)
def test_offsets_by_a_rest(hours, settled_V):
    """On 1 V per charge a millivolt is 0.1 %: channels 0.5 mV, readings 0.1 mV, settling as told (by hand)."""
    rest = FirstRest(np.array([3.5, 3.5, 3.51]), np.zeros(3), hours)
    found = by_rest(rest, STRAIGHT, 1e-4, reading(3))
    assert_allclose(found.value, [0.0, 0.0, 0.01], atol=1e-12)
    volts = np.sqrt(1e-4**2 + settled_V**2 + 5e-4**2)
    own = np.sqrt((1.96 * volts) ** 2 + (0.1 * np.array([0.0, 0.0, 0.01])) ** 2 + (1.96 * 1e-3) ** 2)
    assert_allclose(found.half, own, rtol=1e-9)
    assert found.conditions == {"at": "start", "from": "rest voltage", "soc_low": 0.5, "soc_high": 0.5}
    assert found.why.startswith("the open-circuit voltage moved 0 mV")


def test_planted_offsets_are_found_at_rest():
    """Planted: 12 NMC cells at 60 %, scattered by 0.3 %, one 3 % emptier; channels read apart by 0.5 mV."""
    rng = np.random.default_rng(5)
    off = rng.normal(0, 0.003, 12)
    off[7] = -0.03
    curve = built_in("NMC")
    rest = FirstRest(curve.voltage(0.60 + off) + rng.normal(0, 5e-4, 12), np.zeros(12), 10.0)
    found = by_rest(rest, curve, 1e-4, reading(12))
    true = off - np.median(off)
    assert (np.abs(found.value - true) < found.half).all()
    assert abs(found.value[7]) - found.half[7] > 0.01


def test_on_the_flat_a_rest_tells_little():
    """A plateau's slope and hysteresis make the same readings ten times less sure and more than on NMC."""
    rests = {
        name: FirstRest(np.full(4, float(built_in(name).voltage(0.6))), np.zeros(4), 10.0)
        for name in ("NMC", "LFP")
    }
    half = {name: by_rest(rest, built_in(name), 1e-4, reading(4)).half[0] for name, rest in rests.items()}
    assert half["LFP"] > 10.0 * half["NMC"]


def test_charge_is_counted_from_the_start_where_nothing_happened_before():
    quiet, flags = np.ones(5, bool), np.zeros((5, 3), bool)
    assert counted_from_the_start(quiet, None) and counted_from_the_start(quiet, flags)
    flags[3, 1] = True
    assert not counted_from_the_start(quiet, flags)  # what was bled is not in the count
    quiet[4] = False
    assert not counted_from_the_start(quiet, None)
    assert counted_from_the_start(quiet[:0], flags[:0])
