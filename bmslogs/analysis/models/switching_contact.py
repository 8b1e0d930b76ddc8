"""A contact that is open for seconds to minutes at a time, whatever the current does meanwhile.

Bursts show by their edges under a current that holds; a contact that stays open through a hill, and closed through the
next, hardly has any. Its state shows in each short window of the drive by itself: with e(t) what the load model of its
cell leaves of it,

    r_w = - sum(e I) / sum(I^2)        over the rows of window w under load  [ohm]

A resistance, however large, was taken out by the model: r_w scatters about nought, by what the model errs, and moves
slowly. A contact that switches makes r_w leap from window to window. The null is the log's own: how r_w leaps in the
other cells, and what a model errs in proportion to a cell's own extra resistance.

Judgement: the factors and least counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models.loose_joint import LooseJoint

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

WINDOW_S, WINDOW_ROWS = 12.0, 6
"""Length of a window, and the least rows under load in it (choice)."""
LEAST_C_RATE = 0.1
"""Current from which ohms are asked, as a share of the capacity per hour (choice)."""
LEAST_WINDOWS = 12
OTHERS, LEAPS_OVER, LEAPS_SHARE = 0.75, 6.0, 0.04
"""How far r_w must leap over those of this share of the others, and as a share of the usual resistance (choice)."""
OF_OWN = 0.15
"""What a model errs of a cell's own extra resistance, one sd (choice)."""
LEAST_CHANGES = 3
"""So often must the contact have changed its state: it came, went, and came again."""
REST_SHARE, CONSTANT_SHARE = 0.5, 0.8
"""What is left at rest must be smaller than this share of what is left under load, and what the ohms of each window
leave of it than this share of what a shift of each would leave (choice)."""


@dataclass(frozen=True)
class Windows:
    """(rows,) number of the window of each row; (windows, cells) ohms added in each [ohm], NaN where it had no load."""

    number: Ints
    ohm: Floats


def windows(left: Floats, current: Floats, seconds: Floats, section: Ints, least_A: float) -> Windows | None:
    """Return the ohms of each window.

    Parameters
    ----------
    left
        (rows, cells) what the load model of each cell leaves of it [V].
    current, seconds, section
        (rows,) [A], [s], number of the section.
    least_A
        Current from which ohms can be told [A].
    """
    loaded = np.abs(current) > least_A
    step = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 1.0
    length = max(WINDOW_S, WINDOW_ROWS * step)
    number = np.floor((seconds - seconds[0]) / length).astype(np.int64) + section * 10_000_000
    _, number = np.unique(number, return_inverse=True)
    count = np.bincount(number, loaded)
    square = np.bincount(number, loaded * current**2)
    good = count >= WINDOW_ROWS
    if good.sum() < LEAST_WINDOWS:
        return None
    along = np.stack([np.bincount(number, loaded * current * column) for column in left.T], axis=1)
    ohm = np.full(along.shape, np.nan)
    ohm[good] = -along[good] / square[good, None]
    return Windows(number.astype(np.int64), ohm)


def leaps(ohm: Floats) -> Floats:
    """Return (cells,) how far r_w moves from one window to the next, root mean square [ohm]."""
    change = np.diff(ohm, axis=0)
    change = change[np.isfinite(change).all(axis=1)]
    return np.sqrt((change**2).mean(axis=0)) if len(change) else np.zeros(ohm.shape[1])


def find(
    left: Floats,
    current: Floats,
    seconds: Floats,
    section: Ints,
    usual: float,
    excess: Floats,
    trusted: Bools,
    least_A: float,
) -> list[LooseJoint]:
    """Find cells with a contact that comes and goes for longer than a burst.

    Parameters
    ----------
    left, current, seconds, section, least_A
        As for `windows`.
    usual
        Usual resistance of a cell [ohm].
    excess
        (cells,) what each cell drops more than the middle one, as a fraction.
    trusted
        (cells,) cells whose readings are believed.
    """
    found = windows(left, current, seconds, section, least_A)
    if found is None or trusted.sum() < 4:
        return []
    leap = leaps(found.ohm)
    out = []
    for cell in np.flatnonzero(trusted):
        others = np.delete(leap, cell)[np.delete(trusted, cell)]
        least = max(LEAPS_OVER * float(np.quantile(others, OTHERS)), LEAPS_SHARE * usual)
        least = max(least, OF_OWN * abs(float(np.nan_to_num(excess[cell]))) * usual)
        if leap[cell] > least:
            one = _states(int(cell), found, left[:, cell], current, seconds, least_A)
            if one is not None:
                out.append(one)
    # where more of them leap, what they have in common is not a contact
    return out if len(out) <= max(2, int(trusted.sum()) // 3) else []


def _states(
    cell: int, found: Windows, left: Floats, current: Floats, seconds: Floats, least_A: float
) -> LooseJoint | None:
    """Return the contact, where its states follow the load and change often enough."""
    ohm = found.ohm[:, cell]
    known = np.flatnonzero(np.isfinite(ohm))
    low, high = np.quantile(ohm[known], [0.1, 0.9])
    middle, band = 0.5 * (low + high), 0.25 * (high - low)
    state, states = 0, np.zeros(len(known), int)
    for k, value in enumerate(ohm[known]):  # with a dead band: what lies between changes no state
        state = 1 if value > middle + band else -1 if value < middle - band else state
        states[k] = state
    changes = int((np.diff(states[states != 0]) != 0).sum())
    if changes < LEAST_CHANGES:
        return None
    loaded = np.abs(current) > least_A
    resting = np.abs(current) < 0.2 * least_A
    size = float(np.sqrt((left[loaded] ** 2).mean()))
    if resting.sum() >= 20 and float(np.sqrt((left[resting] ** 2).mean())) > REST_SHARE * size:
        return None
    known_row = loaded & np.isfinite(ohm[found.number])
    by_ohm = left[known_row] + ohm[found.number][known_row] * current[known_row]
    count = np.maximum(np.bincount(found.number[known_row], minlength=len(ohm)), 1)
    mean = np.bincount(found.number[known_row], left[known_row], minlength=len(ohm)) / count
    by_shift = left[known_row] - mean[found.number[known_row]]
    if float((by_ohm**2).mean()) > CONSTANT_SHARE * float((by_shift**2).mean()):
        return None
    shut = float(np.median(ohm[known][states < 0]))
    low_ohm, ohms, high_ohm = (float(v) for v in np.percentile(ohm[known][states > 0], [25, 50, 75]) - shut)
    opened = np.nan_to_num(ohm, nan=-np.inf) > middle
    begins = np.flatnonzero(np.diff(opened.astype(np.int8), prepend=0) == 1)
    first = np.searchsorted(found.number, begins)
    charging = int((current[first] < 0).sum())
    # the contact moved somewhere in the windows beside, and of those without a load nothing is known
    doubtful = opened | np.isnan(ohm) | np.append(opened[1:], False) | np.insert(opened[:-1], 0, False)
    return LooseJoint(
        cell,
        bursts=(changes + 1) // 2,
        wrong=0,
        others=0,
        ohm=ohms,
        ohm_low=low_ohm,
        ohm_high=high_ohm,
        seconds=_open_s(opened[found.number], seconds),
        charging=charging,
        discharging=len(begins) - charging,
        follows=True,
        rows=doubtful[found.number] & loaded,
        switches=True,
        by_windows=True,
    )


def _open_s(opened: Bools, seconds: Floats) -> float:
    """Return how long the contact stays open in the middle [s]; (rows,) both."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], opened.astype(np.int8), [0]])))
    return float(
        np.median([seconds[b - 1] - seconds[a] for a, b in zip(edges[::2], edges[1::2], strict=True)])
    )
