"""How far the colours of a pack reach: what is too small to matter, or not told, stays pale."""

from __future__ import annotations

from bmslogs.faces.figures.shades import differences
from bmslogs.findings.registry import CAUSES
from tests.dashboard import invent

LEAK = "leak_current_relative"
R = "resistance_10s_relative"


def test_what_is_too_small_to_matter_stays_pale() -> None:
    pack = invent.pack()
    values, reach = differences(pack, invent.estimates(pack, R, by=0.0), R, ())
    matters = 100 * (CAUSES["cell_resistance_high"].least or 0)
    assert matters > 0 and reach >= 2 * matters
    assert max(abs(v) for v, _ in values.values()) < reach / 4


def test_what_the_intervals_do_not_tell_stays_pale() -> None:
    """A leak has no least size that matters at all: its intervals alone hold the colours back."""
    pack = invent.pack()
    values, reach = differences(pack, invent.estimates(pack, LEAK, by=0.0), LEAK, ())
    halves = sorted(h for _, h in values.values())
    assert reach >= 2 * halves[len(halves) // 2] > 0
