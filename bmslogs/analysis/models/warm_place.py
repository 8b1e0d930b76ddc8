"""A sensor that parts from the others: is the place warmer, or does the sensor lie? Weighed on the same rows.

What the reading of sensor j less the middle of the others may follow:

* a place of its own: a share of the pack's warming, which follows the square of the current through a slow filter and
  decays with a time constant of its own (law of cooling; lumped heat balance, Bernardi et al., J. Electrochem. Soc. 132
  (1985) 5, from memory), nought where the pack has the temperature of the air;
* other air, which takes hold, or lets go, with the pack's time constant;
* a shifted reading: the same after a soak and under load;
* a wrong thermistor curve: a function of the temperature alone, nought at 25 degC: R = R25 exp(B (1/T - 1/T25)) read
  with another B turns the reading by (T - T25) T / T25 for each unit of 1 - B / B_read (T in K).

Each has a free size with a broad prior and stands on top of what sound sensors do: calibration, a small share of the
warming, their own lag, slow wandering. The evidence of each is Gaussian in closed form, which is the product of the
predictions of each stretch of the log from the others before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.polarisation import low_pass
from bmslogs.analysis.reference import KELVIN

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLOCKS = 48
TAUS_S = (900.0, 1300.0, 1800.0, 2500.0, 3600.0, 5000.0, 7200.0, 10000.0, 14400.0, 28800.0)
"""Time constants with which a pack warms and cools [s] (choice)."""
OWN_TAUS_S = (150.0, 400.0)
"""Time constants of a lug or a link besides [s] (choice)."""
CALIBRATION_K, SHARE, LAG_S, STILL_K, WANDER_K, WANDER_S = 0.6, 0.10, 300.0, 0.5, 0.25, 1200.0
"""What sound sensors differ by (one sd): calibration [K], share of the warming, lag [s], what is left of an earlier
load at the first row [K], slow wandering [K] and its memory [s] (judgement: common practice, no source)."""
IDLE_LAG_S, FOLLOW_S = 900.0, 3600.0
"""By how much sooner or later sound places follow the weather, and one that is more or less open to it [s] (one sd;
judgement)."""
PLACE_SHARE, AIR_K, SHIFT_K, TURN = 1.0, 6.0, 8.0, 0.12
"""Prior sizes (one sd): share of the warming, other air [K], shifted reading [K], turn of a wrong curve. Usual 10 kohm
thermistors have B from 3380 to 4250 K, up to a fifth apart."""
PRIOR = {"air": -2.0, "place": -3.0, "shift": -4.0, "curve": -4.5}
"""Log odds of each before the log is seen, against a sound sensor in a usual place (judgement)."""
SCATTER = (0.2, 9.0)
"""How far the sensors of a log may agree better or worse than sound ones usually do, as a factor of the variance."""
PAUSE_S = 600.0
"""Over a longer pause of the logger the load that warmed the pack is not known [s]: the shortest of its time constants
(choice)."""
WITHIN = 3.0
"""Explanations within a factor of e^3 are not told apart."""
AIR_LEAST_SD = 0.7
"""How well the law of cooling tells the air at best: places exchange heat, losses fall with warmth [K] (judgement)."""
SOAK_DRIFT_K_H = 0.7
"""A pack at rest whose temperature falls faster [K/h] still has the warmth of an earlier load (judgement)."""


@dataclass(frozen=True)
class Warmth:
    """The course of a log in blocks, and what the pack as a whole did.

    Attributes
    ----------
    middle
        (blocks,) the pack's middle [degC].
    shapes
        (blocks, shapes) warming [K] of a place with each time constant of its own, about each air temperature.
    fading
        (blocks,) share of the difference at the first row that is left.
    air, air_sd
        Temperature of the air as the law of cooling has it, and its standard deviation [degC].
    soaked
        Whether the log begins at the temperature of the air, shown by a rest that holds still.
    idle
        Whether hardly any current flowed: the weather alone moved the pack, and a place differs by how fast it follows.
    """

    seconds: Floats
    middle: Floats
    lag: Floats
    shapes: Floats
    shape_prior: Floats
    fading: Floats
    air: float
    air_sd: float
    soaked: bool
    idle: bool = False


@dataclass(frozen=True)
class Weighed:
    """What one sensor's difference from the others says.

    Attributes
    ----------
    odds
        Log odds of each explanation against a sound sensor in a usual place: `air`, `place`, `shift`, `curve`.
    size
        Size of each: share of the warming, K, K, turn about 25 degC.
    sd
        Their standard deviations.
    """

    odds: dict[str, float]
    size: dict[str, float]
    sd: dict[str, float]

    @property
    def fault(self) -> float:
        """Log odds of the better explanation by the sensor."""
        return max(self.odds["shift"], self.odds["curve"])

    @property
    def true_place(self) -> float:
        """Log odds of the best explanation by which the sensor tells the truth."""
        return max(0.0, self.odds["air"], self.odds["place"])


def blocks_of(seconds: Floats, number: int = BLOCKS) -> Ints:
    """Return the first row of each of about `number` runs of equal time; none is empty."""
    edges = np.linspace(seconds[0], seconds[-1], number + 1)[:-1]
    return np.asarray(np.unique(np.searchsorted(seconds, edges)), np.int64)


def block_means(values: Floats, start: Ints) -> Floats:
    """Return the means of (rows, ...) over the blocks, NaN left out."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0), start, axis=0)
    with np.errstate(all="ignore"):
        return np.asarray(total / np.add.reduceat(known.astype(float), start, axis=0), float)


def soak_shown(middle: Floats, seconds: Floats, soaked: Bools) -> bool:
    """Whether the rows said to be soaked begin the log and hold still, as a pack as warm as the air does."""
    first = int(np.argmin(soaked)) if not soaked.all() else len(soaked)
    if first < 5:
        return False
    t, y = seconds[:first] - seconds[0], middle[:first]
    good = np.isfinite(y)
    if good.sum() < 5 or t[good][-1] < 120.0:
        return False
    if t[good][-1] >= 4 * 3600.0:
        return True
    hours = t[good] / 3600.0
    design = np.column_stack([np.ones(len(hours)), hours])
    line = np.linalg.lstsq(design, y[good], rcond=None)[0]
    return bool(line[1] > -SOAK_DRIFT_K_H)


def warm_sections(seconds: Floats) -> Ints:
    """Return the number of the section of each row, from 0: a pack's warmth outlasts the short pauses of a logger."""
    return np.concatenate([[0], np.cumsum(np.diff(seconds) > PAUSE_S)]).astype(np.int64)


def warmth(
    middle: Floats, seconds: Floats, current: Floats | None, soaked: Bools, idle: bool = False
) -> tuple[Warmth, Ints]:
    """Return what the pack as a whole did, by blocks, and the blocks' first rows.

    Parameters
    ----------
    middle
        (rows,) middle of the sensors [degC].
    seconds
        (rows,) [s].
    current
        (rows,) [A] without NaN; None where the log has none.
    soaked
        (rows,) True where the pack had rested.
    idle
        Whether hardly any current flowed.
    """
    start = blocks_of(seconds)
    m, t = block_means(middle, start), block_means(seconds, start) - seconds[0]
    m = np.interp(t, t[np.isfinite(m)], m[np.isfinite(m)])
    still = soak_shown(middle, seconds, soaked)
    if idle:
        return _of_the_weather(t, m, still), start
    heat = np.zeros((len(start), len(TAUS_S) + len(OWN_TAUS_S)))
    if current is not None:
        section = warm_sections(seconds)
        for k, tau in enumerate((*OWN_TAUS_S, *TAUS_S)):
            heat[:, k] = block_means(low_pass(current**2, seconds, section, tau), start)
    size = max(float(np.abs(heat).max()), 1e-12)
    # air, what is left at the first row, warming by the load: priors by whether the log begins soaked
    mean = np.array([float(m[0]) if still else float(m.min()) - 2.0, 0.0 if still else 3.0, 0.0])
    # without a current what warmed the pack is not known: its own course stands for the load
    prior = np.array([1.0 if still else 6.0, 0.7 if still else 6.0, 30.0])
    if current is None:
        heat[:, len(OWN_TAUS_S) :] = (m - m[0])[:, None]
        size = max(float(np.abs(heat).max()), 1e-12)
    score, theta, spread = np.empty(len(TAUS_S)), np.empty((len(TAUS_S), 3)), np.empty(len(TAUS_S))
    for k, tau in enumerate(TAUS_S):
        design = np.column_stack([np.ones(len(t)), np.exp(-t / tau), heat[:, len(OWN_TAUS_S) + k] / size])
        cover = wandering(t, 0.3, 0.15) + (design * prior**2) @ design.T
        left = m - design @ mean
        solved = np.linalg.solve(cover, np.column_stack([left, design]))
        score[k] = -0.5 * float(left @ solved[:, 0]) - 0.5 * float(np.linalg.slogdet(cover)[1])
        theta[k] = mean + prior**2 * (design.T @ solved[:, 0])
        spread[k] = prior[0] ** 2 * (1.0 - prior[0] ** 2 * float(design[:, 0] @ solved[:, 1]))
    share = np.exp(score - score.max())
    share /= share.sum()
    likely = int(np.argmax(score))
    tau, air = TAUS_S[likely], float(share @ theta[:, 0])
    air_sd = float(np.sqrt(share @ (np.maximum(spread, AIR_LEAST_SD**2) + (theta[:, 0] - air) ** 2)))
    at = theta[likely]
    shapes, weight = [], []
    for step, odds in ((-1.0, 0.25), (0.0, 0.5), (1.0, 0.25)):
        left_K = at[1] - (air + step * air_sd - at[0])
        shapes.append(m - (air + step * air_sd))
        weight.append(0.5 * odds)
        for j, own in enumerate((*OWN_TAUS_S, *TAUS_S)):
            shapes.append(left_K * np.exp(-t / own) + at[2] * heat[:, j] / size)
            weight.append(0.5 * odds / heat.shape[1])
    return Warmth(
        t,
        m,
        np.gradient(m, t) if len(t) > 1 else np.zeros(len(t)),
        np.stack(shapes, axis=1),
        np.array(weight),
        np.exp(-t / tau),
        air,
        air_sd,
        still,
    ), start


def _of_the_weather(t: Floats, m: Floats, still: bool) -> Warmth:
    """Return the course of a pack that no load warms: it follows the air, and nothing is known of that but this."""
    lag = np.gradient(m, t) if len(t) > 1 else np.zeros(len(t))
    return Warmth(
        t, m, lag, FOLLOW_S * lag[:, None], np.ones(1), np.zeros(len(t)), float(m[0]), np.inf, still, True
    )


def wandering(t: Floats, sd_K: float, noise_K: float) -> Floats:
    """Return the covariance of slow wandering with some noise on top [K^2]."""
    return np.asarray(
        sd_K**2 * np.exp(-np.abs(t[:, None] - t[None, :]) / WANDER_S) + noise_K**2 * np.eye(len(t)), float
    )


def sound(w: Warmth, step_K: float) -> Floats:
    """Return the lower factor of the covariance of a sound sensor's difference from the middle [K]."""
    noise = np.hypot(0.1, step_K / np.sqrt(12.0))
    alike = np.full(len(w.seconds), CALIBRATION_K)
    columns = (
        np.column_stack([alike, IDLE_LAG_S * w.lag])
        if w.idle
        else np.column_stack(
            [
                alike,
                SHARE * (w.middle - w.air),
                LAG_S * w.lag,
                (0.1 if w.soaked else STILL_K) * w.fading,
            ]
        )
    )
    return np.asarray(np.linalg.cholesky(wandering(w.seconds, WANDER_K, noise) + columns @ columns.T), float)


def turned(middle: Floats) -> Floats:
    """Return by how much a reading is off for each unit of turn [K], by the temperature that it should read."""
    return np.asarray((middle - 25.0) * (middle + KELVIN) / (25.0 + KELVIN), float)


def weigh(away: Floats, w: Warmth, step_K: float) -> list[Weighed]:
    """Weigh the explanations for each sensor.

    Parameters
    ----------
    away
        (blocks, sensors) reading less the middle of the others [K].
    w
        The course of the pack.
    step_K
        Step of the readings [K].
    """
    factor = sound(w, step_K)
    y = np.linalg.solve(factor, away)
    # the log's own scatter is the null: what sound sensors of this pack do beyond the covariance above
    scatter = float(np.clip(np.median((y**2).mean(axis=0)), *SCATTER)) if away.shape[1] >= 5 else 1.0
    y = y / np.sqrt(scatter)

    def white(columns: Floats) -> Floats:
        return np.asarray(np.linalg.solve(factor, columns) / np.sqrt(scatter), float)

    shapes = white(w.shapes) * PLACE_SHARE
    shift, curve = white(np.full((len(w.seconds), 1), SHIFT_K)), white(TURN * turned(w.middle)[:, None])
    air = white(AIR_K * np.column_stack([1.0 - w.fading, w.fading]))
    if w.soaked:  # nothing is left at the first row of a log that begins soaked
        air = air[:, :1]
    if w.idle:  # in the sun by day or open to the sky by night: more, or less, of the pack's own swing
        swing = (w.middle - w.middle.mean()) / max(float(np.ptp(w.middle)), 1.0)
        air = white(AIR_K * np.column_stack([np.ones(len(swing)), swing]))
    out = []
    for j in range(y.shape[1]):
        place = _single(shapes, y[:, j])
        total = place[0] + np.log(w.shape_prior)
        best = int(np.argmax(total))
        found = {
            "place": (
                float(np.logaddexp.reduce(total)),
                place[1][best] * PLACE_SHARE,
                place[2][best] * PLACE_SHARE,
            ),
            "shift": _one(shift, y[:, j], SHIFT_K),
            "curve": _one(curve, y[:, j], TURN),
            "air": (_several(air, y[:, j]), float("nan"), float("nan")),
        }
        out.append(
            Weighed(
                {k: v[0] + PRIOR[k] for k, v in found.items()},
                {k: float(v[1]) for k, v in found.items()},
                {k: float(v[2]) for k, v in found.items()},
            )
        )
    return out


def _single(columns: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Return evidence against nought for each column with a unit prior, its size without prior, and the size's sd."""
    square, along = np.maximum((columns**2).sum(axis=0), 1e-12), columns.T @ y
    return 0.5 * (along**2 / (1.0 + square) - np.log1p(square)), along / square, 1.0 / np.sqrt(square)


def _one(column: Floats, y: Floats, unit: float) -> tuple[float, float, float]:
    odds, size, sd = _single(column, y)
    return float(odds[0]), float(size[0]) * unit, float(sd[0]) * unit


def _several(columns: Floats, y: Floats) -> float:
    gram = np.eye(columns.shape[1]) + columns.T @ columns
    along = columns.T @ y
    return float(0.5 * (along @ np.linalg.solve(gram, along) - np.linalg.slogdet(gram)[1]))
