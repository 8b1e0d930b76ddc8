"""Cells that no sensor is near: what of their extra drop is a trend over the pack, and what stands out of it.

Cold comes over a pack smoothly: neighbours are alike, ends and faces lead. A weak cell stands out of its near
neighbours, a weak module ends at its own ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NEIGHBOURS = 6
"""So many cells to either side are near neighbours (choice)."""
STEP_SHARE = 0.5
"""A run of cells whose drop rises by so much of its height from one cell to the next ends in a step (choice)."""


@dataclass(frozen=True)
class Run:
    """Neighbouring cells that no sensor is near and that drop more than the pack's middle.

    Attributes
    ----------
    cells
        Columns.
    height
        Median extra drop over the pack's middle, as a fraction.
    step
        Least rise at an end of the run that has cells outside it in its box; None where it has none.
    """

    cells: Ints
    height: float
    step: float | None

    @property
    def smooth(self) -> bool:
        """Whether it rises out of its neighbours without a step, as cold does."""
        return self.step is not None and self.step < STEP_SHARE * self.height


def trend(value: Floats, box: Ints, trusted: Bools) -> Floats:
    """Return (cells,) what the near neighbours of each cell in its box lead up to, itself left out.

    Towards the warm end never less than the least of them: a fall does not go on for ever.
    """
    out = np.zeros(len(value))
    for i in range(len(value)):
        low, high = max(i - NEIGHBOURS, 0), i + NEIGHBOURS + 1
        beside = np.arange(low, min(high, len(value)))
        beside = beside[(beside != i) & (box[beside] == box[i]) & trusted[beside]]
        if len(beside) >= 3:
            out[i] = max(_at(beside, value[beside], i), float(value[beside].min()))
        elif len(beside):
            out[i] = float(np.median(value[beside]))
    return out


def _at(place: Ints, value: Floats, i: int) -> float:
    """Return a robust straight line's value at place i: median of slopes (Theil, 1950), median of what is left."""
    a, b = np.triu_indices(len(place), 1)
    slope = float(np.median((value[b] - value[a]) / (place[b] - place[a])))
    return float(np.median(value - slope * (place - i)))


def runs(value: Floats, module: Ints, box: Ints, far: Bools, trusted: Bools, least: float) -> list[Run]:
    """Return the runs of whole modules without a sensor whose cells drop more by `least` or more.

    Parameters
    ----------
    value
        (cells,) extra drop over the pack's middle, as a fraction, the temperatures that are known taken out.
    module, box
        (cells,) numbers.
    far
        (cells,) True where no sensor is near.
    """
    names = np.unique(module)
    height = {}
    for g in names:
        here = (module == g) & trusted
        if here.sum() >= 2 and far[module == g].all():
            # cold comes to all cells of a module: of an even number the lower of the middle two, of two the lesser
            height[int(g)] = float(np.quantile(value[here], 0.5, method="lower"))
    out: list[Run] = []
    taken: set[int] = set()
    for g in names:
        if int(g) in taken or height.get(int(g), -1.0) < least:
            continue
        group = [int(g)]
        home = box[module == g][0]
        while height.get(group[-1] + 1, -1.0) >= least and box[module == group[-1] + 1][0] == home:
            group.append(group[-1] + 1)
        taken |= set(group)
        cells = np.flatnonzero(np.isin(module, group) & trusted)
        out.append(Run(cells, float(median(value[cells])), _edge(value, cells, box, trusted)))
    return out


def _edge(value: Floats, cells: Ints, box: Ints, trusted: Bools) -> float | None:
    """Return the least rise from the two cells outside an end of a run to the two inside it, the trend allowed for."""
    rises = []
    for end, way in ((int(cells[0]), -1), (int(cells[-1]), 1)):
        outside = [i for i in (end + way * k for k in range(1, 5)) if 0 <= i < len(value)]
        outside = [i for i in outside if box[i] == box[end] and trusted[i]]
        if len(outside) < 2:
            continue
        inside = [i for i in cells if abs(i - end) < 2]
        rise = float(np.mean(value[inside]) - np.mean(value[outside[:2]]))
        if len(outside) >= 4:  # what rose over the last cells outside rises on
            rise -= max(float(np.mean(value[outside[:2]]) - np.mean(value[outside[2:4]])), 0.0)
        rises.append(rise)
    return min(rises) if rises else None
