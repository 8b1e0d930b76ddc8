"""The sense loom's signatures: worked examples by the algebra of a series string."""

import zlib
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.analysis import sensing
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Limits, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.accuracy import healthy
from tests.accuracy.adapter import build_log, build_pack

SECONDS = np.arange(1200.0)


def string(n=6, seed=1):
    rng = np.random.default_rng(seed)
    current = np.repeat(rng.normal(20.0, 60.0, 120), 10)
    volts = 3.7 - 1e-3 * current[:, None] * np.ones(n) + rng.normal(0, 5e-4, (1200, n))
    return np.round(volts, 3), current


def test_swapped_taps_of_the_worked_example():
    """Cells 3.30 3.31 3.32 3.33, taps 1 and 2 swapped: 6.61 -3.31 6.63 3.33 (by hand; the sum stays 13.26)."""
    read = np.tile([6.61, -3.31, 6.63, 3.33, 3.30, 3.31], (30, 1))
    found = sensing.swapped_taps(read)
    assert [f.columns for f in found] == [(0, 1, 2)]
    assert sensing.swapped_taps(np.tile([3.30, 3.31, 3.32, 3.33], (30, 1))) == []


def test_a_channel_that_stands_still_under_load_is_stuck():
    volts, _ = string()
    volts[300:, 2] = volts[300, 2]
    assert [f.columns for f in sensing.stuck_channels(volts, SECONDS, 0.001)] == [(2,)]


def test_a_cell_on_the_flat_is_not_stuck_while_the_others_climb_the_knee():
    """A steady charge: five cells climb 60 mV, one stays on the plateau within a step of 5 mV."""
    climb = np.linspace(0, 0.06, 1200)[:, None]
    volts = np.round((3.36 + climb * np.array([1, 1, 1, 1, 1, 0])) / 0.005) * 0.005
    steady = np.full(1200, -0.03)
    assert sensing.stuck_channels(volts, SECONDS, 0.005, steady) == []
    assert [f.columns for f in sensing.stuck_channels(volts, SECONDS, 0.005)] == [(5,)]


def test_a_stuck_channel_on_a_flat_curve_is_told_by_the_load():
    volts, current = string()
    volts[:, 4] = volts[0, 4]
    assert [f.columns for f in sensing.stuck_channels(volts, SECONDS, 0.001, 1e-3 * current)] == [(4,)]


@pytest.mark.parametrize(("deep", "told"), [(0.1, [(1, 2)]), (0.3, [(1, 2)]), (0.005, [])])
def test_a_floating_tap_of_four_cells_is_half_of_the_string(deep: float, told: list[tuple[int, ...]]):
    """Two of four wander: they are no measure of what is usual, and a shallow mirror is none (planted)."""
    volts, current = string()
    volts = volts[:, :4].copy()
    wander = deep * np.sin(SECONDS / 90.0)
    volts[:, 1] += wander
    volts[:, 2] -= wander
    explained = np.column_stack([np.ones(1200), current / 60.0])
    assert [f.columns for f in sensing.floating_taps(volts, explained, np.ones(4, bool), 0.001)] == told


def test_a_floating_tap_is_told_by_its_mirror():
    volts, current = string()
    wander = 0.02 * np.sin(SECONDS / 90.0)
    volts[:, 1] += wander
    volts[:, 2] -= wander
    explained = np.column_stack([np.ones(1200), current / 60.0])
    found = sensing.floating_taps(volts, explained, np.ones(6, bool), 0.001)
    assert [f.columns for f in found] == [(1, 2)]
    sound, _ = string(seed=5)
    assert sensing.floating_taps(sound, explained, np.ones(6, bool), 0.001) == []


def test_neighbours_that_part_where_the_curve_is_steep_are_no_floating_tap():
    """A healthy string of the benchmark, emptied: of two neighbours one holds more and one less than the others."""
    d = healthy.KINDS["span"][0]([zlib.crc32(b"span"), 2_500_000, 0])
    study = Study(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string)))
    away = study.readings.log.cell_voltage[-1] - np.median(study.readings.log.cell_voltage[-1])
    assert away[9] < -0.02 and away[10] > 0.02
    assert study.harness.faults == []


def clipped(volts, rows):
    """The same readings with taps 3 and 4 swapped over `rows`, by a converter that ends at 0 and 5 V."""
    read = volts.copy()
    read[rows, 2], read[rows, 3], read[rows, 4] = 5.0, -0.002, 5.0
    return read


def test_a_clipped_pair_of_swapped_taps_is_named_with_the_rows_in_which_it_is():
    volts, _ = string()
    (whole,) = sensing.swapped_taps(clipped(volts, slice(None)))
    assert (whole.kind, whole.columns, whole.share, whole.whole) == ("taps_swapped", (2, 3, 4), 1.0, False)
    (part,) = sensing.swapped_taps(clipped(volts, slice(200, 320)))
    assert part.share == 0.1
    assert part.rows.tolist() == list(range(200, 320))


def test_a_wire_that_is_off_leaves_one_cell_nothing_and_its_neighbour_two():
    volts, _ = string()
    volts[:, 2], volts[:, 3] = 0.001, 5.0
    assert [(f.kind, f.columns) for f in sensing.swapped_taps(volts)] == [("tap_open", (2, 3))]


def test_no_reading_that_no_cell_has_reaches_a_figure():
    """A pair swapped for a while costs those rows; for the whole log, those cells; a channel at nought is no cell."""
    volts, current = string()
    pack = Pack(
        id="wren",
        vehicle="Wren",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=6,
        limits=Limits(voltage_min_V=2.8, voltage_max_V=4.2),
    )
    time = np.datetime64("2026-06-01T06:00:00", "us") + np.arange(1200) * np.timedelta64(1, "s")
    made = Log(
        id="drive",
        time=time,
        current=current,
        cells=tuple(range(1, 7)),
        cell_voltage=volts,
        temperature=np.full((1200, 1), 20.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=0.001,
    )
    for rows, trusted in ((slice(200, 320), 6), (slice(None), 3)):
        study = Study(replace(made, cell_voltage=clipped(volts, rows)))
        assert study.harness.trusted.sum() == trusted
        assert np.isnan(study.readings.log.cell_voltage[rows][:, 2:5]).all()
        assert not np.isnan(study.readings.log.cell_voltage[:, [0, 1, 5]]).any()
        causes = {f.cause for f in diagnose(study.readings.source).findings if f.level == "act"}
        assert causes == {"taps_swapped"}
    dead = volts.copy()
    dead[:, 2] = np.random.default_rng(3).normal(0.002, 0.002, 1200)
    (found,) = [f for f in diagnose(replace(made, cell_voltage=dead)).findings if f.level == "act"]
    assert (found.cause, found.cells) == ("limit_exceeded", (3,))
    assert "no cell in service has" in found.says


def test_several_channels_that_never_moved_are_stuck_however_quiet_the_log():
    """A parked night: noise of 1 mV moves all channels but three of twelve (planted)."""
    volts = np.round(3.7 + np.random.default_rng(4).normal(0, 1e-3, (1200, 12)), 3)
    volts[:, [1, 5, 6]] = 3.701
    assert sorted(f.columns for f in sensing.stuck_channels(volts, SECONDS, 0.001)) == [(1,), (5,), (6,)]
    volts[:, :4] = 3.701  # half of them: a board that is read seldom, or a quiet one
    assert sensing.stuck_channels(volts, SECONDS, 0.001) == []


def test_a_channel_of_coarser_steps_is_not_stuck_for_standing_still():
    """Half of the channels read in steps of 5 mV: two of them stay within theirs, others toggle by one (planted)."""
    rng = np.random.default_rng(5)
    true = 3.7 + rng.normal(0, 1e-3, (1200, 24))
    volts = np.round(true, 3)
    volts[:, 12:] = np.round((true[:, 12:] + np.linspace(0.0018, 0.0028, 12)) / 0.005) * 0.005
    volts[:, [16, 17]] = 3.705
    assert sensing.stuck_channels(volts, SECONDS, 0.001) == []
    volts[:, 12:] = np.round(true[:, 12:], 3)
    volts[:, [16, 17]] = 3.705
    assert sorted(f.columns for f in sensing.stuck_channels(volts, SECONDS, 0.001)) == [(16,), (17,)]


@pytest.mark.parametrize("deep", [0.01, 0.05, 0.5, 3.0])
@pytest.mark.parametrize("at", [0, 3, 6])
def test_a_tap_that_floats_is_found_at_any_place_however_far_it_wanders(at: int, deep: float):
    volts, current = string(8)
    wander = deep * np.sin(SECONDS / 90.0)
    volts[:, at] += wander
    volts[:, at + 1] -= wander
    explained = np.column_stack([np.ones(1200), current / 60.0])
    (found,) = sensing.floating_taps(volts, explained, np.ones(8, bool), 0.001)
    assert found.columns == (at, at + 1)
    assert found.size_V == pytest.approx(deep, rel=0.1, abs=0.003)
    # read from the other end it is the same wire
    (turned,) = sensing.floating_taps(volts[:, ::-1], explained, np.ones(8, bool), 0.001)
    assert turned.columns == (6 - at, 7 - at)


@pytest.mark.parametrize("apart", [0.07, 0.3, 3.0])
def test_a_tap_that_stands_beside_its_place_is_found(apart: float):
    volts, current = string(8)
    volts[:, 2] += apart
    volts[:, 3] -= apart
    explained = np.column_stack([np.ones(1200), current / 60.0])
    (found,) = sensing.floating_taps(volts, explained, np.ones(8, bool), 0.001)
    assert found.columns == (2, 3) and "their sum is as usual" in found.evidence


def test_two_fuller_and_an_emptier_cell_by_itself_are_no_floating_tap():
    """Look-alikes: both up, or one down alone: no sum of two stays whole."""
    explained = np.column_stack([np.ones(1200), SECONDS / 1200.0])
    for up, down in ((0.1, 0.1), (0.0, -0.1), (0.12, -0.06)):
        volts, _ = string(8)
        volts[:, 2] += up
        volts[:, 3] += down
        assert sensing.floating_taps(volts, explained, np.ones(8, bool), 0.001) == []


@pytest.mark.parametrize("level", [3.7, 3.2, 4.6, 0.7])
def test_wherever_a_channel_stands_still_it_is_stuck(level: float):
    volts, current = string(8)
    volts[:, 3] = level
    (found,) = sensing.stuck_channels(volts, SECONDS, 0.001, 1e-3 * current)
    assert found.columns == (3,)


def test_half_a_minute_without_a_change_is_chance():
    volts, _ = string()
    volts[300:330, 2] = volts[300, 2]
    assert sensing.stuck_channels(volts, SECONDS, 0.001) == []


def test_load_and_charger_by_hand():
    """3 mV of drop, or three steps, must come and go to prove a channel; a taper to a third under the leading cell."""
    rows = np.arange(100)
    assert sensing.loaded(None, rows, 0.001)
    assert sensing.loaded(np.where(rows % 2, 0.004, 0.0), rows, 0.001)
    assert not sensing.loaded(np.where(rows % 2, 0.0025, 0.0), rows, 0.0005)
    assert not sensing.loaded(np.where(rows % 2, 0.01, 0.0), rows, 0.005)
    volts = np.full((100, 3), 4.1)
    volts[:, 1] = 4.2
    taper = -np.linspace(30.0, 10.0, 100)
    assert sensing.regulated(taper, volts, 1, rows)
    assert not sensing.regulated(taper, volts, 0, rows)  # another cell leads
    assert not sensing.regulated(np.full(100, -30.0), volts, 1, rows)  # nothing tapers
    assert not sensing.regulated(-taper, volts, 1, rows)  # a discharge
    assert not sensing.regulated(None, volts, 1, rows)
    assert not sensing.regulated(np.full(100, np.nan), volts, 1, rows)


@pytest.mark.parametrize("n", [3, 4, 8])
@pytest.mark.parametrize("at", [0, 1, 2])
def test_taps_changed_over_are_named_at_the_ends_too(at: int, n: int):
    """Kirchhoff: a cell backwards, those beside it with a cell more each."""
    volts = np.tile(3.7 + 0.001 * np.arange(n), (40, 1))
    own = volts[:, at].copy()
    volts[:, at] = -own
    for beside in (at - 1, at + 1):
        if 0 <= beside < n:
            volts[:, beside] += own
    (found,) = sensing.swapped_taps(volts)
    assert found.kind == "taps_swapped" and at in found.columns and found.share == 1.0
