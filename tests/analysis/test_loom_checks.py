"""Single checks of a loom before the contactors close, each by hand on readings at rest."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.analysis.loom_checks import (
    against_order,
    against_total,
    cells_named,
    count,
    mirror_pairs,
    sensors,
    single_cells,
    swapped_taps,
    window,
)
from bmslogs.base.pack import Limits, Pack, TemperatureSensor


def pack(cells=6, chemistry="NMC", **limits):
    return Pack(
        id="wren",
        vehicle="Wren",
        chemistry=chemistry,
        nominal_capacity_Ah=50.0,
        cells_in_series=cells,
        limits=Limits(**limits),
        temperature_sensors=(
            TemperatureSensor(name="front", cells=[1]),
            TemperatureSensor(name="rear", cells=[3]),
        ),
    )


GOOD = np.array([3.700, 3.701, 3.699, 3.702, 3.700, 3.698])


def kinds(objections):
    return [(o.kind, o.cells) for o in objections]


def test_good_readings_meet_no_objection():
    assert count(GOOD, pack()) == swapped_taps(GOOD) == mirror_pairs(GOOD, set()) == []
    assert single_cells(GOOD, 2.5, 4.2, set()) == []
    assert against_total(GOOD, 22.2) == against_order(GOOD, GOOD + 0.009) == []


@pytest.mark.parametrize(
    ("chemistry", "limits", "expected"),
    [
        ("NMC", {}, (2.5, 4.2)),
        ("LFP", {}, (2.5, 3.65)),
        ("NMC", {"voltage_min_V": 3.0}, (3.0, 4.2)),
        ("LFP", {"voltage_min_V": 2.8, "voltage_max_V": 3.6}, (2.8, 3.6)),
    ],
)
def test_the_pack_file_s_window_comes_first(chemistry, limits, expected):
    assert window(pack(chemistry=chemistry, **limits)) == expected


def test_counts_holes_and_readings_to_the_digit_alike():
    five = GOOD[:5].copy()
    five[2] = np.nan
    assert kinds(count(five, pack())) == [("count", ()), ("missing", (3,))]
    assert kinds(count(np.full(6, 3.7), pack())) == [("alike", ())]
    assert count(np.full(3, 3.7), pack(cells=3)) == []  # three may be alike by chance


@pytest.mark.parametrize("at", range(6))
def test_taps_changed_over_anywhere_in_the_string(at):
    """Kirchhoff: the cell between reads backwards, its neighbours a cell more; at an end one neighbour alone."""
    v = GOOD.copy()
    v[at] = -GOOD[at]
    for beside in (at - 1, at + 1):
        if 0 <= beside < 6:
            v[beside] += GOOD[at]
    cells = tuple(c + 1 for c in (at - 1, at, at + 1) if 0 <= c < 6)
    assert kinds(swapped_taps(v)) == [("swapped_taps", cells)]
    clipped = np.clip(v, 0.0, 5.0)
    assert kinds(swapped_taps(clipped)) == [("swapped_taps", cells)]


def test_one_cell_at_nought_beside_usual_ones_is_no_pair_of_taps():
    v = GOOD.copy()
    v[2] = 0.002
    assert swapped_taps(v) == []
    assert kinds(single_cells(v, 2.5, 4.2, set())) == [("nought", (3,))]
    assert single_cells(v, 2.5, 4.2, {3}) == []  # told before as something else


@pytest.mark.parametrize("apart", [0.031, 0.2, 1.5])
def test_a_wire_out_of_its_place_parts_two_neighbours_alike(apart):
    v = GOOD.copy()
    v[3] += apart
    v[4] -= apart
    assert kinds(mirror_pairs(v, set())) == [("mirror_pair", (4, 5))]
    assert mirror_pairs(v, {4}) == []


@pytest.mark.parametrize(("up", "down"), [(0.029, 0.029), (0.2, 0.1), (0.2, -0.2)])
def test_neighbours_that_part_by_little_unlike_or_the_same_way_are_no_pair(up, down):
    """30 mV at least, alike to a quarter of their mean (judgement); both up are two fuller cells."""
    v = GOOD.copy()
    v[3] += up
    v[4] -= down
    assert mirror_pairs(v, set()) == []


@pytest.mark.parametrize(
    ("volt", "kind"),
    [
        (4.19, "apart"),
        (4.21, "window"),
        (4.9, "window"),
        (65.5, "window"),
        (3.64, "apart"),
        (2.49, "window"),
        (0.099, "nought"),
        (-3.7, "nought"),
        (3.74, None),
        (np.nan, None),
    ],
)
def test_single_readings(volt, kind):
    v = GOOD.copy()
    v[1] = volt
    assert kinds(single_cells(v, 2.5, 4.2, set())) == ([(kind, (2,))] if kind else [])


@pytest.mark.parametrize("cells", [-2, -1, 1, 3])
def test_a_sum_that_is_whole_cells_off_says_how_many(cells):
    (one,) = against_total(GOOD, float(GOOD.sum()) + cells * 3.7)
    assert one.kind == "sum"
    assert (
        f"{abs(cells)} cell{'s' if abs(cells) > 1 else ''} too {'few' if cells > 0 else 'many'}" in one.reason
    )


def test_a_sum_within_what_meter_and_readings_err_is_none():
    """Six readings of 5 mV and half a per cent of 22.2 V: 0.141 V (by hand)."""
    total = float(GOOD.sum())
    assert against_total(GOOD, total + 0.140) == [] == against_total(GOOD, total - 0.140)
    (one,) = against_total(GOOD, total + 0.143)
    assert "cell" not in one.reason  # no whole cell is that
    assert len(against_total(np.full(6, np.nan), 22.2)) == 1


def test_the_meter_says_which_channel_reads_which_cell():
    meter = np.array([3.60, 3.65, 3.70, 3.75, 3.80, 3.85])
    turned = meter[[0, 2, 1, 3, 4, 5]]
    (one,) = against_order(turned, meter)
    assert one.cells == (2, 3)
    assert "channel 2 reads cell 3" in one.reason and "channel 3 reads cell 2" in one.reason
    off = meter.copy()
    off[4] += 0.3  # no order explains that
    (one,) = against_order(off, meter)
    assert one.cells == (5,) and "4.100 V shown, 3.800 V by meter" in one.reason
    (one,) = against_order(meter, meter[:4])
    assert "4 meter readings for 6 cells" in one.says
    holes = meter.copy()
    holes[1] = np.nan
    assert against_order(meter, holes) == []


@pytest.mark.parametrize(
    ("level", "ambient", "named"),
    [
        ([20.0, 20.5], None, []),
        ([20.0, 27.0], None, [("front",), ("rear",)]),
        ([20.0, 150.0], None, [("rear",)]),
        ([-40.0, 20.0], None, [("front",)]),
        ([20.0, np.nan], None, [("rear",)]),
        ([20.0, 20.5], 26.0, [()]),
        ([np.nan, np.nan], 26.0, [("front",), ("rear",)]),
    ],
)
def test_sensors_against_each_other_and_the_thermometer(level, ambient, named):
    found = sensors(np.array(level), ambient, pack())
    assert [o.sensors for o in found] == named
    assert not any("nan" in o.says for o in found)


def test_cells_in_words():
    assert cells_named([4]) == "cell 4"
    assert cells_named([1, 2]) == "cells 1, 2"
    assert cells_named(range(1, 12)) == "cells 1, 2, 3, 4, 5, 6, 7, 8 ..."
