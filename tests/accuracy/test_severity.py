"""A coarse sweep: from the first size that is named on, larger ones are named, no milder and at no lower level."""

import pytest

from tests.accuracy.severity import SWEEPS, losses, one

COARSE = {
    "cell resistance, drive": (2, 20, 100),
    "capacity, charge": (2, 8, 14),
    "fuller, charge": (2, 12, 40),
    "leak, parked": (3, 30, 150),
    "open tap, drive": (2, 50),
    "shifted reading, drives": (3, 30),
}


def test_a_loss_is_seen():
    """By hand: named, then louder, then silent, then milder."""
    assert losses([0, 2, 3, 0, -1, 3]) == [3, 4]


@pytest.mark.parametrize("name", COARSE)
def test_a_bigger_fault_is_not_told_more_softly(name: str):
    for chemistry in SWEEPS[name].chemistries[:1]:
        loud = [one(name, chemistry, 0, size)[0] for size in COARSE[name]]
        assert not losses(loud), (name, chemistry, loud)
        assert max(loud) >= 2
