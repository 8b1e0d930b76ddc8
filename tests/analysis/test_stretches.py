"""What a pack was doing, on currents made by hand: rests, drives, charges, and the zero of the sensor."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.stretches import current_at_rest, kinds, smooth, still_levels, stretches

CAPACITY = 100.0


def day(*parts, zero=0.0, noise=0.1, seed=1):
    """Seconds and current [A] of parts (seconds, amperes): a pair drives between the two. Origin: planted."""
    rng = np.random.default_rng(seed)
    amps = []
    for length, level in parts:
        if np.ndim(level):
            low, high = level
            amps.append(rng.uniform(low, high, length // 15 + 1).repeat(15)[:length])
        else:
            amps.append(np.full(length, float(level)))
    current = np.concatenate(amps) + zero + rng.normal(0, noise, sum(len(a) for a in amps))
    return np.arange(float(len(current))), current


def parted(t, current):
    zero, quiet = current_at_rest(current, t, CAPACITY)
    return stretches(t, current - zero, quiet, np.zeros(len(t), np.int64))


def told(parts):
    return [(p.kind, p.first, p.last) for p in parts]


def test_a_day_in_its_parts():
    """Rest, drive with regeneration, rest, charge, rest: borders to within the window of 20 s."""
    t, current = day((600, 0), (1200, (-80, 200)), (600, 0), (1800, -30), (600, 0))
    found = parted(t, current)
    assert [p.kind for p in found] == ["rest", "drive", "rest", "charge", "rest"]
    assert_allclose([p.first for p in found], [0, 600, 1800, 2400, 4200], atol=20)
    assert kinds(found) == ["drive", "rest", "charge"]


def test_stretches_cover_every_row_once():
    t, current = day((300, 0), (700, (-100, 250)), (90, 0), (900, -40), (400, 0), (333, (10, 90)))
    found = parted(t, current)
    assert found[0].first == 0 and found[-1].last == len(t) - 1
    assert all(a.last + 1 == b.first for a, b in itertools.pairwise(found))


@pytest.mark.parametrize("zero", [-2.5, -0.4, 0.0, 0.7, 2.9])
def test_the_zero_of_the_sensor_comes_back(zero):
    """Planted off by up to 3 % of the capacity per hour: the reading where nothing flows, whatever it is."""
    t, current = day((900, 0), (1800, (-80, 200)), (900, 0), zero=zero)
    found, quiet = current_at_rest(current, t, CAPACITY)
    assert found == pytest.approx(zero, abs=0.05)
    assert quiet[100:800].all() and not quiet[950:2600].mean() > 0.05


@pytest.mark.parametrize("scale", [0.1, 1.0, 10.0])
def test_a_larger_pack_with_larger_currents_has_the_same_parts(scale):
    t, current = day((600, 0), (1200, (-80, 200)), (600, 0), (1800, -30))
    _, quiet = current_at_rest(scale * current, t, scale * CAPACITY)
    found = stretches(t, scale * current, quiet, np.zeros(len(t), np.int64))
    assert told(found) == told(parted(t, current))


def test_a_drive_that_never_rests_has_no_zero():
    """Look-alike: a drive passes through nought again and again, and stands there never."""
    t = np.arange(3600.0)
    current = 50.0 + 90 * np.sin(t / 11.0) + 60 * np.sin(t / 29.0 + 1.0)
    zero, quiet = current_at_rest(current, t, CAPACITY)
    assert zero == 0.0 and not quiet.any()
    assert [p.kind for p in parted(t, current)] == ["drive"]


def test_regeneration_downhill_is_no_charge_and_a_slow_charge_is():
    """Three minutes of braking at 40 A belong to the drive; an hour at 6 A is a charge (border: four minutes)."""
    t, current = day((600, 0), (600, (50, 200)), (180, -40), (600, (50, 200)), (600, 0))
    assert [p.kind for p in parted(t, current)] == ["rest", "drive", "rest"]
    t, current = day((600, 0), (3600, -6), (600, 0))
    assert [p.kind for p in parted(t, current)] == ["rest", "charge", "rest"]


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("amps", [-6.0, -30.0])
def test_a_noisy_sensor_makes_no_drive_beside_a_charge(noise, amps):
    """The search for rests ends a window early; what is left there of noise is no drive (look-alike)."""
    t, current = day((600, 0), (3600, amps), (600, 0), noise=min(noise, 0.02 * abs(amps)))
    found = parted(t, current)
    assert [p.kind for p in found] == ["rest", "charge", "rest"]
    # to half of the window of 20 s it begins and ends with its current: what idles beside it is of the rests
    assert abs(found[1].first - 600) <= 12 and abs(found[1].last - 4199) <= 12
    flows = np.abs(current[found[1].rows]) > 0.5 * abs(amps)
    assert (~flows).sum() <= 20 and all(a.last + 1 == b.first for a, b in itertools.pairwise(found))
    t, current = day((600, 0), (60, (80, 200)), (3600, amps), (600, 0), noise=0.01)
    assert "drive" in [p.kind for p in parted(t, current)]  # and a minute of driving to the charger stays one


def test_a_stop_at_the_lights_belongs_to_the_drive():
    t, current = day((600, 0), (600, (50, 200)), (60, 0), (600, (50, 200)), (600, 0))
    assert [p.kind for p in parted(t, current)] == ["rest", "drive", "rest"]


def test_a_short_stir_in_a_rest_is_part_of_it_and_a_pull_is_not():
    """A minute of 1 A (three times what is nearly nothing) between two quiet spells; of 20 A; and three minutes."""
    for length, amps, parts in ((60, 1.0, 1), (60, 20.0, 2), (180, 1.2, 2)):
        t, current = day((600, 0), (length, amps), (600, 0), noise=0.01)
        _, quiet = current_at_rest(current, t, CAPACITY)
        assert np.count_nonzero(np.diff(np.flatnonzero(quiet)) > 1) + 1 == parts


def test_a_log_that_is_all_rest_is_one_however_short():
    """Fifty seconds of nothing: shorter than a rest within a drive must be, but there is nothing beside it."""
    t = np.arange(50.0)
    assert told(stretches(t, np.zeros(50), np.ones(50, bool), np.zeros(50, np.int64))) == [("rest", 0, 49)]
    both = stretches(
        np.r_[t, t + 9000], np.r_[np.zeros(50), np.full(50, 40.0)], np.arange(100) < 50, np.repeat([0, 1], 50)
    )
    assert told(both) == [("rest", 0, 49), ("drive", 50, 99)]


def test_a_rest_ends_where_the_log_does():
    t, current = day((600, (50, 200)), (200, 0))
    found = parted(t, current)
    assert [p.kind for p in found] == ["drive", "rest"] and found[-1].last == 799
    t, current = day((600, (50, 200)), (60, 0))
    assert [p.kind for p in parted(t, current)] == ["drive"]  # a minute is no rest yet


def test_six_hours_of_rest_are_parked():
    for hours, kind in ((5.9, "rest"), (6.1, "parked")):
        t = np.arange(0.0, hours * 3600.0, 60.0)
        found = parted(t, np.random.default_rng(4).normal(0, 0.02, len(t)))
        assert told(found) == [(kind, 0, len(t) - 1)]


def test_a_pause_of_the_logger_parts_what_lies_on_either_side():
    t = np.concatenate([np.arange(600.0), 90_000 + np.arange(600.0)])
    found = stretches(t, np.zeros(1200), np.ones(1200, bool), np.repeat([0, 1], 600))
    assert told(found) == [("rest", 0, 599), ("rest", 600, 1199)]
    assert stretches(np.zeros(0), np.zeros(0), np.zeros(0, bool), np.zeros(0, np.int64)) == []


def test_what_is_not_known_is_at_rest_and_never_a_drive():
    t = np.arange(600.0)
    found = stretches(t, np.full(600, np.nan), np.zeros(600, bool), np.zeros(600, np.int64))
    assert told(found) == [("rest", 0, 599)]


def test_a_constant_load_is_a_level_of_its_own_beside_nought():
    """Two levels at which the current stands: nought first, then the 8 A of a house (planted)."""
    t, current = day((600, 0), (600, (50, 150)), (2400, 8), (600, (50, 150)))
    found = [round(s.amps) for s in still_levels(current, t, CAPACITY)]
    assert found[0] == 0 and 8 in found


def test_the_running_mean_by_hand():
    """A window of 2 s about each row; what is missing does not count, and where all is missing nothing is known."""
    t = np.arange(6.0)
    values = np.array([0.0, 3.0, np.nan, 9.0, np.nan, np.nan])
    assert_allclose(smooth(values, t, 2.0), [1.5, 1.5, 6.0, 9.0, 9.0, np.nan])
    assert np.isnan(smooth(np.full(3, np.nan), np.arange(3.0), 1.0)).all()
