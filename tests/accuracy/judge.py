"""What can be known from a log, by the truth itself: true curve, true charge, true course.

The judge asks how well the best of all estimators could do: the information that the true open-circuit
slope puts into the readings (Cramer-Rao bound of the linear model), with an error of 1 mV (NMC) or 2 mV
(LFP) common to all readings within each 3 % of charge. True = knowable, False = not, None = between,
not judged.
"""

from __future__ import annotations

import numpy as np

from sample_logs.loads import Trace
from tests.accuracy.cases import Draft

TABLE_V = {"NMC": 0.003, "LFP": 0.001}
"""How far the tables in the pack files are off."""
COMMON_V = {"NMC": 0.001, "LFP": 0.002}
"""Error common to readings close together on the curve [V]: hysteresis, curve of the lot, links."""


def knowable(d: Draft) -> dict[str, bool | None]:
    """Return quantity -> whether the log can tell it, for a typical cell."""
    trace = d.bench.trace()
    nominal = d.string.nominal_Ah
    kinds = {
        kind: sum(_seconds(trace, b, e) for k, b, e, _ in trace.spans if k == kind)
        for kind, *_ in trace.spans
    }
    drive_s, rest_s = kinds.get("drive", 0.0), kinds.get("rest", 0.0) + kinds.get("parked", 0.0)
    out: dict[str, bool | None] = {}
    resistance = _resistance(trace, d, drive_s)
    out["resistance_10s"] = out["resistance_10s_relative"] = resistance
    offset, capacity = _offset_and_capacity(d, trace)
    out["soc_offset"] = _between(offset, 0.003, 0.015)
    out["capacity_relative"] = _between(capacity, 0.003, 0.03)
    out["capacity"] = _between(max(capacity, _absolute(d, trace)), 0.01, 0.1)
    out["charge_to_full"] = out["bleed_needed"] = _full(d, trace)
    out["leak_current_relative"] = _leak(d, trace, kinds.get("parked", 0.0))
    warmed = float(np.median(np.ptp(trace.temperature, axis=0)))
    # two kelvin by a load that comes and goes are plain; what hardly warms tells nothing
    out["heating"] = True if drive_s > 1500 and warmed > 2.0 else (False if warmed < 0.3 else None)
    out["current_zero"] = True if rest_s > 300 else (False if rest_s == 0 else None)
    steady = np.abs(np.diff(trace.current)).max() < 0.02 * nominal
    out["current_lag"] = False if steady else (True if drive_s > 600 and d.meter.refresh_s <= 2 else None)
    if not d.meter.pack_voltage:
        out["resistance_outside_taps"] = False
    else:
        out["resistance_outside_taps"] = False if steady else (True if drive_s > 600 else None)
    planted = {f.cause for f in d.faults}
    if "channel_stuck" in planted or d.meter.held > 0.1 or d.meter.refresh_s > 2:
        out["resistance_outside_taps"] = None  # the sum of the cells is not read
    if "bleed_misplaced" in planted:
        out["charge_to_full"] = out["bleed_needed"] = None  # what was bled is not what was commanded
    return out


def _seconds(trace: Trace, begin: int, end: int) -> float:
    return float(trace.seconds[end - 1] - trace.seconds[begin]) if end > begin else 0.0


def _between(error: float, yes: float, no: float) -> bool | None:
    return True if error < yes else (False if error > no else None)


def _resistance(trace: Trace, d: Draft, drive_s: float) -> bool | None:
    if drive_s >= 600 and d.meter.refresh_s <= 2 and d.meter.held < 0.1 and not d.meter.gaps:
        return True
    steps = np.abs(np.diff(trace.current)).max() if len(trace.current) > 1 else 0.0
    return False if steps < 0.02 * d.string.nominal_Ah else None


def _offset_and_capacity(d: Draft, trace: Trace) -> tuple[float, float]:
    """Return the least standard errors of offset (fraction) and capacity (fraction) that the log allows."""
    string = d.string
    soc = np.median(trace.soc, axis=1)
    current = trace.current / string.nominal_Ah
    slope = string.curve.slope(soc)
    moved = soc[0] - soc
    # One independent reading per 3 % of charge and direction of current.
    place = np.round(soc * 100 / 3).astype(int) * 3 + np.sign(np.round(current, 3)).astype(int)
    _, first = np.unique(place, return_index=True)
    design = np.column_stack([slope, slope * moved, -current])[first]
    noise = COMMON_V[string.chemistry]
    information = design.T @ design / noise**2
    # Before the log: capacities of a string differ by some per cent, resistances by a tenth of 0.1 V at 1 C.
    information += np.diag([1 / 0.5**2, 1 / 0.1**2, 1 / 0.02**2])
    covariance = np.linalg.inv(information)
    # cells of two lots have curves of their own: their features lie apart by so much charge
    lots = 0.0 if string.bend is None else float(np.std(string.bend * np.sin(2 * np.pi * soc[0])))
    return float(np.hypot(np.sqrt(covariance[0, 0]), lots)), float(np.sqrt(covariance[1, 1]))


def _absolute(d: Draft, trace: Trace) -> float:
    """Return the error (fraction) of the charge between two places on a table that is off by a millivolt or three."""
    soc = np.median(trace.soc, axis=1)
    ends = np.array([soc.min(), soc.max()])
    error = TABLE_V[d.string.chemistry] / d.string.curve.slope(ends)
    return float(np.hypot(*error) / max(np.ptp(ends), 1e-9))


def _full(d: Draft, trace: Trace) -> bool | None:
    charges = [(b, e) for kind, b, e, _ in trace.spans if kind == "charge"]
    if not charges:
        return False
    begin, end = charges[-1]
    soc = np.median(trace.soc[begin:end], axis=1)
    reach = COMMON_V[d.string.chemistry] / d.string.curve.slope(soc).max()
    if reach < 0.003 and soc[-1] > 0.97 and _seconds(trace, begin, end) > 1800:
        return True
    return False if reach > 0.02 else None


def _leak(d: Draft, trace: Trace, parked_s: float) -> bool | None:
    if parked_s < 86400:
        return False
    soc = np.median(trace.soc, axis=1)
    drift_V = max(0.5e-3 if d.string.chemistry == "NMC" else 1e-3, d.meter.volt_step / 2)
    error = drift_V / d.string.curve.slope(soc).mean() * d.string.nominal_Ah / (parked_s / 3600)
    return _between(error, 14e-6 * d.string.nominal_Ah, 60e-6 * d.string.nominal_Ah)
