"""Temperatures: sensors that lie, places that run hot.

A place warms by its own loss: T - T_start follows the square of the current through a slow filter (lumped heat
balance; Bernardi et al., J. Electrochem. Soc. 132, 1985, 5, without the reversible part, which averages out over a
drive). A wrong thermistor curve turns the reading about 25 degC.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.polarisation import low_pass
from bmslogs.analysis.regression import block_fit, equal_blocks, jackknife_se, t_factor
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

TAUS_S = (600.0, 1200.0, 2400.0, 4800.0)
OPEN_BELOW_C, SHORT_ABOVE_C = -38.0, 115.0
STUCK_MOVE_C = 1.5
SOAK_SPREAD_C = 2.0
"""After a soak all sensors read within this of their median (judgement: common practice, no source)."""
TURN_LEAST = 0.04
"""Least turn of a reading about 25 degC that speaks of a wrong thermistor curve (choice)."""
WARMED_LEAST_K, WARMING_LEAST_S = 0.3, 600.0
"""A pack whose mean temperature moves by less over a log, or that is logged for less long, does not tell its places
apart (choice)."""
HEATING_CURRENT_C_RATE, CHARGE_CURRENT_C_RATE = 0.15, 0.3
"""Least rms current over a log, as a share of the capacity per hour, that tells places apart by their warmth: with a
drive in it, and without one, where the air around decides as much (choice)."""


@dataclass(frozen=True)
class SensorFault:
    """A temperature sensor whose reading is not to be believed.

    Attributes
    ----------
    column
        Sensor (0-based).
    kind
        ``open``, ``short``, ``stuck``, ``offset`` or ``curve``.
    size_C, half_C
        How far it is off, with the half width of the 95 % interval [K]; None where that cannot be said.
    """

    column: int
    kind: str
    size_C: float | None
    half_C: float | None
    evidence: str


def sensor_faults(temperature: Floats, seconds: Floats, soaked: Bools) -> list[SensorFault]:
    """Find temperature sensors at fault.

    Parameters
    ----------
    temperature
        (rows, sensors) [degC].
    seconds
        (rows,) [s].
    soaked
        (rows,) True where the pack had rested long enough for all places to be alike, or had not yet been loaded.
    """
    found: list[SensorFault] = []
    rows, n = temperature.shape
    if n == 0 or rows == 0:
        return found
    with np.errstate(all="ignore"):
        level = np.nanmedian(temperature, axis=0)
        low, high = np.nanmin(temperature, axis=0), np.nanmax(temperature, axis=0)
    bad = set()
    silent = np.asarray(np.isnan(temperature).all(axis=0))
    for j in range(n):
        if silent[j] and not silent.all():
            found.append(SensorFault(j, "open", None, None, "it gives no reading while the others do"))
        elif level[j] <= OPEN_BELOW_C:
            found.append(SensorFault(j, "open", None, None, f"it reads {level[j]:.0f} degC, as an open circuit does"))
        elif level[j] >= SHORT_ABOVE_C:
            found.append(SensorFault(j, "short", None, None, f"it reads {level[j]:.0f} degC, as a short circuit does"))
        else:
            continue
        bad.add(j)
    good = np.array([j for j in range(n) if j not in bad and not silent[j]], np.int64)
    if len(good) < 2:
        return found
    with np.errstate(all="ignore"):
        middle = np.nanmedian(temperature[:, good], axis=1)
    for j in good:
        others = good[good != j]
        moved = float(np.nanmedian(high[others] - low[others]))
        if high[j] - low[j] < 1e-6 and moved > STUCK_MOVE_C and rows > 20:
            off = float(np.nanmax(np.abs(level[j] - middle)))
            found.append(
                SensorFault(
                    int(j),
                    "stuck",
                    off,
                    None,
                    f"it reads {level[j]:.1f} degC without a change while the others moved by {moved:.1f} K",
                )
            )
            bad.add(int(j))
    good = np.array([j for j in good if j not in bad], np.int64)
    if len(good) == 2 and soaked.any():
        found += _disagree(temperature[:, good], soaked, good)
    if len(good) >= 3:
        found += _turned(temperature[:, good], seconds, good)
        bad |= {f.column for f in found}
        left = np.array([j for j in good if j not in bad], int)
        if len(left) >= 3 and soaked.any():
            found += _shifted(temperature[:, left], soaked, left)
    return found


def _disagree(temperature: Floats, soaked: Bools, columns: Ints) -> list[SensorFault]:
    """Two sensors that part after a soak: one of them is off, and nothing says which."""
    with np.errstate(all="ignore"):
        apart = float(np.nanmean(temperature[soaked, 1] - temperature[soaked, 0]))
        always = float(np.nanmedian(temperature[:, 1] - temperature[:, 0]))
    if abs(apart) < 1.2 * SOAK_SPREAD_C or abs(always - apart) > 0.5 * abs(apart):
        return []
    text = f"before the load the two sensors part by {abs(apart):.1f} K; one of them is off, and nothing says which"
    return [
        SensorFault(int(j), "offset", sign * apart, 0.5, text)
        for j, sign in zip(columns, (-1.0, 1.0), strict=True)
    ]


def _shifted(temperature: Floats, soaked: Bools, columns: Ints) -> list[SensorFault]:
    """Sensors that stand apart after a soak although the others agree, and keep apart."""
    with np.errstate(all="ignore"):
        at_soak = np.nanmean(temperature[soaked], axis=0)
        always = np.nanmedian(temperature - np.nanmedian(temperature, axis=1, keepdims=True), axis=0)
    away = at_soak - np.nanmedian(at_soak)
    found = []
    spread = np.nanmedian(np.abs(away)) * 1.4826
    for k in np.flatnonzero(np.abs(away) > max(SOAK_SPREAD_C, 4 * spread)):
        beside = [m for m in (k - 1, k + 1) if 0 <= m < len(away)]
        alone = all(abs(away[m]) < 0.4 * abs(away[k]) or np.sign(away[m]) != np.sign(away[k]) for m in beside)
        stays = abs(always[k] - away[k]) < 0.5 * abs(away[k])
        if alone and stays:
            found.append(SensorFault(
                int(columns[k]), "offset", float(away[k]), 0.5 + 2 * float(spread),
                f"before the load, when all others agree within {max(spread, 0.1):.1f} K, it reads {away[k]:+.1f} K",
            ))
    return found


def _turned(temperature: Floats, seconds: Floats, columns: Ints) -> list[SensorFault]:
    """Sensors whose distance from the others changes as a wrong thermistor curve makes it: about 25 degC."""
    full = ~np.isnan(temperature).any(axis=1)
    if full.sum() < 50:
        return []
    t = temperature[full]
    middle = np.median(t, axis=1)
    span = float(np.percentile(middle, 98) - np.percentile(middle, 2))
    away = t - middle[:, None]
    # from where it crosses 25 degC the reading turns: away = g (T - 25), nothing else free
    lever = middle - 25.0
    if np.sqrt((lever**2).mean()) < 4.0 or span < 2.0:
        return []
    turn = (lever @ away) / (lever @ lever)
    left = (away - turn * lever[:, None]).std(axis=0)
    line = np.stack([np.polyfit(lever, away[:, j], 1) for j in range(t.shape[1])], axis=1)
    found = []
    usual = np.median(np.abs(turn))
    for k in np.flatnonzero(np.abs(turn) > max(TURN_LEAST, 5 * usual)):
        # a place that is warmer or cooler shows a distance of its own, not one that vanishes at 25 degC
        fits = left[k] < 0.35 * np.sqrt((away[:, k] ** 2).mean()) and abs(line[1, k]) < 0.35 * abs(line[0, k]) * 25.0
        same = np.sign(line[0, k]) == np.sign(turn[k]) and abs(line[0, k] - turn[k]) < 0.5 * abs(turn[k])
        off = float(turn[k] * lever[np.argmax(np.abs(lever))])
        if fits and same and abs(off) > SOAK_SPREAD_C:
            found.append(SensorFault(
                int(columns[k]), "curve", off, 0.3 * abs(off),
                f"it is off by {turn[k] * 100:+.0f} % of the distance from 25 degC, as with a wrong thermistor curve",
            ))
    return found


@dataclass(frozen=True)
class Heating:
    """Rise per ampere squared of each sensor [K/A^2].

    Attributes
    ----------
    slope, half_width
        (sensors,) [K/A^2]; NaN where a sensor is not to be believed.
    relative_half_width
        (sensors,) half width of slope less the median's, what all share taken out [K/A^2].
    tau_s
        Time constant that fits the mean rise best [s].
    """

    slope: Floats
    half_width: Floats
    relative_half_width: Floats
    tau_s: float


def heating(
    temperature: Floats, current: Floats, seconds: Floats, section: Ints, trusted: Bools, least_A: float
) -> Heating:
    """Estimate how much each place warms per ampere squared over a drive.

    Parameters
    ----------
    temperature, current, seconds, section
        (rows, sensors) [degC]; (rows,) [A], [s], section numbers; no NaN in trusted sensors.
    trusted
        (sensors,) True where the sensor is believed.
    least_A
        Least rms current [A] whose warmth tells places apart.

    Raises
    ------
    NotEnoughData
        Too little current for the rise to speak.
    """
    rms = float(np.sqrt((current**2).mean()))
    if rms < least_A:
        raise NotEnoughData(f"the rms current of {rms:.0f} A warms the pack too little to compare places")
    if trusted.sum() < 2 or len(seconds) < 120:
        raise NotEnoughData("fewer than two sensors that can be compared, or a log of fewer than 120 rows")
    if seconds[-1] - seconds[0] < WARMING_LEAST_S:
        raise NotEnoughData(f"{seconds[-1] - seconds[0]:.0f} s are too short for places to warm apart")
    step = max(1, len(seconds) // 2000)
    pick = slice(None, None, step)
    y = temperature[pick][:, trusted]
    hours = (seconds[pick] - seconds[0]) / 3600.0
    warmed = float(np.ptp(np.quantile(y.mean(axis=1), [0.02, 0.98])))
    if warmed < WARMED_LEAST_K:
        raise NotEnoughData(f"the pack's temperature moved by {warmed:.1f} K only")
    best: tuple[float, float, Floats] | None = None
    for tau in TAUS_S:
        column = low_pass(current**2, seconds, section, tau)[pick]
        design = np.column_stack([np.ones_like(hours), np.exp(-(seconds[pick] - seconds[0]) / tau), column])
        mean = y.mean(axis=1)
        left = mean - design @ np.linalg.lstsq(design, mean, rcond=None)[0]
        cost = float((left**2).mean())
        if best is None or cost < best[0]:
            best = (cost, tau, design)
    assert best is not None
    _, tau, design = best
    fit = block_fit(design, y, equal_blocks(len(design), 8))
    k = fit.blocks
    slope = fit.coef[2]
    relative = fit.without[:, 2] - np.median(fit.without[:, 2], axis=1, keepdims=True)
    out = [np.full(len(trusted), np.nan) for _ in range(3)]
    for full, part in zip(
        out, (slope, t_factor(k) * jackknife_se(fit.without[:, 2]), t_factor(k) * jackknife_se(relative)), strict=True
    ):
        full[trusted] = part
    return Heating(out[0], out[1], out[2], tau)
