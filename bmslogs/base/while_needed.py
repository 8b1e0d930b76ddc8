"""Settings of the whole process under several threads: set by the first who needs one, undone by the last."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager


class WhileNeeded:
    """A setting that holds while any thread needs it.

    A filter of warnings, or the number of threads of a library, belongs to the process. Where each thread sets and
    restores it by itself, the first to end takes it from the others, and the last restores what another had set.

    Parameters
    ----------
    setting
        Makes what sets it on entry and restores it on exit.
    """

    def __init__(self, setting: Callable[[], AbstractContextManager[object]]) -> None:
        self._setting = setting
        self._lock = threading.Lock()
        self._needed = 0
        self._set: AbstractContextManager[object] | None = None

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the setting for the time of a ``with``."""
        self._take()
        try:
            yield
        finally:
            self._leave()

    def _take(self) -> None:
        with self._lock:
            if self._set is None:
                one = self._setting()
                one.__enter__()
                self._set = one
            self._needed += 1

    def _leave(self) -> None:
        with self._lock:
            self._needed -= 1
            if self._needed == 0 and self._set is not None:
                one, self._set = self._set, None
                one.__exit__(None, None, None)
