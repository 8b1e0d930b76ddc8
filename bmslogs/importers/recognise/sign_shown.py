"""What a person is shown who is asked for the sign of a current: the rows in which it moves most, and the answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from bmslogs.importers.recognise.look import Job

Floats = npt.NDArray[np.float64]
Answer = Literal["falls", "rises", "hardly moves"]

ROWS = 120
"""As many rows are shown (choice)."""
LEAST_ROWS = 8
"""Fewer show nothing (choice)."""
TELLS = 0.3
"""Correlation of the steps from which on is said which way the cells answer (choice)."""


@dataclass(frozen=True)
class SignShown:
    """Current in the logger's own sign and the mean of the cells, where the current moves most.

    Attributes
    ----------
    current, cells
        (rows,) in the file's units.
    answer
        What the cells do where the current goes up.
    """

    current: Floats
    cells: Floats
    answer: Answer


def sign_shown(job: Job) -> SignShown | None:
    """Return what is shown of a file; None where it has no one current, no cells, or a current that never moves."""
    currents, cells = job.plan.of("current"), job.plan.of("cell")
    if len(currents) != 1 or not cells or job.plan.long is not None:
        return None
    amps = job.sample.columns[currents[0].index].values
    volts = np.array([job.sample.columns[t.index].values for t in cells])
    best: tuple[float, Floats, Floats] | None = None
    for window in np.unique(job.sample.window):
        rows = np.flatnonzero(job.sample.window == window)
        rows = rows[_liveliest(amps[rows])]
        rows = rows[np.isfinite(amps[rows]) & np.isfinite(volts[:, rows]).any(axis=0)]
        if len(rows) < LEAST_ROWS:
            continue
        moved = float(np.std(amps[rows]))
        if best is None or moved > best[0]:
            best = (moved, amps[rows], np.nanmean(volts[:, rows], axis=0))
    if best is None or best[0] == 0:
        return None
    return SignShown(best[1], best[2], _answer(best[1], best[2]))


def _liveliest(values: Floats) -> slice:
    """Return the rows of a window around which the current moves most."""
    if len(values) <= ROWS:
        return slice(0, len(values))
    moves = np.abs(np.diff(np.nan_to_num(values)))
    first = int(np.argmax(np.convolve(moves, np.ones(ROWS - 1), "valid")))
    return slice(first, first + ROWS)


def _answer(current: Floats, cells: Floats) -> Answer:
    steps, answers = np.diff(current), np.diff(cells)
    if np.std(steps) == 0 or np.std(answers) == 0:
        return "hardly moves"
    together = float(np.corrcoef(steps, answers)[0, 1])
    return "rises" if together > TELLS else "falls" if together < -TELLS else "hardly moves"
