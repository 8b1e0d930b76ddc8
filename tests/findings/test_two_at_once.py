"""Logs diagnosed in several threads at the same time: the answers of one thread, and a process left as it was."""

from __future__ import annotations

import threading
import warnings
from concurrent.futures import ThreadPoolExecutor

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from bmslogs.findings import diagnose
from bmslogs.log.log import Log
from tests.accuracy.test_odd_logs import ODD, sound

TOGETHER = 2


@pytest.fixture(scope="module")
def logs() -> list[Log]:
    """Return logs of unlike length, so that none ends when another does; one in which much is not known."""
    trip, charge = sound("trip", 3), sound("charge", 4)
    return [
        trip,
        ODD["thirty rows"](trip),
        charge,
        ODD["every twelfth row"](charge),
    ]


def blas_threads() -> list[int]:
    return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]


def test_several_threads_say_what_one_says_and_leave_no_trace(logs: list[Log]) -> None:
    alone = [diagnose(log).to_json() for log in logs]
    start = threading.Barrier(TOGETHER)

    def turn(first: int) -> list[dict]:
        start.wait(60)
        order = [(first + k) % len(logs) for k in range(len(logs))]
        found = {k: diagnose(logs[k]).to_json() for k in order}
        return [found[k] for k in range(len(logs))]

    # two threads of the linear algebra before: a limit that is left behind shows
    with threadpool_limits(2, user_api="blas"), warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        filters, threads = list(warnings.filters), blas_threads()
        with ThreadPoolExecutor(TOGETHER) as pool:
            together = list(pool.map(turn, range(TOGETHER)))
        assert list(warnings.filters) == filters
        assert blas_threads() == threads and threads
    assert all(one == alone for one in together)
