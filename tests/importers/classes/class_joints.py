"""Joints that no cell can make are marked where they are; what cells and loads do is not."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import R0_OHM_AH, Array, Rng, Run, drive, simulate
from tests.importers.classes.truth import Case, Habit

CLEAR_JUMP_MV, CLEAR_JUMP_ERRORS = 25.0, 10.0
"""A jump that is plain: in mV, and in steps plus noise, beyond what the load explains."""


def log(rng: Rng, kind: str = "drive", **over: Any) -> Draft:
    """Return a draft with stamps by an even step."""
    base: dict[str, Any] = {
        "dt_s": (0.2, 0.5, 1.0, 2.0), "cells": (2, 32), "sensors": (0, 2), "layout": False, "jitter": False,
        "noise_mV": float(rng.choice([0.3, 1.0])), "current_step": 0.1, "rows": (600, 2000), "simple": True,
    }  # fmt: skip
    return draw(rng, kind, **{**base, **over})


def written(d: Draft, style: str | None = None) -> Draft:
    """Write the sheet under a header that states the sign."""
    d.write_time(style)
    d.write_current("Current (discharge positive)" if d.sign > 0 else "Current (charge positive)")
    d.write_cells()
    if d.temperatures.shape[1]:
        d.write_temperatures()
    return d


def measured(d: Draft, run: Run) -> tuple[Array, Array, Array]:
    """Return current, voltages and temperatures of another run as the draft's logger reads them."""
    grid = d.step_mV / 1000
    noise = d.rng.normal(0, 1, run.cells.shape) * d.noise_mV / 1000
    volts = np.round(np.round((run.cells + noise) / grid) * grid, d.places)
    return np.round(run.current, 1) + 0.0, volts, np.round(run.temperatures, 1)


def jump(d: Draft, at: int) -> float:
    """Return the jump of the middle cell into row `at` beyond what its load explains."""
    step = np.median(d.volts[at] - d.volts[at - 1]) * 1000
    load = (d.current[at] - d.current[at - 1]) * R0_OHM_AH / d.run.capacity_Ah * 1000
    # A pair of RC may add as much again as the series resistance within a slow row.
    return float(max(0.0, abs(step) - 2.2 * abs(load)))


def plain_jump(d: Draft, at: int) -> bool:
    """Return whether the joint into row `at` stands out."""
    return jump(d, at) > max(CLEAR_JUMP_MV, CLEAR_JUMP_ERRORS * (d.step_mV + d.noise_mV))


def joined(rng: Rng) -> Case:
    d = log(rng)
    step = float(d.run.t[1])
    calm = rng.random() < 0.7
    capacity, cells, sensors = d.run.capacity_Ah, d.cells, d.temperatures.shape[1]
    first = (d.current, d.volts, d.temperatures)
    parts = [trimmed(first, capacity) if calm else first]
    joints = []
    soc = float(d.run.soc[-1])
    for _ in range(int(rng.integers(1, 4))):
        rows = int(rng.integers(200, 800))
        soc = (soc + float(rng.uniform(0.3, 0.5))) % 0.7 + 0.22
        h = min(1.0, step)
        wanted = drive(rng, rows * step, h, min(0.5, 0.2 * 3600 / (rows * step)))
        other = simulate(
            rng, d.run.chemistry, cells, sensors, wanted, h, max(1, round(step / h)), soc, capacity
        )
        soc = float(other.soc[-1])
        joints.append(sum(len(p[0]) for p in parts))
        part = measured(d, other)
        parts.append(trimmed(part, capacity) if calm else part)
    return stitched(d, parts, joints, "parts of other days joined with even stamps")


def trimmed(part: tuple[Array, Array, Array], capacity_Ah: float) -> tuple[Array, Array, Array]:
    """Return a part from its first row of little load to its last: a key turned on and off at a stand."""
    still = np.flatnonzero(np.abs(part[0]) < 0.05 * capacity_Ah)
    if len(still) < 2 or still[-1] - still[0] < 100:
        return part
    return (
        part[0][still[0] : still[-1] + 1],
        part[1][still[0] : still[-1] + 1],
        part[2][still[0] : still[-1] + 1],
    )


def stitched(d: Draft, parts: list[tuple[Array, Array, Array]], joints: list[int], habit: str) -> Case:
    """Return the case of parts one after the other, stamps going on evenly."""
    d.current, d.volts, d.temperatures = (np.concatenate([p[k] for p in parts]) for k in range(3))
    d.time_s = np.round(d.time_s[0] + np.arange(len(d.current)) * float(d.run.t[1]), 3)
    written(d)
    plain = all(plain_jump(d, j) for j in joints)
    d.fields["joints"] = tuple(joints) if plain else None
    return d.case(habit, "plain" if plain else "ambiguous")


def three_times(rng: Rng) -> Case:
    chemistry = "NMC" if rng.random() < 0.7 else "LFP"
    d = log(rng, chemistry=chemistry, dt_s=(1.0, 2.0), rows=(800, 1500))
    parts = [(d.current, d.volts, d.temperatures)] * 3
    n = d.rows
    return stitched(d, parts, [n, 2 * n], "a drive three times one after the other")


def key_off(rng: Rng) -> Case:
    d = log(rng, "drive", chemistry="NMC", rows=(500, 1200))
    step = float(d.run.t[1])
    h = min(1.0, step)
    rows = int(rng.integers(300, 900))
    # Charged overnight with the logger and its clock off.
    soc = min(0.93, float(d.run.soc[-1]) + float(rng.uniform(0.15, 0.5)))
    wanted = drive(rng, rows * step, h, min(0.5, 0.2 * 3600 / (rows * step)))
    other = simulate(
        rng,
        "NMC",
        d.cells,
        d.temperatures.shape[1],
        wanted,
        h,
        max(1, round(step / h)),
        soc,
        d.run.capacity_Ah,
    )
    parts = [(d.current, d.volts, d.temperatures), measured(d, other)]
    return stitched(d, parts, [d.rows], "clock stands while the key is off, charged")


def relaxed(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(1.0, 2.0, 5.0), rows=(300, 301))
    step = float(d.run.t[1])
    load, awake, asleep, after = (
        int(v) for v in (rng.uniform(900, 2000) / step, rng.integers(3, 30), rng.uniform(2000, 9000) / step,
                         rng.integers(200, 600))
    )  # fmt: skip
    wanted = np.concatenate([np.full(load, float(rng.uniform(0.8, 1.3))), np.zeros(awake + asleep + after)])
    soc = float(rng.uniform(0.8, 0.95))
    run = simulate(
        rng, d.run.chemistry, d.cells, d.temperatures.shape[1], wanted, step, 1, soc, d.run.capacity_Ah
    )
    current, volts, warm = measured(d, run)
    # The load is off and rows are still written for a moment; then the logger sleeps, and its clock with it.
    first, second = slice(0, load + awake), slice(load + awake + asleep, None)
    parts = [(current[part], volts[part], warm[part]) for part in (first, second)]
    return stitched(d, parts, [load + awake], "cells rested while the clock stood")


def healthy_drive(rng: Rng) -> Case:
    d = written(log(rng, "drive", step_mV=None, dt_s=(0.1, 0.2, 0.5, 1.0, 2.0, 5.0)))
    d.fields["joints"] = ()
    return d.case("healthy drive", "plain")


def healthy_day(rng: Rng) -> Case:
    d = written(log(rng, "day", dt_s=(1.0, 5.0, 10.0, 30.0, 60.0), rows=(800, 2500)))
    d.fields["joints"] = ()
    return d.case("healthy days of drives, rests and charges", "plain")


def healthy_tester(rng: Rng) -> Case:
    d = written(log(rng, "tester", dt_s=(10.0, 30.0, 60.0), rows=(800, 2500), cells=(1, 4)))
    d.fields["joints"] = ()
    return d.case("healthy bench cycles with steep ends", "plain")


def healthy_pulses(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(0.1, 0.5, 1.0), step_mV=1.0)
    r0 = R0_OHM_AH / d.run.capacity_Ah
    for at in rng.integers(20, d.rows - 40, int(rng.integers(3, 10))):
        size = round(float(rng.uniform(2, 5)) * d.run.capacity_Ah)
        span = int(rng.choice([1, 2, 20]))
        d.current[at : at + span] += size
        d.volts[at : at + span] = np.round(d.volts[at : at + span] - r0 * size, 3)
    written(d)
    d.fields["joints"] = ()
    return d.case("healthy rest with hard pulses", "plain")


def healthy_lag(rng: Rng) -> Case:
    d = log(rng, "drive", dt_s=(0.2, 0.5, 1.0))
    lag = max(1, round(float(rng.uniform(0.3, 1.2)) / float(d.run.t[1])))
    late = np.concatenate([np.full(lag, d.current[0]), d.current[:-lag]])
    d.current = late
    written(d)
    d.fields["joints"] = ()
    return d.case("healthy drive, current read a row or two late", "plain")


def healthy_gaps(rng: Rng) -> Case:
    d = log(rng, "day", dt_s=(1.0, 2.0, 5.0), rows=(800, 2000), cells=(1, 16))
    cut = int(rng.integers(200, d.rows - 200))
    keep = np.ones(d.rows, bool)
    keep[cut : cut + int(rng.integers(20, 150))] = False
    d.time_s, d.current, d.volts = d.time_s[keep], d.current[keep], d.volts[keep]
    d.temperatures = d.temperatures[keep]
    written(d)
    # A joint at a pause of the stamps says nothing false; elsewhere it would.
    d.fields["joints"] = None
    return d.case("healthy log with a pause in its stamps", "plain")


HABITS: tuple[Habit, ...] = (
    joined, healthy_drive, three_times, healthy_day, key_off, healthy_tester, relaxed, healthy_pulses, joined,
    healthy_lag, three_times, healthy_gaps, key_off, healthy_day,
)  # fmt: skip
