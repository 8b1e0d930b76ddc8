"""Rules about temperatures: sensors that lie, places that run hot."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.reference import ACTIVATION_EV, ACTIVATION_SD_EV, arrhenius_factor
from bmslogs.analysis.thermal import LONE_LEAST, SHIFT_LEAST_K, SensorFault, lone_share
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import METER_FIRST, Case, finding

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

HOT_LEAST = 0.15
"""Least extra rise per ampere squared of practical weight, as a fraction (judgement: common practice, no source)."""
SURELY_SHARE = 1.0
"""Share of that size which the nearer bound must pass: places of a sound pack are cooled unlike by as much as that size
(judgement)."""
HOT_ACT = 1.0
CELLS_TOLD = 0.25
"""Extra drop of the cells at a place, as a fraction, from which their heat is told of the place as well (judgement)."""
HUMP, HUMP_OF_THREE = 0.08, 0.25
"""The middle of a pack keeps its warmth better than its ends: with fewer than five sensors, one between two others must
warm by so much more before it stands out. Of three blocks in a row the ends lose heat through five faces and the middle
through four, 5/4; of four the middle two against the mean of all, 1.25 / 1.125 and less (judgement: blocks as wide as
long, all faces alike)."""
COLD_AIR = 0.5
"""A place of a sound pack that warms by less than this share of the middle's is cooled by other air (judgement)."""
LEAST_WARMED = 0.1
"""Share of the middle's warming below which a place hardly warms at all, whatever the sign (choice)."""
MOST_BY_AIR = 2.5
"""However cold one end is, what warms by this share more than the middle is told as hot (judgement)."""
COLD_K = 10.0
"""A sensor that reads too warm here hides charging in the cold [degC] (choice)."""
HIDES_SHARE = 0.3
"""Where the place explains it too, a sensor reads too warm surely by this share of practical size before that hides
anything (choice)."""
THERMOMETER = "Put another thermometer beside it after a night's rest and after a drive, and compare the two."
WORD = {
    "open": "open circuit",
    "short": "short circuit",
    "stuck": "stuck",
    "offset": "off from the others",
    "curve": "wrong thermistor curve",
    "jumps": "it jumps to and fro",
}


def _cells_of(case: Case, column: int) -> tuple[list[int], str]:
    near = case.pack.temperature_sensors
    cells = list(near[column].cells) if column < len(near) else []
    return cells, f" ({case.places(cells)})" if cells else ""


def sensors(case: Case) -> list[Finding]:
    """Temperature sensors at fault, or places of their own where the log cannot say which."""
    study = case.knowledge.study
    hot_places = {f.sensor for f in hot(case)}
    out = []
    for fault in study.cell_temperatures.sensor_faults:
        name = case.pack.sensor_name(fault.column + 1)
        if fault.doubt == "hot" and name in hot_places:
            continue  # told there, with both explanations
        out.append(_sensor_finding(case, fault, name))
    return out


def _sensor_finding(case: Case, fault: SensorFault, name: str) -> Finding:
    cells, where = _cells_of(case, fault.column)
    warmth = case.knowledge.study.temperatures.mean
    cold = warmth is not None and float(np.nanmin(warmth)) < COLD_K
    hides = fault.reads_warm and (fault.kind == "curve" or cold) and fault.doubt not in ("either", "one")
    place = fault.doubt in ("place", "hot", "air")
    if place and not cold and not _surely_off(fault, HIDES_SHARE):
        hides = False  # a place that may as well be as warm as the others hides nothing
    level: Level = "act" if fault.kind in ("open", "short", "stuck") or (hides and cold) else "look"
    if fault.kind == "curve" and fault.doubt is None:
        level = "act"
    if place and not hides and not _surely_off(fault):
        level = "note"
    if fault.doubt is None:
        says = f"Temperature sensor {name}{where} is not to be believed: {WORD[fault.kind]}."
    elif fault.doubt == "one":
        says = f"Temperature sensor {name}{where} or the other one is off; nothing says which."
    elif fault.doubt == "either":
        says = f"Temperature sensor {name}{where} and the other one part; one is off, or their places differ."
    else:
        warmer = "its place is warmer" if (fault.size_C or 0.0) > 0 else "its place is cooler"
        says = f"Temperature sensor {name}{where} is off, or {warmer} than the rest of the pack; this log cannot tell."
    if hides:
        says += " A sensor that reads too warm hides charging in the cold."
    return finding(
        case.pack,
        "temperature_sensor_fault",
        level,
        cells,
        says,
        [fault.evidence],
        [
            "Do not charge near the temperature limits on the word of this sensor.",
            "Compare it with another thermometer at two temperatures after a night's rest.",
            METER_FIRST,
            "Look at its plug, its seat on the cell and the thermistor curve set in the BMS.",
        ],
        size=fault.size_C,
        half=fault.half_C,
        sensor=name,
    )


def _surely_off(fault: SensorFault, share: float = 1.0) -> bool:
    """Whether even the nearer bound is so large a share of practical size: places of a soaked pack hardly differ so."""
    return (
        fault.size_C is not None
        and fault.half_C is not None
        and abs(fault.size_C) - fault.half_C > share * SHIFT_LEAST_K
    )


def hot(case: Case) -> list[Finding]:
    """Places that warm more per ampere squared than the others."""
    study = case.knowledge.study
    try:
        found = study.temperatures.heating
    except NotEnoughData:
        return []
    good = study.temperatures.trusted & np.isfinite(found.slope) & np.isfinite(found.relative_half_width)
    if good.sum() < 2:
        return []
    middle = float(np.median(found.slope[good]))
    if middle <= 0:
        return []
    pair = int(good.sum()) == 2
    # of two places each is the other's measure; of more, the middle one is
    base = max(float(np.min(found.slope[good])), 0.1 * middle) if pair else middle
    excess = np.where(good, found.slope / base - 1.0, np.nan)
    half = np.where(good, np.hypot(found.relative_half_width * (2.0 if pair else 1.0) / base, 0.03), np.nan)
    rounding = np.where(good, found.rounding / base, np.nan)
    losses = _cells_heat(case)
    # the warmth that cells cause which drop a little more is theirs; much of it is told of the place, too
    cold = np.maximum(_cold_heats(case, good), np.where(losses < CELLS_TOLD, 0.5 * losses, 0.0))
    doubts = {f.column: f for f in study.cell_temperatures.sensor_faults if f.doubt == "hot"}
    airy = _in_other_air(excess, good)
    out = []
    for j in np.flatnonzero(good & _stand_out(excess, half, rounding, good, cold)):
        out.append(
            _hot_finding(
                case,
                int(j),
                float(excess[j]),
                float(half[j]),
                pair,
                doubts.get(int(j)),
                float(losses[j]),
                bool(airy[j]),
            )
        )
    return out


def _in_other_air(excess: Floats, good: Bools) -> Bools:
    """Return (sensors,) True where a place warms more along a gradient whose other end hardly warms at all.

    The current warms every place: one that warms by less than half as much as the middle stands in other air, and so
    may those that lie along the same line on the other side of the middle, as far over it, in proportion, as that one
    is under it; but not by more than `MOST_BY_AIR`.
    """
    out, columns = np.zeros(len(excess), bool), np.flatnonzero(good)
    least = float(excess[columns].min())
    if len(columns) < 3 or least > COLD_AIR - 1.0:
        return out
    # a fall in other air is a factor, and so is the rise on its other side: both are straight lines in the logarithm
    line = np.log(np.maximum(1.0 + excess[columns], LEAST_WARMED))
    over = (excess[columns] > 0.0) & (lone_share(line) < LONE_LEAST)
    most = min(1.0 / max(1.0 + least, 1e-9) - 1.0, MOST_BY_AIR)
    out[columns] = over & (excess[columns] <= most)
    return out


def _cold_heats(case: Case, good: Bools) -> Floats:
    """Return (sensors,) by how much more a place warms since its cells are colder than the middle, as a fraction."""
    study = case.knowledge.study
    level = np.nanmean(study.readings.log.temperature, axis=0)
    middle = float(np.max(level[good])) if good.sum() == 2 else float(np.median(level[good]))
    colder = np.maximum(middle - np.where(good, level, middle), 0.0)
    return np.asarray(
        arrhenius_factor(middle - colder, middle, ACTIVATION_EV + ACTIVATION_SD_EV) - 1.0, float
    )


def _cells_heat(case: Case) -> Floats:
    """Return (sensors,) by how much more the cells there drop than the others, as a fraction; nought or more."""
    study = case.knowledge.study
    out = np.zeros(study.readings.log.temperature.shape[1])
    if study.resistance.excess is None:
        return out
    for j, here in enumerate(study.temperatures.cells_at):
        if (here & study.harness.trusted).any():
            more = float(np.mean(study.resistance.excess[0][here & study.harness.trusted]))
            out[j] = more if more > 0.05 else 0.0
    return out


def _stand_out(excess: Floats, half: Floats, rounding: Floats, good: Bools, cold: Floats) -> Bools:
    """Return True where a place warms more than the others by a practical size, surely and unlike their own scatter.

    Parameters
    ----------
    excess, half, rounding, cold
        (sensors,) extra rise per ampere squared, its half width, what of it the step of the readings alone makes, and
        the part that its cells explain; fractions.
    good
        (sensors,) True where known.
    """
    excess = (1.0 + excess) / (1.0 + cold) - 1.0
    out = np.zeros(len(excess), bool)
    columns = np.flatnonzero(good)
    x = excess[columns]
    for k, j in enumerate(columns):
        others = np.delete(x, k)
        n = len(columns)
        hump = HUMP_OF_THREE if n == 3 else HUMP
        allowed = hump if 2 < n < 5 and 0 < k < n - 1 else 0.0
        if n >= 5:
            # how far the others lie from their own middle, without what stands out with this one
            scale = 1.4826 * float(np.median(np.abs(others - np.median(others))))
            allowed = max(3.0 * scale - HOT_LEAST, 0.0)
            if excess[j] > 1.0:  # warmth that spreads to the neighbours widens the scatter, and clears nobody
                allowed = min(allowed, 0.5)
        out[j] = excess[j] >= 0.98 * (HOT_LEAST + allowed) and _surely(
            float(excess[j]), float(half[j]), float(rounding[j])
        )
    return out


def _surely(excess: float, half: float, rounding: float) -> bool:
    """Whether a place surely warms more: how well the slope is known where all it does wrong grows with its size."""
    # a place with a time constant of its own is fitted the worse the hotter it is: that is no doubt of its being hot,
    # but a rise of one or two steps of the reading is
    return excess - float(np.hypot(min(half, max(0.6 * excess, 0.35)), rounding)) > SURELY_SHARE * HOT_LEAST


def _hot_finding(
    case: Case,
    column: int,
    size: float,
    half: float,
    pair: bool,
    doubt: SensorFault | None,
    losses: float,
    airy: bool,
) -> Finding:
    study = case.knowledge.study
    found = study.temperatures.heating
    name = case.pack.sensor_name(column + 1)
    cells, where = _cells_of(case, column)
    against = "the place at the other sensor" if pair else "the pack's middle"
    says = (
        f"The place at sensor {name}{where} warms {size * 100:.0f} % more per ampere squared than {against}."
    )
    if pair:
        says += " Which of the two is as it should be, this log cannot tell."
    because = [
        f"heating of {name}: {found.slope[column] * 1e3:.2f} mK per A^2, {against} "
        f"{found.slope[column] / (1.0 + size) * 1e3:.2f}"
    ]
    if losses > 0.0:
        because.append(
            f"the cells and joints at this place drop {losses * 100:.0f} % more than the others: as much more heat is "
            "their loss"
        )
    steps = [
        "See whether a cell or joint at this place also drops more voltage (resistance_10s).",
        METER_FIRST,
        "Look for a loose joint, a covered vent or a gap in the thermal path at this place.",
        "The same place hot in several vehicles speaks for the design, not the workmanship.",
    ]
    if airy:
        says += (
            " Or the air at the other end of the pack is colder: this log cannot tell the two apart. Take it for hot "
            "until then."
        )
        because.append(
            "the places part along a line, and at its other end the pack hardly warms, as in another air"
        )
        steps.insert(1, "Log a drive again after the pack has stood in one air for a night.")
    if doubt is not None:
        says += " Or the sensor reads wrong: this log cannot tell the two apart. Take it for hot until then."
        because.append(f"the sensor itself explains it as well: {doubt.evidence}")
        steps.insert(steps.index(METER_FIRST) + 1, THERMOMETER)
    return finding(
        case.pack,
        "runs_hot",
        "note" if airy else "act" if size > HOT_ACT else "look",
        cells,
        says,
        because,
        steps,
        size=size,
        half=half,
        sensor=name,
    )
