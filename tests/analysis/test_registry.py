"""The table of quantities: units by their SI prefixes, and words that every face can show."""

import pytest

from bmslogs.analysis.registry import QUANTITIES

PREFIX = {"m": 1e3, "u": 1e6, "µ": 1e6, "k": 1e-3, "": 1.0}


@pytest.mark.parametrize("q", QUANTITIES.values(), ids=QUANTITIES.keys())
def test_the_shown_unit_is_the_unit_with_its_prefix(q):
    """1 ohm is 1000 mohm (SI); a share is a hundred per cent; of other pairs each is said here."""
    if q.unit == q.shown_unit:
        assert q.shown_factor == 1.0
    elif q.shown_unit == "%":
        assert q.unit in ("fraction", "ratio to pack median")
        assert q.shown_factor == 100.0
    else:
        assert q.shown_unit[1:] == q.unit
        assert q.shown_factor == PREFIX[q.shown_unit[0]]


@pytest.mark.parametrize("key", QUANTITIES)
def test_a_quantity_is_called_by_its_key_and_asks_a_question(key):
    q = QUANTITIES[key]
    assert q.key == key and q.title and q.question.endswith("?")
    assert q.per in ("cell", "sensor", "pack")
    assert not (q.without_current and "current" in q.needs)  # what needs a current cannot be told without one


def test_what_all_cells_are_alike_in_is_one_or_nought():
    """Of a ratio to the median cell one, of a difference from it nought (by definition)."""
    for q in QUANTITIES.values():
        if q.key.endswith("_relative") and q.centre is not None:
            assert q.centre == (0.0 if q.key == "leak_current_relative" else 1.0)
