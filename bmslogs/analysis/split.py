"""Emptier or smaller? The deviation of each cell split into charge offset, capacity and resistance.

The cells are fitted together (`common_fit`), and those that are far from the others one by one, laid onto the curve
that the others draw. Then the two explanations of each cell, other charge and a shifted reading, are weighed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import align
from bmslogs.analysis.common_fit import (
    POLARISATION_ERROR,
    SHAPE_SD,
    Split,
    SplitData,
    fit_together,
    mean_over,
)
from bmslogs.analysis.models.lone_cell import StringCurve, lone_cell
from bmslogs.analysis.shifted_reading import weigh_shifts

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Curve = Callable[[Floats], Floats]
"""What lies over a charge drawn [Ah]."""

SHARED_POINTS = 80
"""Places on the string's curve at which what the model leaves of all cells alike is gathered (choice)."""
BEYOND_ASIDE = 0.5
"""How far the knee beyond what the string covered may lie elsewhere, as a share of the distance, on a curve with a
plateau (choice, one sd)."""
SEVERAL = 3
"""So many cells are not each like no other by chance (choice)."""
BETTER_AMONG = 1.5
"""What is left of a far cell by itself over what is left of it in the fit with all: from here on it belongs there
(choice)."""
FAR_OFFSET, FAR_LACK, FAR_MISFIT = 0.15, 0.16, 2.0
"""A cell beyond one of these (share of the capacity, b, misfit against the usual cell's) is fitted by itself: in one
fit with the others it would be held back by what is usual, and bend their curve (choice)."""


def split(data: SplitData, reference: Bools) -> Split:
    """Split the deviations of all cells over one span of a log.

    Parameters
    ----------
    data
        The readings of all cells.
    reference
        (cells,) cells whose readings are trusted; the others get no answer.

    Raises
    ------
    NotEnoughData
        So little charge moved that no curve can be drawn.
    """
    first = fit_together(data, reference)
    far = _far(first, data, reference)
    if not far.any():
        return _with_shifts(first, data, reference, _string(first, first.curve, first.slope, data.current))
    alone, string = _parted(data, reference, far)
    # laid onto the others by itself a cell must fit better than among them: one that does not may be like no other, of
    # several it was the curve that did not follow
    back = alone.far & ~_large(first, data) & (alone.misfit > BETTER_AMONG * first.misfit)
    if back.sum() >= SEVERAL:
        far = alone.far & ~back
        if not far.any():
            return _with_shifts(
                first, data, reference, _string(first, first.curve, first.slope, data.current)
            )
        alone, string = _parted(data, reference, far, more=False)
    alone = replace(alone, least_misfit=np.fmin(alone.misfit, first.misfit))
    return _with_shifts(alone, data, reference, string)


def _parted(data: SplitData, reference: Bools, far: Bools, more: bool = True) -> tuple[Split, StringCurve]:
    """Return the split with the far cells laid one by one onto what the others make, and that curve.

    With `more` those that part from the others only once the far ones no longer bend the curve are far as well.
    """
    found = fit_together(data, reference & ~far)
    if more:
        # without those that bent it the curve may part from others that had followed it
        wider = far | _far(found, data, reference & ~far)
        if wider.sum() > far.sum() and 2 * wider.sum() < reference.sum():
            far, found = wider, fit_together(data, reference & ~wider)
    curve, slope = _with_shared(found, data, *_beyond(found, data))
    aside = BEYOND_ASIDE if data.table is not None and data.table.flat else 0.0
    string = _string(found, curve, slope, data.current, aside)
    return _with_lone_cells(found, far, data, string), string


def _string(found: Split, curve: Curve, slope: Curve, current: Floats, aside: float = 0.0) -> StringCurve:
    """Return the string as single cells are laid onto it."""
    return StringCurve(
        curve, slope, found.q_low, found.q_high, found.polarisation, found.growing, current, aside
    )


def _with_shifts(found: Split, data: SplitData, reference: Bools, string: StringCurve) -> Split:
    """Return the split with the two explanations of every cell weighed."""
    weighed = weigh_shifts(
        data.volts[:, reference],
        data.charge[:, reference],
        string,
        np.stack([found.a, found.b, found.r, found.rho])[:, reference],
        data.block,
        data.worth,
        capacity=data.capacity,
        resistance=data.resistance,
        noise=data.noise,
        shape=SHAPE_SD * data.capacity,
    )
    out = np.full((5, len(reference)), np.nan)
    out[:, reference] = weighed.shift, weighed.se, weighed.odds, weighed.sound, weighed.sound_se
    return replace(
        found,
        shift=out[0],
        shift_se=out[1],
        shift_odds=out[2],
        sound_shift=out[3],
        sound_shift_se=out[4],
        shift_looks_like=weighed.looks_like,
    )


def _far(found: Split, data: SplitData, reference: Bools) -> Bools:
    """Return (cells,) True where a cell is far from the others; never half of them."""
    with np.errstate(invalid="ignore"):
        far = (_large(found, data) | (found.misfit > FAR_MISFIT)) & reference
    if 2 * far.sum() < reference.sum():
        return far
    # a few may have bent the curve so far that most part from it: those that part most from the middle reading
    away = np.sqrt(
        ((data.volts - np.median(data.volts[:, reference], axis=1, keepdims=True)) ** 2).mean(axis=0)
    )
    usual = float(np.median(away[reference]))
    apart = reference & (away > 5.0 * usual)
    return np.asarray(apart if 2 * apart.sum() < reference.sum() else np.zeros_like(far), bool)


def _large(found: Split, data: SplitData) -> Bools:
    """Return (cells,) True where charge or capacity is so far from the others' that one fit holds it back."""
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(found.a) > FAR_OFFSET * data.capacity) | (np.abs(found.b) > FAR_LACK), bool)


def _with_lone_cells(found: Split, far: Bools, data: SplitData, string: StringCurve) -> Split:
    """Return the split with each far cell laid onto the string's curve."""
    a, b, r, rho = (v.copy() for v in (found.a, found.b, found.r, found.rho))
    formal, cluster = found.formal.copy(), found.cluster.copy()
    least, most, misfit = found.least.copy(), found.most.copy(), found.misfit.copy()
    se = {name: value.copy() for name, value in found.se.items()}
    for i in np.flatnonzero(far):
        known = None if data.excess is None else (float(data.excess[0][i]), float(data.excess[1][i]))
        one = lone_cell(
            data.volts[:, i],
            data.charge[:, i],
            string,
            data.block,
            data.worth,
            capacity=data.capacity,
            noise=data.noise,
            shape=SHAPE_SD * data.capacity,
            resistance=data.resistance,
            excess=known,
        )
        a[i], b[i], r[i], rho[i] = one.values
        formal[i], cluster[i] = one.formal, one.cluster
        least[i], most[i], misfit[i] = *one.span, max(one.misfit, 1.0)
        for k, name in enumerate(("a", "b", "r", "rho")):
            se[name][i] = float(np.sqrt(max(one.formal[k, k], one.cluster[k, k])))
    return replace(
        found,
        a=a,
        b=b,
        r=r,
        rho=rho,
        formal=formal,
        cluster=cluster,
        least=least,
        most=most,
        misfit=misfit,
        se=se,
        far=far,
    )


def _beyond(found: Split, data: SplitData) -> tuple[Curve, Curve]:
    """Return the string's curve and its slope over the charge drawn, going on as the table where the string ends."""
    table, capacity = data.table, data.capacity
    if table is None:
        return found.curve, found.slope
    q = np.linspace(found.q_low, found.q_high, 80)
    blur = POLARISATION_ERROR * np.abs(found.mean_polarisation(q))
    place = align(q, found.curve(q), table, capacity, under_load=blur, rests=data.anchors)
    grid = np.linspace(found.q_low - 1.6 * capacity, found.q_high + 1.6 * capacity, 6001)
    inside = np.clip(grid, found.q_low, found.q_high)
    level = found.curve(inside) + table.beyond(place.soc(grid)) - table.beyond(place.soc(inside))
    slope = np.gradient(level, grid)
    return (lambda x: np.interp(x, grid, level)), (lambda x: np.interp(x, grid, slope))


def _with_shared(found: Split, data: SplitData, curve: Curve, slope: Curve) -> tuple[Curve, Curve]:
    """Return a curve and its slope with what the model leaves of all cells alike at one charge.

    Where a smooth curve does not follow a bend that all cells have, a cell laid onto it by itself would be blamed.
    """
    known = np.isfinite(found.a)
    place = data.charge[:, known] * (1 + found.b[known]) - found.a[known]
    drop = (
        found.polarisation[:, None]
        + found.growing[:, None] * found.r[known]
        - found.rho[known] * data.current[:, None]
    )
    left = data.volts[:, known] - found.curve(place) - drop
    grid = np.linspace(found.q_low, found.q_high, SHARED_POINTS)
    shared = mean_over(place.ravel(), left.ravel(), grid)
    # its slope from point to point is noise beside the curve's own
    return (lambda x: curve(x) + np.interp(x, grid, shared)), slope
