"""Causes that the readings show by themselves, and the rows in which they do."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.base.results import Finding
from bmslogs.findings.evidence.charged_outside import ChargedOutside, charged_outside, charging_bounds
from bmslogs.findings.evidence.past_limit import PastLimit, current_past, temperature_past, voltage_past
from bmslogs.findings.evidence.source import calmly

Bools = npt.NDArray[np.bool_]


def limits_of(finding: Finding, k: Knowledge) -> list[PastLimit]:
    """Return the readings that a finding of a passed limit is of, against each bound that the pack file has for them.

    Cells by voltage, a sensor by temperature, the pack by current where the size is one, else the sensor that is
    furthest beyond.
    """
    s, limits = k.study, k.study.readings.pack.limits
    if finding.unit == "A":
        of = ((limits.discharge_current_max_A, 1.0), (limits.charge_current_max_A, -1.0))
        known = s.flow.has_current
        return [current_past(s, bound, sign) for bound, sign in of if bound is not None and known]
    if finding.sensor is None and finding.cells:
        columns = np.array(_columns(finding, k), np.int64)
        ends = ((limits.voltage_max_V, 1.0), (limits.voltage_min_V, -1.0))
        return [
            voltage_past(s, columns, bound, sign)
            for bound, sign in ends
            if bound is not None and len(columns)
        ]
    ends = ((limits.temperature_max_C, 1.0), (limits.temperature_min_C, -1.0))
    return [
        _furthest([temperature_past(s, column, bound, sign) for column in _sensors(finding, k)])
        for bound, sign in ends
        if bound is not None and _sensors(finding, k)
    ]


def _columns(finding: Finding, k: Knowledge) -> list[int]:
    """Return the columns of the cells that a finding names."""
    cells = k.study.readings.cells
    return [cells.index(c) for c in finding.cells if c in cells]


def _sensors(finding: Finding, k: Knowledge) -> list[int]:
    """Return the columns of the finding's sensor; of all that are believed where it names none."""
    readings = k.study.readings
    names = [readings.pack.sensor_name(i + 1) for i in range(readings.log.temperature.shape[1])]
    if finding.sensor in names:
        return [names.index(finding.sensor)]
    return [int(i) for i in np.flatnonzero(k.study.temperatures.trusted)]


def _furthest(found: list[PastLimit]) -> PastLimit:
    return max(found, key=lambda p: float(np.nanmax(p.over)) if np.isfinite(p.over).any() else -np.inf)


def outside_of(finding: Finding, k: Knowledge) -> ChargedOutside | None:
    """Return the charge outside the charging temperatures that a finding is of."""
    sign = -1.0 if finding.cause == "cold_charge" else 1.0
    return next(
        (charged_outside(k.study, b, way) for b, way in charging_bounds(k.study) if way == sign), None
    )


def charged_beyond(finding: Finding) -> bool:
    """Whether a finding is of charge outside the charging temperatures."""
    return finding.cause == "cold_charge" or (finding.cause == "limit_exceeded" and finding.unit == "Ah")


def _limit(finding: Finding, k: Knowledge) -> Bools | None:
    if charged_beyond(finding):
        found = outside_of(finding, k)
        return None if found is None else found.rows
    past = [p.beyond.any(axis=1) for p in limits_of(finding, k)]
    return np.asarray(np.logical_or.reduce(past), bool) if past else None


def bled_rows(finding: Finding, k: Knowledge) -> Bools | None:
    """Return (rows,) True where a named cell was bled by command; None where the log does not say."""
    flags, columns = k.study.readings.log.bleed, _columns(finding, k)
    return None if flags is None or not columns else np.asarray(flags[:, columns].any(axis=1), bool)


SHOWN: dict[str, Callable[[Finding, Knowledge], Bools | None]] = {
    "limit_exceeded": _limit,
    "cold_charge": _limit,
    "tap_resistive": bled_rows,
    "bleed_ineffective": bled_rows,
    "bleed_misplaced": bled_rows,
}
"""Causes, and the rows of the log in which the readings themselves show them."""


@calmly
def shown_rows(finding: Finding, k: Knowledge) -> Bools | None:
    """Return (rows,) True where the readings themselves show a finding; None where no reading does."""
    return SHOWN[finding.cause](finding, k) if finding.cause in SHOWN else None
