"""Logs that could be taken next, made from what a log already tells of its pack: curve, resistance, noise, steps.

They are for planning only: the same fits that read real logs read them, so that the interval to expect is that of the
fit's own information, at this logger's rate and noise.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.polarisation import charge_drawn, low_pass
from bmslogs.analysis.regression import BLOCKS, equal_blocks, jackknife_se, t_factor
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import median
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]

START = np.datetime64("2000-01-01T00:00:00", "us")
DRIVE_RMS_C = 0.6  # rms current over capacity of an ordinary drive [1/h] (choice)
DRIVE_MINUTES = 20.0
CHARGE_RATE_C = 0.3  # [1/h] where the log holds no charge to go by
CHARGE_FROM = 0.25  # state of charge at which the proposed charge begins
CHARGE_END_C = 0.04
SOC_APART = 0.003  # of state of charge, 1 sd between cells of a usual pack (choice)
CURRENT_NOISE_C = 0.003  # noise of a current sensor over capacity (choice)
USUAL_SHAPE = (0.55, 0.15, 0.25, 0.25)
"""R0 and the parts at 4, 20 and 90 s, over the resistance at 10 s, where the log tells none (choice)."""
USUAL_COMMON, LEAST_COMMON = 0.011, 0.0045
"""Half width (fraction) by which the blocks of a drive scatter all cells' resistance alike: where the log tells none,
and in a long drive, towards which what a shorter one shows is drawn (choice from simulation)."""
USUAL_PACK_READING = (0.02, 0.1, 1e-3)
"""Noise and step of a pack voltage [V], and resistance outside the taps [ohm], where the log tells none (choice)."""


@dataclass(frozen=True)
class Model:
    """What is needed to make a log of the same pack by the same logger.

    Attributes
    ----------
    parts
        (1 + K, cells) R0 and the parts of the time constants [ohm].
    taus
        (K,) [s].
    noise, colour
        One reading of a cell [V, 1 sd], rounding left out, and by how much it counts for more in a fit of many
        minutes, because residuals hang together.
    period
        [s] between readings.
    current_noise
        [A].
    soc
        Where the log left the pack (0..1).
    common
        What the blocks of a drive scatter all cells' resistance by, alike (fraction, half width). It comes from what
        the fit does not model, so a longer drive does not lessen it.
    pack_noise, pack_step
        One reading of the pack voltage [V, 1 sd, and its step].
    outside_ohm
        Resistance that no tap sees [ohm].
    """

    study: Study
    parts: Floats
    taus: tuple[float, ...]
    noise: float
    colour: float
    period: float
    current_noise: float
    soc: float
    common: float = USUAL_COMMON
    pack_noise: float = USUAL_PACK_READING[0]
    pack_step: float = USUAL_PACK_READING[1]
    outside_ohm: float = USUAL_PACK_READING[2]


def model_of(study: Study, soc: float | None = None) -> Model:
    """Learn from a log what its pack and logger are like.

    The noise of a drive or a charge is scaled so that the fit's information gives the intervals that the log's own
    blocks gave; hourly readings of a parked pack need no such scale. What the log itself does not tell of its
    resistance (a charge alone: hardly) is taken as usual, not as badly known: a better log is asked for.
    """
    cells = len(study.readings.cells)
    reading = _reading_sd(study)
    colour, common = 1.0, USUAL_COMMON
    taus: tuple[float, ...] = (4.0, 20.0, 90.0)
    parts = np.repeat(study.resistance.usual * np.array(USUAL_SHAPE)[:, None], cells, axis=1)
    known = Knowledge(study).resistance
    if not isinstance(known, str) and study.flow.rows_of("drive").any() and not study.resistance.by_steps:
        load = study.loads.fit
        taus, count = load.taus, len(load.taus) + 1
        parts = np.maximum(median(load.fit.coef[:count, study.harness.trusted], axis=1, keepdims=True), 0.0)
        ratio = np.where(study.harness.trusted & (np.abs(known.relative - 1.0) < 0.5), known.relative, 1.0)
        parts = parts * ratio
        colour = _colour(study, load, reading)
        _, without = load.resistance()
        middles = median(without[:, study.harness.trusted], axis=1)
        seen = float(jackknife_se(middles[:, None])[0] / np.median(middles)) * t_factor(len(without))
        common = float(np.sqrt(seen * LEAST_COMMON))  # eight blocks tell a scatter roughly: half way
    logged = study.readings.log.current
    still = np.array([]) if logged is None else logged[study.flow.quiet]
    still = still[np.isfinite(still)]
    current_noise = float(np.std(still)) if still.size > 30 else CURRENT_NOISE_C * study.readings.capacity
    period = float(np.clip(study.refresh.period_s, 0.1, 60.0))
    noise = float(np.sqrt(max(reading**2 - study.readings.log.voltage_step**2 / 12.0, 1e-10)))
    return Model(
        study,
        parts,
        taus,
        noise,
        colour,
        period,
        current_noise,
        0.6 if soc is None else soc,
        common,
        *_pack_reading(study),
    )


def _pack_reading(study: Study) -> tuple[float, float, float]:
    """Return noise and step of the pack voltage [V], and the resistance outside the taps [ohm]."""
    noise, step, ohm = USUAL_PACK_READING
    volts = study.readings.log.pack_voltage
    if volts is None:
        return noise, step, ohm
    levels = np.unique(np.round(volts[np.isfinite(volts)], 4))
    if len(levels) > 1:
        step = float(np.min(np.diff(levels)))
    with suppress(NotEnoughData):
        ohm = study.chain.outside_taps[0]
    # under load the reading wanders over its steps: what is left there is noise and rounding
    s = study.samples.kept
    above = study.samples.at(volts) - s.volts.sum(axis=1)
    rows = np.isfinite(above) & study.under_load.mask
    if rows.sum() > 30:
        design = np.column_stack([np.ones(int(rows.sum())), s.current[rows], s.steps[rows]])
        left = above[rows] - design @ np.linalg.lstsq(design, above[rows], rcond=None)[0]
        # a fifth of a step at least (choice): what is left of rounding hides less
        noise = float(np.sqrt(max(np.var(left) - step**2 / 12.0, (step / 5.0) ** 2)))
    return noise, step, ohm


def _reading_sd(study: Study) -> float:
    """Return the noise of one reading [V], rounding included, from how it jumps against the mean of all."""
    volts = study.samples.kept.volts[:, study.harness.trusted]
    if len(volts) < 30:
        return study.simultaneous.noise
    jumps = np.diff(volts - volts.mean(axis=1, keepdims=True), axis=0)
    low, high = np.quantile(jumps, [0.02, 0.98])
    # what is cut off at both ends makes the standard deviation of a normal sample 0.88 of what it was
    return float(np.std(jumps[(jumps >= low) & (jumps <= high)]) / np.sqrt(2.0) / 0.88)


def _colour(study: Study, load: resistance.LoadFit, noise: float) -> float:
    """Return by how much the blocks' scatter exceeds what white noise and the fit's information would give."""
    weights = resistance.at_time(resistance.PULSE_S, load.taus)
    white = float(np.linalg.norm(weights @ load.fit.pseudo_inverse[: len(weights)])) * noise
    value, without = load.resistance()
    middle = float(median(value[study.harness.trusted]))
    blocks = without / median(without[:, study.harness.trusted], axis=1, keepdims=True)
    seen = float(median(jackknife_se(blocks)[study.harness.trusted])) * middle
    return float(np.clip(seen / white, 1.0, 6.0)) if white > 0 and np.isfinite(seen) else 1.0


def drive_log(model: Model, draw: int = 0, minutes: float = DRIVE_MINUTES, rms_c: float = DRIVE_RMS_C) -> Log:
    """Return a drive with pulls and regeneration between two rests of ten minutes."""
    rng = np.random.default_rng([1, draw])
    count, still = (round(seconds / model.period) for seconds in (minutes * 60.0, 600.0))
    drive = _stop_and_go(count, model.period, rng) * rms_c * model.study.readings.capacity
    rest = np.zeros(still)
    # by turns more and less resistance in each block: their scatter is then that of the log that was learnt from
    block = equal_blocks(count + still, BLOCKS)
    telling = BLOCKS * count / (count + still)  # the blocks after the drive tell no resistance
    deviation = model.common / t_factor(BLOCKS) * (telling - 1.0) / np.sqrt((BLOCKS - 1.0) / BLOCKS * telling)
    gain = np.concatenate([np.ones(still), 1.0 + deviation * (1.0 - 2.0 * (block % 2))])
    return _log(model, np.concatenate([rest, drive, rest]), model.period, max(model.soc, 0.5), rng, gain=gain)


def charge_log(model: Model, draw: int = 0, rate_c: float = CHARGE_RATE_C) -> Log:
    """Return a charge from a quarter full to the knee with taper, half an hour of rest before and after.

    The charge ends when the cell that leads is full.
    """
    study, rng = model.study, np.random.default_rng([2, draw])
    period = max(model.period, 1.0)
    top = min(study.readings.pack.limits.voltage_max_V or np.inf, float(study.readings.curve.volt[-1]))
    amps, capacity = rate_c * study.readings.capacity, study.readings.capacity
    slow = float(np.median(model.parts.sum(axis=0)))
    bend, end = (
        float(study.readings.curve.inverse(np.array([top - a * slow]))[0])
        for a in (amps, CHARGE_END_C * capacity)
    )
    flat_s = max(bend - CHARGE_FROM, 0.05) * capacity / amps * 3600.0
    decay_s = max(end - bend, 0.005) * capacity / amps * 3600.0
    taper_s = decay_s * np.log(amps / (CHARGE_END_C * capacity))
    rest = np.zeros(round(1800.0 / period))
    constant = np.full(round(flat_s / period), -amps)
    taper = -amps * np.exp(-np.arange(0.0, max(taper_s, period), period) / decay_s)
    return _log(model, np.concatenate([rest, constant, taper, rest]), period, CHARGE_FROM, rng, leader=True)


def parked_log(model: Model, draw: int = 0, days: float = 3.0, every_s: float = 3600.0) -> Log:
    """Return parked days with one reading every hour, where the log left the pack."""
    rng = np.random.default_rng([3, draw])
    white = replace(model, colour=1.0)
    return _log(white, np.zeros(round(days * 86400.0 / every_s) + 1), every_s, model.soc, rng)


def rest_log(model: Model, draw: int = 0, minutes: float = 10.0) -> Log:
    """Return minutes at rest."""
    rng = np.random.default_rng([4, draw])
    return _log(model, np.zeros(round(minutes * 60.0 / model.period)), model.period, model.soc, rng)


def _log(
    model: Model,
    current: Floats,
    period: float,
    soc: float,
    rng: np.random.Generator,
    *,
    gain: Floats | None = None,
    leader: bool = False,
) -> Log:
    """Return the log of a current [A], from `soc` of the middle cell, or of the one that leads, on.

    `gain` (rows,) multiplies all cells' resistance.
    """
    source = model.study.readings.log
    seconds: Floats = np.arange(len(current), dtype=np.float64) * period
    section = np.zeros(len(current), dtype=np.int64)
    drawn = charge_drawn(current, seconds, section)
    filtered = np.stack([current, *(low_pass(current, seconds, section, tau) for tau in model.taus)], axis=1)
    apart = np.asarray(rng.normal(0.0, SOC_APART, model.parts.shape[1]))  # no two cells round alike
    if leader:
        apart = apart - np.max(apart)
    drop = filtered @ model.parts
    if gain is not None:
        drop = drop * gain[:, None]
    readings = model.study.readings
    volts = readings.curve.beyond(soc + apart - drawn[:, None] / readings.capacity) - drop
    volts = volts + rng.normal(0.0, model.noise * model.colour, volts.shape)
    step = source.voltage_step
    read = current + rng.normal(0.0, model.current_noise, len(current))
    warm = np.full((len(current), source.temperature.shape[1]), 20.0)
    return replace(
        source,
        id="planned",
        time=START + np.round(seconds * 1e6).astype("timedelta64[us]"),
        current=read,
        cell_voltage=np.round(volts / step) * step if step > 0 else volts,
        temperature=warm,
        bleed=None,
        pack_voltage=None if source.pack_voltage is None else _pack_volts(model, volts, current, rng),
        extra={},
        repairs=(),
    )


def _pack_volts(model: Model, volts: Floats, current: Floats, rng: np.random.Generator) -> Floats:
    """Return readings of the pack voltage [V] over the sum of all cells."""
    true = volts.sum(axis=1) - model.outside_ohm * current + rng.normal(0.0, model.pack_noise, len(current))
    return np.asarray(np.round(true / model.pack_step) * model.pack_step, float)


def _stop_and_go(count: int, period: float, rng: np.random.Generator) -> Floats:
    """Return a current of rms 1: pull away, cruise, brake, stand, over and over."""
    out = np.zeros(count)
    at = 0
    while at < count:
        for seconds, level in (
            (rng.uniform(4, 12), rng.uniform(1.2, 3.0)), (rng.uniform(10, 60), rng.uniform(0.2, 1.0)),
            (rng.uniform(3, 9), -rng.uniform(0.5, 1.6)), (rng.uniform(3, 25), 0.0),
        ):  # fmt: skip
            length = max(1, round(seconds / period))
            out[at : at + length] = level
            at += length
    return np.asarray(out / max(float(np.sqrt(np.mean(out**2))), 1e-9))
