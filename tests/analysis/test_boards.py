"""Two measuring boards that read apart: one of them may be shifted, never both, and the diagnosis goes on."""

import zlib

import numpy as np
import pytest

from bmslogs.analysis.shifted_reading import AsCharge, shift_of_board, shifted_boards, shifts_as_charge
from bmslogs.analysis.study import Study
from bmslogs.findings import diagnose
from tests.accuracy import cases
from tests.accuracy.adapter import build_log, build_pack


def test_two_boards_that_read_apart_leave_cells_to_compare_with():
    """Half of a string on a board 7.5 mV low, as planted; the middle lies between the boards, so either may be off."""
    numbers = [zlib.crc32(b"channel_offset"), 3_000_017, 1]
    d = cases.CAUSES["channel_offset"](numbers, 1.5)
    diagnosis = diagnose(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string)))
    told = [e for e in diagnosis.of("resistance_10s_relative") if e.status == "determined"]
    assert len(told) > d.n // 2
    (told_apart,) = [f for f in diagnosis.findings if f.cause == "channel_offset"]
    assert "the log cannot tell which" in told_apart.says  # each half is the other's only measure
    assert told_apart.low is not None and told_apart.high is not None
    assert told_apart.low < 0.0075 < told_apart.high


def test_a_board_that_is_off_is_named_whole_and_no_sound_cell_with_it():
    """Twelve of 96 cells on a board 7.5 mV low, as planted; single by single many sound cells looked shifted too."""
    numbers = [zlib.crc32(b"channel_offset"), 2_500_017, 1]
    d = cases.CAUSES["channel_offset"](numbers, 1.5)
    study = Study(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string)))
    planted = d.faults[0].cells
    assert len(planted) == 12
    assert tuple(int(c) + 1 for c in np.flatnonzero(study.charge.shifted)) == planted


@pytest.mark.parametrize(
    "charge, lack, odds, shifted",
    [
        (0.036, 0.10, -1.0, True),  # smaller and fuller at once, all eight alike: one shift says as much
        (0.036, 0.00, -1.0, False),  # a box charged apart from the rest: one number as well
        (0.000, 0.10, -1.0, False),  # a box of smaller cells
        (0.036, 0.10, -6.0, False),  # the log speaks against the shift
    ],
)
def test_one_shift_against_two_numbers_that_happen_to_agree(charge, lack, odds, shifted):
    """By hand: eight of 24 cells read 25 mV apart, and the log fits a shift or other cells (nearly) as well."""
    board = np.arange(24) // 8 == 1
    at_board = np.where(board, 1.0, 0.0)
    scatter = np.random.default_rng(3).normal(0, 1e-3, 24)
    found = shifted_boards(
        0.025 * at_board + scatter,
        np.full(24, 2e-3),
        np.full(24, odds),
        0.0035,
        [np.arange(24) // 8 == k for k in range(3)],
        np.ones(24, bool),
        charge * at_board,
        lack * at_board,
    )
    assert (found == (board & shifted)).all()


def held_by(shift_V: float, seed: int, lots: tuple[float, float] = (0.0, 0.0)) -> AsCharge:
    """Sixteen cells whose second board reads off: a volt looks like 150 Ah of charge and -1.5 of capacity."""
    rng = np.random.default_rng(seed)
    board = np.where(np.arange(16) >= 8, 1.0, 0.0)
    offset = rng.normal(0, 0.5, 16) + board * (150.0 * shift_V + lots[0])
    lack = rng.normal(0, 0.006, 16) + board * (-1.5 * shift_V + lots[1])
    return AsCharge(offset, lack, np.array([150.0, -1.5]))


SECOND = np.arange(16) >= 8


@pytest.mark.parametrize("shift_V", [0.02, -0.03, 0.2])
def test_charge_and_capacity_of_a_board_that_is_off_tell_one_shift(shift_V: float):
    """Planted; its interval holds in 18 of 20 draws or more."""
    found = [shift_of_board(held_by(shift_V, seed), SECOND, np.ones(16, bool)) for seed in range(20)]
    told = [one for one in found if one is not None]
    assert len(told) >= 19
    assert sum(abs(size - shift_V) < 2.0 * se for size, se in told) >= 18


@pytest.mark.parametrize("lots", [(3.0, 0.0), (0.0, 0.05), (3.0, 0.05), (3.0, -0.15)])
def test_modules_of_another_lot_tell_none(lots: tuple[float, float]):
    """Fuller, smaller, both, or both as no shift makes them."""
    told = [shift_of_board(held_by(0.0, seed, lots), SECOND, np.ones(16, bool)) for seed in range(20)]
    assert sum(one is not None for one in told) <= 1


@pytest.mark.parametrize(
    ("shift_V", "charge", "told"), [(-0.03, 0.0, True), (0.2, 0.0, True), (0.0, -6.0, False)]
)
def test_one_shift_that_explains_charge_and_capacity_of_a_cell_is_named_beside_them(shift_V, charge, told):
    """A volt looks like 150 Ah and -1.5 of capacity; a cell that is emptier alone is no shifted reading (planted)."""
    cells = held_by(0.0, 5)
    cells.offset[4] += 150.0 * shift_V + charge
    cells.lack[4] -= 1.5 * shift_V
    found = shifts_as_charge(cells, (np.full(16, 0.1), np.full(16, 0.002)), 0.007, np.ones(16, bool))
    assert list(np.flatnonzero(np.isfinite(found))) == ([4] if told else [])
    if told:
        assert abs(found[4] - shift_V) < 0.01
