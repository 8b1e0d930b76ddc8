"""Simulated stored answers of one pack over a year: errors of one log, of one cell, of one season, and planted drifts.

Each estimate's error has four parts: what all cells of a log share (temperature, curve, gain), what a cell keeps over
all logs, what comes and goes over two months, and what is new in each log. Stated intervals are true, too wide or
somewhat too narrow, as the blind rounds found them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bmslogs.analysis.reference import arrhenius_factor
from bmslogs.base.pack import Pack, parse_pack

DAYS = 365
START = dt.datetime(2025, 3, 1, 8, tzinfo=dt.UTC)
SLOW_DAYS = 60.0
SHARES = {"kept": 0.4, "slow": 0.2, "new": 0.4}
"""Variance of an estimate's error about the pack's: kept by a cell, slow, new in each log."""
TYPICAL = {
    "resistance_10s_relative": 0.010,
    "soc_offset": 0.006,
    "bleed_needed": 0.4,
    "capacity_relative": 0.005,
    "leak_current_relative": 4e-4,
    "heating": 0.05,
}
"""Half widths of 95 % intervals, per 100 Ah where in Ah or A (as the sample logs and the benchmark print them)."""
PLANTED = ("resistance_10s", "soc_offset", "capacity", "leak_current_relative")
YEARLY = {"resistance_10s": 0.10, "soc_offset": 0.01, "capacity": -0.03, "leak_current_relative": 14e-6}
"""Drifts that come to the size of a finding within a year: fractions; charge and leak per Ah of capacity."""


@dataclass
class Year:
    """One pack's year as it truly was."""

    pack: Pack
    documents: list[dict[str, Any]]
    drifts: dict[str, np.ndarray]
    pack_drift: float
    planted: tuple[str, int] | None = None
    worked: dict[str, np.ndarray] = field(default_factory=dict)
    bad_log: str | None = None


def make_pack(rng: np.random.Generator, name: str = "Dunlin") -> Pack:
    """Return a pack of 8 to 96 cells."""
    cells = int(rng.choice([8, 12, 16, 16, 16, 24, 48, 96]))
    modules = [list(range(i + 1, i + 5)) for i in range(0, cells, 4)]
    return parse_pack(
        {
            "pack": {
                "id": f"{name.lower()}-main", "vehicle": name, "chemistry": "NMC", "cells_in_series": cells,
                "nominal_capacity_Ah": float(rng.choice([40.0, 60.0, 100.0, 200.0])),
            },
            "module": [{"name": f"M{k + 1}", "cells": c} for k, c in enumerate(modules)],
            "temperature_sensor": [{"name": f"T{k + 1}", "cells": c} for k, c in enumerate(modules)],
        }
    )  # fmt: skip


def simulate(seed: int, *, drift: float = 0.0, logs: int | None = None, work: bool | None = None) -> Year:
    """Return one pack's year.

    Parameters
    ----------
    drift
        Size of the planted drift over that which comes to a finding within a year; 0 plants none.
    logs
        How many; None for a workshop's habit, from one a month to one every third day.
    work
        Whether there was work on the pack; None for four packs in ten.
    """
    rng = np.random.default_rng([seed, 77])
    pack = make_pack(rng)
    n, ah = pack.cells_in_series, pack.nominal_capacity_Ah
    count = logs or int(rng.choice([14, 26, 52, 120]))
    days = np.sort(rng.uniform(0, DAYS, count))
    slopes = {k: np.zeros(n) for k in PLANTED}
    planted = None
    if drift:
        key, cell = str(rng.choice(PLANTED)), int(rng.integers(n))
        sign = rng.choice([-1, 1]) if key == "soc_offset" else 1
        per_ah = ah if key in ("soc_offset", "leak_current_relative") else 1.0
        slopes[key][cell] = sign * drift * YEARLY[key] * per_ah / 12
        planted = (key, cell + 1)
    pack, jumps, worked = _work(rng, pack, days, work if work is not None else rng.random() < 0.4, planted)
    pack_drift = float(rng.choice([0.0, 0.005, 0.01]))
    world = _World(rng, pack, days, slopes, jumps, pack_drift)
    documents = [world.document(k) for k in range(count)]
    bad = world.spoil(documents) if rng.random() < 0.3 else None
    return Year(pack, documents, slopes, pack_drift, planted, worked, bad)


def _work(
    rng: np.random.Generator, pack: Pack, days: np.ndarray, any_work: bool, planted: tuple[str, int] | None
) -> tuple[Pack, dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Plant a dated work that changes some cells; return the pack with it, and what it adds per log and cell."""
    n = pack.cells_in_series
    jumps = {k: np.zeros((len(days), n)) for k in PLANTED}
    worked = {k: np.zeros(n, bool) for k in PLANTED}
    if not any_work:
        return pack, jumps, worked
    kind = str(rng.choice(["joint remade", "module swapped", "bench charged"]))
    day = int(rng.uniform(60, 300))
    module = pack.modules[int(rng.integers(len(pack.modules)))]
    cells = np.array(module.cells) - 1
    if (
        planted and planted[1] - 1 in cells and kind != "bench charged"
    ):  # the drift is to be told over the year
        return pack, jumps, worked
    if kind == "bench charged" and planted and planted[0] == "soc_offset":
        return pack, jumps, worked
    date = (START + dt.timedelta(days=day)).date()
    event: dict[str, Any] = {"date": date, "kind": kind}
    after = np.array([(START + dt.timedelta(days=float(d))).date() >= date for d in days])
    if kind == "bench charged":
        jumps["soc_offset"][after] += rng.normal(0, 0.015, n) * pack.nominal_capacity_Ah
        worked["soc_offset"][:] = True
    else:
        event["where"] = module.name
        sizes = {"resistance_10s": 0.2, "soc_offset": 0.03 * pack.nominal_capacity_Ah, "capacity": 0.06,
                 "leak_current_relative": 30e-6 * pack.nominal_capacity_Ah}  # fmt: skip
        for key in PLANTED if kind == "module swapped" else ("resistance_10s",):
            jumps[key][np.ix_(after, cells)] += rng.uniform(0.5, 1.0) * sizes[key] * rng.choice([-1, 1])
            worked[key][cells] = True
    return Pack.model_validate(pack.model_dump() | {"events": [event]}), jumps, worked


class _World:
    """The truth of a year and the estimator's errors on it."""

    def __init__(
        self,
        rng: np.random.Generator,
        pack: Pack,
        days: np.ndarray,
        slopes: dict[str, np.ndarray],
        jumps: dict[str, np.ndarray],
        pack_drift: float,
    ) -> None:
        self.rng, self.pack, self.days, self.slopes, self.jumps = rng, pack, days, slopes, jumps
        self.pack_drift, n = pack_drift, pack.cells_in_series
        self.months = days / (365.25 / 12)
        self.warm = 16 - 9 * np.cos(2 * np.pi * (days + 40) / 365) + rng.normal(0, 4, len(days))
        self.activation = rng.uniform(0.22, 0.38)
        self.base = {
            "resistance_10s": np.exp(rng.normal(0, 0.04, n)), "capacity": 1 + rng.normal(0, 0.012, n),
            "soc_offset": rng.normal(0, 0.005, n) * pack.nominal_capacity_Ah,
            "leak_current_relative": rng.normal(0, 3e-6, n) * pack.nominal_capacity_Ah,
        }  # fmt: skip
        # a joint in a module's first tap does not fall with warmth: the ratio rises by this much per kelvin
        self.joint = np.where(np.arange(n) % 4 == 0, rng.uniform(0, 0.0015, n), 0.0)
        self.honest = {k: rng.choice([0.5, 0.7, 0.9, 1.1]) for k in TYPICAL}
        self.errors = {
            k: self._errors(n, len(pack.temperature_sensors) if k == "heating" else n) for k in TYPICAL
        }
        self.kind = rng.choice(["drive", "charge", "parked"], len(days), p=[0.5, 0.35, 0.15])
        self.gain = rng.normal(1.0, 0.01)

    def _errors(self, n: int, columns: int) -> np.ndarray:
        """Return (logs, columns) errors of unit sd about the pack's middle."""
        rng = self.rng
        kept = rng.normal(0, 1, columns)
        slow = np.zeros((len(self.days), columns))
        for k in range(len(self.days)):
            rho = np.exp(-(self.days[k] - self.days[k - 1]) / SLOW_DAYS) if k else 0.0
            slow[k] = rho * slow[k - 1] + np.sqrt(1 - rho**2) * rng.normal(0, 1, columns)
        new = rng.normal(0, 1, slow.shape)
        parts = {"kept": kept, "slow": slow, "new": new}
        return sum(np.sqrt(SHARES[k]) * parts[k] for k in SHARES)

    def truth(self, key: str, k: int) -> np.ndarray:
        """Return the cells' true values in log `k`."""
        move = self.slopes[key] * self.months[k] + self.jumps[key][k]
        if key == "resistance_10s":
            return self.base[key] * (1 + move) * (1 + self.joint * (self.warm[k] - 20))
        return self.base[key] + move

    def told(self, quantity: str, key: str, k: int) -> tuple[np.ndarray, np.ndarray]:
        """Return what log `k` tells of the cells, and the half widths it states."""
        ah = self.pack.nominal_capacity_Ah
        scale = ah / 100 if quantity in ("bleed_needed", "leak_current_relative") else 1.0
        half = TYPICAL[quantity] * scale * self.rng.lognormal(0, 0.25)
        error = half / 1.96 * self.honest[quantity] * self.errors[quantity][k]
        shared = half / 1.96 * self.rng.normal()
        truth = self.truth(key, k) / (ah if quantity == "soc_offset" else 1.0)
        return truth + error + shared, np.full(len(truth), half)

    def document(self, k: int) -> dict[str, Any]:
        """Return the stored answer of log `k`."""
        when = START + dt.timedelta(days=float(self.days[k]))
        stamp = when.strftime("%Y-%m-%dT%H:%M:%SZ")
        kind, log_id = str(self.kind[k]), when.strftime("%Y%m%d-%H%M-") + f"{k:012x}"
        estimates = getattr(self, f"_{kind}")(k)
        return {
            "schema": "bmslogs.diagnosis/2",
            "log": {"id": log_id, "start": stamp, "end": stamp, "rows": 2000, "kinds": [kind]},
            "pack": {"id": self.pack.id, "vehicle": self.pack.vehicle, "cells": self.pack.cells_in_series},
            "estimates": estimates, "findings": [], "repairs": [], "cautions": ["-"],
        }  # fmt: skip

    def _at(self, k: int, low: float, high: float) -> dict[str, Any]:
        return {"temperature_C": float(self.warm[k]), "soc_low": low, "soc_high": high}

    def _drive(self, k: int) -> list[dict[str, Any]]:
        rng, n = self.rng, self.pack.cells_in_series
        high = float(rng.uniform(0.7, 0.95))
        at = self._at(k, high - 0.25, high) | {"current_rms_A": 0.6 * self.pack.nominal_capacity_Ah}
        ratio, half = self.told("resistance_10s_relative", "resistance_10s", k)
        middle = np.median(ratio)
        cold = float(arrhenius_factor(self.warm[k], 20.0, self.activation))
        grown = 1e-3 * np.exp(self.pack_drift * self.months[k]) * self.gain * np.exp(rng.normal(0, 0.012))
        ohm = ratio * cold * grown
        out = rows("resistance_10s_relative", "ratio to pack median", ratio / middle, half, at)
        out += rows("resistance_10s", "ohm", ohm, np.full(n, 0.04) * ohm, at)
        heat = 0.05 / 1.96 * self.honest["heating"] * self.errors["heating"][k] * 2e-3
        for sensor, value in zip(self.pack.temperature_sensors, heat, strict=True):
            out.append(
                estimate(
                    "heating", "K per A^2", float(value), 1e-4, {"median_K_per_A2": 2e-3}, sensor=sensor.name
                )
            )
        if rng.random() < 0.5:
            z, half = self.told("soc_offset", "soc_offset", k)
            lack = 1 - high
            size = self.truth("capacity", k) - np.median(self.truth("capacity", k))
            z = (z - np.median(z) + size * lack) / (1 + size)
            out += rows("soc_offset", "fraction", z, half, at)
        return out

    def _charge(self, k: int) -> list[dict[str, Any]]:
        at = self._at(k, 0.3, 0.99)
        lead, half = self.told("bleed_needed", "soc_offset", k)
        size, wide = self.told("capacity_relative", "capacity", k)
        out = rows("bleed_needed", "Ah", lead - lead.min(), half, at)
        return out + rows("capacity_relative", "ratio to pack median", size / np.median(size), wide, at)

    def _parked(self, k: int) -> list[dict[str, Any]]:
        leak, half = self.told("leak_current_relative", "leak_current_relative", k)
        return rows("leak_current_relative", "A", leak - np.median(leak), half, self._at(k, 0.6, 0.6))

    def spoil(self, documents: list[dict[str, Any]]) -> str:
        """Make one log wrong: eight times its intervals, in one cell or in all."""
        rng = self.rng
        one = documents[int(rng.integers(len(documents)))]
        cell = int(rng.integers(1, self.pack.cells_in_series + 1)) if rng.random() < 0.5 else None
        for e in one["estimates"]:
            if cell is None or e["cell"] == cell:
                half = (e["high"] - e["low"]) / 2
                move = 8 * half * rng.choice([-1, 1]) * rng.uniform(0.5, 1)
                e.update({k: e[k] + move for k in ("value", "low", "high")})
        return str(one["log"]["id"])


def rows(
    quantity: str, unit: str, value: np.ndarray, half: np.ndarray, at: dict[str, Any]
) -> list[dict[str, Any]]:
    """Return one estimate a cell."""
    return [
        estimate(quantity, unit, float(v), float(h), at, cell=c)
        for c, (v, h) in enumerate(zip(value, half, strict=True), 1)
    ]


def estimate(
    quantity: str,
    unit: str,
    value: float,
    half: float,
    at: dict[str, Any],
    *,
    cell: int | None = None,
    sensor: str | None = None,
) -> dict[str, Any]:
    """Return one determined estimate as it stands in a stored answer."""
    out: dict[str, Any] = {"quantity": quantity, "cell": cell}
    if sensor is not None:
        out["sensor"] = sensor
    return out | {
        "value": value, "low": value - half, "high": value + half, "unit": unit, "status": "determined",
        "conditions": dict(at),
    }  # fmt: skip
