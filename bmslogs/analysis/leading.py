"""Which cells are first at the end of a charge or discharge, and whether they were ahead when it began."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.models.empty_or_small import ahead_at_start, least_shortfall
from bmslogs.analysis.models.lead import FLAT_MARGIN_V, TABLE_MARGIN_V, lead_bounds, middle_course, own_course
from bmslogs.analysis.rests import CHANNEL_SD_V
from bmslogs.analysis.rounding import mean_error
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study import Study
from bmslogs.base.nan_statistics import nanmean, nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SLOW_S = 1800.0
"""For so long a cell's slow polarisation remembers a current [s] (choice)."""
LEAD_MOVED = 0.02
"""Share of the capacity that must have been moved before its end tells who leads (choice)."""
REST_LEAST_S, REST_END_S = 120.0, 300.0
"""Least length of a rest that tells where a cell began, and the part of it, before its end, that is read [s]
(choice)."""
END_ROWS = 5
"""Rows at the end of a charge or discharge that are read (choice)."""


@dataclass(frozen=True)
class Leads:
    """Cells that are first at an end.

    Attributes
    ----------
    bounds
        (2, cells) by how much a cell is fuller than the middle one at least and at most, negative: emptier; nought
        where none is surely apart. A cell that is first may be fuller or emptier there, or smaller; one that is left
        behind on a flat curve is emptier at the end of a charge. Shares of charge.
    spans
        (cells,) share of the capacity that the charge or discharge moved at whose end each cell leads or lags.
    shortfall
        (2, cells) by how much a cell must be smaller, at least and at most, for what it was not yet ahead when that
        began, as fractions; nought where it need not be, or where no rest tells.
    lags
        (cells,) True where a cell was left behind on the flat when a charge ended.
    """

    bounds: Floats
    spans: Floats
    shortfall: Floats
    lags: Bools


def no_leads(cells: int) -> Leads:
    """Return that none of so many cells is apart."""
    return Leads(np.zeros((2, cells)), np.zeros(cells), np.zeros((2, cells)), np.zeros(cells, bool))


def find_leads(study: Study, shifted: Bools) -> Leads:
    """Look at the last rows of every charge and steady discharge.

    Parameters
    ----------
    study
        The log.
    shifted
        (cells,) True where a reading is not to be believed.
    """
    s = study
    cells, capacity = len(s.readings.cells), s.readings.capacity
    out = no_leads(cells)
    excess = np.zeros(cells) if s.resistance.excess is None else np.nan_to_num(s.resistance.excess[0])
    reliable = s.harness.trusted & ~shifted
    for k, part in enumerate(s.flow.stretches):
        if part.kind in ("rest", "parked") or (part.kind == "drive" and s.refresh.turns is not None):
            continue  # in turns, the last readings of a drive are of other moments
        if abs(s.flow.charge[part.last] - s.flow.charge[part.first]) < LEAD_MOVED * capacity:
            continue
        sign = 1 if part.kind == "charge" else -1
        found = _ahead_at_end(s, part, excess, reliable, sign)
        if found is None:
            continue
        moved = min(abs(float(s.flow.charge[part.last] - s.flow.charge[part.first])) / capacity, 1.0)
        lead, lag = found
        shortfall = _shortfall(s, s.flow.stretches[k - 1] if k else None, part, lead, reliable, sign, moved)
        larger = lead[0] > np.abs(out.bounds[0])
        out = Leads(
            np.where(larger, sign * lead, out.bounds),
            np.where(larger, moved, out.spans),
            np.where(larger, shortfall, out.shortfall),
            out.lags,
        )
        behind = lag[0] > np.abs(out.bounds[0])
        out = Leads(
            np.where(behind, -sign * lag, out.bounds),
            np.where(behind, moved, out.spans),
            np.where(behind, 0.0, out.shortfall),
            (out.lags & ~larger) | behind,
        )
    return out


def _ahead_at_end(
    s: Study, part: Stretch, excess: Floats, reliable: Bools, sign: int
) -> tuple[Floats, Floats] | None:
    """Return twice (2, cells): by how much each cell leads, and lags, at least and at most, nought or more.

    None without a current. That a cell lags is told at the end of a charge on a flat curve alone: there the others'
    leaving the plateau shows it, and not its own place.
    """
    resistance = s.resistance.usual * (1.0 + np.maximum(excess, 0.0))
    rows = np.arange(max(part.first, part.last - END_ROWS + 1), part.last + 1)
    with np.errstate(all="ignore"):
        volts = nanmedian(s.readings.log.cell_voltage[rows], axis=0)
        current = float(nanmedian(s.flow.current[rows]))
    if not np.isfinite(current):
        return None
    # an aged cell still answers what flowed before the current tapered off
    seconds = s.readings.seconds[: part.last + 1]
    before = s.flow.current[: part.last + 1][seconds > seconds[-1] - SLOW_S]
    past = float(nanmean(before)) / current if current else 1.0
    lasting = resistance + s.resistance.usual * np.maximum(excess, 0.0) * np.clip(past - 1.0, 0.0, 20.0)
    found = lead_bounds(volts, current, resistance, s.readings.curve, reliable, sign, lasting)
    moved = np.abs(s.flow.charge[part.rows] - s.flow.charge[part.first])
    margin = FLAT_MARGIN_V if s.readings.curve.flat else TABLE_MARGIN_V
    course = own_course(
        s.readings.log.cell_voltage[part.rows],
        np.nan_to_num(s.flow.current[part.rows]),
        moved,
        resistance,
        margin,
        reliable,
        sign,
    )
    found[0] = np.minimum(found[0], course / s.readings.capacity)
    lag = np.zeros_like(found)
    if s.readings.curve.flat and sign > 0:
        lag = lead_bounds(volts, current, resistance, s.readings.curve, reliable, -sign, lasting)
        since = middle_course(
            s.readings.log.cell_voltage[part.rows],
            np.nan_to_num(s.flow.current[part.rows]),
            moved,
            s.resistance.usual,
            margin,
            reliable,
            sign,
        )
        lag[0] = np.minimum(lag[0], since / s.readings.capacity)
    return found, lag


def _shortfall(
    s: Study, rest: Stretch | None, part: Stretch, found: Floats, reliable: Bools, sign: int, moved: float
) -> Floats:
    """Return (2, cells) by how much cells must be smaller, from the rest before; nought where there is none."""
    none = np.zeros_like(found)
    if (
        rest is None
        or rest.kind not in ("rest", "parked")
        or s.flow.section[rest.last] != s.flow.section[part.first]
    ):
        return none
    if s.readings.log.bleed is not None and s.readings.log.bleed[rest.first : part.last + 1].any():
        return none  # what was bled was moved as well
    told = fuller_at_rest(s, rest, reliable)
    if told is None:
        return none
    fuller, half = told
    span = np.full(found.shape[1], moved)
    least = least_shortfall(found[0], sign * fuller, half, span)
    most = least_shortfall(found[1], sign * fuller, -half, span)
    return np.where(reliable & np.isfinite(half), np.stack([least, np.maximum(most, least)]), 0.0)


def fuller_at_rest(s: Study, rest: Stretch, reliable: Bools) -> tuple[Floats, Floats] | None:
    """Return how much fuller each cell was than the middle one at the end of a rest, and the half width.

    (cells,) shares of charge; None of a rest too short to tell.
    """
    t = s.readings.seconds
    if t[rest.last] - t[rest.first] < REST_LEAST_S or not reliable.any():
        return None
    rows = np.arange(rest.first, rest.last + 1)
    end = rows[t[rows] >= max(t[rest.last] - REST_END_S, 0.5 * (t[rest.first] + t[rest.last]))]
    early = rows[t[rows] < t[end[0]]]
    volts = s.readings.log.cell_voltage
    if not len(early):
        return None
    with np.errstate(all="ignore"):
        level, before = nanmean(volts[end], axis=0), nanmean(volts[early], axis=0)
    # what a cell still settles otherwise than the others it has settled before
    settles = (level - before) - float(nanmedian((level - before)[reliable]))
    sd = np.sqrt(mean_error(volts[end], s.readings.log.voltage_step) ** 2 + CHANNEL_SD_V**2 + settles**2)
    return ahead_at_start(level, sd, s.readings.curve, reliable, 1)
