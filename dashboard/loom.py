"""The sense-loom check on a log: its first rows at rest, against a meter reading that was typed in."""

from __future__ import annotations

import numpy as np

from bmslogs.analysis.loom import LoomReadings, LoomReport, check_loom
from bmslogs.base.nan_statistics import nanmedian
from bmslogs.log import Log

FIRST_ROWS = 60  # rows at the start of the log that are taken as one reading (choice)


def readings(log: Log, meter_V: float | None, ambient_C: float | None) -> LoomReadings:
    """Return the start of a log as one set of readings: medians, so that a single bad row does not speak.

    Parameters
    ----------
    meter_V, ambient_C
        Pack voltage on a hand meter [V] and air temperature [degC], as typed in; None where not measured.
    """
    first = slice(0, FIRST_ROWS)
    volts = np.full(log.pack.cells_in_series, np.nan)
    for column, cell in enumerate(log.cells):
        volts[cell - 1] = nanmedian(log.cell_voltage[first, column])
    warm = nanmedian(log.temperature[first], axis=0) if log.temperature.shape[1] else None
    current = None if log.current is None else float(nanmedian(log.current[first]))
    bleed = None
    if log.bleed is not None:
        bleed = np.zeros(len(volts), bool)
        bleed[[c - 1 for c in log.cells]] = log.bleed[first].any(axis=0)
    return LoomReadings(
        volts,
        meter_total=meter_V,
        temperature=warm,
        ambient=ambient_C,
        bleed=bleed,
        current=None if current is None or np.isnan(current) else current,
    )


def check(log: Log, meter_V: float | None, ambient_C: float | None) -> LoomReport:
    """Check the loom by the start of a log."""
    return check_loom(readings(log, meter_V, ambient_C), log.pack)
