"""Logs made for the sign of the current: a cell with a curve, a resistance and a slow polarisation, as loggers read it.

Source of the shapes: common practice, no source (curves and sizes are invented, of the order of traction cells).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.sign_evidence import SignEvidence

Floats = npt.NDArray[np.float64]
SOC = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0])
CURVES = {
    "NMC": np.array([3.0, 3.31, 3.44, 3.55, 3.6, 3.64, 3.69, 3.78, 3.88, 3.98, 4.07, 4.14, 4.19]),
    "LFP": np.array([2.5, 3.0, 3.18, 3.23, 3.265, 3.285, 3.292, 3.296, 3.32, 3.331, 3.336, 3.36, 3.5]),
}


@dataclass(frozen=True)
class SignLog:
    """Rows as a logger reads them: time [s], current [A, positive discharges], mean voltage [V]."""

    time: Floats
    current: Floats
    voltage: Floats
    capacity: float

    def read(
        self, step_A: float = 0.1, step_V: float = 0.001, noise_V: float = 0.0, seed: int = 0
    ) -> SignLog:
        """Return the readings in the logger's steps, with noise of the voltage."""
        rng = np.random.default_rng(seed)
        volts = self.voltage + rng.normal(0, noise_V, len(self.voltage)) if noise_V else self.voltage
        return replace(
            self,
            current=np.round(self.current / step_A) * step_A,
            voltage=np.round(volts / step_V) * step_V,
        )

    def evidence(self, sign: int = 1, blocks: int = 1) -> SignEvidence:
        """Return what a logger of this sign leaves, read in as many blocks."""
        out = SignEvidence()
        for part in np.array_split(np.arange(len(self.time)), blocks):
            out.add((self.time[part] * 1e6).astype(np.int64), sign * self.current[part], self.voltage[part])
        return out


def run(
    time: Floats,
    current: Floats,
    capacity: float,
    soc: float = 0.9,
    chemistry: str = "NMC",
    ohm_Ah: float = 0.06,
) -> SignLog:
    """Return a cell under a current: curve, resistance, and half as much again that builds up within 100 s."""
    step = np.diff(time, prepend=time[0])
    flowed = np.cumsum(current * step) / 3600
    open_circuit = np.interp(soc - flowed / capacity, SOC, CURVES[chemistry])
    slow = np.zeros(len(time))
    for k in range(1, len(time)):
        slow[k] = slow[k - 1] + (1 - np.exp(-step[k] / 100)) * (current[k] - slow[k - 1])
    voltage = open_circuit - ohm_Ah / capacity * (current + 0.5 * slow)
    return SignLog(time, current, voltage, capacity)


def charge(rng: np.random.Generator, chemistry: str) -> SignLog:
    """Return a charge over hours, constant and then tapering, with or without rests before and behind."""
    capacity, rate, period = rng.uniform(20, 280), rng.uniform(0.05, 0.5), float(rng.choice([1, 10, 60]))
    soc, top = rng.uniform(0.05, 0.3), rng.uniform(0.8, 0.95)
    hours = (top - soc) / rate
    constant = np.full(max(int(hours * 3600 / period), 50), -rate * capacity)
    taper = constant[0] * np.exp(-np.arange(0, 1.0, period / 3600) / 0.3) * bool(rng.integers(2))
    rests = [np.zeros(int(rng.integers(0, 900) / period)) for _ in range(2)]
    current = np.concatenate([rests[0], constant, taper[taper != 0], rests[1]])
    return run(np.arange(len(current)) * period, current, capacity, soc, chemistry)


def discharge(rng: np.random.Generator, chemistry: str) -> SignLog:
    """Return a steady discharge over hours."""
    capacity, rate, period = rng.uniform(20, 280), rng.uniform(0.03, 1.0), float(rng.choice([1, 10, 60]))
    rows = max(int(0.8 / rate * 3600 / period), 50)
    return run(np.arange(rows) * period, np.full(rows, rate * capacity), capacity, 0.95, chemistry)


def drive(rng: np.random.Generator, chemistry: str) -> SignLog:
    """Return stop and go with regeneration, rows of 0.2 to 60 s."""
    capacity, period = rng.uniform(20, 280), float(rng.choice([0.2, 1, 5, 60]))
    rows = int(rng.integers(600, 3000))
    spans = rng.integers(3, 12, rows)
    level = np.where(rng.random(rows) < 0.3, -0.7, 1.2) * rng.uniform(0.2, 1.5, rows)
    current = capacity * np.repeat(level * (rng.random(rows) > 0.25), spans)[:rows]
    scale = min(1.0, 0.6 * 3600 * capacity / max(abs(current.sum() * period), 1e-9))
    return run(np.arange(rows) * period, current * scale, capacity, 0.9, chemistry)


def parked(rng: np.random.Generator, chemistry: str, hours: float = 168.0) -> SignLog:
    """Return a week at a standing load of 0.1 A, once in ten minutes."""
    rows = int(hours * 6)
    capacity = rng.uniform(40, 120)
    return run(np.arange(rows) * 600.0, np.full(rows, 0.1), capacity, rng.uniform(0.55, 0.95), chemistry)


def tester(rng: np.random.Generator, chemistry: str) -> SignLog:
    """Return cycles of a bench tester: discharge, rest, charge with taper, rest."""
    capacity, period = rng.uniform(2, 100), float(rng.choice([10, 30, 60]))
    parts = []
    for _ in range(int(rng.integers(1, 5))):
        down, up = rng.uniform(0.2, 1.0), rng.uniform(0.2, 0.5)
        parts += [np.full(int(0.8 / down * 3600 / period), down), np.zeros(int(1800 / period))]
        parts += [np.full(int(0.7 / up * 3600 / period), -up)]
        parts += [-up * np.exp(-np.arange(int(5400 / period)) * period / (0.1 / up * 3600)), np.zeros(20)]
    current = capacity * np.concatenate(parts)
    return run(np.arange(len(current)) * period, current, capacity, 0.92, chemistry)
