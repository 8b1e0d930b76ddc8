"""Open-circuit curves: the published functions that the tables were made from, and the algebra of a line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from bmslogs.analysis.ocv import OcvCurve, built_in, curve_of
from bmslogs.base.pack import Pack

LINE = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.2]), False, "a line of 1.2 V")


@pytest.mark.parametrize(
    ("chemistry", "soc", "volt"),
    [
        # Chen et al. 2020 and Prada et al. 2013 as PyBaMM 26.10 works them out, to 2 mV
        ("NMC", [0.0, 0.2, 0.5, 0.8, 1.0], [2.5, 3.4852, 3.7509, 4.0421, 4.2]),
        ("LFP", [0.2, 0.5, 0.8, 0.9, 1.0], [3.1685, 3.2660, 3.3097, 3.3142, 3.6]),
    ],
)
def test_the_built_in_tables_are_the_published_curves(chemistry, soc, volt):
    assert_allclose(built_in(chemistry).voltage(soc), volt, atol=0.002)


@pytest.mark.parametrize(
    ("soc", "per_percent_mV"), [(0.4, 2.9), (0.5, 0.49), (0.6, 0.19), (0.75, 5.1), (0.98, 37.0)]
)
def test_the_slopes_of_the_flat_curve(soc, per_percent_mV):
    """Prada 2013 by PyBaMM, mV for each per cent: a step near 75 %, hardly any slope on either side, the knee."""
    assert float(built_in("LFP").slope(soc, 0.001)) * 10 == pytest.approx(per_percent_mV, rel=0.1, abs=0.02)


def test_the_algebra_of_a_line():
    """3.0 V + 1.2 V z by hand: value, place, slope, and beyond its ends."""
    assert_allclose(LINE.voltage([0.0, 0.25, 1.0]), [3.0, 3.3, 4.2])
    assert_allclose(LINE.inverse([3.0, 3.3, 4.2]), [0.0, 0.25, 1.0])
    assert_allclose(LINE.slope([0.0, 0.5, 1.0]), 1.2)
    assert_allclose(LINE.beyond([-0.1, 0.5, 1.2]), [2.88, 3.6, 4.44])
    assert_allclose(LINE.voltage([-0.1, 1.2]), [3.0, 4.2])  # held
    assert_allclose(LINE.inverse([2.0, 5.0]), [0.0, 1.0])
    assert np.isnan(LINE.inverse([np.nan])).all()


@settings(max_examples=50, deadline=None)
@given(st.sampled_from(["NMC", "LFP"]), st.floats(0.0, 1.0))
def test_a_place_comes_back_from_its_voltage(chemistry, soc):
    curve = built_in(chemistry)
    assert float(curve.inverse(curve.voltage(soc))) == pytest.approx(soc, abs=1e-6)
    assert float(curve.beyond(soc)) == pytest.approx(float(curve.voltage(soc)))
    assert float(curve.slope(soc)) > 0.0


def test_hysteresis_takes_the_least_slope_about_and_a_climbing_curve_its_own():
    flat, climbing = built_in("LFP"), built_in("NMC")
    # at 68 % the step begins: the flat at 60 %, of 0.19 mV for each per cent (as above), lies within 12 mV below
    assert flat.least_slope(0.68) == pytest.approx(0.019, rel=0.1)
    assert float(flat.slope(0.68)) > 2 * flat.least_slope(0.68)
    assert climbing.least_slope(0.5) == float(climbing.slope(0.5))
    for soc in np.linspace(0.1, 0.9, 17):  # near the ends the table's own points are further apart
        assert flat.least_slope(float(soc)) <= 1.01 * float(flat.slope(soc))


def pack(**more):
    return Pack(
        id="wren", vehicle="Wren", chemistry="NMC", nominal_capacity_Ah=50.0, cells_in_series=4, **more
    )


def test_a_pack_s_own_table_stands_and_is_flat_by_what_it_climbs_in_the_middle():
    """0.1 V from 20 to 80 % is a plateau, whatever the ends do; 0.6 V is none (by hand)."""
    assert curve_of(pack()) is built_in("NMC") and not curve_of(pack()).own
    soc = np.linspace(0, 1, 11)
    ends = np.where(soc < 0.2, 2.9, np.where(soc > 0.8, 3.5, 3.2)) + 0.1 * soc
    flat = curve_of(pack(ocv=tuple(zip(soc.tolist(), ends.tolist())), ocv_table="own.csv"))
    steep = curve_of(pack(ocv=tuple(zip(soc.tolist(), (3.2 + soc).tolist())), ocv_table="own.csv"))
    assert (flat.flat, steep.flat) == (True, False)
    assert flat.own and "own.csv" in flat.source
    # a table of its ends alone is told by all of it
    assert not curve_of(pack(ocv=((0.0, 3.0), (1.0, 4.2)), ocv_table="own.csv")).flat
