"""A contact open for longer than a burst, by the ohms of each window of a drive: planted, recovered, look-alikes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from bmslogs.analysis.models.switching_contact import find, leaps, windows

ROWS, CELLS, OHM, CAPACITY = 2400, 8, 1.5e-3, 60.0
TIME = np.arange(ROWS, dtype=float)
SECTION = np.zeros(ROWS, np.int64)
TRUSTED = np.ones(CELLS, bool)


def a_drive(seed: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return current [A] that never holds, with stops, and residuals of sound cells [V]: half a millivolt of noise."""
    rng = np.random.default_rng(seed)
    hills = 40.0 + 35.0 * np.sin(2 * np.pi * TIME / 37.0) + 20.0 * np.sin(2 * np.pi * TIME / 11.0)
    current = np.where(np.floor(TIME / 90.0) % 4 == 3, 0.0, hills)
    return current, rng.normal(0.0, 5e-4, (ROWS, CELLS))


def open_in_turn(length_s: float) -> npt.NDArray[np.bool_]:
    """Return (rows,) True in every second run of `length_s`."""
    return np.floor(TIME / length_s) % 2 == 1


def found(left: npt.NDArray[np.float64], current: npt.NDArray[np.float64], excess: npt.NDArray[np.float64]):
    return find(left, current, TIME, SECTION, OHM, excess, TRUSTED, 0.1 * CAPACITY)


@pytest.mark.parametrize("share", [0.3, 1.0, 5.0, 30.0])
def test_a_contact_that_stays_open_for_minutes_is_found_at_any_size(share: float):
    """As planted, in cell 5, from a third of a cell's resistance on; the fit takes the mean of it out (planted)."""
    current, left = a_drive(1)
    extra = share * OHM * open_in_turn(150.0)
    left[:, 4] -= (extra - extra.mean()) * current
    (one,) = found(left, current, np.eye(CELLS)[4] * share / 2)
    assert one.column == 4
    assert one.bursts >= 3
    assert one.ohm == pytest.approx(share * OHM, rel=0.25)
    loaded = np.abs(current) > 0.1 * CAPACITY
    assert one.rows[open_in_turn(150.0) & loaded].all()  # what may be open is not taken for the cell's own
    assert not one.rows[loaded].all()


def test_sound_cells_and_one_that_only_drops_more_have_none():
    """What a model errs in proportion to a large resistance of the cell's own is no contact (planted: 10 % of it)."""
    current, left = a_drive(2)
    assert found(left, current, np.zeros(CELLS)) == []
    left[:, 2] -= 0.1 * OHM * np.sin(2 * np.pi * TIME / 600.0) * current
    excess = np.zeros(CELLS)
    excess[2] = 1.0
    assert found(left, current, excess) == []


def test_a_reading_that_shifts_whatever_flows_is_no_contact():
    """30 mV that come and go at rest and under load alike (planted)."""
    current, left = a_drive(3)
    left[:, 6] -= 0.030 * (open_in_turn(120.0) - 0.5)
    assert found(left, current, np.zeros(CELLS)) == []


def test_a_drop_that_came_once_to_stay_is_no_contact_that_switches():
    current, left = a_drive(4)
    left[:, 1] -= OHM * ((TIME > 1200.0) - 0.5) * current
    assert found(left, current, np.zeros(CELLS)) == []


def test_two_contacts_of_eight_are_both_told():
    """Each opens and closes in a time of its own (planted)."""
    current, left = a_drive(5)
    for cell, length in ((0, 150.0), (3, 210.0)):
        left[:, cell] -= OHM * (open_in_turn(length) - 0.5) * current
    assert {one.column for one in found(left, current, np.zeros(CELLS))} == {0, 3}


def test_the_ohms_of_a_window_by_hand():
    """r_w = - sum(e I) / sum(I^2) of its rows under load: 2 mohm in every second window of 12 s, and none without."""
    current = np.where(TIME % 3 == 2, 0.0, 50.0)
    left = np.zeros((ROWS, 2))
    second = np.floor(TIME / 12.0) % 2 == 1
    left[second, 1] = -2e-3 * current[second]
    made = windows(left, current, TIME, SECTION, 5.0)
    assert made is not None
    np.testing.assert_allclose(made.ohm[:, 0], 0.0)
    np.testing.assert_allclose(made.ohm[:, 1], np.where(np.arange(200) % 2 == 1, 2e-3, 0.0))
    np.testing.assert_allclose(leaps(made.ohm), [0.0, 2e-3])
    np.testing.assert_array_equal(made.number, np.floor(TIME / 12.0).astype(int))
    # a window with fewer than six rows under load tells nothing, and neither do fewer than twelve windows
    current[:12] = 0.0
    assert np.isnan(windows(left, current, TIME, SECTION, 5.0).ohm[0]).all()
    assert windows(left[:130], current[:130], TIME[:130], SECTION[:130], 5.0) is None
    assert windows(left, np.zeros(ROWS), TIME, SECTION, 5.0) is None


def test_windows_of_a_slow_logger_hold_six_rows_and_none_reaches_over_a_pause():
    slow = 10.0 * TIME
    section = (TIME >= 1203).astype(np.int64)
    made = windows(np.zeros((ROWS, 1)), np.full(ROWS, 50.0), slow, section, 5.0)
    assert made is not None
    counts = np.bincount(made.number)
    assert np.median(counts) == 6
    assert made.number[1202] != made.number[1203]


def test_cells_answer_by_their_place_and_none_that_is_not_trusted():
    current, left = a_drive(6)
    left[:, 2] -= OHM * (open_in_turn(150.0) - 0.5) * current
    turn = np.random.default_rng(7).permutation(CELLS)
    (one,) = found(left[:, turn], current, np.zeros(CELLS))
    assert turn[one.column] == 2
    assert (
        find(left, current, TIME, SECTION, OHM, np.zeros(CELLS), np.arange(CELLS) != 2, 0.1 * CAPACITY) == []
    )
    assert (
        find(left, current, TIME, SECTION, OHM, np.zeros(CELLS), np.arange(CELLS) < 3, 0.1 * CAPACITY) == []
    )


def test_a_string_whose_cells_all_leap_has_no_contact():
    """Look-alike: what the model errs in half of the cells at once is not a contact."""
    current, left = a_drive(8)
    for cell in range(4):
        left[:, cell] -= OHM * (open_in_turn(150.0 + 20 * cell) - 0.5) * current
    assert found(left, current, np.zeros(CELLS)) == []
