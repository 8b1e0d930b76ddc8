"""One reference for all packs: temperature, state-of-charge band and load that their logs share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.place import GAIN_SD
from bmslogs.analysis.reference import BOLTZMANN_EV, KELVIN, MOST_EXTRAPOLATION_K, reduce_to_temperature
from bmslogs.analysis.statistics import weighted_combine
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.marks import EXACT, HIDDEN, OMITTED
from bmslogs.base.published import Published
from bmslogs.findings.compare.measured import Measured

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FARTHEST_K = 5.0  # [K] from a pack's logs to the reference; two packs lie within 10 K (judgement)
LEAST_SOC_OVERLAP = 0.10  # of state of charge that the packs' logs share (judgement)
MOST_LOAD_RATIO = 2.0  # between the packs' rms currents per capacity (judgement)
LOAD_SLOPE = 0.2  # d ln R / d ln I: 1.74, 1.55, 1.33 mohm at 0.5, 1, 2 C in a first-principles cell model
PREFERRED_C = 20.0  # [degC] taken where the logs allow it (judgement)


@dataclass(frozen=True)
class Reference(Published):
    """What all packs are reduced to, which packs can be, and why the others cannot.

    Attributes
    ----------
    temperature_C, soc_low, soc_high, current_rms_C
        NaN where the quantity has no such condition.
    usable
        (packs,) which take part.
    why_not
        One sentence a pack, None where it takes part.
    """

    temperature_C: Annotated[float, EXACT, OMITTED]
    soc_low: Annotated[float, EXACT, OMITTED]
    soc_high: Annotated[float, EXACT, OMITTED]
    current_rms_C: Annotated[float, EXACT, OMITTED]
    usable: Annotated[tuple[bool, ...], HIDDEN]
    why_not: Annotated[tuple[str | None, ...], HIDDEN]


@dataclass(frozen=True)
class Reduced:
    """One pack's values at the reference: median and columns with half widths, and the median of each log."""

    median: float
    half_width: float
    value: Floats
    value_half_width: Floats
    by_log: Floats
    systematic: float


def find_reference(packs: Sequence[Measured]) -> Reference:
    """Choose temperature, state-of-charge band and load inside the packs' logs.

    Parameters
    ----------
    packs
        One quantity of each pack; those without any telling log are left out with their own reason.
    """
    why: list[str | None] = [None if m.telling.any() else _nothing(m) for m in packs]
    temperature = _temperature(packs, why)
    low, high = _band(packs, why)
    load = _load(packs, why)
    return Reference(temperature, low, high, load, tuple(w is None for w in why), tuple(why))


def reduced(m: Measured, reference: Reference) -> Reduced:
    """Return one pack's values at the reference.

    The systematic part (gain error of the current sensor, load unlike the others') is the same in all logs of a
    pack and is not averaged away: it is added in squares after the logs are combined.

    Raises
    ------
    NotEnoughData
        None of the pack's logs lies where the reference is.
    """
    keep = m.telling & _in_band(m, reference)
    if np.isfinite(reference.temperature_C) and m.quantity == "resistance_10s":
        keep &= np.isfinite(m.temperature).any(axis=1)
    m = m.rows(keep)
    if not m.start:
        raise NotEnoughData(
            "none of its logs with a temperature lies in the band; a drive there would settle it"
        )
    by_log = np.nanmedian(m.value, axis=1)
    log_half = np.nanmedian(m.half_width, axis=1)
    if m.quantity == "resistance_10s" and np.isfinite(reference.temperature_C):
        t = np.nanmedian(m.temperature, axis=1)
        at = reduce_to_temperature(t, by_log, log_half, reference.temperature_C)
        median, half, activation = at.value, at.half_width, at.activation
        columns = [
            _one_column(m.temperature[:, i], m.value[:, i], m.half_width[:, i], reference.temperature_C)
            for i in range(len(m.columns))
        ]
        value, value_half = np.array(columns).T
        by_log = by_log * np.exp(-activation * _inverse(t, reference.temperature_C))
    else:
        whole = weighted_combine(by_log, log_half)
        median, half = float(whole.value), float(whole.half_width)
        cells = weighted_combine(m.value, m.half_width)
        value, value_half = cells.value, cells.half_width
    systematic = _systematic(m, reference)
    return Reduced(
        median, float(np.hypot(half, systematic * abs(median))), value,
        np.hypot(value_half, systematic * np.abs(value)), by_log, systematic,
    )  # fmt: skip


def _systematic(m: Measured, reference: Reference) -> float:
    """Return the half width (fraction) of what all logs of the pack have in common."""
    if m.quantity not in ("resistance_10s", "capacity", "usable_charge", "charge_to_full", "heating"):
        return 0.0
    accuracy = m.pack.current_accuracy
    gain = 1.96 * (GAIN_SD if accuracy is None else accuracy)
    if m.quantity != "resistance_10s" or not np.isfinite(reference.current_rms_C):
        return gain
    rate = _rate(m)
    return (
        float(np.hypot(gain, LOAD_SLOPE * abs(np.log(rate / reference.current_rms_C)))) if rate > 0 else gain
    )


def _nothing(m: Measured) -> str:
    return f"{m.pack.id}: {m.refusal}"


def _temperature(packs: Sequence[Measured], why: list[str | None]) -> float:
    """Return the temperature that most packs reach within 5 K, and note the reason of those that do not."""
    for i, m in enumerate(packs):
        if why[i] is None and m.quantity == "resistance_10s" and not np.isfinite(_span(m)[0]):
            why[i] = (
                f"{m.pack.id}: its logs hold no temperature; a drive logged with its sensors would settle it"
            )
    spans = [_span(m) if w is None else (np.nan, np.nan) for m, w in zip(packs, why)]
    known = [s for s in spans if np.isfinite(s[0])]
    if not known or all(m.quantity not in ("resistance_10s", "capacity") for m in packs):
        return float("nan")

    def away(t: float, span: tuple[float, float]) -> float:
        return max(span[0] - t, t - span[1], 0.0)

    candidates = np.arange(-30.0, 61.0)
    best = min(
        candidates,
        key=lambda t: (
            -sum(away(t, s) <= FARTHEST_K for s in known),
            max((away(t, s) for s in known if away(t, s) <= FARTHEST_K), default=0.0),
            abs(t - PREFERRED_C),
        ),
    )
    for i, span in enumerate(spans):
        if why[i] is None and np.isfinite(span[0]) and away(best, span) > FARTHEST_K:
            why[i] = (
                f"{packs[i].pack.id}: its logs lie at {span[0]:.0f} to {span[1]:.0f} degC, the others' near "
                f"{best:.0f} degC; a log of it within {FARTHEST_K:.0f} K of {best:.0f} degC would settle it"
            )
    return float(best)


def _band(packs: Sequence[Measured], why: list[str | None]) -> tuple[float, float]:
    """Return the band of state of charge that the packs' logs share; the one that does not fit is named."""
    nan = float("nan")
    if all(m.quantity != "resistance_10s" for m in packs):
        return nan, nan
    bands = {
        i: (float(np.nanmin(m.soc_low)), float(np.nanmax(m.soc_high)))
        for i, m in enumerate(packs)
        if why[i] is None and np.isfinite(m.soc_low).any() and np.isfinite(m.soc_high).any()
    }
    if not bands:
        return nan, nan
    while True:
        low, high = max(b[0] for b in bands.values()), min(b[1] for b in bands.values())
        if high - low >= LEAST_SOC_OVERLAP or len(bands) == 1:
            return low, high
        centre = float(np.median([sum(b) / 2 for b in bands.values()]))
        worst = max(bands, key=lambda i: abs(sum(bands[i]) / 2 - centre))
        own = bands.pop(worst)
        rest = (max(b[0] for b in bands.values()), min(b[1] for b in bands.values()))
        why[worst] = (
            f"{packs[worst].pack.id}: its logs lie at {100 * own[0]:.0f} to {100 * own[1]:.0f} % charge, the "
            f"others' at {100 * rest[0]:.0f} to {100 * rest[1]:.0f} %; a log of it there would settle it"
        )


def _load(packs: Sequence[Measured], why: list[str | None]) -> float:
    if all(m.quantity != "resistance_10s" for m in packs):
        return float("nan")
    rates = {i: _rate(m) for i, m in enumerate(packs) if why[i] is None and np.isfinite(_rate(m))}
    if not rates:
        return float("nan")
    middle = float(np.exp(np.median(np.log(list(rates.values())))))
    for i, rate in rates.items():
        if max(rate / middle, middle / rate) > MOST_LOAD_RATIO ** (0.5 if len(rates) == 2 else 1.0):
            why[i] = (
                f"{packs[i].pack.id}: driven at {rate:.2g} C rms, the others near {middle:.2g} C, and resistance "
                "falls with the load; a drive of like load would settle it"
            )
    return middle


def _span(m: Measured) -> tuple[float, float]:
    t = m.temperature[m.telling]
    return (float(np.nanmin(t)), float(np.nanmax(t))) if np.isfinite(t).any() else (np.nan, np.nan)


def _rate(m: Measured) -> float:
    known = m.current_rms[np.isfinite(m.current_rms) & (m.current_rms > 0) & m.telling]
    rate = float(np.median(known)) / m.pack.nominal_capacity_Ah if known.size else 0.0
    return rate if rate > 0.0 else float("nan")


def _in_band(m: Measured, reference: Reference) -> Bools:
    if not np.isfinite(reference.soc_low):
        return np.ones(len(m.start), dtype=bool)
    shared = np.minimum(m.soc_high, reference.soc_high) - np.maximum(m.soc_low, reference.soc_low)
    return np.asarray(np.isnan(shared) | (shared > 0.0))


def _inverse(t: Floats, reference_C: float) -> Floats:
    return np.asarray((1.0 / (t + KELVIN) - 1.0 / (reference_C + KELVIN)) / BOLTZMANN_EV)


def _one_column(t: Floats, r: Floats, h: Floats, reference_C: float) -> tuple[float, float]:
    good = np.isfinite(t) & np.isfinite(r) & np.isfinite(h) & (r > 0)
    if not good.any():
        return float("nan"), float("nan")
    t, r, h = t[good], r[good], h[good]
    if not t.min() - MOST_EXTRAPOLATION_K <= reference_C <= t.max() + MOST_EXTRAPOLATION_K:
        return float("nan"), float("nan")
    at = reduce_to_temperature(t, r, h, reference_C)
    return at.value, at.half_width
