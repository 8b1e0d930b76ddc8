"""Score one diagnosis against the truth of its log."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.signal import lfilter

from bmslogs.base.results import Diagnosis, Estimate, Finding
from sample_logs.inject import MATERIAL
from sample_logs.truth import Fault, Truth
from tests.accuracy.adapter import LIMITS
from tests.accuracy.cases import HOT, LEAK_A_PER_AH, Draft

SENSING = ("tap_open", "tap_resistive", "taps_swapped", "channel_stuck", "channel_offset")
ANY_LEVEL = ("log_quality", "current_sensor_zero", "cold_charge", "limit_exceeded", "bleed_misplaced")
"""Causes whose finding counts at any level; all others count as `act` or `look` only."""
COUNTED = ("bleed_done", "bleed_duty")
"""Sums of what was commanded: they have no interval."""
ALIKE = {"resistance_10s_relative": 1.0, "capacity_relative": 1.0}
"""What the answer "all cells alike" says; where not listed: nought or the pack's median."""
CENTRED_ON_ZERO = ("soc_offset", "leak_current_relative", "heating")


def score(d: Draft, truth: Truth, diagnosis: Diagnosis, knowable: dict[str, bool | None]) -> dict[str, Any]:
    """Return verdict, findings and estimates of one case as a JSON object."""
    loud = [f for f in diagnosis.findings if f.level in ("act", "look")]
    unexplained = [f for f in loud if not _true(f, d, truth)]
    out: dict[str, Any] = {
        "cells": d.n,
        "chemistry": d.string.chemistry,
        "every_s": d.bench.log_every_s,
        "note": d.note,
        "nominal_Ah": d.string.nominal_Ah,
        "volt_step": d.meter.volt_step,
        "planted": [
            {"cause": f.cause, "cells": f.cells, "sensor": f.sensor, "size": f.size} for f in truth.faults
        ],
        "found": [_brief(f) for f in diagnosis.findings],
        "unexplained": [_brief(f) for f in unexplained],
        "verdict": "quiet" if not unexplained else "false alarm",
    }
    if truth.faults:
        verdicts = [_verdict(fault, diagnosis.findings, d) for fault in truth.faults]
        worst = next((v for v in verdicts if v != "right"), "right")
        if worst == "missed" and unexplained:
            worst = "wrong cause"
        out["verdict"] = worst
        out["extra"] = len(unexplained) if worst == "right" else 0
    out["estimates"] = estimates(d, truth, diagnosis, knowable)
    return out


def _brief(f: Finding) -> dict[str, Any]:
    return {
        "cause": f.cause,
        "level": f.level,
        "cells": list(f.cells),
        "sensor": f.sensor,
        "size": f.size,
        "low": f.low,
        "high": f.high,
    }


def _verdict(fault: Fault, findings: tuple[Finding, ...], d: Draft) -> str:
    """Return right, wrong cell, cell or joint (where the log separates the two), or missed."""
    heard = [f for f in findings if f.level in ("act", "look") or fault.cause in ANY_LEVEL]
    same = [f for f in heard if f.cause == fault.cause]
    if same:
        if fault.sensor is not None:
            hit = any(f.sensor == f"T{fault.sensor}" or set(f.cells) & set(fault.cells) for f in same)
            return "right" if hit else "wrong cell"
        if not fault.cells or d.note == "plateau":
            return "right"
        found = {c for f in same for c in f.cells}
        return "right" if set(fault.cells) <= found else "wrong cell"
    if fault.cause in ("cell_resistance_high", "joint_resistance_high"):
        either = [f for f in heard if f.cause == "cell_or_joint_resistance_high"]
        if any(set(fault.cells) <= set(f.cells) for f in either):
            return "right" if not separable(d, fault) else "cell or joint"
    return "missed"


def separable(d: Draft, fault: Fault) -> bool:
    """Return whether the truth itself tells an aged cell from a loose link in this log.

    Both would drop the same 10 s into a load; they part by the time course. The part of a cell's true
    course that no link can imitate, against the noise of one reading after averaging over all rows.
    """
    trace, string = d.bench.trace(), d.string
    step = max(1, round(d.bench.log_every_s / 0.1))
    current = trace.current[::step]
    keep = np.exp(-d.bench.log_every_s / 25.0)
    lagged = lfilter([0.0, 1 - keep], [1.0, -keep], current)
    share = np.median(string.pairs_ohm.sum(axis=0) / string.r0_ohm)
    course = current + share * lagged
    scale = (course @ current) / max(current @ current, 1e-12)
    left = course - scale * current
    size = 0.1 * d.times * 0.55e-3 * 100 / string.nominal_Ah
    noise = np.hypot(d.meter.volt_noise, d.meter.volt_step / np.sqrt(12))
    return bool(size * np.sqrt(np.sum(left**2)) / noise > 8.0)


def _true(f: Finding, d: Draft, truth: Truth) -> bool:
    """Return whether a finding says something true of the string, planted or not."""
    for fault in truth.faults:
        if f.cause in (fault.cause, *fault.also):
            return True
        if {f.cause, fault.cause} <= {
            "cell_resistance_high",
            "joint_resistance_high",
            "cell_or_joint_resistance_high",
        }:
            return True  # counted by the verdict
    nominal = d.string.nominal_Ah
    cells = [c - 1 for c in f.cells]
    if f.cause == "limit_exceeded":
        return _over_limit(d)
    if not cells:
        return f.cause == "log_quality" and (
            d.meter.refresh_s > 2 or d.meter.held > 0.1 or bool(d.meter.gaps)
        )
    at = 0.8
    relative = truth.cell.get("resistance_10s_relative", np.ones(d.n))
    if f.cause.endswith("resistance_high"):
        return bool((relative[cells] > 1 + at * MATERIAL["cell_resistance_high"]).all())
    if f.cause == "capacity_low":
        return bool((truth.cell["capacity_relative"][cells] < 1 - at * MATERIAL["capacity_low"]).all())
    if f.cause in ("soc_offset_low", "soc_offset_high"):
        return _is_apart(1 if f.cause.endswith("high") else -1, cells, d)
    if f.cause == "self_discharge_high":
        return bool((truth.cell["leak_current_relative"][cells] > at * LEAK_A_PER_AH * nominal).all())
    if f.cause == "runs_hot":
        cooling = d.string.cooling_K_W / np.median(d.string.cooling_K_W) * relative
        return bool((cooling[cells] > 1 + at * HOT).all())
    return False


def _is_apart(sign: int, cells: list[int], d: Draft) -> bool:
    """Return whether cells are fuller (+1) or emptier (-1) at either end of the log, or lack less or more to full."""
    trace, capacity = d.bench.trace(), d.string.capacity_Ah
    places = [trace.soc[0], trace.soc[-1]]
    places += [-(1 - soc) * capacity / d.string.nominal_Ah for soc in places]
    apart = [sign * (p - np.median(p))[cells] > 0.8 * MATERIAL["soc_offset_low"] for p in places]
    return bool(np.any(apart, axis=0).all())


def _over_limit(d: Draft) -> bool:
    """Return whether a cell really passed a voltage limit of the pack file."""
    volts = d.bench.trace().volts
    limits = LIMITS[d.string.chemistry].model_copy(update=d.limits or {})
    assert limits.voltage_max_V is not None and limits.voltage_min_V is not None
    return bool(volts.max() > limits.voltage_max_V or volts.min() < limits.voltage_min_V)


def estimates(
    d: Draft, truth: Truth, diagnosis: Diagnosis, knowable: dict[str, bool | None]
) -> list[dict[str, Any]]:
    """Return one object per estimate: quantity, truth, error, interval, what all-alike would have erred."""
    blind = {c for f in truth.faults if f.cause in SENSING for c in f.cells}
    bad_sensors = {f.sensor for f in truth.faults if f.cause == "temperature_sensor_fault"}
    truth = _about_the_readable(truth, blind)
    out: list[dict[str, Any]] = []
    for e in diagnosis.estimates:
        if e.cell in blind or (e.sensor and e.sensor.removeprefix("T") in {str(s) for s in bad_sensors}):
            continue
        true = true_value(e, d, truth)
        if true is None:
            continue
        out.append(_one(e, true, d, truth, knowable.get(e.quantity)))
    return out


def _about_the_readable(truth: Truth, blind: set[int]) -> Truth:
    """Return the truth with "relative to the median" meaning that of the cells whose readings can be believed."""
    cell = dict(truth.cell)
    for quantity, values in truth.cell.items():
        seen = np.array([c not in blind for c in range(1, len(values) + 1)])
        if quantity in ALIKE:
            cell[quantity] = values / np.median(values[seen])
        elif quantity in ("soc_offset", "leak_current_relative"):
            cell[quantity] = values - np.median(values[seen])
    return replace(truth, cell=cell)


def true_value(e: Estimate, d: Draft, truth: Truth) -> float | None:
    """Return the truth of what `e` estimates, None where the simulation has none."""
    if e.cell is not None and e.quantity in truth.cell:
        values = truth.cell[e.quantity]
        if e.quantity == "charge_to_full" and e.conditions.get("full") == "leading_cell":
            return float(values[e.cell - 1] - values.min())
        return float(values[e.cell - 1])
    if e.sensor is not None and e.quantity in truth.sensor:
        number = e.sensor.removeprefix("T")
        return float(truth.sensor[e.quantity][int(number) - 1]) if number.isdigit() else None
    if e.cell is None and e.sensor is None and e.quantity in truth.pack:
        return float(truth.pack[e.quantity])
    return None


def _one(e: Estimate, true: float, d: Draft, truth: Truth, can: bool | None) -> dict[str, Any]:
    if e.quantity in truth.cell and e.quantity not in CENTRED_ON_ZERO:
        alike = ALIKE.get(e.quantity, float(np.median(truth.cell[e.quantity])))
    else:
        alike = 0.0
    row: dict[str, Any] = {
        "quantity": e.quantity,
        "cell": e.cell,
        "sensor": e.sensor,
        "true": true,
        "alike_error": abs(true - alike),
        "knowable": can,
        "status": e.status,
    }
    if e.status != "determined":
        row["why"] = e.why
    elif e.value is not None:
        value, low, high = e.value, e.low, e.high
        if e.quantity in ("resistance_10s", "resistance_outside_taps"):
            row["gain_free"] = value * d.meter.current_gain
        row |= {"value": value, "error": value - true}
        if low is not None and high is not None:
            row |= {"covered": bool(low <= true <= high), "width": high - low}
    return row
