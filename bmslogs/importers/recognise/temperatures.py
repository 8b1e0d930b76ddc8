"""Which columns are the pack's temperature sensors, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.profile import Temperature
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.units import Unit, named
from bmslogs.importers.text.words import Header, plain

FILL_DEGREES = (-40.0, 215.0, 127.0, 255.0, -1.0, 65535.0, 32767.0, 0.0, -273.15, 85.0, 4095.0)
"""Values that sensors and loggers give for nothing; judged by their neighbours in time."""
WARMEST_C, COLDEST_C = 60.0, -30.0
"""Choice [degC]: the middle of a log outside is taken for another unit."""
HOTTEST_C = 110.0
"""Choice [degC]: a pack on fire's way may read so; up to here degF is not taken without being told."""


@dataclass(frozen=True)
class Found:
    """One sensor's column."""

    index: int
    number: int
    unit: Unit
    why: str


def temperature_unit(columns: Sequence[SampledColumn], stated: Unit | None) -> tuple[Unit | None, str]:
    """Return the unit of temperature columns, None where two are possible or none is."""
    values = np.concatenate([c.values[np.isfinite(c.values)] for c in columns]) if columns else np.array([])
    values = values[~np.isin(values, FILL_DEGREES)]
    celsius = named("temperature", "degC")
    assert celsius is not None
    if not len(values):
        return (
            stated if stated is not None and stated.kind == "temperature" else celsius,
            "no readings to judge",
        )
    middle, low, high = (float(x) for x in np.percentile(values, [50, 1, 99]))
    if stated is not None and stated.kind == "temperature":
        there = middle * stated.scale + stated.offset
        if -60 <= there <= 150:
            return stated, f"unit {stated.name} by the header"
        stated = None
    broken = max(c.decimals for c in columns) > 0
    fitting = []
    for name in ("degC", "K", "0.1K", "0.1degC", "degF"):
        unit = named("temperature", name)
        assert unit is not None
        ends = [x * unit.scale + unit.offset for x in (middle, low, high)]
        if name.startswith("0.1") and broken:
            continue
        if name == "degF" and middle < WARMEST_C:
            continue
        if COLDEST_C <= ends[0] <= WARMEST_C and ends[1] > -45 and ends[2] < 100:
            fitting.append(unit)
    if WARMEST_C < middle <= HOTTEST_C:
        fitting = [celsius, named("temperature", "degF") or celsius]
    if len(fitting) == 1:
        return fitting[0], f"unit {fitting[0].name} by the values (middle {middle:g})"
    return None, " or ".join(
        u.name for u in fitting
    ) or f"middle {middle:g} is no temperature of a pack in any unit"


def find_temperatures(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    profile: Temperature | None,
    pack: Pack | None,
    file: Path,
) -> list[Found]:
    """Find the sensors' columns.

    Raises
    ------
    Ambiguous
        The unit may be one of two.
    """
    profile = profile or Temperature()
    if profile.pattern is not None:
        pattern = re.compile(profile.pattern)
        chosen = [
            (c.index, int(m.group("sensor")) if m.group("sensor").isdigit() else None)
            for c in sample.columns
            if c.index in free and (m := pattern.fullmatch(c.name.strip()))
        ]
        if not chosen:
            raise BadInput(f"no header fits {profile.pattern!r}", "temperature columns", file=file)
    else:
        chosen = [(i, None) for i in sorted(free) if _is_temperature(headers[i], sample.columns[i])]
    if not chosen:
        return []
    columns = [sample.columns[i] for i, _ in chosen]
    stated = named("temperature", profile.unit) if profile.unit else None
    unit: Unit | None
    if stated is not None:
        unit, why = stated, "unit by the profile"
    else:
        units = {headers[i].unit for i, _ in chosen if headers[i].unit is not None} | {
            c.style.unit for c in columns if c.style is not None and c.style.unit is not None
        }
        unit, why = temperature_unit(columns, next(iter(units)) if len(units) == 1 else None)
    if unit is None:
        raise Ambiguous(
            f"temperatures may be in {why}",
            'a profile with [temperature] unit = "degC" (or degF, K, 0.1K)',
            file=file,
            column=columns[0].name,
        )
    return [
        Found(i, number, unit, f"by its header; {why}")
        for (i, _), number in zip(chosen, _numbers([headers[i] for i, _ in chosen], pack))
    ]


def _is_temperature(head: Header, column: SampledColumn) -> bool:
    if (column.style is None and column.filled) or head.means & {
        "ambient",
        "other",
        "summary",
        "fault",
        "contactor",
        "bleed",
        "soc",
    }:
        return False
    if head.unit is not None and head.unit.kind != "temperature":
        return False
    return "temperature" in head.means or head.unit is not None


def _numbers(headers: list[Header], pack: Pack | None) -> list[int]:
    """Return the sensor numbers: by the pack file's names, else rising in the order of the headers' numbers."""
    if pack is not None and pack.temperature_sensors:
        names = [plain(re.sub(r"\W", "", s.name)) for s in pack.temperature_sensors]
        found = []
        for head in headers:
            joined = "".join(head.tokens)
            hits = [k for k, n in enumerate(names, 1) if n == joined or (len(n) > 3 and n in joined)]
            found.append(hits[0] if len(hits) == 1 else 0)
        if all(found) and len(set(found)) == len(found):
            return found
    order = sorted(range(len(headers)), key=lambda k: (headers[k].numbers or (10**6,), k))
    templates = {tuple("#" if t.isdigit() else t for t in h.tokens) for h in headers}
    if len(templates) > 1:
        order = list(range(len(headers)))
    rank = {k: place for place, k in enumerate(order, 1)}
    return [rank[k] for k in range(len(headers))]
