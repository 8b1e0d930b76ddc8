"""A contact open for longer than a burst, by the ohms of each window of a drive: planted, recovered, look-alikes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from bmslogs.analysis.models.switching_contact import find

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
