"""Charging outside the charging temperatures: in which rows, by which sensors, how much.

Regeneration counts as charging. Only sensors that are believed count, and only what passes the noise of a sensor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.signals.excursions import NOISE_SDS, row_lengths
from bmslogs.analysis.study import Study
from bmslogs.base.pack_claims import WARMEST_CHARGE_C
from bmslogs.findings.evidence.past_limit import resolution
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

CHARGE_C_RATE = 1 / 50
"""Charge current below the temperature limit counts from here on (METHODS G5; common practice, no source)."""
DEFAULT_CHARGE_LIMIT_C = 0.0
"""Where the pack file names no charging temperature limit (common practice, no source)."""


@dataclass(frozen=True)
class ChargedOutside:
    """Charge beyond one charging temperature.

    Attributes
    ----------
    bound, sign
        The limit [degC]; -1 where it is the lower one, 1 the upper.
    charging
        (rows,) charging current [A], positive while charging, nought else.
    extreme
        (rows,) coldest (warmest) sensor that is believed [degC].
    outside
        (rows, believed sensors) True where a sensor is beyond the bound while the pack is charged.
    sensors
        (believed sensors,) their columns.
    worst, far
        Coldest (warmest) reading in such rows [degC], and how far that is beyond the bound [K].
    seconds, ah
        Time and charge of such rows [s, Ah].
    """

    bound: float
    sign: float
    charging: Floats
    extreme: Floats
    outside: Bools
    sensors: Ints
    worst: float
    far: float
    seconds: float
    ah: float

    @property
    def rows(self) -> Bools:
        """(rows,) True where the pack was charged outside."""
        return np.asarray(self.outside.any(axis=1), bool)


def charging_bounds(s: Study) -> list[tuple[float, float]]:
    """Return the charging temperatures of a pack as (limit [degC], sign): the lower one always, the upper if known.

    A lower one that no cell's data sheet has, as in degF, is told of the pack file, and the usual one counts.
    """
    limits = s.readings.pack.limits
    low, high = limits.charge_temperature_min_C, limits.charge_temperature_max_C
    if low is None or low > WARMEST_CHARGE_C:
        low = DEFAULT_CHARGE_LIMIT_C
    out = [(low, -1.0)]
    return out if high is None else [*out, (high, 1.0)]


@calmly
def charged_outside(s: Study, bound: float, sign: float) -> ChargedOutside | None:
    """Return the charge beyond one charging temperature; None where the log has no current or no believed sensor.

    Parameters
    ----------
    bound
        [degC].
    sign
        -1 for what is below the bound, 1 for what is above.
    """
    sensors = np.flatnonzero(s.temperatures.trusted)
    if not len(sensors) or not s.flow.has_current:
        return None
    current = np.nan_to_num(s.flow.current)
    charging = current < -CHARGE_C_RATE * s.readings.capacity
    t = s.readings.log.temperature[:, sensors]
    margin = np.array([NOISE_SDS * resolution(one)[1] for one in t.T])
    outside = (sign * (t - bound) - margin > 1e-6) & charging[:, None]
    length, rows = row_lengths(s.readings.seconds), outside.any(axis=1)
    some = bool(rows.any())
    return ChargedOutside(
        bound=bound,
        sign=sign,
        charging=np.maximum(-current, 0.0),
        extreme=np.asarray((np.fmax if sign > 0 else np.fmin).reduce(t, axis=1), float),
        outside=np.asarray(outside, bool),
        sensors=sensors,
        worst=float(np.nanmax(np.where(outside, sign * t, np.nan))) * sign if some else np.nan,
        far=float(np.nanmax(np.where(outside, sign * (t - bound), np.nan))) if some else 0.0,
        seconds=float(length[rows].sum()),
        ah=float((-current * length)[rows].sum() / 3600.0),
    )
