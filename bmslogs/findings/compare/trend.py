"""Slow change over months: of a pack's median resistance, and of single cells against it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

from bmslogs.analysis.reference import arrhenius_factor
from bmslogs.analysis.statistics import benjamini_hochberg
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.measured import Measured, measured
from bmslogs.findings.compare.shape import Trend

Floats = npt.NDArray[np.float64]

LEAST_DATES = 4
LEAST_DAYS = 85.0  # three months, some days short (judgement)
YEAR_DAYS = 365.25
LEAST_PER_YEAR = 0.03  # of a cell against the pack's median, to be worth a line (judgement)


def trends(
    diagnoses_by_pack: Mapping[str, Sequence[Diagnosis]], packs: Mapping[str, Pack]
) -> tuple[Trend, ...]:
    """Return the trends of each pack with logs of four dates over three months.

    The pack's median of resistance and of capacity is given whatever it says; a cell only where it moves against
    the median beyond chance (false discovery rate 5 % over the pack's cells) and by more than 3 % a year. Readings
    from before work on a cell are left out.
    """
    out: list[Trend] = []
    for name, logs in diagnoses_by_pack.items():
        for quantity in ("resistance_10s", "capacity"):
            m = measured(quantity, logs, packs[name])
            out += _of_median(name, _at_one_temperature(m))
        for quantity in ("resistance_10s_relative", "capacity_relative"):
            out += _of_cells(name, measured(quantity, logs, packs[name]))
    return tuple(out)


def slope_per_year(days: Floats, value: Floats, half_width: Floats) -> tuple[float, float, float] | None:
    """Return slope per year, half width of its 95 % interval and p-value of ln(value) over time.

    Weighted by the logs' own intervals; the interval from the logs' scatter about the line (Student's t), never
    smaller than the logs' own intervals make it. None with fewer than four dates or less than three months.
    """
    good = np.isfinite(value) & np.isfinite(half_width) & (value > 0) & (half_width > 0)
    days, value, half_width = days[good], value[good], half_width[good]
    if len(np.unique(np.floor(days))) < LEAST_DATES or np.ptp(days) < LEAST_DAYS:
        return None
    x, y = days / YEAR_DAYS, np.log(value)
    w = (1.96 * value / half_width) ** 2
    middle = (w * x).sum() / w.sum()
    sxx = float((w * (x - middle) ** 2).sum())
    slope = float((w * (x - middle) * y).sum()) / sxx
    residual = y - (w * y).sum() / w.sum() - slope * (x - middle)
    freedom = len(x) - 2
    chi2 = max(float((w * residual**2).sum()) / freedom, 1.0)
    se = float(np.sqrt(chi2 / sxx))
    return slope, float(stats.t.ppf(0.975, freedom)) * se, float(2 * stats.t.sf(abs(slope) / se, freedom))


def _at_one_temperature(m: Measured) -> Measured:
    """Return resistances moved to the logs' middle temperature with the usual activation energy."""
    t = np.where(np.isfinite(m.temperature), m.temperature, np.nan)
    if m.quantity != "resistance_10s" or not np.isfinite(t).any():
        return m
    middle = float(np.nanmedian(t))
    factor = arrhenius_factor(t, middle)
    spread = np.abs(np.log(factor)) * (0.08 / 0.30) * 1.96  # what is not known of the activation energy
    value = m.value / factor
    half = np.hypot(m.half_width / factor, value * spread)
    return Measured(
        m.quantity, m.pack, value, half, m.temperature, m.soc_low, m.soc_high, m.current_rms, m.columns, m.start,
        m.why, m.settle_by,
    )  # fmt: skip


def _days(start: Sequence[dt.datetime]) -> Floats:
    return np.array([(s - start[0]).total_seconds() / 86400.0 for s in start])


def _of_median(name: str, m: Measured) -> list[Trend]:
    if not m.columns or not m.telling.any():
        return []
    m = m.rows(m.telling)
    found = slope_per_year(_days(m.start), np.nanmedian(m.value, axis=1), np.nanmedian(m.half_width, axis=1))
    return [] if found is None else [_trend(name, m, None, found)]


def _of_cells(name: str, m: Measured) -> list[Trend]:
    if not m.columns or not m.start:
        return []
    days = _days(m.start)
    found = [slope_per_year(days, m.value[:, i], m.half_width[:, i]) for i in range(len(m.columns))]
    sure = benjamini_hochberg([f[2] if f else np.nan for f in found])
    return [
        _trend(name, m, cell, f)
        for cell, f, s in zip(m.columns, found, sure)
        if f is not None and s and abs(f[0]) >= LEAST_PER_YEAR and isinstance(cell, int)
    ]


def _trend(name: str, m: Measured, cell: int | None, found: tuple[float, float, float]) -> Trend:
    value = m.value if cell is None else m.value[:, [m.columns.index(cell)]]
    telling = np.atleast_1d(np.isfinite(value).any(axis=1))
    dates = [s.date().isoformat() for s, t in zip(m.start, telling) if t]
    slope, half, _ = found
    return Trend(
        name, m.quantity, cell, float(np.expm1(slope)), float(np.expm1(slope - half)), float(np.expm1(slope + half)),
        len(dates), dates[0], dates[-1],
    )  # fmt: skip
