"""Open-circuit curves of simulated cells: a published curve, bent a little, as real cells never match a table."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from scipy.interpolate import PchipInterpolator

LOW, HIGH, POINTS = -0.05, 1.10, 11501
TOP_V = {"NMC": 4.2, "LFP": 3.6}
"""Open-circuit voltage of a full cell, and end of charge [V per cell]."""
BOTTOM_V = {"NMC": 2.9, "LFP": 2.6}
"""End of discharge under load [V per cell]."""


@dataclass(frozen=True)
class Curve:
    """Open-circuit voltage [V] over state of charge, on an even grid that goes on straight beyond 0 and 1.

    Attributes
    ----------
    volts
        Voltage at `POINTS` states of charge, from `LOW` to `HIGH`.
    hysteresis_V
        Half the gap between the charge and the discharge branch [V].
    """

    volts: np.ndarray
    hysteresis_V: float

    def at(self, soc: np.ndarray) -> np.ndarray:
        """Return the voltage [V] at `soc` (any shape), between the two branches."""
        place = np.clip((soc - LOW) * ((POINTS - 1) / (HIGH - LOW)), 0, POINTS - 1.000001)
        index = place.astype(np.intp)
        left = self.volts[index]
        return left + (place - index) * (self.volts[index + 1] - left)

    def slope(self, soc: np.ndarray) -> np.ndarray:
        """Return du/dz [V per unit of charge] at `soc`."""
        step = 5e-4
        return (self.at(np.asarray(soc) + step) - self.at(np.asarray(soc) - step)) / (2 * step)


@cache
def published(chemistry: str) -> tuple[np.ndarray, np.ndarray]:
    """Return soc and voltage [V] of the published curve that bmslogs ships for `chemistry`."""
    text = files("bmslogs.base").joinpath(f"ocv_{chemistry.lower()}.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return np.array([float(r["soc"]) for r in rows]), np.array([float(r["voltage_V"]) for r in rows])


def curve(chemistry: str, rng: np.random.Generator | None = None, bend: float = 1.0) -> Curve:
    """Return an open-circuit curve of `chemistry`, NMC or LFP.

    Parameters
    ----------
    rng
        Draws the bend; None keeps the published curve.
    bend
        Size of the bend; 1 shifts the features by up to about 1 % of charge and the voltage by up to
        about 4 mV (NMC) or 1 mV (LFP, whose plateau would not bear more).
    """
    soc, volts = published(chemistry)
    grid = np.linspace(LOW, HIGH, POINTS)
    inside = PchipInterpolator(soc, volts)
    warp = np.zeros_like(grid)
    lift = np.zeros_like(grid)
    if rng is not None:
        z = np.clip(grid, 0, 1)
        for wave in (1, 2, 3):
            warp += rng.uniform(-1, 1) * 0.006 * bend / wave * np.sin(np.pi * wave * z)
            lift += (
                rng.uniform(-1, 1)
                * (0.003 if chemistry == "NMC" else 0.0006)
                * bend
                * np.sin(np.pi * wave * z)
            )
    at = np.clip(grid + warp, 0, 1)
    u = inside(at) + lift
    below, above = grid < 0, grid > 1
    slopes = inside.derivative()
    u[below] = volts[0] + grid[below] * float(slopes(0.002))
    u[above] = volts[-1] + (grid[above] - 1) * float(slopes(0.998))
    rising = np.maximum.accumulate(u) + np.arange(POINTS) * 1e-9
    return Curve(rising, 0.001 if chemistry == "NMC" else 0.007)
