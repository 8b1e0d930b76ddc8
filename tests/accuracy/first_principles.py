"""Strings of first-principles cells, put together from the cached library, as cases of the benchmark.

Each string is 8 to 14 cells of one solved lot, in any order, with or without one faulty cell; what it was
measured with differs by seed, and so does the table that the pack file has: bent, since no cell matches its table.
A loose link adds its ohms to a sound cell, as the cells' contact would.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from bmslogs.log.log import Log
from sample_logs.curves import curve
from sample_logs.loads import Bench, Trace
from sample_logs.truth import Fault, Truth, truth_of
from tests.accuracy.adapter import build_log, build_pack
from tests.accuracy.cases import Draft, draft
from tests.accuracy.library import FILE, STEP_V

MEDIAN = "fraction of pack median"
CAUSES = {
    "fp_cell_resistance": ("cell_resistance_high", ("drive", "drive2"), "aged"),
    "fp_joint_resistance": ("joint_resistance_high", ("drive", "drive2"), ""),
    "fp_soc_offset_low": ("soc_offset_low", ("charge",), "low"),
    "fp_soc_offset_high": ("soc_offset_high", ("charge_high", "charge_higher"), "high"),
    "fp_capacity_low": ("capacity_low", ("span",), "small"),
    "fp_healthy": ("", ("drive", "drive2", "charge", "span"), ""),
}
"""Case -> cause, courses, what the faulty member is called in the library."""


@dataclass(frozen=True)
class Course:
    """One course of the library: (rows,), (members, rows), and what is known of the members."""

    seconds: np.ndarray
    current: np.ndarray
    volts: np.ndarray
    warm: np.ndarray
    info: dict[str, Any]


@cache
def course(chemistry: str, name: str) -> Course:
    """Return a solved course; current is per ampere-hour of nominal capacity [1/h]."""
    with np.load(FILE) as data:
        key = f"{chemistry}-{name}"
        info = json.loads(str(data["notes"]))[key]
        first = data[f"{key}/first"].astype(float)
        volts = (first + data[f"{key}/others"]) * STEP_V
        current = data[f"{key}/current"].astype(float)
        return Course(
            np.arange(len(current)) * info["step_s"], current, volts, data[f"{key}/warm"].astype(float), info
        )


class Recorded(Bench):
    """A bench whose course was solved elsewhere."""

    def __init__(self, d: Draft, trace: Trace) -> None:
        super().__init__(d.string, d.rng, log_every_s=d.bench.log_every_s)
        self._trace = trace

    def trace(self) -> Trace:
        """Return the solved course."""
        return self._trace


def case(kind: str, numbers: list[int], times: float) -> tuple[Draft, Log, Truth]:
    """Return draft, log and truth of one case."""
    cause, courses, faulty = CAUSES[kind]
    d = draft(numbers, times, most_cells=12, bend=0.0, joint_share=0.0)
    severity = "clear" if times > 2 else "slight"
    if faulty == "high":
        name = "charge_higher" if severity == "clear" else "charge_high"
    else:
        name = str(d.rng.choice(list(courses)))
    c = course(d.string.chemistry, name)
    lot = c.info["members"]
    sound = [i for i, m in enumerate(lot) if m["what"] == "sound"]
    chosen = d.rng.permutation(sound)[: d.n]
    place = int(d.rng.integers(0, d.n))
    if faulty:
        chosen[place] = next(i for i, m in enumerate(lot) if m["what"] == f"{faulty}/{severity}")
    _describe(d, [lot[i] for i in chosen], c)
    joint = 0.0
    ohms = np.array([lot[i]["resistance_10s"] or np.nan for i in chosen]) / d.string.nominal_Ah
    if cause == "joint_resistance_high":
        place = int(d.rng.choice([m[0] for m in d.string.modules[1:]]))
        joint = 0.10 * times * float(np.median(ohms))
    trace = _trace(d, c, chosen, place, joint)
    d.bench = Recorded(d, trace)
    truth = truth_of(d.bench, d.meter)
    ohms[place] += joint
    _correct(truth, ohms)
    if cause:
        d.faults.append(_fault(cause, place + 1, truth, joint))
    truth = Truth(truth.cell, truth.sensor, truth.pack, truth.conditions, tuple(d.faults))
    table = _table(d.string.chemistry, np.random.default_rng([*numbers, 1]))
    pack = build_pack(d.string, ocv=table, ocv_table="own.csv")
    return d, build_log(d.string, d.bench, d.meter, d.rng, pack), truth


def _table(chemistry: str, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Return a table that is off by as much as those of the other simulated strings are."""
    soc = np.linspace(0.0, 1.0, 201)
    return tuple(zip(soc.tolist(), curve(chemistry, rng).at(soc).tolist(), strict=True))


def _describe(d: Draft, lot: list[dict[str, Any]], c: Course) -> None:
    """Tell the string what its cells are, so that truth and judge speak of them."""
    d.string.curve = curve(d.string.chemistry)
    d.string.capacity_Ah = d.string.nominal_Ah * np.array([m["capacity"] for m in lot])
    d.string.soc = c.info["soc"] + np.array([m["charge"] for m in lot])
    d.string.leak_A = np.zeros(d.n)


def _trace(d: Draft, c: Course, chosen: np.ndarray, place: int, joint: float) -> Trace:
    current = c.current * d.string.nominal_Ah
    volts = c.volts[chosen].T.copy()
    volts[:, place] -= joint * current
    step = np.gradient(c.seconds)
    moved = np.concatenate([[0.0], np.cumsum((current * step)[:-1])]) / 3600.0
    moving = np.flatnonzero(np.abs(current) > 1e-6)
    begin, end = int(moving[0]), int(moving[-1]) + 1
    kind = {"d": "drive", "c": "charge", "s": "discharge"}[c_kind(c)]
    every = d.bench.log_every_s
    spans = [("rest", 0, begin, every), (kind, begin, end, every), ("rest", end, len(current), every)]
    return Trace(
        seconds=c.seconds,
        current=current,
        volts=volts,
        temperature=np.repeat(c.warm[:, None], d.n, axis=1),
        soc=d.string.soc - moved[:, None] / d.string.capacity_Ah,
        bleed=np.zeros(volts.shape, dtype=bool),
        spans=spans,
    )


def c_kind(c: Course) -> str:
    """Return d(rive), c(harge) or s(pan)."""
    if c.current.min() < 0 < c.current.max():
        return "d"
    return "c" if c.current.min() < 0 else "s"


def _correct(truth: Truth, ohms: np.ndarray) -> None:
    """Put the measured resistances in; where the course is no drive there are none."""
    for key in (
        "resistance_10s",
        "resistance_10s_relative",
        "resistance_10s_own",
        "joint",
        "bleed_done",
        "bleed_duty",
    ):
        truth.cell.pop(key, None)
    if np.isfinite(ohms).all():
        truth.cell["resistance_10s"] = ohms
        truth.cell["resistance_10s_relative"] = ohms / np.median(ohms)
    truth.sensor.clear()


def _fault(cause: str, cell: int, truth: Truth, joint: float) -> Fault:
    if cause == "joint_resistance_high":
        return Fault(cause, (cell,), size=joint, unit="ohm")
    if cause == "cell_resistance_high":
        return Fault(
            cause, (cell,), size=float(truth.cell["resistance_10s_relative"][cell - 1] - 1), unit=MEDIAN
        )
    if cause == "capacity_low":
        return Fault(cause, (cell,), size=float(truth.cell["capacity_relative"][cell - 1] - 1), unit=MEDIAN)
    return Fault(cause, (cell,), size=float(truth.cell["soc_offset"][cell - 1]), unit="fraction")
