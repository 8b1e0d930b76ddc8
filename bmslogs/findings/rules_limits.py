"""Rules about limits passed, charging in the cold, the current sensor and the log itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow
from bmslogs.analysis.signals.excursions import Excursion, alike, excursions, row_lengths
from bmslogs.analysis.study import Study
from bmslogs.analysis.study.readings import USUAL_OHM_AH, Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.base.pack_claims import LIMIT_RANGE_V
from bmslogs.base.results import LEVELS, Finding, Level
from bmslogs.findings.case import Case, finding
from bmslogs.findings.evidence.charged_outside import (
    CHARGE_C_RATE,
    ChargedOutside,
    charged_outside,
    charging_bounds,
)
from bmslogs.findings.evidence.past_limit import current_past, resolution, temperature_past, voltage_past

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEAST_S = 10.0
"""A limit passed for less in all is a note (METHODS G5; judgement)."""
SERIOUS_ABOVE_V, SERIOUS_BELOW_V, SERIOUS_S = 0.010, 0.025, 60.0
"""So far beyond a limit for so long, or twice as far for a moment of it, is not used again before it is mended
(judgement: common practice, no source). Near empty the voltage falls so steeply that the same charge is more volts."""
FAR_V = 0.100
"""So far beyond a limit is more than a note however short (judgement)."""
MOST_OUTSIDE = 0.01
"""A channel that reads outside that in a larger share of the rows is not judged (choice)."""
SERIOUS_K, SERIOUS_HOT_S = 2.0, 300.0
"""So far beyond a temperature limit, or so long, is more than an error of the sensor (judgement)."""
SENSOR_K = 1.0
"""How far a sound temperature sensor may err [K] (judgement)."""
COLD_S, COLD_SHARE = 30.0, 0.0005
"""Charge in the cold for so long, or of such a share of the capacity, may have plated lithium (judgement)."""
STANDBY_C_RATE = 0.03
"""A load that stays on is no more than that as a rule, as a share of the capacity per hour (judgement, no source)."""
ZERO_C_RATE = 1 / 200
"""A current reading at rest beyond this is worth a look (common practice, no source)."""
GAP_SHARE = 0.02
HELD_SHARE = 0.05
SLOW_REFRESH_S = 2.5
JUMPS_SHARE, LEAST_DRIVE_ROWS = 0.35, 10
"""A current that changes from row to row by more than this share of its size (median over the rms), over so many rows,
was not seen between them (choice: a load that lasts for two rows and more changes by nothing as a rule)."""


def _length(seconds: Floats, rows: Bools) -> float:
    """Time [s] that the marked rows stand for, pauses not counted."""
    return float(row_lengths(seconds)[rows].sum())


# ---- voltage ------------------------------------------------------------------------------------------------


def voltage(case: Case) -> list[Finding]:
    """Cell voltage limits of the pack file: one finding for each group of cells alike in size and time."""
    limits = case.pack.limits
    out = []
    for bound, sign in ((limits.voltage_max_V, 1.0), (limits.voltage_min_V, -1.0)):
        # one that no cell can have is told of the pack file, and passed by nothing
        if bound is not None and LIMIT_RANGE_V[0] <= bound <= LIMIT_RANGE_V[1]:
            found = _voltage_excursions(case, bound, sign)
            by_level: dict[Level, list[Excursion]] = {}
            for one in found:
                by_level.setdefault(_voltage_level(one, sign), []).append(one)
            out += [
                _voltage_finding(case, bound, sign, level, group)
                for level in LEVELS
                for group in alike(by_level.get(level, []))
            ]
    return out


def _voltage_excursions(case: Case, bound: float, sign: float) -> list[Excursion]:
    """Return what the believed channels did beyond a voltage limit; readings that no cell can have are left out."""
    study = case.knowledge.study
    volts = study.readings.log.cell_voltage
    with np.errstate(all="ignore"):
        extreme = sign * (np.fmax if sign > 0 else np.fmin).reduce(volts, axis=0)
    columns = np.flatnonzero(
        (extreme - sign * bound > 0.5 * study.readings.log.voltage_step)
        & study.harness.trusted
        & ~case.knowledge.place.shifted
    )
    if not len(columns):
        return []
    past = voltage_past(study, columns, bound, sign)
    # a channel that often reads what no cell can have is not believed where it does not
    outside = np.isnan(past.readings) & ~np.isnan(volts[:, columns])
    believed = outside.sum(axis=0) <= MOST_OUTSIDE * len(volts)
    return excursions(
        past.over[:, believed],
        columns[believed],
        study.readings.seconds,
        study.readings.log.voltage_step,
        _noise(case),
    )


def _noise(case: Case) -> float:
    """Return the noise of a cell reading [V], one sd; a step's own where nothing tells it."""
    study = case.knowledge.study
    if study.flow.has_current:
        return study.simultaneous.noise
    return float(study.readings.log.voltage_step / np.sqrt(12.0))


def _voltage_level(one: Excursion, sign: float) -> Level:
    """Return how urgent an excursion is: by its size and length together, never by one alone."""
    serious = SERIOUS_ABOVE_V if sign > 0 else SERIOUS_BELOW_V
    if one.worst >= 2 * serious and one.clear_seconds >= LEAST_S:
        return "act"
    if one.worst >= serious and one.clear_seconds >= SERIOUS_S:
        return "act"
    lasting = one.clear_seconds >= LEAST_S or (one.worst >= FAR_V and one.clear_seconds > 0)
    return "look" if lasting else "note"


def _voltage_finding(case: Case, bound: float, sign: float, level: Level, group: list[Excursion]) -> Finding:
    study = case.knowledge.study
    word = "above the upper" if sign > 0 else "below the lower"
    cells = sorted(case.cells[one.column] for one in group)
    worst, longest = max(one.worst for one in group), max(one.seconds for one in group)
    first = study.readings.log.time[min(one.first for one in group)]
    each = " each at most" if len(group) > 1 else ""
    short = level != "act"
    return finding(
        case.pack,
        "limit_exceeded",
        level,
        cells,
        f"{case.places(cells)}: {word} limit of {bound:.3f} V for{each} {_time(longest)}, by up to "
        f"{_millivolts(worst)}.",
        [
            *(
                f"cell {case.cells[one.column]}: {_time(one.seconds)}, at most {_millivolts(one.worst)} beyond, "
                f"limit {bound:.3f} V"
                for one in sorted(group, key=lambda e: -e.worst)[:8]
            ),
            f"first at {np.datetime_as_string(first, 's')} UTC",
            *(["little more than the reading can tell, or only for moments"] if short else []),
        ],
        [
            "Compare the limit set in the BMS, and the charger's, with the cell's data sheet."
            if short
            else "Do not use the pack until the limit in the BMS is set to the cell's data sheet "
            "and its trip is proven.",
            "A cell that was below its lower limit is not charged again without the maker's advice."
            if sign < 0
            else "Look at the cell for swelling and warmth; end the charge earlier or balance first.",
        ],
        size=worst,
        half=study.readings.log.voltage_step,
    )


def _time(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60:.0f} min"


def _millivolts(volts: float) -> str:
    return f"{volts * 1e3:.1f} mV" if volts < 0.0095 else f"{volts * 1e3:.0f} mV"


# ---- temperature and current --------------------------------------------------------------------------------


def temperature(case: Case) -> list[Finding]:
    """Temperature limits of the pack file."""
    study, limits = case.knowledge.study, case.pack.limits
    out: list[Finding] = []
    t = study.readings.log.temperature
    good = study.temperatures.trusted
    if not good.any():
        return out
    for bound, sign, word in (
        (limits.temperature_max_C, 1.0, "above"),
        (limits.temperature_min_C, -1.0, "below"),
    ):
        if bound is None:
            continue
        with np.errstate(all="ignore"):
            extreme = sign * (np.fmax if sign > 0 else np.fmin).reduce(t, axis=0)
        columns = np.flatnonzero(good & (extreme > sign * bound))
        for j in columns:
            past, noise = temperature_past(study, int(j), bound, sign), resolution(t[:, j])[1]
            for one in excursions(past.over, past.columns, study.readings.seconds, past.step, noise):
                out.append(_temperature_finding(case, bound, sign, word, one))
    return out


def _temperature_finding(case: Case, bound: float, sign: float, word: str, one: Excursion) -> Finding:
    name = case.pack.sensor_name(one.column + 1)
    near = case.pack.temperature_sensors
    cells = list(near[one.column].cells) if one.column < len(near) else []
    level: Level = "note"
    if one.clear_seconds >= LEAST_S:
        level = "act" if one.worst >= SERIOUS_K or one.clear_seconds >= SERIOUS_HOT_S else "look"
    return finding(
        case.pack,
        "limit_exceeded",
        level,
        cells,
        f"Sensor {name} was {word} the limit of {bound:.0f} degC for {_time(one.seconds)}, by up to "
        f"{one.worst:.1f} K.",
        [f"{'highest' if sign > 0 else 'lowest'} reading {bound + sign * one.worst:.1f} degC"],
        [
            "Let the pack come back within its limits before it is loaded or charged.",
            "See runs_hot and resistance_10s for the cause.",
        ],
        size=one.worst,
        half=min(0.5, 0.9 * one.worst),
        sensor=name,
        unit="degC",
    )


def current(case: Case) -> list[Finding]:
    """Current limits of the pack file."""
    study, limits = case.knowledge.study, case.pack.limits
    out: list[Finding] = []
    for bound, sign, word in (
        (limits.discharge_current_max_A, 1.0, "discharge"),
        (limits.charge_current_max_A, -1.0, "charge"),
    ):
        if bound is None or not study.flow.has_current:
            continue
        past = current_past(study, bound, sign)
        for one in excursions(past.over, past.columns, study.readings.seconds, past.step, 0.0):
            out.append(
                finding(
                    case.pack,
                    "limit_exceeded",
                    "look" if one.clear_seconds >= LEAST_S else "note",
                    [],
                    f"The {word} current was above its limit of {bound:.0f} A for {one.seconds:.0f} s, by up to "
                    f"{one.worst:.0f} A.",
                    [f"highest {word} current {bound + one.worst:.0f} A"],
                    ["Set the limit in the motor controller or charger to the cell's data sheet."],
                    size=one.worst,
                    half=0.02 * (bound + one.worst),
                    unit="A",
                )
            )
    return out


# ---- charging temperature -----------------------------------------------------------------------------------


def cold(case: Case) -> list[Finding]:
    """Charge current, regeneration included, outside the charging temperatures."""
    study = case.knowledge.study
    told = [charged_outside(study, bound, sign) for bound, sign in charging_bounds(study)]
    return [_charged_outside(case, one) for one in told if one is not None and one.rows.any()]


def _charged_outside(case: Case, found: ChargedOutside) -> Finding:
    """Return the finding of charge outside a charging temperature."""
    study, sign, rows = case.knowledge.study, found.sign, found.rows
    bound, seconds, ah, far, extreme = found.bound, found.seconds, found.ah, found.far, found.worst
    word = "below" if sign < 0 else "above"
    near = case.pack.temperature_sensors
    beyond = found.sensors[found.outside.any(axis=0)]
    cells = sorted({c for j in beyond if j < len(near) for c in near[j].cells})
    level: Level = "note"
    if seconds >= LEAST_S:
        lasting = seconds > COLD_S or ah > COLD_SHARE * study.readings.capacity
        level = "act" if lasting and far >= SENSOR_K else "look"
    return finding(
        case.pack,
        "cold_charge" if sign < 0 else "limit_exceeded",
        level,
        cells,
        f"{ah:.2f} Ah were charged in {seconds / 60:.1f} min {word} the charging limit of {bound:.0f} degC "
        f"({'coldest' if sign < 0 else 'warmest'} sensor {extreme:.1f} degC); regeneration counts as charging.",
        [
            f"charge current above {CHARGE_C_RATE * study.readings.capacity:.3g} A in {int(rows.sum())} "
            f"rows {word} the limit",
            *([f"within {SENSOR_K:.0f} K of the limit, which a sensor may err by"] if far < SENSOR_K else []),
        ],
        [
            "Do not charge or regenerate below the limit: set it in the BMS and the motor controller."
            if sign < 0
            else "Let the pack cool before it is charged.",
            "Warm the pack before charging, or charge straight after a drive."
            if sign < 0
            else "Charge at a lower rate, or later after a drive.",
            *(
                ["Watch the self-discharge and capacity of these cells: plating shows there later."]
                if sign < 0
                else []
            ),
        ],
        size=ah,
        half=0.03 * ah,
        unit="Ah",
    )


def zero(case: Case) -> list[Finding]:
    """A current sensor that does not read nought at rest."""
    k = case.knowledge
    found = k.zero
    if isinstance(found, str):
        return []
    value, half, length = found
    least = ZERO_C_RATE * k.study.readings.capacity
    if abs(value) < 0.98 * least or abs(value) - half < 0.5 * least:
        return []
    standing = k.study.flow.standing
    either = standing is None or standing.kind == "either"
    says = f"The current reads {value:+.2f} A at rest"
    because = [f"median over {length / 60:.0f} min at rest: {value:+.2f} +- {half:.2f} A"]
    if standing is not None and standing.hours > 0:
        because.append(standing.evidence())
    if standing is not None and not either:
        because.append(
            f"charge counted with and without it, put beside the voltages of all rests: the share of it that flows is "
            f"{standing.share:.2f} +- {1.96 * standing.share_sd:.2f}"
        )
    first = (
        "Open the contactors and read the sensor: what it shows then is its zero, the rest of it is a load."
    )
    return [
        finding(
            case.pack,
            "current_sensor_zero",
            "look" if abs(value) >= 2 * least and not (either and _may_stand_by(case, value)) else "note",
            [],
            f"{says}, and this log cannot tell whether the sensor's zero is off or a load of that size stays on; as a "
            f"zero it would invent {abs(value) * 24:.0f} Ah a day, as a load take them."
            if either
            else f"{says} though no such charge leaves the cells; "
            f"over a day that would invent {abs(value) * 24:.0f} Ah.",
            because,
            [
                first,
                "Set the sensor's zero while the contactors are open.",
                "Where it is a load (a supply, a heater), find it and switch it off, or log again with it off.",
            ]
            if either
            else [
                "Set the sensor's zero with the contactors open.",
                "Log a rest again: the current must read nought, and the counted charge must agree with the voltages.",
            ],
            size=value,
            half=half,
        )
    ]


def _may_stand_by(case: Case, amps: float) -> bool:
    """Whether a current at rest [A] is one that a sound vehicle may draw, and nothing be amiss.

    Nothing charges a pack between drives.
    """
    flow = case.knowledge.study.flow
    return abs(amps) <= STANDBY_C_RATE * flow.capacity and (amps > 0 or "drive" not in flow.kinds)


def log_itself(case: Case) -> list[Finding]:
    """Gaps, lost frames and slow refresh, where they cost the answer something."""
    because = [*_unseen(case), *_missing(case.knowledge.study)]
    if not because:
        return []
    return [
        finding(
            case.pack,
            "log_quality",
            "note",
            [],
            "The log itself limits what can be told.",
            because,
            ["Log every row, voltages and current read together, once a second or faster."],
            unit="",
        )
    ]


def _unseen(case: Case) -> list[str]:
    """Return what happened between the rows, where it cost the answer something."""
    flow, refresh = case.knowledge.study.flow, case.knowledge.study.refresh
    because = []
    step = np.diff(flow.seconds)
    pauses = step[np.diff(flow.section) > 0]
    lost = float(pauses.sum() / max(flow.seconds[-1], 1e-9))
    unseen = _moved_unseen(flow)
    if unseen > 0:
        because.append(
            f"{len(pauses)} pauses take {lost * 100:.0f} % of the time; current flowed before or after "
            f"{unseen} of them, so "
            "the charge is not counted through"
        )
    seldom = refresh.period_s > SLOW_REFRESH_S and refresh.period_s > 1.8 * flow.interval
    if seldom and "drive" in flow.kinds:
        because.append(
            f"cell voltages are renewed every {refresh.period_s:.1f} s only, though a row is written every "
            f"{flow.interval:.1f} s: what happens faster is not seen"
        )
    between = _moved_between(flow)
    if between > JUMPS_SHARE:
        because.append(
            f"a row is written every {flow.interval:.0f} s only, and from row to row the current changes by "
            f"{between * 100:.0f} % of its size: what flowed between the rows was not seen, so drops under load and "
            "the charge counted are known badly"
        )
    spells, still = _frozen(case.knowledge.study.readings, flow, refresh)
    if spells:
        because.append(
            f"the whole frame stood still {spells} time{'s' if spells > 1 else ''}, {still:.0f} s in all, and then "
            "jumped while current flowed: what happened meanwhile was not seen"
        )
    return because


def _missing(study: Study) -> list[str]:
    """Return which readings are missing or repeated, where that cost the answer something."""
    because = []
    readings, flow = study.readings, study.flow
    heard = ~study.harness.silent
    missing = float(np.isnan(readings.as_read)[:, heard].mean()) if heard.any() else 1.0
    drop_V = np.abs(np.diff(flow.current)) * USUAL_OHM_AH / readings.capacity
    held = float(study.refresh.stale.sum() / max((drop_V > 2 * readings.log.voltage_step).sum(), 20))
    if held > HELD_SHARE and study.refresh.period_s < 1.5 * flow.interval:
        because.append(
            f"{held * 100:.0f} % of the rows in which the current moved repeat the voltages of the row before"
        )
    if missing > HELD_SHARE:
        because.append(
            f"{missing * 100:.0f} % of the cell readings are missing or were held from the row before"
        )
    holes = float(np.isnan(flow.current).mean())
    if not flow.has_current:
        because.append(
            "the log has no current: of the cells no more is told than their limits and faults of the loom"
        )
    elif holes > GAP_SHARE:
        because.append(f"the current is missing in {holes * 100:.0f} % of the rows")
    return because


FROZEN_S, FROZEN_JUMP_C, FROZEN_SPELLS, FROZEN_LONG_S = 10.0, 0.05, 3, 60.0
"""A frame stands still where nothing changes for as long [s] in a drive and the current then jumps by this share of the
capacity per hour; so many spells are no chance, nor is a single one that lasts as long as the last (choice)."""
FROZEN_ELSEWHERE = 0.1
"""Where more than this share of the other rows under load repeat the row before, coarse steps do it (choice)."""


def _frozen(readings: Readings, flow: Flow, refresh: Refresh) -> tuple[int, float]:
    """Return how often all columns stood still in a drive until the current jumped, and for how long in all [s]."""
    if not flow.has_current or "drive" not in flow.kinds:
        return 0, 0.0
    volts, current = readings.source.cell_voltage, flow.read_current
    with np.errstate(invalid="ignore"):
        loaded = (np.abs(current[1:]) > 0.02 * readings.capacity) & flow.rows_of("drive")[1:]
    same = loaded & (current[1:] == current[:-1])
    rows = np.flatnonzero(same)
    same[rows] = [bool(np.array_equal(volts[i], volts[i + 1], equal_nan=True)) for i in rows]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    spells, total, longest, still = 0, 0.0, 0.0, 0
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        length = float(readings.seconds[last] - readings.seconds[first])
        after = min(last + 1, len(current) - 1)
        jump = abs(float(current[after] - current[last]))
        least = max(FROZEN_S, 3.0 * refresh.period_s, 5.0 * flow.interval)
        if length < least:
            continue
        # repeats by coarse steps are short; a long one is no sign of them, even where the current came back to itself
        still += int(last - first)
        if jump > FROZEN_JUMP_C * readings.capacity:
            spells, total, longest = spells + 1, total + length, max(longest, length)
    elsewhere = int(same.sum()) - still
    if elsewhere > FROZEN_ELSEWHERE * max(int(loaded.sum()) - still, 1):
        return 0, 0.0
    sure = spells >= FROZEN_SPELLS or longest >= max(
        FROZEN_LONG_S, 10.0 * refresh.period_s, 20.0 * flow.interval
    )
    return (spells, total) if sure else (0, 0.0)


def _moved_between(flow: Flow) -> float:
    """Return by how much the current of the drives changes from row to row, against its size; nought in quick logs."""
    rows = flow.rows_of("drive")
    if flow.interval < SLOW_REFRESH_S or not flow.has_current or rows.sum() < LEAST_DRIVE_ROWS:
        return 0.0
    inside = rows[1:] & rows[:-1] & (np.diff(flow.section) == 0)
    change = np.abs(np.diff(flow.current))[inside]
    size = float(np.sqrt(np.nanmean(flow.current[rows] ** 2)))
    return float(np.nanmedian(change)) / max(size, 0.02 * flow.capacity) if len(change) else 0.0


def _moved_unseen(flow: Flow) -> int:
    """Count the pauses beside which current flowed."""
    at = np.flatnonzero(np.diff(flow.section) > 0)
    return int(sum(not (flow.quiet[k] and flow.quiet[k + 1]) for k in at))
