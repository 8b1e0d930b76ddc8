"""What was worked out last, kept by what it was made from: the next who asks for the same does not wait for it."""

from __future__ import annotations

import threading
import weakref
from collections import OrderedDict, deque
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
    any more: the place of an object in memory tells it from all others. What was made goes with the first of its
    objects that nobody else holds, so that a picture keeps no history alive that was superseded; objects that cannot be
    watched are kept with it.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, tuple[Sequence[object], object]] = OrderedDict()
        self._gone: deque[Hashable] = deque()
        """Keys of which an object went; whoever holds the lock may be the one who let it go."""
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
            self._let_go()
            held = self._kept.get(key)
            if held is not None:
                self._kept.move_to_end(key)
                return held[1]  # type: ignore[return-value]
        made = make()
        with self._lock:
            self._kept[key] = ([self._watched(o, key) for o in of], made)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made

    def __len__(self) -> int:
        """Return how many are kept."""
        with self._lock:
            self._let_go()
            return len(self._kept)

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._kept.clear()
            self._gone.clear()

    def _watched(self, of: object, key: Hashable) -> object:
        try:
            return weakref.ref(of, lambda _: self._gone.append(key))
        except TypeError:
            return of

    def _let_go(self) -> None:
        """Drop what lost an object, before its place in memory can be taken for it."""
        while self._gone:
            self._kept.pop(self._gone.popleft(), None)
