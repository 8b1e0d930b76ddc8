"""Which cells and joints drop more than the others; cold told from weak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.known.resistance import ResistanceKnown
from bmslogs.analysis.models import cell_or_joint, cell_warmth, cold_or_weak
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import METER_FIRST, Case, finding, percent, standing_out
from bmslogs.findings.registry import CAUSES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def resistance(case: Case) -> list[Finding]:
    """Cells and joints that drop more than the others; cold told from weak."""
    found = case.knowledge.resistance
    if isinstance(found, str):
        return []
    j = _judged(case, found, CAUSES["cell_resistance_high"].least or 0.1)
    for joint in case.knowledge.study.bursts.found[0]:
        # a contact that is open as often as not raises the mean by itself
        if joint.switches and j.value[joint.column] * found.middle < joint.ohm_high:
            j.stands[joint.column] = False
    groups: list[list[int]] = []
    for name, members in _modules(case):
        here = [i for i in members if j.stands[i]]
        if name is not None and len(members) >= 2 and len(here) >= max(2, WHOLE_MODULE * len(members)):
            groups.append(here)
        else:
            groups += [[i] for i in here]
    return [_unwatched_finding(case, found, run) for run in j.runs] + [
        _resistance_finding(case, found, group, j.value, j.half, j.explained) for group in groups
    ]


WHOLE_MODULE = 0.75
"""From this share of its cells on a module is named as a whole (choice)."""


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
    warmth = study.cell_temperatures.warmth
    factor, factor_sd = cell_warmth.expected_factor(found.relative, warmth, module, study.harness.trusted)
    usual_link = _usual_link(found.relative - factor, study.harness.links, study.harness.trusted, module)
    value = (found.relative - usual_link) / factor - 1.0
    half = np.hypot(found.half_relative, 1.96 * factor_sd * (1.0 + np.maximum(value, 0.0))) / factor
    known = study.harness.trusted & np.isfinite(half)
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
    half_alone = np.hypot(
        found.half_relative / factor, 1.96 * np.where(warmth.near, mates_sd, beside) * (1.0 + alone)
    )
    stands = np.where(
        lone,
        standing_out(alone, half_alone, least, known),
        standing_out(value, half, least, known & warmth.near),
    )
    value, half = np.where(lone, alone, value), np.where(lone, half_alone, half)
    # a finding must not say of a cell what its own estimate denies: it drops more as it was, too
    over = found.relative - 1.0 - usual_link
    raw = np.where(warmth.near, over - found.half_relative, np.minimum(alone, over))
    stands &= (value > 0) & (raw > 0.35 * least)
    stands &= value > _by_rounding(found, case.knowledge.study.readings.log.voltage_step)
    # what only its sensor's word makes large, in a module whose other cells it makes as large, is the sensor's
    by_sensor = np.isfinite(mates) & (over < least) & (value - mates < least)
    for g in np.unique(module):
        here = module == g
        if (stands & here).sum() < WHOLE_MODULE * here.sum():
            stands[here & by_sensor] = False
    return _Judged(value, half, stands, factor - 1.0, runs)


def _by_rounding(found: ResistanceKnown, step_V: float) -> float:
    """Return the excess that readings in steps may feign where single steps of the current tell it, as a fraction.

    Before and after it a reading is off by half a step: together by one at most, over several steps of the current by
    less in proportion to their root. Most cells of a string are rounded alike: their scatter does not show it.
    """
    amps, count = found.conditions.get("step_A"), found.conditions.get("steps")
    if not amps or not count or not found.middle > 0:
        return 0.0
    return float(step_V / (abs(amps) * found.middle * np.sqrt(count)))


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
    warmth = case.knowledge.study.cell_temperatures.warmth
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
    because = [
        f"no temperature sensor is said to be near them; some {kelvin:.0f} K colder would make as much"
    ]
    if run.smooth:
        because.append("it rises out of the cells beside them without a step, as cold does")
    elif not whole_box:
        because.append(
            f"it rises by {percent(run.step or 0.0)} at an end of these cells, more steeply than cold does"
        )
    if level == "act":
        because.append(f"cold that is likely in a pack makes {percent(cold)} at most")
    return finding(
        case.pack,
        "cell_resistance_high",
        level,
        cells,
        says,
        because,
        [
            METER_FIRST,
            NO_SENSOR,
            "Look at the capacity and the self-discharge of the same cells.",
            "Swap the module and see whether the symptom follows it.",
        ],
        size=run.height,
        half=width,
    )


def _modules(case: Case) -> list[tuple[str | None, list[int]]]:
    names: dict[str | None, list[int]] = {}
    for i, cell in enumerate(case.cells):
        names.setdefault(case.pack.module_of(cell), []).append(i)
    return list(names.items())


def _usual_link(excess: Floats, links: Bools, trusted: Bools, module: Ints) -> Floats:
    """Return what a usual link adds to the cells with a link in their tap, where there are three or more of them.

    Each is held against the other cells of its module, so that a weak module makes no usual link.
    """
    out, without = np.zeros(len(excess)), trusted & ~links
    with_link = np.flatnonzero(links & trusted)
    if len(with_link) >= 3 and without.sum() >= 3:
        mates = [without & (module == module[i]) for i in with_link]
        base = [np.median(excess[m if m.any() else without]) for m in mates]
        out[links] = max(float(np.median(excess[with_link] - base)), 0.0)
    return out


def _resistance_finding(
    case: Case, found: ResistanceKnown, group: list[int], value: Floats, half: Floats, expected: Floats
) -> Finding:
    study = case.knowledge.study
    size, width = float(np.mean(value[group])), float(np.max(half[group]))
    because = [
        f"resistance_10s of cell {case.cells[i]}: {found.ohm[i] * 1e3:.3f} mohm, {percent(found.relative[i] - 1)} "
        f"above the pack's middle of {found.middle * 1e3:.3f} mohm"
        for i in group
    ]
    if np.abs(expected[group]).max() > 0.01:
        because.append(
            f"its temperature by the sensors accounts for {expected[group[0]] * 100:+.0f} %, which is taken out"
        )
    cause = "cell_resistance_high"
    if len(group) == 1:
        cause, reasons = _cell_or_joint(case, found, group[0], size - width)
        because += reasons
    near = bool(study.cell_temperatures.warmth.near[group].all())
    if not near:
        because.append(
            "no temperature sensor is near: it is measured against its near neighbours, about as warm"
        )
    if cause == "joint_resistance_high":
        # what the cell itself is more or less than the middle one cannot be told from its joint
        own = 1.96 * robust_scale(np.where(study.harness.trusted, value, np.nan), 0.0)
        ohm, ohm_half = size * found.middle, float(np.hypot(width, own)) * found.middle
        size_told = ohm
        half_told = float(np.hypot(ohm_half, ohm * found.half_ohm[group[0]] / found.ohm[group[0]]))
    else:
        size_told, half_told = size, width
    cells = [case.cells[i] for i in group]
    against = "the pack's middle" if near else "its near neighbours"
    says = _drop_sentence(cause, case.places(cells), size, size_told, against, len(group) > 1)
    level: Level = "act" if size >= 0.2 else "look"
    return finding(
        case.pack, cause, level, cells, says, because, STEPS[cause], size=size_told, half=half_told
    )


def _cell_or_joint(case: Case, found: ResistanceKnown, i: int, surely: float) -> tuple[str, list[str]]:
    """Return the cause of a single cell's extra drop, of which `surely` is the nearer bound, and what speaks for it."""
    link, described = bool(case.knowledge.study.harness.links[i]), bool(case.pack.modules)
    share, half_share = float(found.scale_share[i]), float(found.half_scale_share[i])
    if link or not described:
        change, warmth = (
            ((np.nan, np.nan),) * 2
            if found.changes is None
            else ((float(found.changes[k][i]), float(found.changes[k + 1][i])) for k in (0, 2))
        )
        verdict = cell_or_joint.weigh((share, half_share), change, warmth, link, described, surely)
        cause = {"cell": "cell_resistance_high", "joint": "joint_resistance_high"}.get(
            verdict, "cell_or_joint_resistance_high"
        )
        because = [_time_sentence(share, half_share), *_change_sentences(*change)]
        if link:
            because.append("a link to the next module lies inside the tap of this cell")
        return cause, because
    if not np.isfinite(share):
        return "cell_resistance_high", []
    because = ["no link between modules lies inside the tap of this cell"]
    if share + half_share < cell_or_joint.FLAT and share < cell_or_joint.SAME_SHARE:
        # a bar inside the module adds as little growth as a film inside the cell
        return "cell_or_joint_resistance_high", [*because, _time_sentence(share, half_share)]
    return "cell_resistance_high", because


def _drop_sentence(cause: str, place: str, size: float, ohm: float, against: str, several: bool) -> str:
    if cause == "joint_resistance_high":
        share = f"{percent(size)} of a usual cell's resistance"
        return f"{place}: the joint in its tap adds {ohm * 1e3:.2f} mohm ({share})."
    if cause == "cell_or_joint_resistance_high":
        return f"{place}: it drops {percent(size)} more per ampere than {against}; cell or joint, this log cannot tell."
    who = "these cells drop" if several else "this cell drops"
    return f"{place}: {who} {percent(size)} more voltage per ampere than {against}."


STEPS = {
    "joint_resistance_high": [
        METER_FIRST,
        "Measure the voltage across the joint under a known current, lug to lug.",
        "Open, clean and re-make the joint to its torque; torque alone can worsen a dirty joint.",
        "Repeat the same drive and compare before and after.",
    ],
    "cell_or_joint_resistance_high": [
        METER_FIRST,
        "Measure the voltage across the joint under a known current, lug to lug, and across the cell.",
        "Log a second drive some 10 K warmer or colder, or one at 10 readings a second: both tell "
        "a joint from a cell.",
        "Re-make the joint first: it is the smaller work.",
    ],
    "cell_resistance_high": [
        METER_FIRST,
        "Look at the capacity and the self-discharge of the same cell before a lid is opened.",
        "Compare with the baseline at hand-over, or with a second drive at the same temperature.",
        "Swap the module and see whether the symptom follows it.",
    ],
}
"""What to do next for each cause, the safest first."""


def _time_sentence(share: float, half: float) -> str:
    if not np.isfinite(share) or half > 1.0:
        return "how the drop grows with time into the load is not known well enough to tell cell from joint"
    return (
        f"of the growth with time into the load that an evenly aged cell would show it shows {share * 100:z.0f} % "
        f"(+- {half * 100:.0f} %): near 100 % is a cell, near 0 % a joint, or a cell whose kinetics or contacts have "
        "aged"
    )


def _change_sentences(share: float, half: float) -> list[str]:
    if not np.isfinite(share) or half > 2.5:
        return [
            "the string's resistance changed too little with load and warmth to tell whether this excess does: a "
            "joint's does not"
        ]
    return [
        f"of the change with load, charge and warmth that the string shows its excess shows {share * 100:z.0f} % "
        f"(+- {half * 100:.0f} %): a joint 0 to 100 %, by what it heats its cell, an aged cell 100 % and more"
    ]
