"""Physical formulas that several analyses share: temperature, copper, thermistors, bleeding, charge."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]

BOLTZMANN_EV = 8.617333262e-5  # [eV/K] CODATA 2018
KELVIN = 273.15  # [K] of 0 degC
ACTIVATION_EV = 0.30  # [eV] usual for the 10 s resistance of a lithium cell (common practice, no source)
ACTIVATION_SD_EV = 0.08  # [eV] how far cells differ from that (common practice, no source)
MOST_EXTRAPOLATION_K = 10.0  # [K] beyond this a reduced resistance is a guess (common practice, no source)
COPPER_PER_K = 0.00393  # [1/K] at 20 degC, IEC 60028


def arrhenius_factor(
    temperature_C: npt.ArrayLike, reference_C: float, activation_eV: float = ACTIVATION_EV
) -> Floats:
    """Return R(T) / R(T_ref) = exp[(Ea / k)(1/T - 1/T_ref)]: above 1 in the cold."""
    t = np.asarray(temperature_C, dtype=float) + KELVIN
    return np.asarray(np.exp(activation_eV / BOLTZMANN_EV * (1.0 / t - 1.0 / (reference_C + KELVIN))))


class Reduced(NamedTuple):
    """Resistance at the reference [ohm], half width of its 95 % interval, activation energy and sd [eV]."""

    value: float
    half_width: float
    activation: float
    activation_sd: float


def reduce_to_temperature(
    temperature_C: npt.ArrayLike,
    resistance: npt.ArrayLike,
    half_width: npt.ArrayLike,
    reference_C: float,
) -> Reduced:
    """Fit ln R over 1/T with a prior on the activation energy; return R at `reference_C`.

    Parameters
    ----------
    temperature_C, resistance, half_width
        One entry a log: [degC], [ohm], half width of the 95 % interval [ohm].
    reference_C
        Within 10 K of the logs' temperatures.

    Returns
    -------
    Value with the interval that the logs' own intervals, their scatter about the line and what is not known
    of Ea give together.

    Raises
    ------
    NotEnoughData
        The reference lies more than 10 K outside the logs' temperatures, or there is no log.
    """
    t, r, h = (np.ravel(v).astype(float) for v in np.broadcast_arrays(temperature_C, resistance, half_width))
    good = np.isfinite(t) & np.isfinite(r) & np.isfinite(h) & (r > 0) & (h > 0)
    t, r, h = t[good], r[good], h[good]
    if t.size == 0:
        raise NotEnoughData("no log gives a resistance with its temperature")
    outside = max(float(t.min()) - reference_C, reference_C - float(t.max()), 0.0)
    if outside > MOST_EXTRAPOLATION_K:
        raise NotEnoughData(
            f"logs at {t.min():.0f} to {t.max():.0f} degC say nothing of {reference_C:.0f} degC; "
            f"a log within {MOST_EXTRAPOLATION_K:.0f} K of it would"
        )
    z = float(special.ndtri(0.975))
    u = (1.0 / (t + KELVIN) - 1.0 / (reference_C + KELVIN)) / BOLTZMANN_EV  # [1/eV]
    variance = (h / r / z) ** 2
    design = np.column_stack([np.ones_like(u), u])
    prior = np.diag([0.0, ACTIVATION_SD_EV**-2])
    normal = design.T @ (design / variance[:, None]) + prior
    right = design.T @ (np.log(r) / variance) + prior @ np.array([0.0, ACTIVATION_EV])
    beta = np.linalg.solve(normal, right)
    covariance = np.linalg.inv(normal)
    freedom = t.size - 1
    chi2 = float(np.sum((np.log(r) - design @ beta) ** 2 / variance)) / freedom if freedom else 1.0
    factor = float(special.stdtrit(freedom, 0.975)) * np.sqrt(chi2) if freedom and chi2 > 1.0 else z
    value = float(np.exp(beta[0]))
    sd, activation_sd = np.sqrt(np.diag(covariance))
    return Reduced(value, value * factor * float(sd), float(beta[1]), float(activation_sd))


def bleed_current(voltage_V: npt.ArrayLike, resistor_ohm: float) -> Floats:
    """Return the current [A] that a bleed resistor takes."""
    return np.asarray(voltage_V, dtype=float) / resistor_ohm


def bleed_hours(charge_Ah: npt.ArrayLike, voltage_V: float, resistor_ohm: float, duty: float = 1.0) -> Floats:
    """Return how long [h of powered time] a bleed resistor needs for a charge, on for `duty` of that time."""
    return np.asarray(charge_Ah, dtype=float) / (bleed_current(voltage_V, resistor_ohm) * duty)


class PackCharge(NamedTuple):
    """What a series string can give and take [Ah], and what work on it would win.

    Attributes
    ----------
    discharge, charge
        From now to the first empty cell; from now to the first full one.
    usable, balanced
        Their sum; the same once balanced, the least capacity.
    gain_by_balancing, gain_by_replacing
        Balanced less usable; after that, the second least capacity less the least.
    """

    discharge: float
    charge: float
    usable: float
    balanced: float
    gain_by_balancing: float
    gain_by_replacing: float


def pack_charge(capacity_Ah: npt.ArrayLike, soc: npt.ArrayLike) -> PackCharge:
    """Return the charge of a series string from its cells' capacities [Ah] and states of charge (0..1).

    J. Jiang and C. Zhang, Fundamentals and Applications of Lithium-ion Batteries in Electric Drive Vehicles,
    2015, chapter 6.
    """
    q, z = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(capacity_Ah, soc))
    discharge, charge = float(np.min(q * z)), float(np.min(q * (1.0 - z)))
    usable, least = discharge + charge, np.sort(q)
    lowest, second = float(least[0]), float(least[min(1, q.size - 1)])
    return PackCharge(discharge, charge, usable, lowest, lowest - usable, second - lowest)
