"""All logs of a pack weighed together: what is known of it now, and which findings still stand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.special import stdtrit

from bmslogs.analysis.errors_in_variables import york_line
from bmslogs.analysis.reference import reduce_to_temperature
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.analysis.statistics import weighted_combine
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Pack
from bmslogs.base.results import LEVELS, Diagnosis, Estimate, Finding, Kind, LogTold, by_urgency
from bmslogs.findings.case import percent
from bmslogs.findings.compare.measured import cells_of

TOLD_BY = {
    "cell_resistance_high": "resistance_10s_relative",
    "joint_resistance_high": "resistance_10s_relative",
    "cell_or_joint_resistance_high": "resistance_10s_relative",
    "capacity_low": "capacity_relative",
    "soc_offset_low": "soc_offset",
    "soc_offset_high": "soc_offset",
    "self_discharge_high": "leak_current_relative",
    "channel_offset": "capacity_relative",
    "temperature_sensor_fault": "heating",
    "runs_hot": "heating",
    "current_sensor_zero": "current_zero",
}
"""The quantity that a log must know before its silence speaks against a finding."""
BY_BLEEDING, BLED_SHARE = ("tap_resistive", "bleed_ineffective", "bleed_misplaced"), 0.5
"""What only bleeding shows: a log in which less than this share of it was bled tells nothing of it (choice)."""
ALWAYS = ("limit_exceeded", "cold_charge")
"""What happened once stays in the record."""
RESISTANCES = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")
OFFSETS = ("soc_offset_low", "soc_offset_high")
INTERMITTENT = ("joint_loose",)
"""What comes and goes: only dated work ends it, not the silence of a later log."""
MENDED_BY = {
    "joint remade": (*RESISTANCES, *INTERMITTENT),
    "module swapped": None,
    "sense wire moved": ("tap_open", "tap_resistive", "taps_swapped", "channel_stuck"),
    "bench charged": OFFSETS,
}
SEPARATED_BY_K = 10.0

Key = tuple[str, int | None, str | None]


def diagnose_pack(diagnoses: Iterable[Diagnosis], pack: Pack | None = None) -> Diagnosis:
    """Weigh all logs of one pack.

    Parameters
    ----------
    diagnoses
        One per log, of one pack.
    pack
        Its pack file: dated events end what earlier logs say of the places that were worked on.

    Raises
    ------
    NotEnoughData
        No log at all.
    """
    logs = sorted(diagnoses, key=lambda d: str(d.log["start"]))
    if not logs:
        raise NotEnoughData("no log of this pack")
    estimates = _combined(logs, pack)
    order: tuple[Kind, ...] = ("drive", "rest", "charge", "parked")
    kinds = [k for k in order if any(k in d.log["kinds"] for d in logs)]
    return Diagnosis(
        log={
            "id": f"{len(logs)} logs",
            "start": logs[0].log["start"],
            "end": max(str(d.log["end"]) for d in logs),
            "rows": sum(int(d.log["rows"]) for d in logs),
            "kinds": kinds,
        },
        pack=logs[-1].pack,
        estimates=tuple(estimates),
        findings=tuple(by_urgency(_as_the_table(f, estimates, logs) for f in _standing(logs, pack))),
        repairs=tuple(dict.fromkeys(r for d in logs for r in d.repairs)),
        cautions=CAUTIONS,
        logs=tuple(_without_settings(d.log) for d in logs),
        method=logs[-1].method,
    )


def _without_settings(log: LogTold) -> LogTold:
    out = log.copy()
    out.pop("settings", None)
    return out


def _key(e: Estimate) -> Key:
    return e.quantity, e.cell, e.sensor


def _combined(logs: Sequence[Diagnosis], pack: Pack | None) -> list[Estimate]:
    found: dict[Key, list[tuple[Diagnosis, Estimate]]] = defaultdict(list)
    for d in logs:
        for e in d.estimates:
            found[_key(e)].append((d, e))
    reference = _reference_temperature(found)
    order = {q: i for i, q in enumerate(QUANTITIES)}
    keys = sorted(found, key=lambda k: (order.get(k[0], 99), k[1] or 0, k[2] or ""))
    out = []
    for key in keys:
        counting = [pair for pair in found[key] if _counts(pair, pack)]
        one = _one(counting or found[key], reference)
        before = [d for d, e in found[key] if e.status != "not_determinable" and (d, e) not in counting]
        if one.status == "not_determinable" and counting and before:
            why = f"the logs that tell it, last {before[-1].log['id']}, are from before work on this place"
            one = replace(one, why=why)
        out.append(one)
    return out


def _counts(pair: tuple[Diagnosis, Estimate], pack: Pack | None) -> bool:
    """Whether an estimate is of the pack as it now is: no later work on that place."""
    d, e = pair
    cells = _cells_of_estimate(e, pack)
    if pack is None or not cells:
        return True
    return not any(
        str(event.date) > str(d.log["start"])[:10]
        and cells & set(cells_of(event, pack))
        and (
            event.kind == "module swapped"
            or (event.kind == "joint remade" and e.quantity.startswith("resistance"))
            or (event.kind == "bench charged" and e.quantity == "soc_offset")
        )
        for event in pack.events
    )


def _cells_of_estimate(e: Estimate, pack: Pack | None) -> set[int]:
    """Return the cells that an estimate is of: its own, or those its sensor sits at."""
    if e.cell is not None:
        return {e.cell}
    sensors = () if pack is None or e.sensor is None else pack.temperature_sensors
    return {c for s in sensors if s.name == e.sensor for c in s.cells}


def _reference_temperature(found: dict[Key, list[tuple[Diagnosis, Estimate]]]) -> float | None:
    """Return the middle of the temperatures at which resistances are known."""
    warm = [
        e.conditions.get("temperature_C")
        for key, pairs in found.items()
        if key[0] == "resistance_10s"
        for _, e in pairs
        if e.status == "determined" and e.conditions.get("temperature_C") is not None
    ]
    return float(np.median(np.array(warm, float))) if warm else None


def _one(pairs: list[tuple[Diagnosis, Estimate]], reference: float | None) -> Estimate:
    known = [(d, e) for d, e in pairs if e.status == "determined" and e.value is not None]
    if not known:
        # a bound that an earlier log gave stands where a later one tells nothing
        return next((e for _, e in reversed(pairs) if e.status == "bounded"), pairs[-1][1])
    last = known[-1][1]
    quantity = last.quantity
    over_logs = QUANTITIES[quantity].over_logs if quantity in QUANTITIES else "mean"
    if over_logs == "sum":
        total = [e for _, e in known]
        return replace(
            last,
            value=sum(e.value or 0.0 for e in total),
            low=sum(e.low or 0.0 for e in total),
            high=sum(e.high or 0.0 for e in total),
            conditions={**last.conditions, "logs": len(total)},
        )
    if len(known) == 1 or over_logs == "latest":
        return replace(last, conditions={**last.conditions, "log": known[-1][0].log["id"]})
    value = np.array([e.value for _, e in known], float)
    half = np.array([((e.high or 0.0) - (e.low or 0.0)) / 2 for _, e in known], float)
    conditions: dict[str, Any] = {**last.conditions, "logs": len(known)}
    if quantity == "resistance_10s" and reference is not None:
        warm = np.array([e.conditions.get("temperature_C") for _, e in known], float)  # None: NaN
        if np.isfinite(warm).all():
            try:
                reduced = reduce_to_temperature(warm, value, half, reference)
            except NotEnoughData:
                return last
            conditions |= {"temperature_C": reference, "activation_eV": reduced.activation}
            return replace(
                last,
                value=reduced.value,
                low=reduced.value - reduced.half_width,
                high=reduced.value + reduced.half_width,
                conditions=conditions,
            )
    if np.all(half <= 0):
        return replace(
            last,
            value=float(value.mean()),
            low=float(value.mean()),
            high=float(value.mean()),
            conditions=conditions,
        )
    made = weighted_combine(value, np.maximum(half, 1e-9))
    middle, width = float(np.ravel(made.value)[0]), float(np.ravel(made.half_width)[0])
    return replace(last, value=middle, low=middle - width, high=middle + width, conditions=conditions)


# ---- findings ---------------------------------------------------------------------------------------------------


def _same(f: Finding) -> tuple[str, tuple[int, ...], str | None]:
    cause = "resistance" if f.cause in RESISTANCES else f.cause
    return cause, f.cells, f.sensor


def _standing(logs: Sequence[Diagnosis], pack: Pack | None) -> list[Finding]:
    """Return the findings that still stand, each with the logs that speak for it."""
    groups: dict[tuple[str, tuple[int, ...], str | None], list[tuple[int, Finding]]] = defaultdict(list)
    for n, d in enumerate(logs):
        for f in d.findings:
            groups[_same(f)].append((n, f))
    out = []
    for pairs in groups.values():
        pairs = [(n, f) for n, f in pairs if not _mended(f, str(logs[n].log["start"]), pack)]
        if not pairs:
            continue
        last_seen, latest = pairs[-1]
        able = [
            n
            for n, d in enumerate(logs)
            if _could_tell(d, latest, logs[last_seen]) and not _before_work(latest, d, pack)
        ]
        silent_since = [n for n in able if n > last_seen]
        if (
            latest.cause not in (*ALWAYS, *INTERMITTENT)
            and silent_since
            and (latest.cause in OFFSETS or len(silent_since) >= len(pairs))
        ):
            continue
        out.append(_told(pairs, able, logs))
    return _separated(out, logs)


def _before_work(f: Finding, d: Diagnosis, pack: Pack | None) -> bool:
    return pack is not None and _mended(f, str(d.log["start"]), pack)


def _mended(f: Finding, start: str, pack: Pack | None) -> bool:
    """Whether dated work after that log was meant for this finding."""
    if pack is None or f.cause in ALWAYS:
        return False
    for event in pack.events:
        causes = MENDED_BY.get(event.kind, ())
        if (
            str(event.date) > start[:10]
            and (causes is None or f.cause in causes)
            and set(f.cells) & set(cells_of(event, pack))
        ):
            return True
    return False


def _bled(d: Diagnosis, f: Finding) -> float:
    """Return the most that was bled from a cell of a finding [Ah]."""
    return max((e.value or 0.0 for e in d.of("bleed_done") if e.cell in f.cells), default=0.0)


def _could_tell(d: Diagnosis, f: Finding, seen_in: Diagnosis) -> bool:
    """Whether a log could have told a finding that another log told."""
    if f.cause in BY_BLEEDING:
        bled = _bled(d, f)
        return bled > 0.0 and bled >= BLED_SHARE * _bled(seen_in, f)
    quantity = TOLD_BY.get(f.cause)
    if quantity is None:
        return True
    return any(
        e.quantity == quantity
        and e.status == "determined"
        and (
            e.cell in f.cells
            or (e.cell is None and not f.cells)
            or (f.sensor is not None and e.sensor == f.sensor)
        )
        for e in d.estimates
    )


def _told(pairs: list[tuple[int, Finding]], able: list[int], logs: Sequence[Diagnosis]) -> Finding:
    latest = pairs[-1][1]
    seen = sorted({n for n, _ in pairs})
    level = min((f.level for _, f in pairs), key=LEVELS.index)
    because = [*latest.because]
    if len(logs) > 1:
        because.append(
            f"seen in {len(seen)} of {max(len(set(able) | set(seen)), 1)} logs that could tell; last in "
            f"{logs[seen[-1]].log['id']}"
        )
    if latest.cause in OFFSETS and len(seen) >= 2:
        because.append(
            "it wants the same again charge after charge: it leaks or is weak, rather than having only drifted"
        )
    same_unit = [
        f
        for _, f in pairs
        if f.unit == latest.unit and f.size is not None and f.low is not None and f.high is not None
    ]
    if len(same_unit) >= 2 and latest.cause not in ALWAYS and latest.cause not in OFFSETS:
        made = weighted_combine(
            np.array([f.size for f in same_unit], float),
            np.maximum(np.array([((f.high or 0) - (f.low or 0)) / 2 for f in same_unit], float), 1e-9),
        )
        size, half = float(np.ravel(made.value)[0]), float(np.ravel(made.half_width)[0])
        if abs(size) <= half:
            # logs that disagree make no size together; what the latest surely shows stands
            because.append(f"the logs disagree: {_sizes(same_unit)}; the latest is told")
            return replace(latest, level=level, because=tuple(because))
        together = replace(latest, size=size, low=size - half, high=size + half)
        if "median" not in latest.unit:
            # the sentence is the latest log's, the size that of all
            because.append(f"over {len(same_unit)} logs {_sizes([together])}; each: {_sizes(same_unit)}")
        return replace(together, level=level, because=tuple(because))
    return replace(latest, level=level, because=tuple(because))


def _sizes(findings: Sequence[Finding]) -> str:
    factor, unit = (100.0, " %") if "fraction" in findings[0].unit else (1.0, f" {findings[0].unit}")
    return ", ".join(f"{factor * (f.size or 0.0):+.3g}{unit}" for f in findings)


def _as_the_table(f: Finding, estimates: Sequence[Estimate], logs: Sequence[Diagnosis]) -> Finding:
    """Return the finding with the size that its cells have over all logs, where it is of what the table gives.

    So that headline and table agree. A finding that took something out (what a temperature or a usual link explains)
    keeps its own size.
    """
    quantity = TOLD_BY.get(f.cause)
    if (
        quantity not in ("resistance_10s_relative", "capacity_relative")
        or len(logs) < 2
        or "median" not in f.unit
    ):
        return f
    mine = [e for e in estimates if e.quantity == quantity and e.cell in f.cells and e.value is not None]
    last = next((d for d in reversed(logs) if any(_same(g) == _same(f) for g in d.findings)), None)
    if last is None or f.size is None or not f.cells or len(mine) != len(f.cells):
        return f
    own = next(g for g in last.findings if _same(g) == _same(f))
    told = [e.value for e in last.of(quantity) if e.cell in f.cells and e.value is not None]
    if own.size is None or len(told) != len(f.cells) or abs(own.size - (float(np.mean(told)) - 1.0)) > 0.005:
        return f
    size = float(np.mean([e.value or 0.0 for e in mine])) - 1.0
    half = max(((e.high or 0.0) - (e.low or 0.0)) / 2 for e in mine)
    if abs(size) <= half or size * own.size <= 0:
        return f
    each = ", ".join(f"cell {e.cell} {100 * ((e.value or 0.0) - 1):+.0f} %" for e in mine)
    says = f.says.replace(percent(own.size), percent(size), 1)
    return replace(
        f,
        size=size,
        low=size - half,
        high=size + half,
        says=says,
        because=(*f.because, f"over all logs: {each}"),
    )


def _separated(findings: list[Finding], logs: Sequence[Diagnosis]) -> list[Finding]:
    """Tell cells from joints by the logs' temperatures, where these lie far enough apart.

    R_i = a R_middle + R_joint over logs of different temperature: the cells' resistance falls with warmth far more than
    that of copper.
    """
    out = []
    for f in findings:
        line = (
            _over_temperature(f.cells[0], logs)
            if f.cause == "cell_or_joint_resistance_high" and f.cells
            else None
        )
        if line is None:
            out.append(f)
            continue
        joint, half, middle = line
        share = joint / (middle * (f.size or 1.0))
        width = half / (middle * (f.size or 1.0))
        note = (
            f"over the logs' temperatures {joint * 1e3:.2f} +- {half * 1e3:.2f} mohm do not follow the cells' own "
            "resistance"
        )
        because = (*f.because, note)
        if share - width > 0.3 and share > 0.5:
            out.append(
                replace(
                    f,
                    cause="joint_resistance_high",
                    because=because,
                    unit="ohm",
                    size=joint,
                    low=joint - half,
                    high=joint + half,
                    says=_said_of(f) + "; over several temperatures it is the joint.",
                )
            )
        elif share + width < 0.7 and share < 0.5:
            out.append(
                replace(
                    f,
                    cause="cell_resistance_high",
                    because=because,
                    says=_said_of(f) + "; over several temperatures it is the cell.",
                )
            )
        else:
            out.append(replace(f, because=(*because, "not separable")))
    return out


def _said_of(f: Finding) -> str:
    """Return what a sentence says before it leaves open whose the excess is; a name in it may hold a semicolon."""
    return f.says.rpartition(";")[0] or f.says.rstrip(".")


def _over_temperature(cell: int, logs: Sequence[Diagnosis]) -> tuple[float, float, float] | None:
    """Return joint resistance, half width [ohm] and the usual cell's resistance; None where temperatures lie close."""
    rows = []
    for d in logs:
        known = [e for e in d.of("resistance_10s") if e.status == "determined" and e.value is not None]
        mine = next((e for e in known if e.cell == cell), None)
        if mine is None or mine.conditions.get("temperature_C") is None or len(known) < 4:
            continue
        middle = float(np.median([e.value for e in known if e.value is not None]))
        rows.append((mine.conditions["temperature_C"], middle, float(mine.value or 0.0)))
    if len(rows) < 3 or max(r[0] for r in rows) - min(r[0] for r in rows) < SEPARATED_BY_K:
        return None
    x, y = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    line = york_line(x, y, 0.004 * x, 0.004 * y)
    factor = float(stdtrit(max(len(rows) - 2, 1), 0.975))
    return float(line.a), factor * float(line.se_a), float(np.median(x))
