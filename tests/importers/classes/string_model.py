"""A string of cells under a load: the planted truth of every file.

Cells are an open-circuit curve, a series resistance and two RC pairs; curve and sizes are invented, of the order
that cells of a few tens of ampere hours show. Current is positive while the string discharges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.signal import lfilter

Array = NDArray[np.float64]
Rng = np.random.Generator

_SOC = [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0]
OCV = {
    "NMC": PchipInterpolator(
        _SOC, [3.0, 3.31, 3.44, 3.55, 3.60, 3.64, 3.69, 3.78, 3.88, 3.98, 4.07, 4.14, 4.18]
    ),
    "LFP": PchipInterpolator(
        _SOC, [2.5, 3.02, 3.17, 3.23, 3.265, 3.285, 3.292, 3.297, 3.32, 3.332, 3.337, 3.36, 3.45]
    ),
}
"""Open-circuit voltage [V] over state of charge."""
R0_OHM_AH = 0.05
"""Series resistance times capacity [ohm Ah]: 1 mohm at 50 Ah."""
PAIRS = ((0.4, 8.0), (0.8, 250.0))
"""Of each RC pair: resistance as a share of the series resistance, time constant [s]."""


@dataclass
class Run:
    """What the string truly did, at the logger's rows.

    Attributes
    ----------
    t
        Time from the first row [s].
    current
        [A], positive = discharge.
    cells
        Terminal voltages [V], rows x cells, without noise.
    temperatures
        [degC], rows x sensors.
    charge_in, charge_out
        Counters from the first row [Ah], both rising.
    soc
        Mean state of charge.
    ocv
        Mean open-circuit voltage [V].
    """

    chemistry: str
    capacity_Ah: float
    t: Array
    current: Array
    cells: Array
    temperatures: Array
    charge_in: Array
    charge_out: Array
    soc: Array
    ocv: Array


def drive(rng: Rng, seconds: float, h: float, rate: float) -> Array:
    """Return a stop-and-go current in C [1/h]: pulls of up to three times `rate`, braking, stops."""
    levels: list[float] = []
    spans: list[int] = []
    left = seconds
    while left > 0:
        span = float(rng.uniform(3, 35))
        kind = rng.random()
        if kind < 0.2:
            level = 0.004
        elif kind < 0.4:
            level = -rate * rng.uniform(0.2, 1.0)
        else:
            level = rate * rng.uniform(0.3, 3.0)
        levels.append(level)
        spans.append(max(1, round(span / h)))
        left -= spans[-1] * h
    raw = np.repeat(levels, spans)[: max(1, round(seconds / h))]
    share = 1 - np.exp(-h / 1.5)
    return np.asarray(lfilter([share], [1, share - 1], raw))


def charge(seconds: float, h: float, rate: float, room: float) -> Array:
    """Return a charge in C: constant until 90 % of `room` (fraction of capacity) is filled, then a taper."""
    t = np.arange(max(1, round(seconds / h))) * h
    turn = 0.9 * room / rate * 3600
    tau = 0.1 * room / rate * 3600
    return -rate * np.where(t < turn, 1.0, np.exp(-(t - turn) / max(tau, 1.0)))


def day(rng: Rng, seconds: float, h: float, soc: float, rate: float) -> Array:
    """Return drives, rests and charges in turn, in C, that keep the state of charge between 0.15 and 0.95."""
    parts: list[Array] = []
    left = round(seconds / h)
    while left > 0:
        if soc > 0.3:
            span = rng.uniform(600, 3600)
            part = drive(rng, span, h, rate)
            part = part[: 1 + int(np.argmax(np.append(soc - np.cumsum(part) * h / 3600 < 0.18, True)))]
        else:
            power = rng.uniform(0.15, 0.5)
            part = charge((0.9 - soc) / power * 3600 * 1.2, h, power, 0.93 - soc)
        rest = np.full(round(rng.uniform(120, 1800) / h), 0.004 * rng.integers(0, 2))
        for one in (part, rest):
            parts.append(one)
            soc -= float(one.sum()) * h / 3600
            left -= len(one)
    return np.concatenate(parts)[: round(seconds / h)]


def simulate(
    rng: Rng,
    chemistry: str,
    cells: int,
    sensors: int,
    current_C: Array,
    h: float,
    every: int,
    soc0: float,
    capacity_Ah: float,
    spread: float = 0.01,
) -> Run:
    """Return the run of a string under a current.

    Parameters
    ----------
    current_C
        In C [1/h], discharge positive, at steps of `h` [s]; one row in `every` is logged.
    spread
        Standard deviation of the cells' state of charge, and half that of their resistances (fractions).
    """
    current = current_C * capacity_Ah
    moved = np.concatenate([[0.0], np.cumsum(current[:-1]) * h / 3600])
    rows = np.arange(0, len(current), every)
    load = current * 1.0
    r0 = R0_OHM_AH / capacity_Ah
    drop = r0 * load
    for share, tau in PAIRS:
        a = 1 - np.exp(-h / tau)
        drop = drop + r0 * share * np.asarray(lfilter([a], [1, a - 1], load))
    curve = OCV[chemistry]
    soc = soc0 - moved[rows] / capacity_Ah
    offset = rng.normal(0, spread, cells)
    factor = 1 + rng.normal(0, spread / 2, cells)
    volt = curve(np.clip(soc[:, None] + offset, 0.0, 1.0)) - drop[rows, None] * factor
    into = np.concatenate([[0.0], np.cumsum(np.maximum(-current[:-1], 0)) * h / 3600])[rows]
    out = np.concatenate([[0.0], np.cumsum(np.maximum(current[:-1], 0)) * h / 3600])[rows]
    t = rows * h
    heat = np.cumsum((current / capacity_Ah) ** 2)[rows] * h
    base = rng.uniform(8, 28)
    swing = rng.uniform(0, 3) * np.sin(2 * np.pi * (t / 86400 + rng.random()))
    warm = base + swing + np.minimum(heat * 0.001, 15)
    temperatures = warm[:, None] + rng.normal(0, 0.6, sensors)
    return Run(
        chemistry, capacity_Ah, t, current[rows], volt, temperatures, into, out, soc,
        np.asarray(curve(np.clip(soc, 0, 1))),
    )  # fmt: skip


def scene(rng: Rng, kind: str, rows: int, dt: float, cells: int, sensors: int, chemistry: str) -> Run:
    """Return a run of a kind: drive, day, charge, discharge, parked, rest or tester.

    `dt` is the logger's step [s]. A tester's log is constant currents and rests in turn.
    """
    capacity = float(rng.uniform(20, 200))
    span = rows * dt
    h = dt if kind in ("charge", "discharge", "parked", "rest") or dt < 1 else 1.0
    every = max(1, round(dt / h))
    most = 0.8 * 3600 / span
    soc = float(rng.uniform(0.75, 0.92))
    if kind == "drive" and 0.6 * span / 3600 < 0.6:
        wanted = drive(rng, span, h, min(0.7, 0.5 * 3600 / span))
    elif kind in ("drive", "day"):
        wanted = day(rng, span, h, soc, 0.6)
    elif kind == "charge":
        soc = float(rng.uniform(0.08, 0.25))
        rate = min(0.5, most / 0.95)
        wanted = charge(span, h, rate, min(0.93 - soc, rate * span / 3600 * 0.95))
    elif kind == "discharge":
        wanted = np.full(round(span / h), min(0.5, most * 0.85))
    elif kind == "parked":
        wanted = np.full(round(span / h), 0.1 / capacity)
        soc = float(rng.uniform(0.5, 0.95))
    elif kind == "rest":
        wanted = np.zeros(round(span / h))
        soc = float(rng.uniform(0.2, 0.95))
    else:
        wanted = tester(rng, span, h, soc)
    return simulate(rng, chemistry, cells, sensors, wanted, h, every, soc, capacity)


def tester(rng: Rng, seconds: float, h: float, soc: float) -> Array:
    """Return a bench tester's current in C: discharge, rest, charge with taper, rest, over and over."""
    down, up = float(rng.uniform(0.2, 1.0)), float(rng.uniform(0.2, 0.5))
    parts: list[Array] = []
    left, low, high = round(seconds / h), 0.1, 0.95
    discharging = True
    while left > 0:
        if discharging:
            part = np.full(max(1, round((soc - low) / down * 3600 / h)), down)
        else:
            part = charge((high - soc) / up * 3600 * 1.25, h, up, high - soc)
        rest = np.zeros(round(rng.uniform(300, 3600) / h))
        for one in (part, rest):
            parts.append(one)
            left -= len(one)
        soc -= float(part.sum()) * h / 3600
        discharging = not discharging
    return np.concatenate(parts)[: round(seconds / h)]
