"""What a charge or discharge between two rests moved in each cell: a smaller one goes through more of its curve.

With fuller_1 and fuller_2 the shares of charge by which a cell is fuller than the middle one at the two rests, and q
the charge taken in between (of the nominal capacity Q), a cell of capacity Q (1 + x) has

    fuller_2 - fuller_1 = q/Q (1 / (1 + x) - 1).

No load, resistance or polarisation enters: a cell that no fit follows is told all the same. Judgement: the errors of
what a rest tells (`models.empty_or_small`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.leading import fuller_at_rest
from bmslogs.analysis.models.empty_or_small import least_shortfall
from bmslogs.analysis.statistics import robust_scale
from bmslogs.analysis.study import Study
from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MOVED_LEAST = 0.2
"""Share of the capacity that must have flowed between the rests (choice)."""
TABLE_DOUBT = 1.5
"""Where the table makes another charge of the two rests than was counted, what it tells of a cell is doubted by this
times the logarithm of that ratio (choice)."""
SCATTERS = 3.0
"""A cell must part from the middle one by more than so many scatters of all cells (choice)."""
NEAR_FULL_SOC = 0.85
"""From this state of charge on a rest tells how a cell stands at full (choice)."""


@dataclass(frozen=True)
class BetweenRests:
    """What two rests tell.

    Attributes
    ----------
    shortfall
        (2, cells) by how much a cell must be smaller than the middle one, at least and at most; nought: need not be.
    moved
        (cells,) charge moved between the rests that tell so, as a share of the nominal capacity.
    near_full, half
        (cells,) by how much a cell was fuller at the rest nearest to full, and the half width; NaN where none tells.
    """

    shortfall: Floats
    moved: Floats
    near_full: Floats
    half: Floats


def nothing_told(cells: int) -> BetweenRests:
    """Return what so many cells tell where no rest may be used."""
    unknown = np.full(cells, np.nan)
    return BetweenRests(np.zeros((2, cells)), np.zeros(cells), unknown, unknown)


def between_rests(study: Study, shifted: Bools) -> BetweenRests:
    """Compare the rests before and after every charge, discharge and drive.

    Parameters
    ----------
    study
        The log.
    shifted
        (cells,) True where a reading is not to be believed.
    """
    s, cells = study, len(study.readings.cells)
    if s.readings.curve.flat:  # its rests tell no place, and above its end they hang on hysteresis
        return nothing_told(cells)
    reliable = s.harness.trusted & ~shifted
    shortfall, span = np.zeros((2, cells)), np.zeros(cells)
    near, near_half, nearest = np.full(cells, np.nan), np.full(cells, np.nan), NEAR_FULL_SOC
    place: dict[int, float] = {}
    rests = [k for k, part in enumerate(s.flow.stretches) if part.kind in ("rest", "parked")]
    told = {k: fuller_at_rest(s, s.flow.stretches[k], reliable) for k in rests}
    for k, found in told.items():
        if found is None:
            continue
        with np.errstate(all="ignore"):
            level = float(nanmedian(s.readings.log.cell_voltage[s.flow.stretches[k].last][reliable]))
        place[k] = float(s.readings.curve.inverse(np.array([level]))[0])
        if place[k] >= nearest:
            nearest, near, near_half = place[k], *found
    for a, b in itertools.pairwise(rests):
        first, last = s.flow.stretches[a], s.flow.stretches[b]
        one, two = told[a], told[b]
        if one is None or two is None or s.flow.section[first.last] != s.flow.section[last.first]:
            continue
        if s.readings.log.bleed is not None and s.readings.log.bleed[first.first : last.last + 1].any():
            continue  # what was bled was moved as well
        taken = float(s.flow.charge[first.last] - s.flow.charge[last.first]) / s.readings.capacity
        if abs(taken) < MOVED_LEAST:
            continue
        more = np.sign(taken) * (two[0] - one[0])
        doubt = TABLE_DOUBT * abs(float(np.log(max(abs(place[b] - place[a]), 1e-3) / abs(taken))))
        # how the cells' curves and settling part of themselves shows in the scatter of all of them
        null = robust_scale(np.where(reliable & np.isfinite(more), more, np.nan), 0.0)
        half = np.sqrt(one[1] ** 2 + two[1] ** 2 + (doubt * more) ** 2 + (SCATTERS * null) ** 2)
        moved = np.full(cells, min(abs(taken), 1.0))
        lead, nought = np.maximum(more, 0.0), np.zeros(cells)
        least = least_shortfall(lead, half, nought, moved)
        most = least_shortfall(lead + half, nought, nought, moved)
        sure = reliable & np.isfinite(half) & (least > shortfall[0])
        shortfall = np.where(sure, np.stack([least, most]), shortfall)
        span = np.where(sure, moved, span)
    return BetweenRests(shortfall, span, near, near_half)
