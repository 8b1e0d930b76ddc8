"""What the logs of one quantity are compared at, and why a log lies outside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.reference import (
    ACTIVATION_EV,
    BOLTZMANN_EV,
    KELVIN,
    MOST_EXTRAPOLATION_K,
    arrhenius_factor,
)
from bmslogs.base.marks import HIDDEN, OMITTED, Decimals
from bmslogs.base.published import Published
from bmslogs.findings.compare.reduction import LOAD_SLOPE, MOST_LOAD_RATIO
from bmslogs.findings.history.gathered import Told

Floats = npt.NDArray[np.float64]

PREFERRED_C, WITHIN_K = 20.0, 5.0
"""[degC] taken as reference where the logs' middle lies within so many kelvin of it (judgement)."""
MOST_CHARGE_APART = 0.25
"""Distance of the middle of a log's charge from that of the others, fraction (judgement)."""
MEASURES_AT = {
    "resistance_10s",
    "resistance_10s_relative",
    "leak_current_relative",
    "capacity",
    "capacity_relative",
}
"""Quantities that change with temperature: compared only within 10 K of the reference."""
AT_CHARGE = {"resistance_10s", "resistance_10s_relative"}
"""Quantities that change with the charge they are measured at."""


@dataclass(frozen=True)
class Reference(Published):
    """Temperature [degC], band of charge [fraction] and load [A]; NaN where the quantity has no such condition."""

    temperature_C: Annotated[float, Decimals(3), OMITTED] = np.nan
    soc_low: Annotated[float, Decimals(3), OMITTED] = np.nan
    soc_high: Annotated[float, Decimals(3), OMITTED] = np.nan
    current_A: Annotated[float, HIDDEN] = np.nan


def reference_of(quantity: str, told: Told) -> Reference:
    """Return what the logs of one quantity are compared at: their middle, 20 degC where that is near."""
    tells = told.tells
    if not tells.any():
        return Reference()
    temperature = low = high = load = np.nan
    if quantity in MEASURES_AT:
        middle = _middle(told.warmth[tells])
        near = abs(middle - PREFERRED_C) <= WITHIN_K
        temperature = PREFERRED_C if near else float(np.round(middle))
    if quantity in AT_CHARGE:
        low, high, load = (_middle(told.conditions[k][tells]) for k in ("soc_low", "soc_high", "current_A"))
    return Reference(temperature, low, high, load)


def outside(quantity: str, told: Told, at: Reference) -> list[str]:
    """Return (logs,) why a log cannot be compared with the others; empty where it can."""
    warmth = told.warmth
    soc = (told.conditions["soc_low"] + told.conditions["soc_high"]) / 2
    load = told.conditions["current_A"]
    out = []
    silent = np.atleast_1d(~np.isfinite(told.value).any(axis=1))
    for k in range(len(told.value)):
        why = ""
        if silent[k]:  # it has a reason of its own
            out.append(why)
            continue
        if np.isfinite(at.temperature_C):
            if not np.isfinite(warmth[k]) and quantity in AT_CHARGE:
                why = "the log has no temperature, and cold cells drop more"
            elif abs(warmth[k] - at.temperature_C) > MOST_EXTRAPOLATION_K:
                why = (
                    f"taken at {warmth[k]:.0f} degC, more than {MOST_EXTRAPOLATION_K:.0f} K from the "
                    f"{at.temperature_C:.0f} degC at which all are compared"
                )
        if (
            not why
            and np.isfinite(at.soc_low)
            and abs(soc[k] - (at.soc_low + at.soc_high) / 2) > MOST_CHARGE_APART
        ):
            low, high = (100 * told.conditions[n][k] for n in ("soc_low", "soc_high"))
            why = (
                f"taken at {low:.0f} to {high:.0f} % charge; the others lie about {100 * at.soc_low:.0f} to "
                f"{100 * at.soc_high:.0f} %"
            )
        if not why and quantity == "resistance_10s" and np.isfinite(at.current_A) and load[k] > 0:
            ratio = load[k] / at.current_A
            if not 1 / MOST_LOAD_RATIO <= ratio <= MOST_LOAD_RATIO:
                why = f"taken at a load of {load[k]:.0f} A; the others lie about {at.current_A:.0f} A"
        out.append(why)
    return out


def at_reference(told: Told, at: Reference) -> tuple[Floats, Floats]:
    """Return (logs, cells) factors that bring a resistance to the reference, and how unsure they are (half width).

    The usual activation energy, and the usual fall with the load; what is not known of the first is left to the fit,
    which has the temperature beside it.
    """
    factor = np.ones_like(told.value)
    half = np.zeros_like(told.value)
    if np.isfinite(at.temperature_C):
        warm = np.where(np.isfinite(told.temperature), told.temperature, told.warmth[:, None])
        factor = 1.0 / arrhenius_factor(np.where(np.isfinite(warm), warm, at.temperature_C), at.temperature_C)
    load = told.conditions["current_A"]
    if np.isfinite(at.current_A):
        away = np.where(load > 0, np.log(np.where(load > 0, load, 1.0) / at.current_A), 0.0)
        factor = factor * np.exp(LOAD_SLOPE * away)[:, None]
        half = half + (LOAD_SLOPE * np.abs(away))[:, None]
    return factor, half


def warmer_by(told: Told, at: Reference) -> Floats:
    """Return (logs,) how much warmer than the reference a log was [K]; nought where that is not known."""
    away = told.warmth - at.temperature_C
    return np.where(np.isfinite(away), away, 0.0)


def per_kelvin(activation_eV: float = ACTIVATION_EV) -> float:
    """Return by what fraction a resistance falls per kelvin at 20 degC."""
    return activation_eV / BOLTZMANN_EV / (KELVIN + PREFERRED_C) ** 2


def _middle(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(np.median(known)) if known.size else float("nan")
