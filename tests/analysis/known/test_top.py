"""Charge to full: by hand on a straight curve, a planted string, and where the end of a charge was not counted."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.known.charge_end import ChargeEnd, sample_at_end
from bmslogs.analysis.known.full import where_full_is
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.top import charge_to_full
from bmslogs.analysis.ocv import OcvCurve
from tests.analysis.known.cells import cells, reading

OWN = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "by hand")
PLACE = Alignment(0.5, 0.0, 100.0, 0.0, 0.5, 0.0, np.zeros((2, 2)))
"""At the first row the median cell of 100 Ah is half full."""


def ended(taken_Ah, number, bled=0.0, below=False):
    return ChargeEnd(-taken_Ah, np.full(number, bled), 3.95, np.full(number, below))


def told(end, places, place=PLACE, curve=OWN):
    return charge_to_full(end, places, place, curve, 100.0, reading(len(places.a)), {})


def test_what_each_cell_lacks_by_hand():
    """45 Ah into half of 100 Ah: 5 Ah are missing, 3 Ah where a cell was 2 Ah fuller; the last needs no bleeding."""
    found = told(ended(45.0, 4), cells([0.0, 2.0, 0.0, 0.0], 0.0))
    assert_allclose(found.missing, [5.0, 3.0, 5.0, 5.0])
    assert_allclose(found.needed, [0.0, 2.0, 0.0, 0.0], atol=1e-12)
    assert found.conditions == {"full": "own", "soc_at_end": 0.97}
    assert (found.end_volts, found.most) == (3.95, 2.0)


def test_what_was_bled_is_missing_as_well():
    one = ended(45.0, 3)
    found = told(replace(one, bled=np.array([0.0, 0.5, 0.0])), cells([0.0, 0.0, 0.0], 0.0))
    assert_allclose(found.missing, [5.0, 5.5, 5.0])


def test_half_widths_by_hand():
    """0.05 Ah of each cell (and of the leading one for those behind it), 0.06 Ah of full, 8 % of the way behind."""
    found = told(ended(45.0, 4), cells([0.0, 2.0, 0.0, 0.0], 0.0, sd_b=0.0))
    behind = np.hypot(1.96 * np.sqrt(2 * 0.05**2 + 0.06**2), 0.08 * 2.0)
    leading = 1.96 * np.hypot(0.05, 0.06)
    assert_allclose(found.half_missing, [behind, leading, behind, behind])
    bled = np.hypot(1.96 * 0.05 * np.sqrt(2.0), 0.08 * 2.0)
    assert_allclose(found.half_needed, [1.96 * 0.05, bled, 1.96 * 0.05, 1.96 * 0.05])


def test_a_charge_that_ends_early_is_told_to_the_leading_cell():
    """40 Ah: the leading cell stands at 92 %, so what lies between it and full is not reckoned."""
    found = told(ended(40.0, 3), cells([0.0, 2.0, 0.0], 0.0))
    assert_allclose(found.missing, [2.0, 0.0, 2.0], atol=1e-12)
    assert found.conditions["full"] == "leading_cell"


@pytest.mark.parametrize(
    ("own", "flat", "sd_Ah"),
    [
        (True, False, 0.06),
        (True, True, 0.06),
        (False, True, 0.6),
        (False, False, np.hypot(0.8, 0.3 * 0.04 * 100)),
    ],
)
def test_how_well_full_is_told(own, flat, sd_Ah):
    """Judgement, of 100 Ah at 96 %: 0.06 %, 0.6 % of a flat book, 0.8 % and 30 % of the way of a climbing one."""
    curve = replace(OWN, own=own, flat=flat)
    full = where_full_is(-46.0, 0.0, PLACE, curve, 100.0, False)
    assert full.by == "own"
    assert_allclose([full.at, full.sd], [-50.0, sd_Ah])
    assert where_full_is(-46.0, 0.3, PLACE, curve, 100.0, True) == replace(
        full, at=-46.0, sd=0.3, by="leading_cell"
    )


def test_cells_on_the_flat_hide_how_far_they_are_behind():
    """One of four below the knee: 1.5 % of 100 Ah join its width, and all widths of bleeding (by hand)."""
    places = cells(np.zeros(4), 0.0)
    sharp = told(ended(47.0, 4), places)
    end = replace(ended(47.0, 4), below_knee=np.array([False, False, True, False]))
    blurred = told(end, places)
    assert_allclose(blurred.half_missing[2], np.hypot(sharp.half_missing[2], 1.96 * 1.5))
    assert_allclose(blurred.half_missing[0], sharp.half_missing[0])
    assert_allclose(blurred.half_needed, np.hypot(sharp.half_needed, 1.96 * 1.5))


def test_a_planted_string_is_found():
    """Planted: a lot of 1 % spread, offsets of 0.5 Ah, read to 0.05 Ah and 0.1 %; 47 Ah taken from half full.

    All 14 are held to 2.5 standard deviations, where one of them would miss 1.96 in every other draw.
    """
    rng = np.random.default_rng(12)
    small, off = rng.normal(0, 0.01, 14), rng.normal(0, 0.5, 14)
    off[6] += 2.0
    small, off = small - np.median(small), off - np.median(off)
    lacks = (50.0 - 47.0 * (1.0 + small) - off) / (1.0 + small)
    read = cells(off + rng.normal(0, 0.05, 14), small + rng.normal(0, 0.001, 14))
    found = told(ended(47.0, 14), read)
    assert (np.abs(found.missing - lacks) < 1.3 * found.half_missing).all()
    assert int(np.argmin(found.missing)) == 6 and found.needed[6] - found.half_needed[6] > 1.0


def test_a_charge_beyond_what_was_counted_is_not_told():
    rows = np.arange(100, 500, 4)
    assert sample_at_end(100, rows) == 0
    assert sample_at_end(303, rows) == 50  # the sample before
    assert sample_at_end(497, rows) == 99
    for last in (99, 498):
        found = sample_at_end(last, rows)
        assert isinstance(found, Refusal) and "was not recorded" in found.why
