"""Rules about the cells themselves: resistance, joints, capacity, charge, self-discharge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.known import ResistanceKnown
from bmslogs.analysis.models import cell_or_joint, cell_warmth, cold_or_weak
from bmslogs.analysis.models.supply_block import ALIKE, Block, supply_blocks
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import METER_FIRST, SURE_SHARE, Case, finding, percent, standing_out
from bmslogs.findings.registry import CAUSES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LEAK_PER_AH = 14e-6
"""One per cent of charge in a month: the least leak of practical weight [A per Ah] (common practice, no source)."""


def resistance(case: Case) -> list[Finding]:
    """Cells and joints that drop more than the others; cold told from weak."""
    found = case.knowledge.resistance
    if isinstance(found, str):
        return []
    j = _judged(case, found, CAUSES["cell_resistance_high"].least or 0.1)
    for joint in case.knowledge.study.loose[0]:
        # a contact that is open as often as not raises the mean by itself
        if joint.switches and j.value[joint.column] * found.middle < joint.ohm_high:
            j.stands[joint.column] = False
    groups: list[list[int]] = []
    for name, members in _modules(case):
        here = [i for i in members if j.stands[i]]
        if name is not None and len(members) >= 2 and len(here) >= max(2, 0.75 * len(members)):
            groups.append(here)
        else:
            groups += [[i] for i in here]
    return [_unwatched_finding(case, found, run) for run in j.runs] + [
        _resistance_finding(case, found, group, j.value, j.half, j.explained) for group in groups
    ]


@dataclass(frozen=True)
class _Judged:
    """What each cell drops more than its like: fraction, half width, whether it stands out, part of its temperature.

    `runs` are the cells without a sensor near that may be colder or weaker.
    """

    value: Floats
    half: Floats
    stands: Bools
    explained: Floats
    runs: list[cold_or_weak.Run]


def _judged(case: Case, found: ResistanceKnown, least: float) -> _Judged:
    study = case.knowledge.study
    module, box = _numbers(case)
    warmth = study.cell_warmth
    factor, factor_sd = cell_warmth.expected_factor(found.relative, warmth, module, study.trusted)
    usual_link = _usual_link(found.relative - factor, study.links, study.trusted)
    value = (found.relative - usual_link) / factor - 1.0
    half = np.hypot(found.half_relative, 1.96 * factor_sd * (1.0 + np.maximum(value, 0.0))) / factor
    known = study.trusted & np.isfinite(half)
    # a cell without a sensor near it is judged against its near neighbours, which are about as warm
    runs = cold_or_weak.runs(value, module, box, ~warmth.near, known, least)
    trend = np.where(warmth.near, 0.0, cold_or_weak.trend(value, box, known))
    for run in runs:
        trend[run.cells] = np.maximum(trend[run.cells], run.height)
    # and one of a module whose other cells are as they should be: these are its thermometer
    mates, shift, mates_sd = _mates(value, factor_sd / factor, module, known)
    lone = ~warmth.near | (np.abs(mates) < 0.5 * value)
    alone = (1.0 + value) / (1.0 + np.where(warmth.near, np.where(lone, shift, 0.0), trend)) - 1.0
    # towards a warm end the neighbours lead to less than the middle: no cell drops more for that
    alone = np.where(warmth.near, alone, np.minimum(alone, np.maximum(value, 0.0)))
    beside = NEIGHBOUR_K * cell_warmth.per_kelvin(warmth.middle if np.isfinite(warmth.middle) else 20.0)
    half_alone = np.hypot(found.half_relative / factor, 1.96 * np.where(warmth.near, mates_sd, beside) * (1.0 + alone))
    stands = np.where(
        lone, standing_out(alone, half_alone, least, known), standing_out(value, half, least, known & warmth.near)
    )
    value, half = np.where(lone, alone, value), np.where(lone, half_alone, half)
    # a finding must not say of a cell what its own estimate denies: it drops more as it was, too
    over = found.relative - 1.0 - usual_link
    raw = np.where(warmth.near, over - found.half_relative, np.minimum(alone, over))
    return _Judged(value, half, stands & (value > 0) & (raw > 0.35 * least), factor - 1.0, runs)


def _numbers(case: Case) -> tuple[Ints, Ints]:
    """Return the numbers of each cell's module and box, counted along the string."""
    modules = [case.pack.module_of(c) for c in case.cells]
    boxes = [case.pack.box_of(m) for m in modules]
    module, box = np.zeros(len(modules), np.int64), np.zeros(len(modules), np.int64)
    for i in range(1, len(modules)):
        module[i] = module[i - 1] + (modules[i] != modules[i - 1])
        box[i] = box[i - 1] + (boxes[i] != boxes[i - 1])
    return module, box


MODULE_SD = 0.03
"""How far a module's cells drop more or less than the pack's of themselves, as a fraction (one sd; judgement)."""


def _mates(value: Floats, sensor_sd: Floats, module: Ints, known: Bools) -> tuple[Floats, Floats, Floats]:
    """Return how much more the other cells of a cell's module drop, what of it is the error of its sensor, and its sd.

    Parameters
    ----------
    value, sensor_sd
        (cells,) extra drop as a fraction, and what of it the error of the temperature may make (one sd).
    """
    mates, shift, sd = np.full(len(value), np.inf), np.zeros(len(value)), sensor_sd.copy()
    for g in np.unique(module):
        members = np.flatnonzero((module == g) & known)
        for i in members if len(members) >= 3 else ():
            mates[i] = float(np.median(value[members[members != i]]))
            shift[i] = mates[i] * sensor_sd[i] ** 2 / (sensor_sd[i] ** 2 + MODULE_SD**2)
            sd[i] = 1.0 / np.sqrt(1.0 / max(sensor_sd[i], 1e-6) ** 2 + 1.0 / MODULE_SD**2)
    return mates, shift, sd


NEIGHBOUR_K = 0.5
"""How far a cell's temperature is from what its near neighbours lead up to (one sd; judgement) [K]."""
BOX_COLD = 0.35
"""Up to this extra drop a whole box without a sensor passes for colder by some ten kelvin (judgement)."""
NO_SENSOR = "Put a thermometer at these cells and repeat the drive: whether they are colder decides it."


def _unwatched_finding(case: Case, found: ResistanceKnown, run: cold_or_weak.Run) -> Finding:
    """Return what is said of modules that drop more and have no sensor near them: colder or weaker."""
    warmth = case.knowledge.study.cell_warmth
    cells = [case.cells[i] for i in run.cells]
    middle = warmth.middle if np.isfinite(warmth.middle) else 20.0
    width = float(np.max(found.half_relative[run.cells]))
    cold = cell_warmth.most_by_cold(middle)
    whole_box = run.step is None
    level: Level = "note" if run.smooth or (whole_box and run.height < BOX_COLD) else "look"
    if run.height - width > cold:
        level = "act"
    kelvin = np.log1p(run.height) / cell_warmth.per_kelvin(middle)
    says = (
        f"{case.places(cells)}: these cells drop {percent(run.height)} more voltage per ampere than the pack's middle; "
        "colder or weaker, no sensor is near."
    )
    because = [f"no temperature sensor is said to be near them; some {kelvin:.0f} K colder would make as much"]
    if run.smooth:
        because.append("it rises out of the cells beside them without a step, as cold does")
    elif not whole_box:
        because.append(f"it rises by {percent(run.step or 0.0)} at an end of these cells, more steeply than cold does")
    if level == "act":
        because.append(f"cold that is likely in a pack makes {percent(cold)} at most")
    return finding(
        case.pack, "cell_resistance_high", level, cells, says, because,
        [NO_SENSOR, METER_FIRST, "Look at the capacity and the self-discharge of the same cells.",
         "Swap the module and see whether the symptom follows it."],
        size=run.height, half=width,
    )


def _modules(case: Case) -> list[tuple[str | None, list[int]]]:
    names: dict[str | None, list[int]] = {}
    for i, cell in enumerate(case.cells):
        names.setdefault(case.pack.module_of(cell), []).append(i)
    return list(names.items())


def _usual_link(excess: Floats, links: Bools, trusted: Bools) -> Floats:
    """Return what a usual link adds to the cells with a link in their tap, where there are three or more of them."""
    out = np.zeros(len(excess))
    with_link = links & trusted
    if with_link.sum() >= 3 and (trusted & ~links).sum() >= 3:
        out[links] = max(float(np.median(excess[with_link]) - np.median(excess[trusted & ~links])), 0.0)
    return out


def _resistance_finding(
    case: Case, found: ResistanceKnown, group: list[int], value: Floats, half: Floats, expected: Floats
) -> Finding:
    study = case.knowledge.study
    cells = [case.cells[i] for i in group]
    size, width = float(np.mean(value[group])), float(np.max(half[group]))
    level: Level = "act" if size >= 0.2 else "look"
    cause = "cell_resistance_high"
    share, half_share = float(found.scale_share[group[0]]), float(found.half_scale_share[group[0]])
    because = [
        f"resistance_10s of cell {case.cells[i]}: {found.ohm[i] * 1e3:.3f} mohm, {percent(found.relative[i] - 1)} "
        f"above the pack's middle of {found.middle * 1e3:.3f} mohm" for i in group
    ]
    if np.abs(expected[group]).max() > 0.01:
        because.append(
            f"its temperature by the sensors accounts for {expected[group[0]] * 100:+.0f} %, which is taken out"
        )
    if len(group) == 1:
        link = bool(study.links[group[0]])
        described = bool(case.pack.modules)
        if link or not described:
            change, warmth = ((np.nan, np.nan),) * 2 if found.changes is None else (
                (float(found.changes[k][group[0]]), float(found.changes[k + 1][group[0]])) for k in (0, 2)
            )
            verdict = cell_or_joint.weigh((share, half_share), change, warmth, link, described, size - width)
            cause = {"cell": cause, "joint": "joint_resistance_high"}.get(verdict, "cell_or_joint_resistance_high")
            because += [_time_sentence(share, half_share), *_change_sentences(*change)]
            if link:
                because.append("a link to the next module lies inside the tap of this cell")
        elif np.isfinite(share):
            because.append("no link between modules lies inside the tap of this cell")
            if share + half_share < cell_or_joint.FLAT and share < cell_or_joint.SAME_SHARE:
                # a bar inside the module adds as little growth as a film inside the cell
                cause = "cell_or_joint_resistance_high"
                because.append(_time_sentence(share, half_share))
    near = bool(study.cell_warmth.near[group].all())
    if not near:
        because.append("no temperature sensor is near: it is measured against its near neighbours, about as warm")
    against = "the pack's middle" if near else "its near neighbours"
    place = case.places(cells)
    if cause == "joint_resistance_high":
        # what the cell itself is more or less than the middle one cannot be told from its joint
        own = 1.96 * robust_scale(np.where(study.trusted, value, np.nan), 0.0)
        ohm, ohm_half = size * found.middle, float(np.hypot(width, own)) * found.middle
        return finding(
            case.pack, cause, level, cells,
            f"{place}: the joint in its tap adds {ohm * 1e3:.2f} mohm ({percent(size)} of a usual cell's resistance).",
            because,
            [METER_FIRST, "Measure the voltage across the joint under a known current, lug to lug.",
             "Open, clean and re-make the joint to its torque; torque alone can worsen a dirty joint.",
             "Repeat the same drive and compare before and after."],
            size=ohm, half=float(np.hypot(ohm_half, ohm * found.half_ohm[group[0]] / found.ohm[group[0]])),
        )
    if cause == "cell_or_joint_resistance_high":
        return finding(
            case.pack,
            cause,
            level,
            cells,
            f"{place}: it drops {percent(size)} more per ampere than {against}; cell or joint, "
            "this log cannot tell.",
            because,
            [
                METER_FIRST,
                "Measure the voltage across the joint under a known current, lug to lug, and across the cell.",
                "Log a second drive some 10 K warmer or colder, or one at 10 readings a second: both tell "
                "a joint from a cell.",
                "Re-make the joint first: it is the smaller work.",
            ],
            size=size,
            half=width,
        )
    whole = len(group) > 1
    return finding(
        case.pack,
        cause,
        level,
        cells,
        f"{place}: {'these cells drop' if whole else 'this cell drops'} {percent(size)} more voltage per "
        f"ampere than {against}.",
        because,
        [
            METER_FIRST,
            "Look at the capacity and the self-discharge of the same cell before a lid is opened.",
            "Compare with the baseline at hand-over, or with a second drive at the same temperature.",
            "Swap the module and see whether the symptom follows it.",
        ],
        size=size,
        half=width,
    )


def _time_sentence(share: float, half: float) -> str:
    if not np.isfinite(share) or half > 1.0:
        return "how the drop grows with time into the load is not known well enough to tell cell from joint"
    return (
        f"of the growth with time into the load that an evenly aged cell would show it shows {share * 100:.0f} % "
        f"(+- {half * 100:.0f} %): near 100 % is a cell, near 0 % a joint, or a cell whose kinetics or contacts have "
        "aged"
    )


def _change_sentences(share: float, half: float) -> list[str]:
    if not np.isfinite(share) or half > 2.5:
        return ["the string's resistance changed too little with load and warmth to tell whether this excess does: a "
                "joint's does not"]
    return [
        f"of the change with load, charge and warmth that the string shows its excess shows {share * 100:.0f} % "
        f"(+- {half * 100:.0f} %): a joint 0 to 100 %, by what it heats its cell, an aged cell 100 % and more"
    ]


def capacity(case: Case) -> list[Finding]:
    """Cells that hold less than the others."""
    k = case.knowledge
    found = k.capacity
    least = CAUSES["capacity_low"].least or 0.03
    # what began alike and is first all the same is smaller, whatever the fit can say of it
    first = k.leads.shortfall[0] > SURE_SHARE * least
    if isinstance(found, str):
        return [_first_for_small(case, int(i)) for i in np.flatnonzero(first)]
    value = np.nan_to_num(found.relative - 1.0)
    known = k.study.trusted & ~k.shifted & np.isfinite(found.half_relative)
    stand = standing_out(value, np.nan_to_num(found.half_relative, nan=1.0), least, known) & (value < 0)
    out = []
    for i in np.flatnonzero(stand):
        cell, size, half = case.cells[i], float(value[i]), float(found.half_relative[i])
        because = [f"capacity_relative of cell {cell}: {found.relative[i]:.3f} +- {half:.3f} of the pack's middle"]
        if found.absolute_known:
            because.append(
                f"capacity of cell {cell}: {found.ampere_hours[i]:.1f} +- {found.half_ampere_hours[i]:.1f} Ah"
            )
        out.append(finding(
            case.pack, "capacity_low", "act" if size < -0.10 else "look", [cell],
            f"{case.place(cell)}: this cell holds {percent(size, 1)} less than the pack's middle.",
            because,
            ["Keep the pack within the limits of this cell: it is empty first.",
             "Balancing does not mend it; see gain_by_replacing for what a swap of its module would win.",
             METER_FIRST, "Confirm with a second charge or discharge over the same span before a module is swapped."],
            size=size, half=half,
        ))
    out += [_first_for_small(case, int(i)) for i in np.flatnonzero(first & ~stand)]
    return out + [_unlike_finding(case, int(i)) for i in np.flatnonzero(_unlike_any(case) & known & ~stand & ~first)]


def _first_for_small(case: Case, i: int) -> Finding:
    """A cell that was not ahead at rest, and is first at the end."""
    cell, leads = case.cells[i], case.knowledge.leads
    least, most = (float(x) for x in leads.shortfall[:, i])
    fuller = leads.bounds[0, i] > 0
    return finding(
        case.pack, "capacity_low", "act" if 0.5 * (least + most) > 0.10 else "look", [cell],
        f"{case.place(cell)}: this cell is {'full' if fuller else 'empty'} before the others though it stood beside "
        f"them at rest when the {'charge' if fuller else 'discharge'} began: it holds at least {percent(least, 1)} "
        "less.",
        [f"at the end it is {percent(abs(float(leads.bounds[0, i])), 1)} of charge ahead or more, after "
         f"{leads.spans[i] * 100:.0f} % were moved; what it was ahead at rest, with its error, is taken off"],
        ["Keep the pack within the limits of this cell: it is empty first.",
         "Balancing does not mend it; see gain_by_replacing for what a swap of its module would win.",
         METER_FIRST, "Confirm with a second charge or discharge over the same span before a module is swapped."],
        size=-least, high=-least,
    )


UNLIKE_EXCESS = 0.15
"""A cell whose resistance is off by more is told by that (choice)."""
UNLIKE_MISFIT, UNLIKE_OTHERS = 8.0, 3.0
"""A cell that no charge, capacity or resistance lays onto the others' curve to within so many expected errors is named,
though it cannot be sized; where others part from it by a good share of that, the curve is at fault (choice)."""


def _unlike_any(case: Case) -> Bools:
    """(cells,) True where a cell was fitted by itself, and badly, and its charge alone is not known to explain it."""
    k = case.knowledge
    split = k.study.split
    misfit = np.nan_to_num(split.misfit)
    next_best = np.array([np.delete(misfit, i).max(initial=0.0) for i in range(len(misfit))])
    out = np.asarray(split.far & (misfit > UNLIKE_MISFIT) & (misfit > UNLIKE_OTHERS * next_best), bool)
    # a contact that comes and goes, or a drop of its own, leaves as much
    out[[joint.column for joint in k.study.loose[0]]] = False
    if k.study.excess is not None:
        size, se = (np.nan_to_num(v) for v in k.study.excess)
        out &= np.abs(size) - 2.0 * se < UNLIKE_EXCESS
    left = k.remaining
    if left is not None:
        out &= ~(np.abs(np.nan_to_num(left.value)) > 2.0 * np.nan_to_num(left.half, nan=np.inf))
    return np.asarray(out & ~(np.abs(k.leads.bounds[0]) > (CAUSES["soc_offset_low"].least or 0.01)), bool)


def _unlike_finding(case: Case, i: int) -> Finding:
    cell = case.cells[i]
    return finding(
        case.pack, "capacity_low", "look", [cell],
        f"{case.place(cell)}: this cell does not follow the others' curve, whatever charge and capacity it is given; "
        "take it for smaller until a whole charge tells.",
        [f"what the best fit leaves of it is {case.knowledge.study.split.misfit[i]:.0f} times what is usual; lithium "
         "or active material that was lost bends a cell's curve, and so does a reading that is wrong"],
        ["Keep the pack within the limits of this cell.", METER_FIRST,
         "Log one whole charge or discharge between two rests of an hour, and compare its reading with a meter."],
    )


def charge_offsets(case: Case) -> list[Finding]:
    """Cells that are emptier or fuller than the others at full charge: what balancing can mend."""
    k = case.knowledge
    least = CAUSES["soc_offset_low"].least or 0.01
    found = k.remaining
    out, named = [], np.zeros(len(case.cells), bool)
    if found is not None:
        known = k.study.trusted & ~k.shifted & np.isfinite(found.value) & np.isfinite(found.half)
        named = standing_out(
            np.nan_to_num(found.value), np.nan_to_num(found.half, nan=1.0), least, known, also=_at_first_row(k)
        )
        boards, of_board = _board_offsets(case, found.value, known, least)
        out = boards + [
            _offset_finding(case, int(i), float(found.value[i]), float(found.half[i]))
            for i in np.flatnonzero(named & ~of_board)
        ]
        named |= of_board
    # who is first at the end of a charge is plain even where the flat of a curve does not let it be sized; emptier or
    # smaller, it must be of practical weight as either
    small = capacity_suspects(case)
    enough = np.maximum(least, (CAUSES["capacity_low"].least or 0.03) * k.leads.spans)
    for i in np.flatnonzero((np.abs(k.leads.bounds[0]) > enough) & ~named & ~small):
        out.append(_lead_finding(case, int(i), *(float(bound) for bound in k.leads.bounds[:, i])))
    return out


def capacity_suspects(case: Case) -> Bools:
    """(cells,) True where the capacity rule names the cell."""
    return np.isin(case.cells, [c for f in capacity(case) for c in f.cells])


def _capacity_known(case: Case, i: int) -> bool:
    """Whether the log knows the cell's capacity well enough to say that it is not small."""
    found = case.knowledge.capacity
    if isinstance(found, str) or not np.isfinite(found.half_relative[i]):
        return False
    least = CAUSES["capacity_low"].least or 0.03
    return bool(found.relative[i] - found.half_relative[i] > 1.0 - 1.5 * least)


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
    span = k.soc_span or (0.5, 0.5)
    volts = share * float(np.mean(k.study.curve.slope(np.linspace(*span, 9))))
    return finding(
        case.pack, "channel_offset", "look", cells,
        f"{case.places(cells)}: all cells of this measuring board read about {abs(volts) * 1e3:.0f} mV "
        f"{'high' if volts > 0 else 'low'} at once; or all of them are {percent(share, 1)} of charge "
        f"{'fuller' if share > 0 else 'emptier'}, which a meter decides.",
        ["the cells of one board differ from all others by the same amount, and little among themselves: one board "
         "that is off explains them by one number"],
        [METER_FIRST, "Measure two of these cells and two others at rest with a meter and compare with the readings.",
         "Do not balance by these readings until then."],
        size=volts, half=0.5 * abs(volts), unit="V",
    )


LOOK_AGAIN = (
    "Look again after one or two charges: a cell that had only drifted stays put, one that wants the same bleed again "
    "leaks or is weak (common practice)."
)
BENCH = (
    "Where bleeding would take longer than a day, charge the low module on the bench instead, within its limits."
)
SPAN = (
    "Log one whole charge or discharge between two rests of an hour: it tells an emptier cell from a smaller one. "
    "Until then treat it as the smaller one: keep the pack within its limits."
)


def _offset_finding(case: Case, i: int, size: float, half: float) -> Finding:
    k, cell, low = case.knowledge, case.cells[i], size < 0
    ah = size * k.study.capacity
    because = [
        f"it {'lacks' if low else 'has'} {abs(ah):.2f} +- {half * k.study.capacity:.2f} Ah "
        f"{'to the' if low else 'more than the'} pack's middle at full charge, capacities allowed for"
    ]
    top = k.top
    if not isinstance(top, str) and np.isfinite(top.missing[i]):
        because.append(f"charge_to_full when the charge ended: {top.missing[i]:.2f} +- {top.half_missing[i]:.2f} Ah")
    known = _capacity_known(case, i)
    if not known:
        because.append("the capacity of this cell is not known well enough from this log to say that it is not smaller")
    says = "it needs balancing, not replacing." if known else "whether it is smaller too, this log cannot tell."
    return finding(
        case.pack, "soc_offset_low" if low else "soc_offset_high", "act" if abs(size) > 0.08 else "look", [cell],
        f"{case.place(cell)}: this cell is {percent(size, 1)} of charge {'emptier' if low else 'fuller'} than the "
        f"pack's middle; {says}",
        because,
        [BALANCE_LOW if low else BALANCE_HIGH, *([] if known else [SPAN]), LOOK_AGAIN, BENCH], size=size, half=half,
    )


def _lead_finding(case: Case, i: int, bound: float, most: float) -> Finding:
    cell, fuller = case.cells[i], bound > 0
    end = "full" if fuller else "empty"
    return finding(
        case.pack, "soc_offset_high" if fuller else "soc_offset_low",
        "act" if abs(most) > 0.08 else "look", [cell],
        f"{case.place(cell)}: this cell is {end} before the others, by at least {percent(bound, 1)} of charge; "
        f"{'fuller' if fuller else 'emptier'} or smaller, this log cannot tell.",
        [f"at the end of the {'charge' if fuller else 'discharge'} it stands so far {'above' if fuller else 'below'} "
         "the others that neither its resistance nor the table explains it; where the others stand on the flat of "
         "their curve its lead cannot be sized"],
        [BALANCE_HIGH if fuller else BALANCE_LOW, SPAN, LOOK_AGAIN],
        size=bound, low=bound if fuller else None, high=None if fuller else bound,
    )


def _at_first_row(k: Knowledge) -> tuple[Floats, Floats] | None:
    """Return the offsets at the first row and their half widths, where they are known.

    Cells of several capacities agree in one place only; where this log began may be nearer to it than full is.
    """
    found = k.offset
    return None if isinstance(found, str) else (found.value, found.half)


def self_discharge(case: Case) -> list[Finding]:
    """Cells that lose charge at rest faster than the others."""
    k = case.knowledge
    found = k.leak
    least = LEAK_PER_AH * k.study.capacity
    if isinstance(found, str):
        return [_flat_leak(case, int(i), least) for i in np.flatnonzero(k.flat_leaks > SURE_SHARE * least)]
    known = k.study.trusted & np.isfinite(found.amps) & np.isfinite(found.half)
    value, half_width = np.nan_to_num(found.amps), np.nan_to_num(found.half, nan=1.0)
    parts = [*(m.cells for m in case.pack.modules), *(b.cells for b in case.pack.sense_boards)]
    groups = [[case.cells.index(c) for c in part if c in case.cells] for part in parts]
    blocks = supply_blocks(value, half_width, known, least, groups)
    out = [_fed(case, block, float(found.conditions["hours"])) for block in blocks]
    for block in blocks:
        known[block.columns] = False
    if blocks:
        value = value - float(np.median(value[known]))
    for block in blocks:
        known[list(block.beyond)] = True
        value[list(block.beyond)] -= block.amps
    stand = standing_out(value, half_width, least, known) & (value > 0)
    # what cannot be sized is named all the same
    unsized = (k.flat_leaks > SURE_SHARE * least) & known & ~stand
    out += [_flat_leak(case, int(i), least) for i in np.flatnonzero(unsized)]
    for i in np.flatnonzero(stand):
        cell, size, half = case.cells[i], float(value[i]), float(found.half[i])
        out.append(
            finding(
                case.pack,
                "self_discharge_high",
                "act" if size > 10 * least else "look",
                [cell],
                f"{case.place(cell)}: it loses {size * 1e3:.1f} mA more than the pack's middle while parked "
                f"({size * 720:.2f} Ah a month).",
                [
                    f"leak_current_relative of cell {cell}: {size * 1e3:.2f} +- {half * 1e3:.2f} mA over "
                    f"{found.conditions['hours']:.0f} h parked"
                ],
                LEAKS,
                size=size,
                half=half,
            )
        )
    return out


LEAKS = [
    "Do not leave the pack unattended on charge until this is understood; feel and smell for warmth and electrolyte.",
    "Rule out a load across this cell alone: a bleed switch that stays on, the supply of the BMS, moisture on the "
    "loom.",
    "Park it again: a cell that loses several times what the others lose in two separate periods is a question of "
    "quarantine, not of balancing.",
]


def _flat_leak(case: Case, i: int, least: float) -> Finding:
    cell, bound = case.cells[i], float(case.knowledge.flat_leaks[i])
    return finding(
        case.pack, "self_discharge_high", "act" if bound > 5 * least else "look", [cell],
        f"{case.place(cell)}: it loses at least {bound * 1e3:.1f} mA more than the pack's middle while parked "
        f"({bound * 720:.2f} Ah a month or more).",
        ["it fell against the others while parked, though on the flat of its curve what a cell loses hardly shows: the "
         "least charge that the steepest part of the curve near there makes of that fall"],
        LEAKS, size=bound, low=bound,
    )


def _fed(case: Case, block: Block, hours: float) -> Finding:
    """Neighbours that lose alike: something is fed from them."""
    cells = [case.cells[i] for i in block.columns]
    apart = [case.cells[i] for i in block.beyond]
    edges = [i for i in (block.first - 1, block.last + 1) if 0 <= i < len(case.cells)]
    beside = " and ".join(f"cell {case.cells[i]}" for i in edges)
    return finding(
        case.pack, "self_discharge_high", "look", cells,
        f"{case.places(cells)}: all {len(cells)} lose the same {block.amps * 1e3:.1f} mA more than the others while "
        f"parked ({block.amps * 720:.2f} Ah a month): something is fed from these cells, such as the supply of the BMS "
        "or a load across them.",
        [f"over {hours:.0f} h parked they lie within {ALIKE * 100:.0f} % of one level"
         + (f", and beside them {beside} {'does' if len(edges) == 1 else 'do'} not" if edges else "")
         + ": cells that discharge themselves do so each at its own rate",
         *([f"{case.places(apart)}: more than that, see there"] if apart else [])],
        ["Find what is connected across these cells: the supply of the BMS, a converter, a heater or lamp tapped off "
         "part of the string.", METER_FIRST,
         "Measure the current in its wire; feed it from the whole string or from elsewhere, and balance afterwards.",
         "Park it again without it: if these cells still lose more, treat each as a cell that discharges itself."],
        size=block.amps, half=block.half,
    )


def guarded(case: Case) -> list[Finding]:
    """All rules of this module; a question that the log cannot answer gives no finding."""
    out: list[Finding] = []
    for rule in (resistance, capacity, charge_offsets, self_discharge):
        try:
            out += rule(case)
        except NotEnoughData:
            continue
    return out
