"""What was worked out last, kept by what it was made from: the next who asks for the same does not wait for it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import TypeVar

Made = TypeVar("Made")


class Drawn:
    """Pictures and comparisons that are pure functions of things which never change.

    Parameters
    ----------
    most
        How many are kept; those that nobody asked for longest go.

    Notes
    -----
    A diagnosis, a pack or a history that has changed is another object, so what was made from the old one is not found
    any more. The objects are kept with what was made from them: the place of one in memory tells it from all others.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, tuple[Sequence[object], object]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, of: Sequence[object], how: Hashable, make: Callable[[], Made]) -> Made:
        """Return what `make` makes; what it made before from these very objects in the same way.

        Parameters
        ----------
        of
            Objects that it is made from, which nobody changes.
        how
            Everything else that it depends on, as values, its name among them.
        """
        key = (how, tuple(id(o) for o in of))
        with self._lock:
            held = self._kept.get(key)
            if held is not None:
                self._kept.move_to_end(key)
                return held[1]  # type: ignore[return-value]
        made = make()
        with self._lock:
            self._kept[key] = (of, made)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._kept.clear()
