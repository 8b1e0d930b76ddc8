"""Readings of known looms: each fault's pattern follows from Kirchhoff's voltage law, worked by hand beside it."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bmslogs.analysis.loom import NO_OBJECTION, LoomReadings, check_loom
from bmslogs.base.pack import parse_pack


def pack(cells: int, chemistry: str = "LFP"):
    return parse_pack(
        {
            "pack": {
                "id": "p",
                "vehicle": "Wren",
                "chemistry": chemistry,
                "nominal_capacity_Ah": 50.0,
                "cells_in_series": cells,
            }
        }
    )


def check(v, **more):
    v = np.asarray(v, dtype=float)
    return check_loom(LoomReadings(v, **more), pack(more.pop("cells", v.size)))


GOOD = [3.30, 3.31, 3.32, 3.33, 3.31, 3.30, 3.32, 3.31]


def kinds(report):
    return [o.kind for o in report.objections]


def test_good_readings_are_not_approved():
    report = check(
        GOOD, meter_total=26.50, meter_cell=np.array(GOOD) + 0.002, temperature=np.array([20.1, 20.4])
    )
    assert report.verdict == NO_OBJECTION and not report.not_checked
    assert check(GOOD).not_checked  # without a meter, sum and order stay open


def test_swapped_taps():
    # taps 1 and 2 of 3.30 3.31 3.32 3.33 changed over: 6.61, -3.31, 6.63, 3.33; the sum stays 13.26
    v = [6.61, -3.31, 6.63, 3.33, *GOOD[4:]]
    report = check(v, meter_total=sum(GOOD))
    assert kinds(report) == ["swapped_taps"]
    assert report.objections[0].cells == (1, 2, 3)
    clipped = check([5.0, 0.0, 5.0, 3.33, *GOOD[4:]])  # a monitor of 0 to 5 V
    assert kinds(clipped) == ["swapped_taps"]


def test_floating_tap():
    # the tap between cells 2 and 3 sits 0.5 V low: 3.30 2.81 3.82 3.33, sum unchanged
    report = check([3.30, 2.81, 3.82, 3.33, *GOOD[4:]], meter_total=sum(GOOD))
    assert kinds(report) == ["mirror_pair"] and report.objections[0].cells == (2, 3)


def test_sum_of_a_cell_left_out():
    report = check(GOOD, meter_total=sum(GOOD) + 3.31)
    assert kinds(report) == ["sum"] and "1 cell too few" in report.objections[0].reason


def test_count_missing_and_nought():
    report = check_loom(LoomReadings(np.array([*GOOD[:6], np.nan, 0.0])), pack(9))
    assert kinds(report) == ["count", "missing", "nought"]


def test_order_by_meter():
    meter = np.array([3.20, 3.25, 3.30, 3.35, 3.28, 3.23])
    shown = meter[[0, 2, 1, 3, 4, 5]]
    report = check(shown, meter_cell=meter)
    (order,) = [o for o in report.objections if o.kind == "order"]
    assert order.cells == (2, 3) and "channel 2 reads cell 3" in order.reason


def test_window_apart_sensors_bleed_and_current():
    report = check([2.30, 3.40, *GOOD[2:]])
    assert kinds(report) == ["window", "apart"] and "do not charge" in report.objections[0].next
    report = check(
        GOOD,
        temperature=np.array([20.0, 20.5, -50.0, 26.0]),
        ambient=20.0,
        bleed=np.array([False, True] + [False] * 6),
        current=4.0,
    )
    assert kinds(report) == ["sensor", "sensor", "bleed", "current"]
    assert kinds(check([3.3] * 8)) == ["alike"]


@given(st.lists(st.floats(-5, 10) | st.just(float("nan")), min_size=1, max_size=20))
def test_never_the_word_and_never_a_failure(v):
    report = check(v, meter_total=50.0, temperature=np.array([20.0, float("nan")]))
    words = " ".join(
        [report.verdict, *report.touch_test, *(o.says + o.reason + o.next for o in report.objections)]
    )
    assert "safe" not in words.lower()


def test_what_was_not_measured_is_said_and_what_was_is_checked():
    few = check(GOOD)
    assert few.checked == ("count", "window", "mirror pairs", "swapped taps")
    assert len(few.not_checked) == 3 and few.touch_test
    every = check(
        GOOD,
        meter_total=sum(GOOD),
        meter_cell=np.array(GOOD),
        temperature=np.array([20.0, 20.2]),
        ambient=20.0,
        bleed=np.zeros(8, bool),
        current=0.2,
    )
    assert every.not_checked == () and every.verdict == NO_OBJECTION
    assert {"sum against the meter", "order against the meter", "temperature sensors"} < set(every.checked)


def test_one_fault_meets_one_objection():
    """A mirror is no two cells apart, and readings that are spoilt by bleeding or a current say so."""
    v = np.array(GOOD)
    v[2] += 0.2
    v[3] -= 0.2
    found = check(v)
    assert kinds(found) == ["mirror_pair"]
    assert found.verdict == "1 objection: do not close the contactors"
    flags = np.arange(8) == 6
    spoilt = check(GOOD, bleed=flags, current=-3.0)
    assert kinds(spoilt) == ["bleed", "current"] and spoilt.objections[0].cells == (7,)
    assert spoilt.verdict == "2 objections: do not close the contactors"
