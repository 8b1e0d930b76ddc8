"""Small invented packs, logs and diagnoses to draw; vehicles are birds."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bmslogs.analysis.ocv import curve_of
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.pack import Box, Limits, Module, Pack, TemperatureSensor
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused
from bmslogs.log.log import Log

START = np.datetime64("2026-05-03T09:10:00", "us")
OHMIC, SLOW = 6e-4, ((3.0, 2e-4), (45.0, 3e-4))  # [ohm], (time constant [s], [ohm]) of a cell
FLEET = ("Dunlin", "Knot", "Sanderling", "Turnstone", "Ruff")
USUAL = {
    "resistance_10s": 1e-3,
    "capacity": 100.0,
    "charge_to_full": 1.5,
    "bleed_needed": 1.0,
    "bleed_done": 0.5,
}


def pack(
    cells: int = 16, in_module: int = 4, boxes: int = 3, name: str = "Dunlin", pack_id: str = "dunlin-main"
) -> Pack:
    """An invented pack of equal modules in equal boxes."""
    modules = tuple(
        Module(name=f"M{i // in_module + 1}", cells=list(range(i + 1, min(cells, i + in_module) + 1)))
        for i in range(0, cells, in_module)
    )
    groups = np.array_split([m.name for m in modules], boxes) if boxes else []
    return Pack(
        id=pack_id,
        vehicle=name,
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=cells,
        modules=modules,
        bleed_resistor_ohm=33.0,
        boxes=tuple(Box(name=f"box {i + 1}", modules=[str(n) for n in g]) for i, g in enumerate(groups)),
        temperature_sensors=tuple(
            TemperatureSensor(name=f"T{i + 1}", cells=list(m.cells)) for i, m in enumerate(modules)
        ),
        limits=Limits(
            voltage_min_V=3.0, voltage_max_V=4.2, charge_temperature_min_C=0.0, temperature_max_C=55.0
        ),
    )


def filtered(current: np.ndarray, tau_s: float, step_s: float = 1.0) -> np.ndarray:
    """First-order low-pass by a plain loop: the slow twin of what the pictures use."""
    out, level = np.zeros(len(current)), 0.0
    for i in range(1, len(current)):
        a = np.exp(-step_s / tau_s)
        level = a * level + (1 - a) * current[i - 1]
        out[i] = level
    return out


def drive(
    of: Pack, seconds: int = 2400, high: int = 6, by: float = 1.25, joint: float = 0.0, seed: int = 3
) -> Log:
    """An invented drive, one row a second: cell `high` has `by` times the resistance, plus `joint` ohm in its tap."""
    rng = np.random.default_rng(seed)
    current = np.repeat(rng.choice([0, 30, 80, 150, -40, 20], seconds // 17 + 1), 17)[:seconds].astype(float)
    current[:200] = current[-300:] = 0.0
    moved = np.cumsum(current) / 3600
    soc = 0.85 - moved / of.nominal_capacity_Ah
    curve, n = curve_of(of), of.cells_in_series
    times = np.ones(n)
    times[high - 1] = by
    extra = np.zeros(n)
    extra[high - 1] = joint
    slow = sum(r * filtered(current, tau) for tau, r in SLOW)
    own = 0.003 * np.sin(np.arange(n))  # cells are never quite equally full
    ideal = (
        curve.voltage(soc[:, None] + own)
        - times * (OHMIC * current + slow)[:, None]
        - extra * current[:, None]
    )
    volts = np.round(ideal + rng.normal(0, 5e-4, (seconds, n)), 3)
    warm = 18 + np.cumsum(current**2)[:, None] * 3e-7 * np.linspace(0.9, 1.2, len(of.temperature_sensors))
    bleed = np.zeros((seconds, n), bool)
    bleed[-250:-150, min(3, n - 1)] = bleed[-100:, min(3, n - 1)] = True
    return Log(
        id="20260503-0910-abcdef012345",
        time=START + np.arange(seconds).astype("timedelta64[s]"),
        current=current,
        cells=tuple(range(1, n + 1)),
        cell_voltage=volts,
        temperature=warm,
        bleed=bleed,
        pack_voltage=volts.sum(axis=1),
        pack=of,
        repairs=(
            {"rule": "gap", "rows": 3, "columns": [], "first": "2026-05-03T09:30:00Z", "says": "3 rows lost"},
        ),
    )


def estimates(
    of: Pack, key: str, high: int = 6, by: float = 0.22, missing: tuple[int, ...] = ()
) -> tuple[Estimate, ...]:
    """Invented estimates of one quantity, one cell apart, some not determinable."""
    rng, quantity = np.random.default_rng(1), QUANTITIES[key]
    base = USUAL.get(key, quantity.centre or 0.0)
    scale = base or 1.0
    out = []
    for cell in range(1, of.cells_in_series + 1):
        if cell in missing:
            out.append(
                refused(key, quantity.unit, "its sense wire is off", "a log with the wire mended", cell=cell)
            )
            continue
        value = base + 0.01 * scale * rng.normal() + (by * scale if cell == high else 0.0)
        out.append(
            Estimate(
                key,
                quantity.unit,
                cell=cell,
                value=value,
                low=value - 0.02 * scale,
                high=value + 0.02 * scale,
                conditions={"temperature_C": 21.3, "soc_low": 0.4, "soc_high": 0.8},
            )
        )
    return tuple(out)


def diagnosis(of: Pack, missing: tuple[int, ...] = ()) -> Diagnosis:
    """An invented diagnosis with three findings."""
    keys = (
        "resistance_10s_relative",
        "resistance_10s",
        "soc_offset",
        "capacity_relative",
        "charge_to_full",
        "bleed_needed",
        "bleed_done",
    )
    findings = (
        Finding(
            "cell_resistance_high",
            "act",
            f"{of.place(6)}: drops 22 % more.",
            cells=(6,),
            size=0.22,
            low=0.2,
            high=0.24,
        ),
        Finding(
            "soc_offset_low",
            "look",
            f"{of.place(3)}: emptier.",
            cells=(3,),
            size=-0.03,
            low=-0.032,
            high=-0.028,
        ),
        Finding("log_quality", "note", "Three rows lost."),
    )
    return Diagnosis(
        {
            "id": "20260503-0910-abcdef012345",
            "start": "2026-05-03T09:10:00Z",
            "end": "2026-05-03T09:50:00Z",
            "rows": 2400,
            "kinds": ["drive", "rest"],
        },
        {"id": of.id, "vehicle": of.vehicle, "cells": of.cells_in_series},
        tuple(e for k in keys for e in estimates(of, k, missing=missing)),
        findings,
        (),
        (),
    )


def write_csv(log: Log, path: Path, without: tuple[int, ...] = ()) -> Path:
    """Write a log as a plain logger would, cells that it lost left empty."""
    header = [
        "time",
        "current_A",
        *(f"cell_{c}_V" for c in log.cells),
        *(f"temperature_{i + 1}_C" for i in range(log.temperature.shape[1])),
    ]
    lines = [",".join(header)]
    for row in range(log.rows):
        cells = [
            "" if c in without else f"{v:.3f}" for c, v in zip(log.cells, log.cell_voltage[row], strict=True)
        ]
        warm = [f"{t:.1f}" for t in log.temperature[row]]
        lines.append(
            ",".join([f"{log.time[row].astype('datetime64[s]')}Z", f"{log.current[row]:.1f}", *cells, *warm])
        )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
