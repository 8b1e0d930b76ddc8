"""What is true of a simulated string and its log: the figures and causes that an analysis should find."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from sample_logs.loads import Bench, Trace
from sample_logs.meter import Meter
from sample_logs.string_model import String, resistance_10s


@dataclass(frozen=True)
class Fault:
    """One planted fault, named as the diagnosis should name it.

    Attributes
    ----------
    cells
        Cells (from 1) whose reading or behaviour it explains; empty where it is the pack's.
    sensor
        Temperature sensor (from 1).
    size, unit
        As a finding gives them.
    also
        Other causes that are as true, where the log itself cannot separate them.
    """

    cause: str
    cells: tuple[int, ...] = ()
    sensor: int | None = None
    size: float | None = None
    unit: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class Truth:
    """The truth of one log.

    Attributes
    ----------
    cell, sensor, pack
        Quantity -> value per cell, per sensor, or of the pack, keys and units as in the diagnosis.
    conditions
        Mean charge and temperature while it moved, rms current, ends of charge covered, ...
    faults
        What was planted.
    """

    cell: dict[str, np.ndarray]
    sensor: dict[str, np.ndarray]
    pack: dict[str, float]
    conditions: dict[str, float]
    faults: tuple[Fault, ...] = ()
    notes: dict[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Return a JSON object; six digits are enough."""

        def plain(value: Any) -> Any:
            if isinstance(value, np.ndarray):
                return [float(f"{v:.6g}") for v in value]
            return float(f"{value:.6g}") if isinstance(value, float) else value

        return {
            "cell": {k: plain(v) for k, v in self.cell.items()},
            "sensor": {k: plain(v) for k, v in self.sensor.items()},
            "pack": {k: plain(float(v)) for k, v in self.pack.items()},
            "conditions": {k: plain(float(v)) for k, v in self.conditions.items()},
            "faults": [asdict(f) for f in self.faults],
        }


def truth_of(bench: Bench, meter: Meter, faults: list[Fault] | tuple[Fault, ...] = ()) -> Truth:
    """Return the truth of all that was run on `bench`, read through `meter`.

    Resistance is that of a 10 s pulse of the log's rms current at its mean charge and temperature while it
    moved (the circuit is linear in current), the open-circuit fall taken out, links in the tap included.
    Offsets are of the first row. Charge to full is (1 - soc) x capacity when the last charge ended.
    """
    string, trace = bench.string, bench.trace()
    moving = _moving(trace, string.nominal_Ah)
    cell, conditions = _resistance(string, trace, moving)
    first = trace.soc[0]
    cell["soc_offset"] = first - np.median(first)
    cell["capacity"] = string.capacity_Ah
    cell["capacity_relative"] = string.capacity_Ah / np.median(string.capacity_Ah)
    cell["leak_current_relative"] = string.leak_A - np.median(string.leak_A)
    charges = [span for span in trace.spans if span[0] == "charge"]
    pack: dict[str, float] = {}
    if charges:
        _, _, end, _ = charges[-1]
        missing = (1.0 - trace.soc[end - 1]) * string.capacity_Ah
        cell["charge_to_full"] = missing
        cell["bleed_needed"] = missing.max() - missing
        conditions["charge_end_V"] = float(trace.volts[end - 1].max())
        pack["balancing_time"] = float(
            cell["bleed_needed"].max() / (trace.volts[end - 1].mean() / string.bleed_ohm)
        )
    length = np.diff(trace.seconds, append=trace.seconds[-1])
    cell["bleed_done"] = (trace.bleed * trace.volts * length[:, None]).sum(axis=0) / string.bleed_ohm / 3600.0
    cell["bleed_duty"] = (trace.bleed * length[:, None]).sum(axis=0) / max(length.sum(), 1e-9)
    pack |= _pack(string, trace, meter)
    conditions |= {
        "soc_first": float(np.median(first)),
        "soc_least": float(np.median(trace.soc, axis=1).min()),
        "soc_most": float(np.median(trace.soc, axis=1).max()),
    }
    return Truth(cell, {"heating": _heating(string, trace, moving)}, pack, conditions, tuple(faults))


def _moving(trace: Trace, nominal_Ah: float) -> np.ndarray:
    """Rows in which the vehicle drove; where it never did, those with any current."""
    moving = np.zeros(len(trace.seconds), dtype=bool)
    for kind, begin, end, _ in trace.spans:
        if kind == "drive":
            moving[begin:end] = True
    return moving if moving.any() else np.abs(trace.current) > 0.02 * nominal_Ah


def _resistance(
    string: String, trace: Trace, moving: np.ndarray
) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    rows = moving if moving.any() else np.ones(len(trace.seconds), dtype=bool)
    soc, warm = trace.soc[rows].mean(axis=0), trace.temperature[rows].mean(axis=0)
    own, joint = resistance_10s(string, soc, warm)
    whole = own + joint
    cell = {
        "resistance_10s": whole,
        "resistance_10s_relative": whole / np.median(whole),
        "resistance_10s_own": own,
        "joint": joint,
    }
    conditions = {
        "temperature_C": float(warm.mean()),
        "soc_mean": float(soc.mean()),
        "current_rms_A": float(np.sqrt(np.mean(trace.current[rows] ** 2))),
    }
    return cell, conditions


def _heating(string: String, trace: Trace, moving: np.ndarray) -> np.ndarray:
    """Steady rise per ampere squared [K/A^2] at each sensor, less the median sensor's."""
    rows = moving if moving.any() else slice(None)
    soc, warm = trace.soc[rows].mean(axis=0), trace.temperature[rows].mean(axis=0)
    own, joint = resistance_10s(string, soc, warm)
    steady = (
        own
        * (string.r0_ohm + string.pairs_ohm.sum(axis=0))
        / (string.r0_ohm + ((1 - np.exp(-10 / string.taus_s)) @ string.pairs_ohm))
    )
    slope = string.cooling_K_W * (steady + joint)
    per_sensor = np.array([slope[near].mean() for near in string.sensors])
    return per_sensor - np.median(per_sensor)


def _pack(string: String, trace: Trace, meter: Meter) -> dict[str, float]:
    capacity, soc = string.capacity_Ah, trace.soc[0]
    usable = float((capacity * soc).min() + (capacity * (1 - soc)).min())
    weakest = min(string.modules, key=lambda cells: capacity[cells].min())
    replaced = capacity.copy()
    replaced[weakest] = np.maximum(np.median(capacity), replaced[weakest])
    return {
        "resistance_outside_taps": string.outside_taps_ohm,
        "current_zero": meter.current_zero,
        # the middle cell of a scan is read half a scan after the row's time, a trailing mean is half its length old
        "current_lag": meter.current_lag_s + meter.scan_s / 2 - meter.average_s / 2,
        "usable_charge": usable,
        "gain_by_balancing": float(capacity.min() - usable),
        "gain_by_replacing": float(replaced.min() - capacity.min()),
    }
