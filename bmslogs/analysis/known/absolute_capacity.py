"""The capacity of the median cell in ampere-hours: what the string's curve, laid onto the table, makes of it.

It is told where the table is these cells' own or climbs, enough charge was moved, and it is sure what flowed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import Alignment
from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.regression import Z95

Floats = npt.NDArray[np.float64]

FLAT_BOOK_SPAN_SD = 0.15
"""How far a flat table tells the capacity of other cells, as a fraction: the steps of their plateaus lie elsewhere
(choice, one sd)."""
STANDING_SHARE = 0.03
"""A standing current that may or may not flow spoils an absolute capacity from this share of the charge moved on
(choice)."""
OWN_TABLE_V = 0.008
"""A table that is of these very cells parts from the string's curve by less [V] (choice)."""
LEAST_SPAN = 0.25
"""Least share of the capacity moved for an absolute one (choice)."""
MOST_SE = 0.03
"""The ends of the charge moved are not fixed where the standard error is more, as a share of the capacity (choice)."""


@dataclass(frozen=True)
class AbsoluteCapacity:
    """Capacity of the median cell and its 95 % half width [Ah], whether it is known, and why not."""

    value: float
    half: float
    known: bool
    why: str


@dataclass(frozen=True)
class Counted:
    """How the charge was counted.

    Attributes
    ----------
    moved
        Charge covered [Ah].
    nominal
        Nominal capacity [Ah].
    gain_sd
        Gain error of the current sensor, as a fraction, one sd.
    doubtful_A, doubtful_Ah
        A standing reading [A] of which nobody knows whether it flows, and what it is over the charge counted [Ah];
        nought where there is none.
    """

    moved: float
    nominal: float
    gain_sd: float
    doubtful_A: float = 0.0
    doubtful_Ah: float = 0.0


def unknown(nominal: float, why: str) -> AbsoluteCapacity:
    """Return that nothing better than the nominal capacity [Ah] is known."""
    return AbsoluteCapacity(nominal, nominal, False, why)


def absolute_capacity(
    place: Alignment, curve: OcvCurve, apart_V: float, counted: Counted
) -> AbsoluteCapacity:
    """Return the capacity of the median cell.

    Parameters
    ----------
    place
        Where the string stands on the table.
    curve
        The table.
    apart_V
        How far the string's curve is from it where it lies best [V], root mean square.
    counted
        How the charge was counted.
    """
    if curve.flat and not curve.own:
        why = "the ends of a flat table are not those of these cells: give the pack its own table"
        return AbsoluteCapacity(place.capacity, Z95 * FLAT_BOOK_SPAN_SD * place.capacity, False, why)
    if counted.doubtful_Ah > STANDING_SHARE * counted.moved:
        why = (
            f"whether the {counted.doubtful_A:+.2f} A that the sensor reads at rest flow is not known: they are "
            f"{counted.doubtful_Ah:.1f} Ah over the charge counted"
        )
        return AbsoluteCapacity(place.capacity, place.capacity, False, why)
    half = Z95 * float(np.hypot(place.capacity_se, counted.gain_sd * place.capacity))
    why = _why_not(place, curve, apart_V, counted)
    return AbsoluteCapacity(place.capacity, half, not why, why)


def _why_not(place: Alignment, curve: OcvCurve, apart_V: float, counted: Counted) -> str:
    """Return why a capacity is not to be believed; empty where it is."""
    span = counted.moved / counted.nominal
    if curve.own and apart_V > OWN_TABLE_V:
        return (
            f"the pack file's own table parts from the curve of the string by {apart_V * 1e3:.0f} mV (rms): it is "
            "not that of these cells"
        )
    if span < LEAST_SPAN:
        return f"only {span * 100:.0f} % of the capacity was moved; {LEAST_SPAN * 100:.0f} % are needed"
    if place.capacity_se > MOST_SE * counted.nominal:
        return "the table does not fix both ends of the charge moved"
    return ""


def apart_from_table(q: Floats, volt: Floats, place: Alignment, curve: OcvCurve) -> float:
    """Return how far a string's curve is from the table where it lies best [V], root mean square.

    Parameters
    ----------
    q, volt
        (n,) charge drawn [Ah] and open-circuit voltage there [V].
    place, curve
        Where it lies, and the table.
    """
    return float(np.sqrt(((volt - curve.beyond(place.soc(q)) - place.shift_V) ** 2).mean()))
