"""Logs that could be taken next, made from what a log already tells of its pack: curve, resistance, noise, steps.

They are for planning only: the same fits that read real logs read them, so that the interval to expect is that of the
fit's own information, at this logger's rate and noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.polarisation import charge_drawn, low_pass
from bmslogs.analysis.regression import jackknife_se, t_factor
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]

START = np.datetime64("2000-01-01T00:00:00", "us")
DRIVE_RMS_C = 0.6  # rms current over capacity of an ordinary drive [1/h] (choice)
DRIVE_MINUTES = 20.0
CHARGE_RATE_C = 0.3  # [1/h] where the log holds no charge to go by
CHARGE_FROM = 0.25  # state of charge at which the proposed charge begins
CHARGE_END_C = 0.04
TOP_V = {"NMC": 4.2, "LFP": 3.65}
SOC_APART = 0.003  # of state of charge, 1 sd between cells of a usual pack (choice)
CURRENT_NOISE_C = 0.003  # noise of a current sensor over capacity (choice)
USUAL_SHAPE = (0.55, 0.15, 0.25, 0.25)
"""R0 and the parts at 4, 20 and 90 s, over the resistance at 10 s, where the log tells none (choice)."""


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
        Part of all cells' resistance that the log's blocks scatter by (fraction, half width), over an ampere-hour
        of what drives the fit: root of the seconds times mean squared current over capacity.
    """

    study: Study
    parts: Floats
    taus: tuple[float, ...]
    noise: float
    colour: float
    period: float
    current_noise: float
    soc: float
    common: float = 0.0


def model_of(study: Study, soc: float | None = None) -> Model:
    """Learn from a log what its pack and logger are like.

    The noise of a drive or a charge is scaled so that the fit's information gives the intervals that the log's own
    blocks gave; hourly readings of a parked pack need no such scale.
    """
    cells = len(study.cells)
    usual = study.usual_resistance
    reading = _reading_sd(study)
    colour = 1.0
    try:
        load = study.load
        taus, count = load.taus, len(load.taus) + 1
        parts = np.maximum(np.median(load.fit.coef[:count, study.trusted], axis=1, keepdims=True), 0.0)
        ohm, without = load.resistance()
        ratio, _ = resistance.relative(ohm, without, study.trusted)
        ratio = np.where(study.trusted & (np.abs(ratio - 1.0) < 0.5), ratio, 1.0)
        parts = parts * ratio
        colour = _colour(study, load, reading)
        middles = np.median(without[:, study.trusted], axis=1)
        spread = float(jackknife_se(middles[:, None])[0] / np.median(middles)) * t_factor(len(without))
        common = spread * _drive_weight(study.sampled.current[study.moving], study)
    except NotEnoughData:
        taus, common = (4.0, 20.0, 90.0), 0.0
        parts = np.repeat(usual * np.array(USUAL_SHAPE)[:, None], cells, axis=1)
    still = study.log.current[study.quiet] if study.log.current is not None else np.array([])
    still = still[np.isfinite(still)]
    current_noise = float(np.std(still)) if still.size > 30 else CURRENT_NOISE_C * study.capacity
    period = float(np.clip(study.refresh_s, 0.1, 60.0))
    noise = float(np.sqrt(max(reading**2 - study.log.voltage_step**2 / 12.0, 1e-10)))
    return Model(study, parts, taus, noise, colour, period, current_noise, 0.6 if soc is None else soc, common)


def _reading_sd(study: Study) -> float:
    """Return the noise of one reading [V], rounding included, from how it jumps against the mean of all."""
    volts = study.sampled.volts[:, study.trusted]
    if len(volts) < 30:
        return study.noise
    jumps = np.diff(volts - volts.mean(axis=1, keepdims=True), axis=0)
    low, high = np.quantile(jumps, [0.02, 0.98])
    # what is cut off at both ends makes the standard deviation of a normal sample 0.88 of what it was
    return float(np.std(jumps[(jumps >= low) & (jumps <= high)]) / np.sqrt(2.0) / 0.88)


def _drive_weight(current: Floats, study: Study) -> float:
    """Return root of time under load [s] times mean squared current over capacity squared."""
    return float(np.sqrt(np.sum(current**2) * study.sampled.period_s)) / study.capacity


def common_part(model: Model, log: Log) -> float:
    """Return the half width (fraction) of all cells' resistance together, to expect from a proposed drive."""
    assert log.current is not None
    weight = float(np.sqrt(np.sum(log.current**2) * model.period)) / model.study.capacity
    return model.common / weight if weight > 0 else 0.0


def _colour(study: Study, load: resistance.LoadFit, noise: float) -> float:
    """Return by how much the blocks' scatter exceeds what white noise and the fit's information would give."""
    weights = resistance.at_time(resistance.PULSE_S, load.taus)
    white = float(np.linalg.norm(weights @ load.fit.pseudo_inverse[: len(weights)])) * noise
    value, without = load.resistance()
    middle = float(np.median(value[study.trusted]))
    blocks = without / np.median(without[:, study.trusted], axis=1, keepdims=True)
    seen = float(np.median(jackknife_se(blocks)[study.trusted])) * middle
    return float(np.clip(seen / white, 1.0, 6.0)) if white > 0 and np.isfinite(seen) else 1.0


def drive_log(model: Model, minutes: float = DRIVE_MINUTES, rms_c: float = DRIVE_RMS_C) -> Log:
    """Return a drive with pulls and regeneration between two rests of ten minutes."""
    rng = np.random.default_rng(1)
    count = round(minutes * 60.0 / model.period)
    drive = _stop_and_go(count, model.period, rng) * rms_c * model.study.capacity
    rest = np.zeros(round(600.0 / model.period))
    return _log(model, np.concatenate([rest, drive, rest]), model.period, max(model.soc, 0.5), rng)


def charge_log(model: Model, rate_c: float = CHARGE_RATE_C) -> Log:
    """Return a charge from a quarter full to the knee with taper, half an hour of rest before and after."""
    study, rng = model.study, np.random.default_rng(2)
    period = max(model.period, 1.0)
    top = min(study.pack.limits.voltage_max_V or 9.9, TOP_V.get(study.pack.chemistry, float(study.curve.volt[-1])))
    amps, capacity = rate_c * study.capacity, study.capacity
    slow = float(np.median(model.parts.sum(axis=0)))
    bend, end = (float(study.curve.inverse(np.array([top - a * slow]))[0]) for a in (amps, CHARGE_END_C * capacity))
    flat_s = max(bend - CHARGE_FROM, 0.05) * capacity / amps * 3600.0
    decay_s = max(end - bend, 0.005) * capacity / amps * 3600.0
    taper_s = decay_s * np.log(amps / (CHARGE_END_C * capacity))
    rest = np.zeros(round(1800.0 / period))
    constant = np.full(round(flat_s / period), -amps)
    taper = -amps * np.exp(-np.arange(0.0, max(taper_s, period), period) / decay_s)
    return _log(model, np.concatenate([rest, constant, taper, rest]), period, CHARGE_FROM, rng)


def parked_log(model: Model, days: float = 3.0, every_s: float = 3600.0) -> Log:
    """Return parked days with one reading every hour, where the log left the pack."""
    rng = np.random.default_rng(3)
    white = replace(model, colour=1.0)
    return _log(white, np.zeros(round(days * 86400.0 / every_s) + 1), every_s, model.soc, rng)


def rest_log(model: Model, minutes: float = 10.0) -> Log:
    """Return minutes at rest."""
    rng = np.random.default_rng(4)
    return _log(model, np.zeros(round(minutes * 60.0 / model.period)), model.period, model.soc, rng)


def _log(model: Model, current: Floats, period: float, soc: float, rng: np.random.Generator) -> Log:
    source = model.study.log
    seconds: Floats = np.arange(len(current), dtype=np.float64) * period
    section = np.zeros(len(current), dtype=np.int64)
    drawn = charge_drawn(current, seconds, section)
    filtered = np.stack([current, *(low_pass(current, seconds, section, tau) for tau in model.taus)], axis=1)
    apart = rng.normal(0.0, SOC_APART, model.parts.shape[1])  # no two cells round alike
    volts = model.study.curve.voltage(soc + apart - drawn[:, None] / model.study.capacity) - filtered @ model.parts
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
        pack_voltage=None if source.pack_voltage is None else volts.sum(axis=1) - 1e-3 * current,
        extra={},
        repairs=(),
    )


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
