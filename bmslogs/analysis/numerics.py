"""How the numerical libraries are run: one thread, and no word about what is not known."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

import numpy as np
from threadpoolctl import ThreadpoolController

from bmslogs.base.while_needed import WhileNeeded


@contextmanager
def calm() -> Iterator[None]:
    """Run what is inside with one thread of linear algebra, and without warnings about NaN.

    Linear algebra of this size is slower with several threads, and far slower beside another busy program. NaN marks
    what is not known: a mean over nothing is not known either, and nobody need be told.
    """
    with _QUIET.held(), np.errstate(invalid="ignore", divide="ignore"):
        yield


@contextmanager
def _quiet() -> Iterator[None]:
    with _libraries().limit(limits=1, user_api="blas"), warnings.catch_warnings():
        for nothing in ("Mean of empty slice", "All-NaN", "Degrees of freedom"):
            warnings.filterwarnings("ignore", nothing, RuntimeWarning)
        yield


_QUIET = WhileNeeded(_quiet)
"""Both are the whole process's, and logs are diagnosed in several threads of it."""


@cache
def _libraries() -> ThreadpoolController:
    """Return the process's numerical libraries: looking for them takes longer than a small log."""
    return ThreadpoolController()
