"""Answers that stay in memory: so many estimates, those that nobody asked for longest go."""

from __future__ import annotations

import threading
from collections import OrderedDict

from bmslogs.base.results import Diagnosis


class Held:
    """Diagnoses by log.

    A string of 96 cells has some 2,000 estimates a log and a pack has thousands of logs: held without end they would
    take more than the machine has. One that went is read from the store again.

    Parameters
    ----------
    most
        Estimates that are kept over all diagnoses; the newest diagnosis is always kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._count = 0
        self._by_log: OrderedDict[str, Diagnosis] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, log_id: str) -> Diagnosis | None:
        """Return the diagnosis of a log, None where it is not held."""
        with self._lock:
            found = self._by_log.get(log_id)
            if found is not None:
                self._by_log.move_to_end(log_id)
            return found

    def keep(self, log_id: str, found: Diagnosis) -> Diagnosis:
        """Hold a diagnosis and return it; where the log has one already, that one: pictures go by the object."""
        with self._lock:
            here = self._by_log.get(log_id)
            if here is not None:
                return here
            self._by_log[log_id] = found
            self._count += len(found.estimates)
            while self._count > self._most and len(self._by_log) > 1:
                _, old = self._by_log.popitem(last=False)
                self._count -= len(old.estimates)
            return found

    def drop(self, log_id: str) -> None:
        """Let go of a log's diagnosis."""
        with self._lock:
            old = self._by_log.pop(log_id, None)
            self._count -= len(old.estimates) if old is not None else 0

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._by_log.clear()
            self._count = 0
