"""From simulated arrays straight to the log that bmslogs analyses, without a CSV between.

case = build_log(string, bench, meter, rng)        # -> bmslogs.log.log.Log
from bmslogs.findings import diagnose
diagnosis = diagnose(case)
"""

from __future__ import annotations

from typing import Any

import numpy as np

from bmslogs.base.pack import Limits, Module, Pack, SenseBoard, TemperatureSensor
from bmslogs.log.log import Log
from sample_logs.loads import Bench
from sample_logs.meter import Logged, Meter
from sample_logs.string_model import String

START = np.datetime64("2026-05-04T08:00:00", "us")
LIMITS = {
    "NMC": Limits(
        voltage_min_V=2.8, voltage_max_V=4.25, charge_temperature_min_C=0.0, temperature_max_C=55.0
    ),
    "LFP": Limits(
        voltage_min_V=2.5, voltage_max_V=3.65, charge_temperature_min_C=0.0, temperature_max_C=55.0
    ),
}


def build_pack(string: String, pack_id: str = "plover-main", **more: Any) -> Pack:
    """Return the pack file's content for `string`: modules, sensors and 12-cell boards in order."""
    n = string.cells
    boards = [range(k, min(k + 12, n)) for k in range(0, n, 12)]
    fields: dict[str, Any] = {
        "id": pack_id,
        "vehicle": "Plover",
        "chemistry": string.chemistry,
        "nominal_capacity_Ah": string.nominal_Ah,
        "cells_in_series": n,
        "bleed_resistor_ohm": string.bleed_ohm,
        "current_accuracy": 0.005,  # what `draft` plants, one standard deviation
        "limits": LIMITS[string.chemistry],
        "modules": tuple(
            Module(name=f"M{i}", cells=(m + 1).tolist()) for i, m in enumerate(string.modules, 1)
        ),
        "temperature_sensors": tuple(
            TemperatureSensor(name=f"T{i}", cells=(s + 1).tolist()) for i, s in enumerate(string.sensors, 1)
        ),
        "sense_boards": tuple(
            SenseBoard(name=f"B{i}", cells=[c + 1 for c in b]) for i, b in enumerate(boards, 1)
        ),
    }
    return Pack(**(fields | more))


def build_log(
    string: String, bench: Bench, meter: Meter, rng: np.random.Generator, pack: Pack | None = None
) -> Log:
    """Read what was run on `bench` through `meter` and return it as a log of `pack`."""
    logged = meter.read(bench.trace(), rng, string.sensors, string.outside_taps_ohm)
    return as_log(logged, pack or build_pack(string))


def as_log(
    logged: Logged, pack: Pack, log_id: str = "20260504-0800-simulated0000", start: np.datetime64 = START
) -> Log:
    """Return `logged` as a log of `pack` that begins at `start` (UTC)."""
    return Log(
        id=log_id,
        time=start + np.round(logged.seconds * 1e6).astype("timedelta64[us]"),
        current=logged.current,
        cells=tuple(range(1, logged.volts.shape[1] + 1)),
        cell_voltage=logged.volts,
        temperature=logged.temperature,
        bleed=logged.bleed,
        pack_voltage=logged.pack_V,
        pack=pack,
        voltage_step=logged.volt_step,
    )
