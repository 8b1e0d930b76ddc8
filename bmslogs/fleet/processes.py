"""Processes that begin quickly: what a worker needs is loaded once and not once a worker, where the system allows."""

from __future__ import annotations

import multiprocessing
import os
import sys
from multiprocessing.context import BaseContext

Context = BaseContext

NEEDED = ["bmslogs.findings.diagnosing", "bmslogs.fleet.run", "threadpoolctl"]
"""Modules that every worker uses; loading them takes longer than weighing a short log."""


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
            return multiprocessing.get_context("spawn")
        return context
    return multiprocessing.get_context("spawn")


def as_here(environment: dict[str, str]) -> None:
    """Give a new worker the environment of the process that asked for it: it may have been set since the first one."""
    os.environ.update(environment)
