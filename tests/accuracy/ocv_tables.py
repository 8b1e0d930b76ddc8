"""Derive the built-in open-circuit tables of bmslogs from published PyBaMM parameter sets.

NMC from Chen et al., J. Electrochem. Soc. 167 (2020) 080534; LFP from Prada et al., J. Electrochem. Soc.
160 (2013) A616; both as PyBaMM ships them (Chen2020, Prada2013), at 25 degC.

``python -m tests.accuracy.ocv_tables`` writes both tables anew.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

SETS = {"nmc": "Chen2020", "lfp": "Prada2013"}
TABLES = Path(__file__).resolve().parents[2] / "bmslogs" / "base"
ROWS = 201
TEMPERATURE_K = 298.15


def soc_grid() -> np.ndarray:
    """Return the rows' states of charge 0..1: denser near both ends, where the curves bend."""
    k = np.linspace(0.0, 1.0, ROWS)
    grid = 0.2 * k + 0.8 * 0.5 * (1.0 - np.cos(np.pi * k))
    return np.round(grid, 5)


def open_circuit_voltage(chemistry: str, soc: np.ndarray) -> np.ndarray:
    """Return the open-circuit voltage [V] of the PyBaMM set at `soc` (0..1 between its cut-off voltages)."""
    return curve_of_set(SETS[chemistry], soc)


def curve_of_set(name: str, soc: np.ndarray) -> np.ndarray:
    """Return the open-circuit voltage [V] of a PyBaMM parameter set at `soc` (0..1 between its cut-off voltages)."""
    import pybamm

    values = pybamm.ParameterValues(name)
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    parameters = pybamm.LithiumIonParameters()
    negative = pybamm.Vector((x0 + soc * (x100 - x0)).reshape(-1, 1))
    positive = pybamm.Vector((y0 + soc * (y100 - y0)).reshape(-1, 1))
    difference = parameters.p.prim.U(positive, TEMPERATURE_K) - parameters.n.prim.U(negative, TEMPERATURE_K)
    return np.asarray(values.evaluate(difference)).ravel()


def table(chemistry: str) -> np.ndarray:
    """Return the (rows, 2) table soc, voltage_V as it is written."""
    soc = soc_grid()
    return np.column_stack([soc, np.round(open_circuit_voltage(chemistry, soc), 6)])


def write() -> None:
    """Write both tables."""
    for chemistry in SETS:
        rows = [f"{soc:.5f},{volt:.6f}" for soc, volt in table(chemistry)]
        path = TABLES / f"ocv_{chemistry}.csv"
        path.write_text("\n".join(["soc,voltage_V", *rows]) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write()
