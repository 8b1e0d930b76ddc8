"""Which cells hold less than the others."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.results import Finding
from bmslogs.findings.case import METER_FIRST, SURE_SHARE, Case, finding, percent, standing_out
from bmslogs.findings.registry import CAUSES

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


LARGER_MOST = 0.012
"""A sound cell that began beside the others and is larger lags by no more, as a share of what was charged (judgement:
the usual spread of a lot)."""
FIT_TRUSTED = 1.0
"""A capacity that the fit knows to so many practical sizes is not asked of the rests (choice)."""


def capacity(case: Case) -> list[Finding]:
    """Cells that hold less than the others."""
    k = case.knowledge
    found = k.capacity
    least = CAUSES["capacity_low"].least or 0.03
    # what began alike and is first all the same is smaller, whatever the fit can say of it
    first = (k.leads.shortfall[0] > SURE_SHARE * least) & (np.abs(k.leads.bounds[0]) > lead_of_weight(case))
    rests = k.between_rests
    whole = ~first & (rests.shortfall[0] > SURE_SHARE * least) & (rests.shortfall.mean(axis=0) > least)
    if isinstance(found, str):
        return _by_rests(case, first, whole)
    # a cell that the fit follows is told by it
    with np.errstate(invalid="ignore"):
        whole &= ~(found.half_relative < FIT_TRUSTED * least)
    value = np.nan_to_num(found.relative - 1.0)
    known = (
        k.study.harness.trusted & ~k.place.shifted & np.isfinite(found.half_relative) & ~k.left_on_the_flat
    )
    known = known & ~_leaked_away(case, value)
    half_width = np.nan_to_num(found.half_relative, nan=1.0)
    stand = standing_out(value, half_width, least, known, valleys=k.study.readings.curve.flat) & (value < 0)
    out = []
    for i in np.flatnonzero(stand):
        cell, size, half = case.cells[i], float(value[i]), float(found.half_relative[i])
        because = [
            f"capacity_relative of cell {cell}: {found.relative[i]:.3f} +- {half:.3f} of the pack's middle"
        ]
        if found.absolute_known:
            because.append(
                f"capacity of cell {cell}: {found.ampere_hours[i]:.1f} +- {found.half_ampere_hours[i]:.1f} Ah"
            )
        out.append(
            finding(
                case.pack,
                "capacity_low",
                "act" if size < -0.10 else "look",
                [cell],
                f"{case.place(cell)}: this cell holds {percent(size, 1)} less than the pack's middle.",
                because,
                SMALL,
                size=size,
                half=half,
            )
        )
    out += _by_rests(case, first & ~stand, whole & ~stand)
    unlike = _unlike_any(case) & known & ~stand & ~first & ~whole
    return out + [_unlike_finding(case, int(i)) for i in np.flatnonzero(unlike)]


def _leaked_away(case: Case, value: Floats) -> Bools:
    """(cells,) True where what a cell surely leaks may be all that it seems to hold less; what is beyond is told."""
    leak, counted = case.knowledge.leak, case.knowledge.study.counted
    if isinstance(leak, str):
        return np.zeros(len(value), bool)
    sure = np.nan_to_num(leak.amps - leak.half, nan=-1.0) > 0.0
    most = np.nan_to_num(leak.amps + leak.half) * counted.hours
    return np.asarray(sure & (most > np.abs(value) * counted.span), bool)


def _by_rests(case: Case, first: Bools, whole: Bools) -> list[Finding]:
    """Return the findings of cells that rests tell to be smaller: by one and the end that followed, or by two."""
    out = [_first_for_small(case, int(i)) for i in np.flatnonzero(first)]
    return out + [_small_between_rests(case, int(i)) for i in np.flatnonzero(whole)]


SMALL = [
    "Keep the pack within the limits of this cell: it is empty first.",
    "Balancing does not mend it; see gain_by_replacing for what a swap of its module would win.",
    METER_FIRST,
    "Confirm with a second charge or discharge over the same span before a module is swapped.",
]


def _small_between_rests(case: Case, i: int) -> Finding:
    """A cell that went through more of its curve than the others from one rest to another."""
    cell, rests = case.cells[i], case.knowledge.between_rests
    least, most = (float(x) for x in rests.shortfall[:, i])
    return finding(
        case.pack,
        "capacity_low",
        "act" if 0.5 * (least + most) > 0.10 else "look",
        [cell],
        f"{case.place(cell)}: between two rests this cell went through more of its charge than the others: it holds "
        f"{percent(least, 1)} to {percent(most, 1)} less.",
        [
            f"{rests.moved[i] * 100:.0f} % of the capacity flowed between the rests; what each rest tells of this cell "
            "against the middle one, with the error of the curve's slope, parts by so much"
        ],
        SMALL,
        size=-0.5 * (least + most),
        low=-most,
        high=-least,
    )


def lead_of_weight(case: Case) -> Floats:
    """Return (cells,) from which lead on a cell that is first is of practical weight, emptier or smaller alike."""
    least = CAUSES["soc_offset_low"].least or 0.01
    leads, small = case.knowledge.leads, CAUSES["capacity_low"].least or 0.03
    # of a cell that stayed on the flat the bound says little of how far it is behind; a sound one may be larger, too
    lag = np.maximum(SURE_SHARE * least, LARGER_MOST * leads.spans)
    return np.where(leads.lags, lag, np.maximum(least, small * leads.spans))


def _first_for_small(case: Case, i: int) -> Finding:
    """A cell that was not ahead at rest, and is first at the end."""
    cell, leads = case.cells[i], case.knowledge.leads
    least, most = (float(x) for x in leads.shortfall[:, i])
    fuller = leads.bounds[0, i] > 0
    return finding(
        case.pack,
        "capacity_low",
        "act" if 0.5 * (least + most) > 0.10 else "look",
        [cell],
        f"{case.place(cell)}: this cell is {'full' if fuller else 'empty'} before the others though it stood beside "
        f"them at rest when the {'charge' if fuller else 'discharge'} began: it holds at least {percent(least, 1)} "
        "less.",
        [
            f"at the end it is {percent(abs(float(leads.bounds[0, i])), 1)} of charge ahead or more, after "
            f"{leads.spans[i] * 100:.0f} % were moved; what it was ahead at rest, with its error, is taken off"
        ],
        SMALL,
        size=-least,
        high=-least,
    )


UNLIKE_EXCESS = 0.15
"""A cell whose resistance is off by more is told by that (choice)."""
UNLIKE_MISFIT, UNLIKE_OTHERS = 8.0, 3.0
"""A cell that no charge, capacity or resistance lays onto the others' curve to within so many expected errors is named,
though it cannot be sized; where others part from it by a good share of that, the curve is at fault (choice)."""


def _unlike_any(case: Case) -> Bools:
    """(cells,) True where a cell was fitted by itself, and badly, and its charge alone is not known to explain it."""
    k = case.knowledge
    split = k.study.charge.split
    misfit = np.nan_to_num(split.least_misfit)
    next_best = np.array([np.delete(misfit, i).max(initial=0.0) for i in range(len(misfit))])
    out = np.asarray(split.far & (misfit > UNLIKE_MISFIT) & (misfit > UNLIKE_OTHERS * next_best), bool)
    # so does one that lost charge while nobody looked, and that is told
    if k.lost_asleep is not None:
        out &= ~k.lost_asleep.fallen
    # a contact that comes and goes, or a drop of its own, leaves as much
    out[[joint.column for joint in k.study.bursts.found[0]]] = False
    if k.study.resistance.excess is not None:
        size, se = (np.nan_to_num(v) for v in k.study.resistance.excess)
        out &= np.abs(size) - 2.0 * se < UNLIKE_EXCESS
    left = k.remaining
    if left is not None:
        out &= ~(np.abs(np.nan_to_num(left.value)) > 2.0 * np.nan_to_num(left.half, nan=np.inf))
    return np.asarray(out & ~(np.abs(k.leads.bounds[0]) > (CAUSES["soc_offset_low"].least or 0.01)), bool)


def _unlike_finding(case: Case, i: int) -> Finding:
    cell, misfit = case.cells[i], case.knowledge.study.charge.split.least_misfit[i]
    return finding(
        case.pack,
        "capacity_low",
        "look",
        [cell],
        f"{case.place(cell)}: this cell does not follow the others' curve, whatever charge and capacity it is given; "
        "take it for smaller until a whole charge tells.",
        [
            f"what the best fit leaves of it is {misfit:.0f} times what is usual; "
            "lithium or active material that was lost bends a cell's curve, and so does a reading that is wrong"
        ],
        [
            "Keep the pack within the limits of this cell.",
            METER_FIRST,
            "Log one whole charge or discharge between two rests of an hour, and compare its reading with a meter.",
        ],
    )


def capacity_suspects(case: Case) -> Bools:
    """(cells,) True where the capacity rule names the cell."""
    return np.isin(case.cells, [c for f in capacity(case) for c in f.cells])


def surely_smaller(case: Case, i: int) -> float | None:
    """Return what a cell surely lacks of the median cell's capacity, as a fraction; None where it may lack nothing."""
    found = case.knowledge.capacity
    if isinstance(found, str) or not np.isfinite(found.half_relative[i]):
        return None
    if _leaked_away(case, np.nan_to_num(found.relative - 1.0))[i]:
        return None
    least = CAUSES["capacity_low"].least or 0.03
    lacks = 1.0 - float(found.relative[i])
    return lacks if lacks - float(found.half_relative[i]) > SURE_SHARE * least else None


def capacity_known(case: Case, i: int) -> bool:
    """Whether the log knows the cell's capacity well enough to say that it is not small."""
    found = case.knowledge.capacity
    if isinstance(found, str) or not np.isfinite(found.half_relative[i]):
        return False
    least = CAUSES["capacity_low"].least or 0.03
    return bool(found.relative[i] - found.half_relative[i] > 1.0 - 1.5 * least)
