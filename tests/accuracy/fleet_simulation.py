"""Simulated fleets of diagnoses: natural spread, repeatability, drives of each vehicle, planted faults."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import numpy as np

from bmslogs.base.pack import Pack, parse_pack
from bmslogs.base.results import Diagnosis, Estimate

BIRDS = ("Heron", "Wren", "Plover", "Dunlin", "Avocet", "Siskin", "Linnet", "Bunting", "Godwit", "Pipit")
OHM = 1.0e-3
SPREAD = 0.05
REPEATABLE = 0.01


def pack_of(number: int, cells: int = 16, modules: int = 4, **more: object) -> Pack:
    """Return one pack of the design `four-box`."""
    name = BIRDS[number] if number < len(BIRDS) else f"{BIRDS[number % len(BIRDS)]} {number}"
    each = cells // modules
    return parse_pack(
        {
            "pack": {
                "id": f"{name.lower().replace(' ', '-')}-main",
                "vehicle": name,
                "design": "four-box",
                "chemistry": "NMC",
                "nominal_capacity_Ah": 100.0,
                "cells_in_series": cells,
                **more,
            },
            "module": [
                {"name": f"M{m + 1}", "cells": list(range(m * each + 1, (m + 1) * each + 1))}
                for m in range(modules)
            ],
        }
    )


def drive(
    pack: Pack,
    true_ohm: np.ndarray,
    rng: np.random.Generator,
    *,
    day: int = 0,
    temperature_C: float = 20.0,
    repeatable: float = REPEATABLE,
    conditions: Mapping[str, object] | None = None,
) -> Diagnosis:
    """Return the diagnosis of one drive: resistances with 1 % repeatability and intervals to match."""
    from bmslogs.analysis.reference import arrhenius_factor

    value = true_ohm * float(arrhenius_factor(temperature_C, 20.0))
    value = value * np.exp(rng.normal(0.0, repeatable, len(true_ohm)))
    start = dt.datetime(2026, 3, 1, 9, tzinfo=dt.UTC) + dt.timedelta(days=day)
    given = {
        "temperature_C": temperature_C,
        "soc_low": 0.4,
        "soc_high": 0.8,
        "current_rms_A": 60.0,
        **(conditions or {}),
    }
    ratio = value / np.median(value)
    estimates = []
    for quantity, unit, values in (
        ("resistance_10s", "ohm", value),
        ("resistance_10s_relative", "ratio to pack median", ratio),
    ):
        estimates += [
            Estimate(
                quantity,
                unit,
                cell=i + 1,
                value=float(v),
                low=float(v * (1 - 1.96 * repeatable)),
                high=float(v * (1 + 1.96 * repeatable)),
                conditions=dict(given),
            )
            for i, v in enumerate(values)
        ]
    stamp = start.strftime("%Y-%m-%dT%H:%M:%SZ")
    log_id = start.strftime("%Y%m%d-%H%M-") + "0" * 12
    log = {"id": log_id, "start": stamp, "end": stamp, "rows": 1200, "kinds": ["drive"]}
    return Diagnosis(
        log, {"id": pack.id, "vehicle": pack.vehicle, "cells": pack.cells_in_series}, tuple(estimates), ()
    )


def natural(rng: np.random.Generator, cells: int = 16, spread: float = SPREAD) -> np.ndarray:
    """Return the true resistances [ohm] of one pack's cells."""
    return OHM * np.exp(rng.normal(0.0, spread, cells))
