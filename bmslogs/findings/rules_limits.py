"""Rules about limits passed, charging in the cold, the current sensor and the log itself."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import Case, finding

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

CHARGE_C_RATE = 1 / 20
"""Charge current below the temperature limit counts from here on (common practice, no source)."""
DEFAULT_CHARGE_LIMIT_C = 0.0
"""Where the pack file names no charging temperature limit (common practice, no source)."""
ZERO_C_RATE = 1 / 200
"""A current reading at rest beyond this is worth a look (common practice, no source)."""
GAP_SHARE = 0.02
HELD_SHARE = 0.05
SLOW_REFRESH_S = 2.5


def _length(seconds: Floats, rows: Bools) -> float:
    """Time [s] that the marked rows stand for, pauses not counted."""
    step = np.diff(seconds, append=seconds[-1])
    usual = float(np.median(step[:-1])) if len(step) > 1 else 1.0
    return float(np.minimum(step, 10 * usual)[rows].sum())


def voltage(case: Case) -> list[Finding]:
    """Cell voltage limits of the pack file."""
    study, limits = case.knowledge.study, case.pack.limits
    out = []
    step = study.log.voltage_step
    for bound, sign, word in (
        (limits.voltage_max_V, 1.0, "above the upper"), (limits.voltage_min_V, -1.0, "below the lower"),
    ):
        if bound is None:
            continue
        over = sign * (study.log.cell_voltage - bound)
        passed = np.nan_to_num(over, nan=-1.0) > 0.5 * step + 1e-9
        passed[:, ~study.trusted | case.knowledge.shifted] = False
        # one row alone is a glitch, not a state
        steady = passed.copy()
        steady[1:] &= passed[:-1]
        columns = np.flatnonzero(steady.any(axis=0))
        if not len(columns):
            continue
        rows = np.asarray(steady[:, columns].any(axis=1))
        worst = float(np.nanmax(np.where(passed[:, columns], over[:, columns], np.nan)))
        cells = [case.cells[i] for i in columns]
        minutes = _length(study.seconds, rows) / 60.0
        first = study.log.time[np.flatnonzero(rows)[0]]
        by_cell = [
            f"cell {case.cells[i]}: {_length(study.seconds, passed[:, i]) / 60:.1f} min, at most "
            f"{np.nanmax(over[passed[:, i], i]) * 1e3:.0f} mV over, limit {bound:.3f} V" for i in columns[:8]
        ]
        out.append(
            finding(
                case.pack,
                "limit_exceeded",
                "act",
                cells,
                f"{case.places(cells)}: {word} limit of {bound:.3f} V for {minutes:.1f} min, by up to "
                f"{worst * 1e3:.0f} mV.",
                [*by_cell, f"first at {np.datetime_as_string(first, 's')} UTC"],
                [
                    "Do not use the pack until the limit in the BMS is set to the cell's data sheet and "
                    "its trip is proven.",
                    "A cell that was below its lower limit is not charged again without the maker's advice."
                    if sign < 0
                    else "Look at the cell for swelling and warmth; end the charge earlier or balance first.",
                ],
                size=worst,
                half=step,
            )
        )
    return out


def temperature(case: Case) -> list[Finding]:
    """Temperature limits of the pack file."""
    study, limits = case.knowledge.study, case.pack.limits
    out: list[Finding] = []
    t = study.log.temperature
    good = study.sensors_trusted
    if not good.any():
        return out
    for bound, sign, word in ((limits.temperature_max_C, 1.0, "above"), (limits.temperature_min_C, -1.0, "below")):
        if bound is None:
            continue
        over = np.where(good, sign * (t - bound), np.nan)
        passed = np.nan_to_num(over, nan=-1.0) > 0.05
        steady = passed.copy()
        steady[1:] &= passed[:-1]
        for j in np.flatnonzero(steady.any(axis=0)):
            name = case.pack.sensor_name(int(j) + 1)
            near = case.pack.temperature_sensors
            cells = list(near[j].cells) if j < len(near) else []
            worst = float(np.nanmax(over[:, j]))
            out.append(finding(
                case.pack, "limit_exceeded", "act", cells,
                f"Sensor {name} was {word} the limit of {bound:.0f} degC for "
                f"{_length(study.seconds, steady[:, j]) / 60:.1f} min, by up to {worst:.1f} K.",
                [f"{'highest' if sign > 0 else 'lowest'} reading {bound + sign * worst:.1f} degC"],
                ["Let the pack come back within its limits before it is loaded or charged.",
                 "See runs_hot and resistance_10s for the cause."],
                size=worst, half=0.5, sensor=name, unit="degC",
            ))
    return out


def current(case: Case) -> list[Finding]:
    """Current limits of the pack file."""
    study, limits = case.knowledge.study, case.pack.limits
    out = []
    for bound, sign, word in (
        (limits.discharge_current_max_A, 1.0, "discharge"), (limits.charge_current_max_A, -1.0, "charge"),
    ):
        if bound is None:
            continue
        over = sign * study.current - bound
        passed = np.nan_to_num(over, nan=-1.0) > 0.005 * bound
        passed[1:] &= passed[:-1]
        if passed.any():
            worst = float(np.nanmax(over[passed]))
            out.append(
                finding(
                    case.pack,
                    "limit_exceeded",
                    "look",
                    [],
                    f"The {word} current was above its limit of {bound:.0f} A for "
                    f"{_length(study.seconds, passed):.0f} s, by up "
                    f"to {worst:.0f} A.",
                    [f"highest {word} current {bound + worst:.0f} A"],
                    ["Set the limit in the motor controller or charger to the cell's data sheet."],
                    size=worst,
                    half=0.02 * (bound + worst),
                    unit="A",
                )
            )
    return out


def cold(case: Case) -> list[Finding]:
    """Charge current, regeneration included, outside the charging temperatures."""
    study, limits = case.knowledge.study, case.pack.limits
    low = limits.charge_temperature_min_C
    low = DEFAULT_CHARGE_LIMIT_C if low is None else low
    high = limits.charge_temperature_max_C
    good = study.sensors_trusted
    if not good.any():
        return []
    t = study.log.temperature[:, good]
    charging = np.nan_to_num(study.current) < -CHARGE_C_RATE * study.capacity
    step = np.minimum(np.diff(study.seconds, append=study.seconds[-1]), 10 * study.interval)
    out = []
    with np.errstate(all="ignore"):
        coldest, warmest = np.nanmin(t, axis=0), np.nanmax(t, axis=0)
    for bound, rows, word, extreme in (
        (low, (t < low).any(axis=1) & charging, "below", float(np.nanmin(coldest))),
        (high, (t > (np.inf if high is None else high)).any(axis=1) & charging, "above", float(np.nanmax(warmest))),
    ):
        if bound is None or rows.sum() < 1:
            continue
        ah = float((-np.nan_to_num(study.current) * step)[rows].sum() / 3600.0)
        seconds = float(step[rows].sum())
        outside = (t < bound) if word == "below" else (t > bound)
        cells = sorted({
            c for j in np.flatnonzero((outside & rows[:, None]).any(axis=0)) if j < len(case.pack.temperature_sensors)
            for c in case.pack.temperature_sensors[j].cells
        })
        serious = word == "above" or seconds > 30.0 or ah > 0.0005 * study.capacity
        level: Level = "act" if serious else "look"
        out.append(
            finding(
                case.pack,
                "cold_charge" if word == "below" else "limit_exceeded",
                level,
                cells,
                f"{ah:.2f} Ah were charged in {seconds / 60:.1f} min {word} the charging limit of {bound:.0f} degC "
                f"({'coldest' if word == 'below' else 'warmest'} sensor {extreme:.1f} degC); regeneration "
                "counts as charging.",
                [
                    f"charge current above {CHARGE_C_RATE * study.capacity:.0f} A in {int(rows.sum())} "
                    f"rows {word} the limit"
                ],
                [
                    "Do not charge or regenerate below the limit: set it in the BMS and the motor controller."
                    if word == "below"
                    else "Let the pack cool before it is charged.",
                    "Warm the pack before charging, or charge straight after a drive.",
                    "Watch the self-discharge and capacity of these cells: plating shows there later.",
                ],
                size=ah,
                half=0.03 * ah,
                unit="Ah",
            )
        )
    return out


def zero(case: Case) -> list[Finding]:
    """A current sensor that does not read nought at rest."""
    k = case.knowledge
    found = k.zero
    if isinstance(found, str):
        return []
    value, half, length = found
    least = ZERO_C_RATE * k.study.capacity
    if abs(value) < 0.98 * least or abs(value) - half < 0.5 * least:
        return []
    standing = k.study.standing
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
    first = "Open the contactors and read the sensor: what it shows then is its zero, the rest of it is a load."
    return [
        finding(
            case.pack,
            "current_sensor_zero",
            "look" if abs(value) >= 2 * least else "note",
            [],
            f"{says}, and this log cannot tell whether the sensor's zero is off or a load of that size stays on; as a "
            f"zero it would invent {abs(value) * 24:.0f} Ah a day, as a load take them."
            if either else
            f"{says} though no such charge leaves the cells; over a day that would invent {abs(value) * 24:.0f} Ah.",
            because,
            [first, "Set the sensor's zero while the contactors are open.",
             "Where it is a load (a supply, a heater), find it and switch it off, or log again with it off."]
            if either else
            ["Set the sensor's zero with the contactors open.",
             "Log a rest again: the current must read nought, and the counted charge must agree with the voltages."],
            size=value,
            half=half,
        )
    ]


def log_itself(case: Case) -> list[Finding]:
    """Gaps, lost frames and slow refresh, where they cost the answer something."""
    study = case.knowledge.study
    because = []
    step = np.diff(study.seconds)
    pauses = step[np.diff(study.section) > 0]
    lost = float(pauses.sum() / max(study.seconds[-1], 1e-9))
    unseen = _moved_unseen(case)
    if unseen > 0:
        because.append(
            f"{len(pauses)} pauses take {lost * 100:.0f} % of the time; current flowed before or after "
            f"{unseen} of them, so "
            "the charge is not counted through"
        )
    if study.refresh_s > SLOW_REFRESH_S and study.refresh_s > 1.8 * study.interval and "drive" in study.kinds:
        because.append(
            f"cell voltages are renewed every {study.refresh_s:.1f} s only, though a row is written every "
            f"{study.interval:.1f} s: what happens faster is not seen"
        )
    missing = float(np.isnan(study.log.cell_voltage[:, ~study.silent]).mean()) if (~study.silent).any() else 1.0
    held = float(
        study.held.sum()
        / max((np.abs(np.diff(study.current)) * 0.1 / study.capacity > 2 * study.log.voltage_step).sum(), 20)
    )
    if held > HELD_SHARE and study.refresh_s < 1.5 * study.interval:
        because.append(
            f"{held * 100:.0f} % of the rows in which the current moved repeat the voltages of the row before"
        )
    if missing > HELD_SHARE:
        because.append(f"{missing * 100:.0f} % of the cell readings are missing or were held from the row before")
    holes = float(np.isnan(study.current).mean())
    if not study.has_current:
        because.append("the log has no current: of the cells no more is told than their limits and faults of the loom")
    elif holes > GAP_SHARE:
        because.append(f"the current is missing in {holes * 100:.0f} % of the rows")
    if not because:
        return []
    return [finding(
        case.pack, "log_quality", "note", [], "The log itself limits what can be told.", because,
        ["Log every row, voltages and current read together, once a second or faster."], unit="",
    )]


def _moved_unseen(case: Case) -> int:
    """Count the pauses beside which current flowed."""
    study = case.knowledge.study
    at = np.flatnonzero(np.diff(study.section) > 0)
    return int(sum(not (study.quiet[k] and study.quiet[k + 1]) for k in at))
