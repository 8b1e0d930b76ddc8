"""A process of its own for the cases, so that one which hangs can be ended."""

from __future__ import annotations

import multiprocessing
from multiprocessing.connection import Connection

from tests.importers.classes.running import run_case
from tests.importers.classes.truth import Verdict

HANG_S = 90
"""A case that has not ended after this long [s] hangs: some hundred times what one takes."""


def serve(pipe: Connection) -> None:
    """Answer requests (class, number, seed) with verdicts until the pipe closes."""
    while True:
        try:
            name, number, seed = pipe.recv()
        except EOFError:
            return
        pipe.send(run_case(name, number, seed))


class Worker:
    """A process that runs cases, and is replaced where one hangs or kills it."""

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """Start a fresh process."""
        context = multiprocessing.get_context("spawn")
        self.pipe, other = context.Pipe()
        self.process = context.Process(target=serve, args=(other,), daemon=True)
        self.process.start()
        other.close()

    def run(self, name: str, number: int, seed: int) -> Verdict:
        """Return the verdict of a case."""
        self.pipe.send((name, number, seed))
        try:
            if self.pipe.poll(HANG_S):
                verdict: Verdict = self.pipe.recv()
                return verdict
            why = f"no end after {HANG_S} s"
        except (EOFError, OSError):
            why = "the process died"
        self.process.kill()
        self.process.join()
        self.begin()
        return Verdict(number, "?", "?", "crash", [why])

    def end(self) -> None:
        """End the process."""
        self.pipe.close()
        self.process.join(10)
