"""Calls made in order by a thread of their own, while the caller goes on."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, Self


class Aside:
    """Makes calls one after the other in another thread.

    Parameters
    ----------
    most
        As many calls may wait: bounds the memory that their arguments hold.
    """

    def __init__(self, name: str, most: int) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix=name)
        self._pending: deque[Future[None]] = deque()
        self._most = most

    def call(self, what: Callable[..., None], *arguments: Any) -> None:
        """Let a call be made; raise what an earlier one raised."""
        self._pending.append(self._pool.submit(what, *arguments))
        while len(self._pending) > self._most:
            self._pending.popleft().result()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wait for all calls, or for the one under way after an error."""
        try:
            while self._pending and error is None:
                self._pending.popleft().result()
        finally:
            self._pool.shutdown(wait=True, cancel_futures=True)
