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
from bmslogs.importers.text.words import Header, numbered_mean, plain

FILL_DEGREES = (
    *(-40.0, 215.0, 127.0, 255.0, -1.0, 65535.0, 32767.0, 0.0, -273.15, 85.0, 4095.0),
    *(-127.0, -128.0, -55.0, 150.0, 999.0, 999.9, -999.0, 9999.0, -32768.0, 6553.5, 3276.7),
)
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


@dataclass(frozen=True)
class Temperatures:
    """The sensors' columns; those in which nothing stands, with the unit they would have; what was decided."""

    found: tuple[Found, ...] = ()
    silent: tuple[tuple[int, Unit], ...] = ()
    notes: tuple[str, ...] = ()


def temperature_unit(columns: Sequence[SampledColumn], stated: Unit | None) -> tuple[Unit | None, str]:
    """Return the unit of temperature columns, None where two are possible or none is."""
    read = [c.values[np.isfinite(c.values)] for c in columns]
    read = [v[~np.isin(v, FILL_DEGREES)] for v in read]
    # a sensor that stands still beside others that move may stand at an end of its scale
    moving = [v for v in read if len(v) and np.ptp(v) > 0]
    values = np.concatenate(moving or read) if read else np.array([])
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
) -> Temperatures:
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
            c.index
            for c in sample.columns
            if c.index in free and pattern.fullmatch(c.name.strip()) is not None
        ]
        if not chosen:
            raise BadInput(f"no header fits {profile.pattern!r}", "temperature columns", file=file)
    else:
        chosen = [i for i in sorted(free) if _is_temperature(headers[i], sample.columns[i])]
    if not chosen:
        return Temperatures()
    units = _units(sample, headers, chosen, profile, file)
    twins = _twins(sample, headers, units)
    notes = [
        f"{sample.columns[i].name!r} is {sample.columns[kept].name!r} in another unit; the latter is taken"
        for i, kept in twins.items()
    ]
    chosen = [i for i in chosen if i not in twins]
    silent = _silent(sample, chosen, pack)
    if silent:
        names = ", ".join(repr(sample.columns[i].name) for i in silent)
        notes.append(
            f"temperature columns without a reading are left out, as sensors that are not fitted: {names}"
        )
    chosen = [i for i in chosen if i not in silent]
    found = [
        Found(i, number, units[i][0], f"by its header; {units[i][1]}")
        for i, number in zip(chosen, _numbers([headers[i] for i in chosen], pack))
    ]
    return Temperatures(tuple(found), tuple((i, units[i][0]) for i in silent), tuple(notes))


def _units(
    sample: Sample, headers: list[Header], chosen: list[int], profile: Temperature, file: Path
) -> dict[int, tuple[Unit, str]]:
    """Return the unit of each column and why: columns that say different units are judged apart."""
    stated = named("temperature", profile.unit) if profile.unit else None
    if stated is not None:
        return dict.fromkeys(chosen, (stated, "unit by the profile"))
    groups: dict[Unit | None, list[int]] = {}
    for i in chosen:
        style = sample.columns[i].style
        groups.setdefault(headers[i].unit or (style.unit if style is not None else None), []).append(i)
    out: dict[int, tuple[Unit, str]] = {}
    for said, members in groups.items():
        columns = [sample.columns[i] for i in members]
        unit, why = temperature_unit(columns, said)
        if unit is None:
            raise Ambiguous(
                f"temperatures may be in {why}",
                'a profile with [temperature] unit = "degC" (or degF, K, 0.1K)',
                file=file,
                column=columns[0].name,
            )
        out |= dict.fromkeys(members, (unit, why))
    return out


def _twins(sample: Sample, headers: list[Header], units: dict[int, tuple[Unit, str]]) -> dict[int, int]:
    """Return the columns that give a sensor again in another unit, and the column that is kept.

    The same words and number, and readings that agree to their own steps: degC is kept unless it is far coarser.
    """
    out: dict[int, int] = {}
    for i in units:
        for j in units:
            if j <= i or i in out or j in out or headers[i].tokens != headers[j].tokens:
                continue
            if units[i][0] == units[j][0] or not _agree(sample, i, j, units):
                continue
            kept = min(
                (i, j), key=lambda k: _step(sample, k, units) * (1.0 if units[k][0].name == "degC" else 2.5)
            )
            out[j if kept == i else i] = kept
    return out


def _step(sample: Sample, index: int, units: dict[int, tuple[Unit, str]]) -> float:
    return float(units[index][0].scale * 10.0 ** -sample.columns[index].decimals)


def _agree(sample: Sample, i: int, j: int, units: dict[int, tuple[Unit, str]]) -> bool:
    """Whether two columns say the same temperature; two that never read do."""
    a, b = (sample.columns[k].values * units[k][0].scale + units[k][0].offset for k in (i, j))
    both = np.isfinite(a) & np.isfinite(b)
    if not both.any():
        return not np.isfinite(a).any() and not np.isfinite(b).any()
    off = np.abs(a[both] - b[both])
    return bool(np.mean(off <= _step(sample, i, units) + _step(sample, j, units)) > 0.95)


def _silent(sample: Sample, chosen: list[int], pack: Pack | None) -> list[int]:
    """Return the columns in which no reading ever stands, unless the pack file has a sensor for each column."""
    if pack is not None and len(pack.temperature_sensors) == len(chosen):
        return []
    return [i for i in chosen if not sample.columns[i].filled]


def _is_temperature(head: Header, column: SampledColumn) -> bool:
    others = head.means & {"ambient", "other", "summary", "fault", "contactor", "bleed", "soc"}
    if (column.style is None and column.filled) or (
        others and not (others == {"summary"} and numbered_mean(head))
    ):
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
