"""Readings beyond a bound: how far, for how long, and which channels did so alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NOISE_SDS = 3.0
"""Standard deviations of the noise beyond which a reading is not chance (METHODS G5; judgement)."""
ALIKE_SIZE, ALIKE_TIME = 2.5, 4.0
"""Factors within which two excursions are of one size, and of one length (choice)."""
LONGEST_ROW = 10.0
"""A row stands for no more than so many usual intervals: what follows is a pause (choice)."""


@dataclass(frozen=True)
class Excursion:
    """What one channel did beyond a bound.

    Attributes
    ----------
    column
        Of the channel.
    worst
        Most that it was beyond the bound in two rows in succession [unit of the readings].
    seconds, clear_seconds
        Time beyond the bound, and time beyond it by more than a step and the noise [s].
    first
        The first row beyond it.
    """

    column: int
    worst: float
    seconds: float
    clear_seconds: float
    first: int


def excursions(
    over: Floats, columns: npt.NDArray[np.int64], seconds: Floats, step: float, noise: float
) -> list[Excursion]:
    """Return the excursions of channels that passed a bound for two rows in succession or more.

    One row alone is a glitch and not a state.

    Parameters
    ----------
    over
        (rows, channels) how far beyond the bound each reading is, NaN where there is none.
    columns
        (channels,) the number under which each is reported.
    seconds
        (rows,) [s].
    step, noise
        Step of the readings, and the standard deviation of their noise.
    """
    length = row_lengths(seconds)
    out = []
    both = in_succession(over)
    for j, column in enumerate(columns):
        past = _passed(both[:, j], step)
        if not past.any():
            continue
        clear = both[:, j] >= step + NOISE_SDS * noise
        out.append(
            Excursion(
                int(column),
                float(both[:, j].max()),
                float(length[past].sum()),
                float(length[clear].sum()),
                int(np.argmax(past)),
            )
        )
    return out


def in_succession(over: Floats) -> Floats:
    """Return (rows, channels) by how much each reading is beyond a bound together with one beside it.

    Parameters
    ----------
    over
        (rows, channels) how far beyond the bound each reading is, NaN where there is none.
    """
    known = np.where(np.isnan(over), -np.inf, over)
    # both of two rows in succession are beyond by at least the lesser of them
    pair = np.minimum(known[1:], known[:-1])
    both = np.full(known.shape, -np.inf)
    both[1:] = pair
    both[:-1] = np.maximum(both[:-1], pair)
    return both


def passed(over: Floats, step: float) -> Bools:
    """Return (rows, channels) True in the rows that `excursions` counts as beyond the bound.

    Parameters
    ----------
    over
        (rows, channels) how far beyond the bound each reading is, NaN where there is none.
    step
        Step of the readings.
    """
    return _passed(in_succession(over), step)


def _passed(both: Floats, step: float) -> Bools:
    return np.asarray(both > 0.5 * step + 1e-9, bool)


def row_lengths(seconds: Floats) -> Floats:
    """Return (rows,) the time that each row stands for [s]; pauses are not counted."""
    length = np.diff(seconds, append=seconds[-1])
    usual = float(np.median(length[:-1])) if len(length) > 1 else 1.0
    return np.asarray(np.minimum(length, LONGEST_ROW * usual), float)


def alike(found: list[Excursion], most: int = 4) -> list[list[Excursion]]:
    """Return the excursions in groups alike in size and length, the furthest first.

    So that one cell far beyond a limit for an hour is not told together with seven that touched it. Beyond `most`
    groups the smaller ones stand together.
    """
    groups: list[list[Excursion]] = []
    for one in sorted(found, key=lambda e: (-e.worst, -e.seconds)):
        fits = next(
            (
                g
                for g in groups
                if g[0].worst <= ALIKE_SIZE * one.worst
                and max(e.seconds for e in g) <= ALIKE_TIME * one.seconds
                and one.seconds <= ALIKE_TIME * min(e.seconds for e in g)
            ),
            None,
        )
        if fits is None and len(groups) >= most:
            fits = groups[-1]
        if fits is None:
            groups.append([one])
        else:
            fits.append(one)
    return groups
