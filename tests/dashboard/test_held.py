"""Answers that stay in memory: no more than so many estimates, each log's diagnosis as one object."""

from __future__ import annotations

from bmslogs.base.results import Diagnosis, Estimate
from dashboard.held import Held


def made(estimates: int) -> Diagnosis:
    every = tuple(Estimate("resistance_10s", "mohm", cell=n) for n in range(1, estimates + 1))
    return Diagnosis(log={}, pack={}, estimates=every, findings=())


def test_the_one_that_nobody_asked_for_longest_goes() -> None:
    held = Held(100)
    first, second = held.keep("a", made(40)), held.keep("b", made(40))
    assert held.get("a") is first  # asked for, so "b" is the older one now
    held.keep("c", made(40))
    assert held.get("b") is None
    assert held.get("a") is first
    assert second.estimates  # who holds it may go on with it


def test_one_larger_than_the_room_is_held_alone() -> None:
    held = Held(100)
    held.keep("a", made(10))
    large = held.keep("b", made(1_000))
    assert held.get("a") is None
    assert held.get("b") is large
    held.drop("b")
    assert held.keep("c", made(90)) is held.get("c")
    assert held.keep("d", made(10)) is held.get("d")
    assert held.get("c") is not None


def test_a_diagnosis_is_the_same_object_for_all_who_ask() -> None:
    held = Held(100)
    first = held.keep("a", made(10))
    assert held.keep("a", made(10)) is first


def test_estimates_read_from_a_store_share_their_texts() -> None:
    one = Estimate(
        "leak_current", "mA", cell=3, status="not_determinable", why="it rested for 2 h", settle_by="a day"
    )
    again = [
        Estimate.from_json(dict(one.to_json(), why="it rested " + text)) for text in ("for 2 h", "for 2 h")
    ]
    assert again[0] == again[1] == one
    assert again[0].why is again[1].why
