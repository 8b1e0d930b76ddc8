"""Open-circuit voltage over state of charge: built-in curves, the pack's own table, slope and inversion."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class OcvCurve:
    """An open-circuit curve.

    Attributes
    ----------
    soc
        (n,) state of charge 0..1, rising.
    volt
        (n,) open-circuit voltage [V], rising.
    flat
        True where the chemistry has a plateau with hysteresis (LFP): the slope at an inverted state of charge is
        then not to be trusted within about 12 mV.
    source
        Where the curve is from.
    own
        True where it is of these very cells (the pack file's own table), False where it stands for a chemistry:
        published curves of one chemistry lie tens of mV apart at equal charge.
    """

    soc: Floats
    volt: Floats
    flat: bool
    source: str
    own: bool = True

    def voltage(self, soc: npt.ArrayLike) -> Floats:
        """Return the open-circuit voltage [V] at `soc` (0..1), held at the ends."""
        return np.asarray(np.interp(np.asarray(soc, float), self.soc, self.volt), float)

    def beyond(self, soc: npt.ArrayLike) -> Floats:
        """Return the voltage [V] at `soc`, going on straight beyond empty and full."""
        z = np.asarray(soc, float)
        inside = np.minimum(np.maximum(z, 0.0), 1.0)
        empty, full = self._end_slopes
        return np.asarray(self.voltage(inside) + (z - inside) * np.where(z > 1.0, full, empty), float)

    @cached_property
    def _end_slopes(self) -> tuple[float, float]:
        """Slope of the curve at empty and at full [V per unit of charge]."""
        return float(self.slope(0.0)), float(self.slope(1.0))

    def inverse(self, volt: npt.ArrayLike) -> Floats:
        """Return the state of charge at `volt` [V], held at the ends; NaN stays NaN."""
        volt = np.asarray(volt, float)
        return np.asarray(np.where(np.isnan(volt), np.nan, np.interp(volt, self.volt, self.soc)), float)

    def slope(self, soc: npt.ArrayLike, half_width: float = 0.01) -> Floats:
        """Return du/dz [V per unit of charge] at `soc`, over a window of +- `half_width`."""
        z = np.asarray(soc, float)
        low, high = np.clip(z - half_width, 0.0, 1.0), np.clip(z + half_width, 0.0, 1.0)
        return (self.voltage(high) - self.voltage(low)) / np.maximum(high - low, 1e-9)

    def least_slope(self, soc: float) -> float:
        """Return the least slope [V per unit] near `soc`: within +-12 mV of it where hysteresis blurs the place."""
        if not self.flat:
            return float(self.slope(soc))
        near = np.abs(self.volt - float(self.voltage(soc))) <= 0.012
        return float(np.min(self.slope(self.soc[near]))) if near.any() else float(self.slope(soc))


@lru_cache(maxsize=4)
def built_in(chemistry: str) -> OcvCurve:
    """Return the built-in curve of ``NMC`` or ``LFP``.

    Tables made from the half-cell functions of Chen et al. 2020 (NMC 811 against graphite-silicon) and Prada et al.
    2013 (LFP against graphite) as the general simulation library PyBaMM carries them.
    """
    name = {"NMC": "ocv_nmc.csv", "LFP": "ocv_lfp.csv"}[chemistry]
    text = resources.files("bmslogs.base").joinpath(name).read_text(encoding="utf-8")
    rows = [(float(r["soc"]), float(r["voltage_V"])) for r in csv.DictReader(text.splitlines())]
    table = np.array(rows)
    source = {"NMC": "built-in, Chen 2020", "LFP": "built-in, Prada 2013"}[chemistry]
    return OcvCurve(table[:, 0], table[:, 1], chemistry == "LFP", source, own=False)


def curve_of(pack: Pack) -> OcvCurve:
    """Return the curve of a pack: its own table where it has one, else the built-in one of its chemistry."""
    if pack.ocv is None:
        return built_in(pack.chemistry)
    table = np.array(pack.ocv)
    middle = (table[:, 0] > 0.2) & (table[:, 0] < 0.8)
    span = np.ptp(table[middle, 1]) if middle.sum() > 1 else np.ptp(table[:, 1])
    return OcvCurve(table[:, 0], table[:, 1], bool(span < 0.15), f"table {pack.ocv_table}")
