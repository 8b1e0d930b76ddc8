"""A string of cells that can be worked out by hand: a straight open-circuit curve, plain resistances, few rows.

``V_i = U_EMPTY + V_PER_CHARGE z_i - I R_i - J S_i``, J the current behind one time constant: one per cent of charge is
12 mV at every charge, so that each planted fault has a size that a comment beside the test works out. Nothing here is
shared with the simulated strings of `sample_logs`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import curve_of
from bmslogs.base.pack import Box, Module, Pack, SenseBoard, TemperatureSensor
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]

U_EMPTY, V_PER_CHARGE = 3.0, 1.2
LINE = tuple((round(z, 2), round(U_EMPTY + V_PER_CHARGE * z, 4)) for z in np.linspace(0.0, 1.0, 11))
BENT = tuple((z, round(3.0 + 2.0 * z if z <= 0.2 else 3.4 + 0.5 * (z - 0.2) if z <= 0.6 else 3.6 + 1.5 * (z - 0.6), 4))
             for z in np.round(np.linspace(0.0, 1.0, 21), 2).tolist())  # fmt: skip
"""The same with bends: 2 V for the whole charge up to 20 %, 0.5 V up to 60 %, 1.5 V to full. It tells a shifted reading
from other charge, as a straight line does not."""
CAPACITY_AH, OHM, TAU_S = 100.0, 1.0e-3, 25.0
LEVELS = ("note", "look", "act")


def a_pack(cells: int = 12, **more: Any) -> Pack:
    """Return the pack file: two boxes, modules of four cells with a sensor each, boards of six cells."""
    modules = tuple(
        Module(name=f"{'FR'[2 * k >= cells // 4]}{k + 1}", cells=list(range(4 * k + 1, 4 * k + 5)))
        for k in range(cells // 4)
    )
    given: dict[str, Any] = {
        "id": "wren-main",
        "vehicle": "Wren",
        "chemistry": "own",
        "ocv_table": "line.csv",
        "ocv": LINE,
        "nominal_capacity_Ah": CAPACITY_AH,
        "cells_in_series": cells,
        "bleed_resistor_ohm": 33.0,
        "modules": modules,
        "boxes": tuple(
            Box(name=name, modules=[m.name for m in modules if m.name[0] == name[0].upper()])
            for name in ("front", "rear")
        ),
        "temperature_sensors": tuple(
            TemperatureSensor(name=f"T{m.name}", cells=list(m.cells)) for m in modules
        ),
        "sense_boards": tuple(
            SenseBoard(name=f"B{k + 1}", cells=list(range(6 * k + 1, 6 * k + 7))) for k in range(cells // 6)
        ),
    }
    return Pack(**(given | more))


@dataclass
class String:
    """What the string is made of, one value a cell; change it before `run`.

    Attributes
    ----------
    soc, capacity, ohm, leak
        (cells,) charge at the first row (fraction), capacity [Ah], resistance [ohm], leak [A].
    slow_ohm
        (cells,) resistance of one RC pair of `TAU_S` [ohm].
    """

    pack: Pack
    soc: Floats
    capacity: Floats
    ohm: Floats
    leak: Floats
    slow_ohm: Floats
    rng: np.random.Generator
    noise_V: float = 3e-4
    noise_A: float = 0.1

    @property
    def n(self) -> int:
        """Number of cells."""
        return len(self.soc)


def string(
    seed: int = 1, *, cells: int = 12, soc: float = 0.8, lot: float = 1.0, pack: Pack | None = None
) -> String:
    """Return sound cells: resistances within some 1 %, capacities 0.5 %, charge 0.2 % (one sd), times `lot`."""
    rng = np.random.default_rng(seed)
    return String(
        pack or a_pack(cells),
        soc + lot * rng.normal(0, 0.002, cells),
        CAPACITY_AH * (1 + lot * rng.normal(0, 0.005, cells)),
        OHM * (1 + lot * rng.normal(0, 0.01, cells)),
        np.zeros(cells),
        np.zeros(cells),
        rng,
    )


def city(minutes: float = 12.0, *, seed: int = 2, every_s: float = 1.0, amps: float = 60.0) -> Floats:
    """Return a drive in steps of ten seconds, with stops and braking, that takes charge on the whole."""
    rng = np.random.default_rng(seed)
    blocks = rng.choice([0.0, 0.4, 0.8, 1.4, 2.2, -1.2], int(minutes * 6))
    return np.asarray(amps * np.repeat(blocks, round(10 / every_s)), float)


def rest(minutes: float, every_s: float = 1.0) -> Floats:
    """Return nothing flowing."""
    return np.zeros(round(60 * minutes / every_s))


def open_circuit(pack: Pack, z: Floats) -> Floats:
    """Return the voltage [V] at charge `z` (fraction) on the pack's table, going on straight beyond its ends."""
    table = curve_of(pack)
    soc, volt = table.soc, table.volt
    below = (volt[1] - volt[0]) / (soc[1] - soc[0]) * np.minimum(z - soc[0], 0.0)
    above = (volt[-1] - volt[-2]) / (soc[-1] - soc[-2]) * np.maximum(z - soc[-1], 0.0)
    return np.asarray(np.interp(z, soc, volt) + below + above, float)


def run(s: String, current: Floats, every_s: float = 1.0, **more: Any) -> Log:
    """Return the log of a string under `current`; `more` replaces fields of the log."""
    rows = len(current)
    seconds = np.arange(rows) * float(every_s)
    moved = np.concatenate([[0.0], np.cumsum(current)[:-1]]) * every_s / 3600.0
    z = s.soc - (moved[:, None] + s.leak * seconds[:, None] / 3600.0) / s.capacity
    volts = open_circuit(s.pack, z) - s.ohm * current[:, None] - s.slow_ohm * _behind(current, every_s)
    sensors = len(s.pack.temperature_sensors)
    log = Log(
        id="20260504-0800-byhand00000",
        time=np.datetime64("2026-05-04T08:00:00", "us") + (seconds * 1e6).astype("timedelta64[us]"),
        current=np.round(current + s.rng.normal(0, s.noise_A, rows), 1),
        cells=tuple(range(1, s.n + 1)),
        cell_voltage=np.round(volts + s.rng.normal(0, s.noise_V, volts.shape), 3),
        temperature=np.full((rows, sensors), 20.0),
        bleed=None,
        pack_voltage=None,
        pack=s.pack,
        voltage_step=0.001,
    )
    return replace(log, **more)


def _behind(current: Floats, every_s: float) -> Floats:
    """Return (rows, 1) the current through the resistor of an RC pair, at the start of each row."""
    out, keep = np.zeros((len(current), 1)), np.exp(-every_s / TAU_S)
    for k in range(1, len(current)):
        out[k] = keep * out[k - 1] + (1.0 - keep) * current[k - 1]
    return out


def loud(found: Diagnosis) -> list[Finding]:
    """Return what is more than a note."""
    return [f for f in found.findings if f.level != "note"]


def told(log: Log) -> list[Finding]:
    """Return what one log says loudly."""
    return loud(diagnose(log))


def only(findings: list[Finding], cause: str | tuple[str, ...]) -> Finding:
    """Return the one loud finding of a log, which must be of this cause."""
    causes = (cause,) if isinstance(cause, str) else cause
    assert [f.cause for f in findings if f.cause not in causes] == [], [
        (f.cause, f.cells, f.says) for f in findings
    ]
    (one,) = findings
    return one


def warmed(
    current: Floats, every_s: float, per_A2: npt.ArrayLike, tau_s: float = 1200.0, start_C: float = 20.0
) -> Floats:
    """Return (rows, places) temperatures: each place goes to ``start + per_A2 I^2`` with the time constant `tau_s`."""
    per = np.atleast_1d(np.asarray(per_A2, float))
    keep, rise = np.exp(-every_s / tau_s), np.zeros(len(per))
    out = np.empty((len(current), len(per)))
    for k, amps in enumerate(current):
        out[k] = start_C + rise
        rise = keep * rise + (1.0 - keep) * per * amps**2
    return out
