"""Which cells are emptier or fuller than the others at full charge: what balancing can mend."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.signals.excursions import row_lengths
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.pack_claims import LIMIT_RANGE_V
from bmslogs.base.results import Finding
from bmslogs.findings.case import METER_FIRST, Case, finding, percent, standing_out
from bmslogs.findings.registry import CAUSES
from bmslogs.findings.rules_capacity import capacity_known, capacity_suspects, lead_of_weight, surely_smaller

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def charge_offsets(case: Case) -> list[Finding]:
    """Cells that are emptier or fuller than the others at full charge: what balancing can mend."""
    k = case.knowledge
    least = CAUSES["soc_offset_low"].least or 0.01
    found = k.remaining
    out: list[Finding] = []
    named = np.zeros(len(case.cells), bool)
    if found is not None:
        known = (
            k.study.harness.trusted & ~k.place.shifted & np.isfinite(found.value) & np.isfinite(found.half)
        )
        named = standing_out(
            np.nan_to_num(found.value),
            np.nan_to_num(found.half, nan=1.0),
            least,
            known,
            also=_at_first_row(k),
        )
        named &= ~_alike_at_rest(case, found.value)
        out, of_board = _board_offsets(case, found.value, known, least)
        doubted = k.place.shifted_or_charged & (found.half > UNSURE_SHARE * np.abs(found.value))
        for i in np.flatnonzero(named & ~of_board):
            instead = float(k.place.shift_instead[i])
            shift = float(k.study.charge.first_split.shift[i]) if doubted[i] else None
            why = EITHER
            if np.isfinite(instead):
                shift, why = instead, ONE_NUMBER
            size, half = float(found.value[i]), float(found.half[i])
            out.append(_offset_finding(case, int(i), size, half, shift, why))
            if shift is not None:
                out.append(_or_shifted(case, int(i), shift, why))
        named |= of_board
    # who is first at the end of a charge is plain even where the flat of a curve does not let it be sized; emptier or
    # smaller, it must be of practical weight as either
    small = capacity_suspects(case)
    for i in np.flatnonzero((np.abs(k.leads.bounds[0]) > lead_of_weight(case)) & ~named & ~small):
        told = _lag_finding if k.leads.lags[i] else _lead_finding
        out.append(told(case, int(i), *(float(bound) for bound in k.leads.bounds[:, i])))
    return out


UNSURE_SHARE = 0.5
"""Where the charge that a cell lacks is not even known to so large a share of itself, a shifted reading is named beside
it (choice)."""
REST_SHARE = 0.5
"""A rest near full that leaves less than this share of an offset at full speaks against it (choice)."""


def _alike_at_rest(case: Case, value: Floats) -> Bools:
    """(cells,) True where a rest near full shows that the cell stands there much nearer to the others than `value`."""
    rests = case.knowledge.between_rests
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(rests.near_full) + rests.half < REST_SHARE * np.abs(value), bool)


BALANCE_LOW = (
    "Charge to the knee, attended and at a low rate, and let the balancing bleed the other cells down to it."
)
BALANCE_HIGH = "Let the balancing bleed this cell near full charge; see bleed_needed and balancing_time."
BOARD_SCATTERS, BOARD_LEAST_CELLS = 3.0, 4
"""A board's cells are off alike where their middle is so many times their own scatter and the others' (choice)."""


def _board_offsets(case: Case, value: Floats, known: Bools, least: float) -> tuple[list[Finding], Bools]:
    """Return one finding for each board whose cells are all emptier or fuller alike, and which cells these are.

    Only of boards over several modules: one module may have come in emptier as a whole.
    """
    out, taken = [], np.zeros(len(value), bool)
    for board in case.pack.sense_boards:
        here = np.isin(case.cells, board.cells) & known
        modules = {case.pack.module_of(case.cells[i]) for i in np.flatnonzero(here)}
        rest = known & ~np.isin(case.cells, board.cells)
        one_module = len(modules) == 1 and modules != {None}
        # of two halves of a string either may be off
        if not BOARD_LEAST_CELLS <= here.sum() < rest.sum() or one_module:
            continue
        middle = float(np.median(value[here]) - np.median(value[rest]))
        scatter = max(robust_scale(value[here], 1e-4), robust_scale(value[rest], 1e-4))
        alike = bool((np.sign(value[here] - np.median(value[rest])) == np.sign(middle)).all())
        if abs(middle) < least or abs(middle) < BOARD_SCATTERS * scatter or not alike:
            continue
        taken |= here
        out.append(_board_finding(case, [case.cells[i] for i in np.flatnonzero(here)], middle))
    return out, taken


def _board_finding(case: Case, cells: list[int], share: float) -> Finding:
    k = case.knowledge
    span = k.place.soc_span or (0.5, 0.5)
    volts = share * float(np.mean(k.study.readings.curve.slope(np.linspace(*span, 9))))
    return finding(
        case.pack,
        "channel_offset",
        "look",
        cells,
        f"{case.places(cells)}: all cells of this measuring board read about {abs(volts) * 1e3:.0f} mV "
        f"{'high' if volts > 0 else 'low'} at once; or all of them are {percent(share, 1)} of charge "
        f"{'fuller' if share > 0 else 'emptier'}, which a meter decides.",
        [
            "the cells of one board differ from all others by the same amount, and little among themselves: one board "
            "that is off explains them by one number"
        ],
        [
            METER_FIRST,
            "Measure two of these cells and two others at rest with a meter and compare with the readings.",
            "Do not balance by these readings until then.",
        ],
        size=volts,
        half=0.5 * abs(volts),
        unit="V",
    )


LOOK_AGAIN = (
    "Look again after one or two charges: a cell that had only drifted stays put, one that wants the same bleed again "
    "leaks or is weak (common practice)."
)
BENCH = "Where bleeding would take longer than a day, charge the low module on the bench instead, within its limits."
SPAN = (
    "Log one whole charge or discharge between two rests of an hour: it tells an emptier cell from a smaller one. "
    "Until then treat it as the smaller one: keep the pack within its limits."
)


EITHER = (
    "over the charge that this log covers the curve hardly bends: told from the other parts of the log, other charge "
    "and a shifted reading tell each part alike"
)
ONE_NUMBER = (
    "its charge and its capacity part from the others' both by what one shifted reading looks like: one number "
    "explains the two"
)
METER = (
    "Measure this cell and its neighbour at rest with a meter: it tells a shifted reading from other charge."
)


NO_CHARGE = [
    "Do not charge: a cell found below its lower limit is not charged again without the maker's advice.",
    METER_FIRST,
    "Measure the cell itself with a meter: the channel or its wire may be at fault, or the cell is dead.",
]
TOO_LOW_S = 60.0
"""So long at rest below its lower limit no sag explains it [s] (choice)."""


def _stood_too_low(case: Case, i: int) -> str | None:
    """Return what is said of a cell that stood at rest below its lower limit; None where it did not.

    Without a limit that a cell can have in the pack file the end of the curve is one.
    """
    study = case.knowledge.study
    readings = study.readings
    bound = case.pack.limits.voltage_min_V
    if bound is None or not LIMIT_RANGE_V[0] <= bound <= LIMIT_RANGE_V[1]:
        bound = float(readings.curve.volt[0])
    volts = readings.log.cell_voltage[:, i]
    with np.errstate(invalid="ignore"):
        under = study.flow.quiet & (volts < bound - readings.log.voltage_step)
    if float(row_lengths(readings.seconds)[under].sum()) < TOO_LOW_S:
        return None
    return (
        f"it stands at {float(np.median(volts[under])):.2f} V at rest, below the {bound:.2f} V at which a cell of this "
        "pack is empty: it is no cell to charge or balance until it is known to be sound."
    )


def _offset_finding(
    case: Case, i: int, size: float, half: float, shift: float | None = None, why: str = ""
) -> Finding:
    k, cell, low = case.knowledge, case.cells[i], size < 0
    ah = size * k.study.readings.capacity
    because = [
        f"it {'lacks' if low else 'has'} {abs(ah):.2f} +- {half * k.study.readings.capacity:.2f} Ah "
        f"{'to the' if low else 'more than the'} pack's middle at full charge, capacities allowed for"
    ]
    top = k.top
    if not isinstance(top, str) and np.isfinite(top.missing[i]):
        because.append(
            f"charge_to_full when the charge ended: {top.missing[i]:.2f} +- {top.half_missing[i]:.2f} Ah"
        )
    known, lacks = capacity_known(case, i), surely_smaller(case, i)
    if not known and lacks is None:
        because.append(
            "the capacity of this cell is not known well enough from this log to say that it is not smaller"
        )
    says = (
        "it needs balancing, not replacing." if known else "whether it is smaller too, this log cannot tell."
    )
    if lacks is not None and not known:
        says = f"it is smaller as well, by {percent(lacks)}: balancing alone does not mend it."
    if shift is not None:
        says += f" Or its reading is shifted by {shift * 1e3:+.0f} mV: this log cannot tell the two apart."
        because.append(why)
    sure = abs(size) - (half if why == EITHER else 0.0)
    dead = _stood_too_low(case, i) if low else None
    if dead is not None:
        says = dead
    return finding(
        case.pack,
        "soc_offset_low" if low else "soc_offset_high",
        "act" if sure > 0.08 or dead is not None else "look",
        [cell],
        f"{case.place(cell)}: this cell is {percent(size, 1)} of charge {'emptier' if low else 'fuller'} than the "
        f"pack's middle; {says}",
        because,
        NO_CHARGE
        if dead is not None
        else [
            *([METER_FIRST, METER] if shift is not None else []),
            BALANCE_LOW if low else BALANCE_HIGH,
            *([] if known or lacks is not None else [SPAN]),
            LOOK_AGAIN,
            BENCH,
        ],
        size=size,
        half=half,
    )


def _or_shifted(case: Case, i: int, shift: float, why: str) -> Finding:
    """The other explanation of a cell whose charge can hardly be told: its reading is off."""
    cell = case.cells[i]
    split = case.knowledge.study.charge.first_split
    return finding(
        case.pack,
        "channel_offset",
        "look",
        [cell],
        f"{case.place(cell)}: the reading is shifted by {shift * 1e3:+.0f} mV, or this cell holds other charge than "
        "the rest: this log cannot tell the two apart.",
        [why],
        [METER_FIRST, METER, "Do not balance by this reading until then: it would unbalance the pack."],
        size=shift,
        half=float(2.0 * split.shift_se[i] + case.knowledge.study.readings.log.voltage_step / 2.0),
    )


def _lead_finding(case: Case, i: int, bound: float, most: float) -> Finding:
    cell, fuller = case.cells[i], bound > 0
    end = "full" if fuller else "empty"
    dead = None if fuller else _stood_too_low(case, i)
    which = f"{'fuller' if fuller else 'emptier'} or smaller, this log cannot tell." if dead is None else dead
    return finding(
        case.pack,
        "soc_offset_high" if fuller else "soc_offset_low",
        "act" if abs(most) > 0.08 or dead is not None else "look",
        [cell],
        f"{case.place(cell)}: this cell is {end} before the others, by at least {percent(bound, 1)} of charge; {which}",
        [
            f"at the end of the {'charge' if fuller else 'discharge'} it stands so far "
            f"{'above' if fuller else 'below'} "
            "the others that neither its resistance nor the table explains it; where the others stand on the flat of "
            "their curve its lead cannot be sized"
        ],
        NO_CHARGE if dead is not None else [BALANCE_HIGH if fuller else BALANCE_LOW, SPAN, LOOK_AGAIN],
        size=bound,
        low=bound if fuller else None,
        high=None if fuller else bound,
    )


def _lag_finding(case: Case, i: int, bound: float, most: float) -> Finding:
    """A cell that is left behind on the flat of its curve when a charge ends."""
    cell = case.cells[i]
    return finding(
        case.pack,
        "soc_offset_low",
        "act" if abs(most) > 0.08 else "look",
        [cell],
        f"{case.place(cell)}: when the charge ended the others had left the flat of their curve and this cell had not: "
        f"it is at least {percent(abs(bound), 1)} of charge emptier.",
        [
            "the others stood where this cell stood at the end by at least so much charge before "
            "the charge ended; on the "
            "flat itself how far it is behind cannot be sized"
        ],
        [BALANCE_LOW, LOOK_AGAIN, BENCH],
        size=bound,
        high=bound,
    )


def _at_first_row(k: Knowledge) -> tuple[Floats, Floats] | None:
    """Return the offsets at the first row and their half widths, where they are known.

    Cells of several capacities agree in one place only; where this log began may be nearer to it than full is.
    """
    found = k.offset
    return None if isinstance(found, str) else (found.value, found.half)
