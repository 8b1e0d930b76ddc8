"""Two measuring boards that read apart: one of them may be shifted, never both, and the diagnosis goes on."""

import zlib

import numpy as np

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
    shifted = {c for f in diagnosis.findings if f.cause == "channel_offset" for c in f.cells}
    assert 2 * len(shifted) <= d.n


def test_a_board_that_is_off_is_named_whole_and_no_sound_cell_with_it():
    """Twelve of 96 cells on a board 7.5 mV low, as planted; single by single many sound cells looked shifted too."""
    numbers = [zlib.crc32(b"channel_offset"), 2_500_017, 1]
    d = cases.CAUSES["channel_offset"](numbers, 1.5)
    study = Study(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string)))
    planted = d.faults[0].cells
    assert len(planted) == 12
    assert tuple(int(c) + 1 for c in np.flatnonzero(study.shifted)) == planted
