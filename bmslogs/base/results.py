"""The shape of answers: estimates, findings, a diagnosis, and their JSON (schema bmslogs.diagnosis/2)."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

DIAGNOSIS_SCHEMA = "bmslogs.diagnosis/2"
"""Readers of /1 find nothing renamed; new is the status `bounded`."""
Status = Literal["determined", "bounded", "not_determinable"]
Level = Literal["act", "look", "note"]
LEVELS: tuple[Level, ...] = ("act", "look", "note")


@dataclass(frozen=True, slots=True)
class Estimate:
    """One quantity of one cell, sensor or of the pack.

    Attributes
    ----------
    quantity
        Key of the quantity in the registry.
    cell, sensor
        What it is of; both None for the pack as a whole.
    value, low, high
        Value with its 95 % interval [unit]; None where not determinable. Where bounded the value is None, and one of
        low and high: "at most" or "at least" the other.
    conditions
        Under which it holds: ``temperature_C``, ``soc_low``, ``soc_high``, ``current_rms_A``, ...
    why, settle_by
        Where not determinable or bounded only: one sentence each, the reason and the log that would settle it.
    """

    quantity: str
    unit: str
    cell: int | None = None
    sensor: str | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    status: Status = "determined"
    conditions: dict[str, Any] = field(default_factory=dict)
    why: str | None = None
    settle_by: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object; keys that do not apply are left out."""
        out: dict[str, Any] = {"quantity": self.quantity, "cell": self.cell}
        if self.sensor is not None:
            out["sensor"] = self.sensor
        out |= {"value": _number(self.value)}
        if self.status != "not_determinable":
            out |= {"low": _number(self.low), "high": _number(self.high)}
        out |= {"unit": self.unit, "status": self.status}
        if self.conditions:
            out["conditions"] = {k: _plain(v) for k, v in self.conditions.items()}
        if self.status != "determined":
            out |= {"why": self.why, "settle_by": self.settle_by}
        return out

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Estimate:
        """Read one back from its JSON object."""
        names = ("quantity", "unit", "cell", "sensor", "value", "low", "high", "status", "why", "settle_by")
        own = {n: _once(data[n]) for n in names if n in data}
        return cls(**own, conditions={_once(k): _once(v) for k, v in data.get("conditions", {}).items()})


def refused(
    quantity: str,
    unit: str,
    why: str,
    settle_by: str,
    *,
    cell: int | None = None,
    sensor: str | None = None,
    conditions: dict[str, Any] | None = None,
) -> Estimate:
    """Return an estimate that says why the log cannot tell, and which log would."""
    return Estimate(
        quantity,
        unit,
        cell=cell,
        sensor=sensor,
        status="not_determinable",
        why=why,
        settle_by=settle_by,
        conditions=conditions or {},
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause that the estimates speak for.

    Attributes
    ----------
    cause
        Key of the cause in the registry.
    level
        ``act`` before it is used again, ``look`` at the next chance, ``note``.
    cells
        Every cell whose reading or behaviour the cause explains.
    size, low, high, unit
        The cause's own quantity, signed, with its 95 % interval.
    says
        One plain sentence that names the place as the builder names it.
    because, next
        Evidence, one line each; what to do, safest first.
    """

    cause: str
    level: Level
    says: str
    cells: tuple[int, ...] = ()
    module: str | None = None
    sensor: str | None = None
    size: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    because: tuple[str, ...] = ()
    next: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        out = asdict(self)
        out["cells"] = [int(c) for c in self.cells]
        for key in ("size", "low", "high"):
            out[key] = _number(out[key])
        for key in ("because", "next"):
            out[key] = list(out[key])
        order = (
            "cause",
            "level",
            "cells",
            "module",
            "sensor",
            "size",
            "low",
            "high",
            "unit",
            "says",
            "because",
            "next",
        )
        return {key: out[key] for key in order}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Finding:
        """Read one back from its JSON object."""
        lists = {key: tuple(data.get(key, ())) for key in ("cells", "because", "next")}
        return cls(**{**data, **lists})


@dataclass(frozen=True)
class Diagnosis:
    """All that one log, or all logs of a pack, say: what is wrong, how surely, and what stays unknown.

    Attributes
    ----------
    log
        ``id``, ``start``, ``end`` (ISO 8601, UTC), ``rows``, ``kinds``.
    pack
        ``id``, ``vehicle``, ``cells``.
    logs
        For a pack as a whole: one object like `log` per log that was weighed; empty for one log.
    """

    log: dict[str, Any]
    pack: dict[str, Any]
    estimates: tuple[Estimate, ...]
    findings: tuple[Finding, ...]
    repairs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    logs: tuple[dict[str, Any], ...] = ()
    method: str = ""

    def of(self, quantity: str) -> tuple[Estimate, ...]:
        """Return the estimates of one quantity, cells in order."""
        return tuple(e for e in self.estimates if e.quantity == quantity)

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object of schema bmslogs.diagnosis/2."""
        out: dict[str, Any] = {"schema": DIAGNOSIS_SCHEMA, "log": self.log}
        if self.logs:
            out["logs"] = list(self.logs)
        out |= {
            "pack": self.pack,
            "estimates": [e.to_json() for e in self.estimates],
            "findings": [f.to_json() for f in self.findings],
            "repairs": list(self.repairs),
            "cautions": list(self.cautions),
        }
        if self.method:
            out["method"] = self.method
        return out

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Diagnosis:
        """Read one back from its JSON object."""
        return cls(
            log=dict(data["log"]),
            pack=dict(data["pack"]),
            estimates=tuple(Estimate.from_json(e) for e in data["estimates"]),
            findings=tuple(Finding.from_json(f) for f in data["findings"]),
            repairs=tuple(data["repairs"]),
            cautions=tuple(data["cautions"]),
            logs=tuple(data.get("logs", ())),
            method=data.get("method", ""),
        )


def by_urgency(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings in order of urgency, larger ones of a level first."""
    return sorted(findings, key=lambda f: (LEVELS.index(f.level), -abs(f.size or 0.0), f.cells))


def _number(value: float | None) -> float | None:
    """Return a JSON number with the digits that matter, None for what is not a number."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")


def _plain(value: Any) -> Any:
    return _number(value) if isinstance(value, float) else value


def _once(value: Any) -> Any:
    """Return a text as one object however often it is read: hundreds of estimates share their few sentences."""
    return sys.intern(value) if type(value) is str else value
