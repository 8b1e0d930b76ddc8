"""Processes that begin quickly: what a worker needs is loaded once and not once a worker, where the system allows.

A worker runs functions of this package alone, so it does not begin by running the program that asked for it once more,
as workers of `multiprocessing` do: a script without ``if __name__ == "__main__"`` would start itself in every worker
without end, and each would die of that.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from types import ModuleType
from typing import Any

Context = BaseContext

NEEDED = ["bmslogs.findings.diagnosing", "bmslogs.fleet.run"]
"""Modules that every worker uses; loading them takes longer than weighing a short log."""
_STARTING = threading.Lock()


def cheap_processes() -> Context:
    """Return the context to start workers in, and begin to load what they need.

    On Linux workers are copies of one small process that has loaded it (a plain copy of this process would take its
    threads' locks along). Elsewhere, and where that process cannot be had, each worker begins anew.
    """
    if sys.platform == "linux" and "forkserver" in multiprocessing.get_all_start_methods():
        from multiprocessing import forkserver

        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(NEEDED)
        try:
            forkserver.ensure_running()
        except OSError:  # no place for its socket
            return _without_main(multiprocessing.get_context("spawn"))
        return _without_main(context)
    return _without_main(multiprocessing.get_context("spawn"))


def as_here(environment: dict[str, str]) -> None:
    """Give a new worker the environment of the process that asked for it: it may have been set since the first one."""
    os.environ.update(environment)


def _without_main(context: BaseContext) -> Context:
    """Return a context like `context` whose processes do not import the program that starts them."""
    usual: type[BaseProcess] = context.Process  # type: ignore[attr-defined]

    class Worker(usual):  # type: ignore[valid-type, misc]
        """A process that knows nothing of ``__main__``."""

        @staticmethod
        def _Popen(process_obj: Any) -> Any:  # noqa: N802 - the library's name for what starts a process
            with _no_main():
                return usual._Popen(process_obj)  # type: ignore[attr-defined]

        def __reduce__(self) -> tuple[Any, ...]:
            # the worker gets an ordinary process: this class lives in a function and cannot be looked up there
            return _plain, (usual, self.__dict__)

    class Workers(type(context)):  # type: ignore[misc]
        Process = Worker

    return Workers()


def _plain(kind: type[BaseProcess], state: dict[str, Any]) -> BaseProcess:
    made = kind.__new__(kind)
    made.__dict__.update(state)
    return made


@contextmanager
def _no_main() -> Iterator[None]:
    """Hide the program from `multiprocessing` while it starts a process: then there is none to run again."""
    with _STARTING:
        kept = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            yield
        finally:
            sys.modules["__main__"] = kept
