"""Two measuring boards that read apart: one of them may be shifted, never both, and the diagnosis goes on."""

import zlib

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
