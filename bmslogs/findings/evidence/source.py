"""The log that a proof is drawn from, made ready by the analysis."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.numerics import calm
from bmslogs.analysis.study import Study
from bmslogs.log import Log

P = ParamSpec("P")
T = TypeVar("T")

KEPT_READINGS, KEPT_LOGS = 3_000_000, 2
"""Of a log with more readings nothing is kept: its study takes several times its own memory; of so many others all that
was worked out (choice)."""
_kept: list[tuple[Log, Knowledge]] = []


def known(log: Log) -> Knowledge:
    """Return what the analysis knows of a log, worked out on demand; that of the logs asked for last is kept.

    Raises
    ------
    NotEnoughData
        The log has fewer than two rows.
    """
    for held, knowledge in list(_kept):
        if held is log:
            return knowledge
    knowledge = Knowledge(Study(log))
    if log.cell_voltage.size <= KEPT_READINGS:
        _kept[:] = [(log, knowledge), *_kept[: KEPT_LOGS - 1]]
    return knowledge


def calmly(proof: Callable[P, T]) -> Callable[P, T]:
    """Run a proof as a diagnosis is run: one thread, no warnings about what is not known."""

    @wraps(proof)
    def run(*args: P.args, **more: P.kwargs) -> T:
        with calm():
            return proof(*args, **more)

    return run
