"""A setting of the process under several threads: held for all of them, restored once, by the last."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from bmslogs.base.while_needed import WhileNeeded


class Setting:
    """Counts how often it was set and restored."""

    def __init__(self) -> None:
        self.done: list[str] = []

    @contextmanager
    def __call__(self) -> Iterator[None]:
        self.done.append("set")
        yield
        self.done.append("restored")


def test_the_first_sets_and_the_last_restores() -> None:
    setting = Setting()
    needed = WhileNeeded(setting)
    inside, leave = threading.Event(), threading.Event()

    def other() -> None:
        with needed.held():
            inside.set()
            leave.wait(10)

    thread = threading.Thread(target=other)
    with needed.held():
        thread.start()
        assert inside.wait(10)
    # the one that set it has left, the other still needs it
    assert setting.done == ["set"]
    leave.set()
    thread.join(10)
    assert setting.done == ["set", "restored"]
    with needed.held():
        pass
    assert setting.done == ["set", "restored"] * 2


def test_an_error_inside_restores_it_too() -> None:
    setting = Setting()
    needed = WhileNeeded(setting)
    with pytest.raises(ValueError, match="inside"), needed.held():
        raise ValueError("inside")
    assert setting.done == ["set", "restored"]
