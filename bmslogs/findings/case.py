"""What the rules look at: the knowledge of one log, and how places and sizes are put into words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.statistics import outliers, robust_scale
from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding, Level
from bmslogs.findings.registry import CAUSES

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Case:
    """One log to be weighed."""

    knowledge: Knowledge

    @property
    def pack(self) -> Pack:
        """The pack."""
        return self.knowledge.study.readings.pack

    @property
    def cells(self) -> tuple[int, ...]:
        """Cell numbers by column."""
        return self.knowledge.study.readings.cells

    def place(self, cell: int) -> str:
        """The place of a cell as the builder names it."""
        return self.pack.place(cell)

    def places(self, cells: Iterable[int]) -> str:
        """Several places in words."""
        return places(self.pack, list(cells))


def places(pack: Pack, cells: list[int]) -> str:
    """Return the places of `cells` in words; a whole module is named as such."""
    if not cells:
        return "the pack"
    if len(cells) == 1:
        return pack.place(cells[0])
    names = {pack.module_of(c) for c in cells}
    listed = (
        f"cells {cells[0]} to {cells[-1]}"
        if len(cells) > 3 and cells == list(range(cells[0], cells[-1] + 1))
        else "cells " + ", ".join(str(c) for c in cells[:-1]) + f" and {cells[-1]}"
    )
    if len(names) == 1 and None not in names:
        module = names.pop()
        box = pack.box_of(module)
        return ", ".join(
            [
                *([box if "box" in box.lower() else f"{box} box"] if box else []),
                f"module {module}",
                listed,
            ]
        )
    return listed


def module_of(pack: Pack, cells: Iterable[int]) -> str | None:
    """Return the module that holds all of `cells`, None where they lie in several or modules are not described."""
    names = {pack.module_of(c) for c in cells}
    return names.pop() if len(names) == 1 else None


def percent(value: float, digits: int = 0) -> str:
    """Return a fraction as per cent, without a sign."""
    return f"{abs(value) * 100:.{digits}f} %"


SURE_SHARE = 0.5
"""Share of the least practical size that the nearer bound of a difference must pass for a `look` (choice)."""


OWN_SCATTER_CELLS, OWN_SCATTERS = 10, 2.0
"""Among as many cells their own scatter tells how unlike they are, and no width counts for more than so many of it
(choice)."""


def standing_out(
    value: Floats,
    half: Floats,
    least: float,
    known: Bools,
    also: tuple[Floats, Floats] | None = None,
    valleys: bool = False,
) -> Bools:
    """Return True where a value stands out: larger than `least` either way, surely not nought, unlike the others.

    Parameters
    ----------
    value, half
        (cells,) difference from the pack's middle and its half width.
    least
        Least size of practical weight.
    known
        (cells,) where there is a value.
    also
        (cells,) values and their half widths at another state: to be as large there, of the same sign and unlike the
        others will do; None where there is no other.
    valleys
        True where the fit of a cell may have come to rest elsewhere than the others', as on a flat curve: how close
        these lie together then says nothing of it, and its own width counts.
    """
    out = np.zeros(len(value), bool)
    if not known.any():
        return out
    material = _material(value, half, least, known)
    if known.sum() >= 6:
        unlike = _unlike(value, half, known, valleys)
        if also is not None:
            other, other_half = also
            fit = known & np.isfinite(other) & np.isfinite(other_half)
            there = _material(np.nan_to_num(other), np.nan_to_num(other_half, nan=np.inf), least, fit)
            unlike |= there & _unlike(other, other_half, fit) & (np.sign(other) == np.sign(value))
        material &= unlike
    return np.asarray(material, bool)


def _material(value: Floats, half: Floats, least: float, known: Bools) -> Bools:
    size = np.abs(value)
    return np.asarray(known & (size >= 0.98 * least) & (size - half > SURE_SHARE * least), bool)


def _unlike(value: Floats, half: Floats, known: Bools, valleys: bool = False) -> Bools:
    """Return True where a value does not belong to the others; none where fewer than six are known."""
    if known.sum() < LEAST_OTHERS:
        return np.zeros(len(value), bool)
    # cells that the log hardly tells of lie at one value, such as a reading that never left its step: no scatter
    told = known & (half <= TOLD_ALIKE * float(np.quantile(half[known], 0.25)))
    if told.sum() < LEAST_OTHERS:
        told = known
    out = _far(value, half, told, known, valleys)
    # one that is told less well than those must be as far by its own width
    return np.asarray(out & (told | (np.abs(value) > OWN_HALVES * half)), bool)


def _far(value: Floats, half: Floats, among: Bools, known: Bools, valleys: bool) -> Bools:
    """Return (cells,) True for the known cells that lie far out of those among which scatter is measured."""
    x = np.where(among, value, np.nan)
    floor = float(np.nanmedian(np.where(among, half, np.nan))) / 2.0
    if among.sum() >= OWN_SCATTER_CELLS and not valleys:
        # where the cells lie far closer together than their widths, these are what all share
        floor = min(floor, OWN_SCATTERS * robust_scale(x, 0.0))
    with np.errstate(invalid="ignore"):
        far = np.abs(np.where(known, value, np.nan) - np.nanmedian(x)) > 3.5 * robust_scale(x, floor)
    return np.asarray(outliers(x, floor=floor) | far, bool)


LEAST_OTHERS = 6
"""Fewer cells show no scatter to speak of (choice)."""
TOLD_ALIKE, OWN_HALVES = 2.0, 1.25
"""Cells with intervals up to so many times as wide as those of the best told quarter say how far cells scatter; any
other must be so many of its own half widths from them (choice: 2.4 standard errors, part of it a slope's)."""


def finding(
    case_pack: Pack,
    cause: str,
    level: Level,
    cells: Iterable[int],
    says: str,
    because: Iterable[str],
    steps: Iterable[str],
    *,
    size: float | None = None,
    half: float | None = None,
    low: float | None = None,
    high: float | None = None,
    sensor: str | None = None,
    module: str | None = None,
    unit: str | None = None,
) -> Finding:
    """Return a finding with what follows from the registry and the pack filled in.

    `half` gives both bounds about `size`; `low` or `high` alone a size that is a bound ("at least").
    """
    listed = tuple(sorted(int(c) for c in cells))
    return Finding(
        cause=cause,
        level=level,
        says=says,
        cells=listed,
        module=module if module is not None else (module_of(case_pack, listed) if listed else None),
        sensor=sensor,
        size=size,
        low=low if size is None or half is None else size - half,
        high=high if size is None or half is None else size + half,
        unit=CAUSES[cause].unit if unit is None else unit,
        because=tuple(because),
        next=tuple(steps),
    )


METER_FIRST = (
    "Before a lid is opened: isolate, lock, prove dead with a rated meter; "
    "taps stay live with the contactors open."
)
