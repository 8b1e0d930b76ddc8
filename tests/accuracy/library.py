"""A library of first-principles cells, solved once with PyBaMM and kept beside this file.

Single-particle models with electrolyte (SPMe) of two published cells: Chen2020 (NMC, lumped thermal) and
Prada2013 (LFP, isothermal). For each course of current a lot of sound cells, apart in charge, capacity and
resistance as a lot is, and faulty ones, all under one current. Ageing slows charge transfer, diffusion and
conduction by one factor. Resistance is measured as a meter would: a 10 s pulse of the drive's rms current
at its mean charge and temperature, the open-circuit fall taken out.

``python -m tests.accuracy.library`` solves it anew (minutes); everything is per ampere-hour of nominal
capacity, so that a string of any size can be put together.
"""

from __future__ import annotations

import json
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

FILE = Path(__file__).with_name("cells.npz")
SETS = {"NMC": "Chen2020", "LFP": "Prada2013"}
AMBIENT_C = 21.0
SOUND = 14
START = {"drive": 0.85, "drive2": 0.7, "charge": 0.3, "charge_high": 0.3, "charge_higher": 0.3, "span": 0.96}
TOP = {"NMC": 4.18, "LFP": 3.5}
LEAD = {"charge_high": 0.015, "charge_higher": 0.03}
"""Charge of the leading cell over the nominal one, in charges where one cell is fuller."""
STEP_V = 5e-5
"""Resolution of the stored voltages [V]."""


@dataclass(frozen=True)
class Member:
    """One cell of the library: how it differs from the nominal one, and its resistance 10 s into a load.

    Attributes
    ----------
    charge
        Offset of charge at the start, fraction.
    capacity, ageing
        Factors.
    resistance_10s
        Of a cell of 1 Ah nominal capacity [ohm]; None where the course is no drive.
    """

    what: str
    charge: float
    capacity: float
    ageing: float
    resistance_10s: float | None = None


def members(course: str, chemistry: str) -> list[Member]:
    """Return the lot of sound cells and the faulty ones for a course."""
    rng = np.random.default_rng([len(course), len(chemistry), ord(course[-1])])

    def lot(half: float) -> np.ndarray:
        return np.clip(rng.normal(0, 0.4 * half, SOUND), -half, half)

    charge, capacity, ageing = lot(0.004), lot(0.012), lot(0.035)
    out = [Member("sound", c, 1 + q, 1 + a) for c, q, a in zip(charge, capacity, ageing, strict=True)]
    if course.startswith("drive"):
        out += [Member(f"aged/{s}", 0.0, 1.0, 1 + x) for s, x in (("clear", 0.47), ("slight", 0.235))]
    elif course == "charge":
        out += [Member(f"low/{s}", -x, 1.0, 1.0) for s, x in (("clear", 0.03), ("slight", 0.015))]
    elif course in LEAD:
        out.append(
            Member("high/clear" if course == "charge_higher" else "high/slight", LEAD[course], 1.0, 1.0)
        )
    else:
        out += [Member(f"small/{s}", 0.0, 1 - x, 1.0) for s, x in (("clear", 0.09), ("slight", 0.045))]
    return out


def _values(chemistry: str, member: Member, soc: float, warm_C: float = AMBIENT_C) -> tuple[Any, float]:
    """Return parameters of `member` at `soc`, and the capacity [Ah] between the set's cut-offs."""
    import pybamm

    values = pybamm.ParameterValues(SETS[chemistry])
    if chemistry == "NMC":
        values["Contact resistance [Ohm]"] = 0.004 * member.ageing
    else:
        values["Contact resistance [Ohm]"] = 0.008 * member.ageing
    names = [
        "Negative electrode exchange-current density [A.m-2]",
        "Positive electrode exchange-current density [A.m-2]",
        "Negative particle diffusivity [m2.s-1]",
        "Positive particle diffusivity [m2.s-1]",
        "Electrolyte conductivity [S.m-1]",
    ]
    for name in names:
        values[name] = _slower(values[name], member.ageing)
    values["Ambient temperature [K]"] = values["Initial temperature [K]"] = warm_C + 273.15
    values.set_initial_state(soc)
    capacity = _capacity(chemistry)
    values["Upper voltage cut-off [V]"], values["Lower voltage cut-off [V]"] = 4.6, 1.5
    return values, capacity


def _slower(value: Any, factor: float) -> Any:
    if callable(value):
        return lambda *inputs: value(*inputs) / factor
    return value / factor


def _capacity(chemistry: str) -> float:
    """Return the charge [Ah] that the set's cell gives between its cut-offs at rest."""
    import pybamm

    values = pybamm.ParameterValues(SETS[chemistry])
    x0, x100, _, _ = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    parameters = pybamm.LithiumIonParameters()
    return float(values.evaluate(parameters.n.prim.Q_init)) * (x100 - x0)


def solve(
    chemistry: str,
    member: Member,
    seconds: np.ndarray,
    per_hour: np.ndarray,
    soc: float,
    warm_C: float = AMBIENT_C,
) -> dict[str, np.ndarray]:
    """Return voltage [V] and temperature [degC] of `member` under a current of `per_hour` x nominal capacity."""
    import pybamm

    options = {"thermal": "lumped" if chemistry == "NMC" else "isothermal", "contact resistance": "true"}
    model = pybamm.lithium_ion.SPMe(options)
    values, capacity = _values(chemistry, member, soc, warm_C)
    # The string's current, seen by a cell that holds `capacity` Ah times the member's factor.
    current = per_hour * capacity / member.capacity
    values["Current function [A]"] = pybamm.Interpolant(seconds, current, pybamm.t)
    simulation = pybamm.Simulation(
        model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8)
    )
    solution = simulation.solve([seconds[0], seconds[-1]], t_interp=seconds)
    return {
        "volts": np.asarray(solution["Voltage [V]"].entries),
        "warm": np.asarray(solution["Volume-averaged cell temperature [C]"].entries),
    }


def pulse_resistance(chemistry: str, member: Member, soc: float, per_hour: float, warm_C: float) -> float:
    """Return the fall after 10 s per ampere [ohm at 1 Ah nominal], the open-circuit fall taken out."""
    import pybamm

    seconds = np.array([0.0, 0.001, 10.0])
    pulse = solve(chemistry, member, seconds, np.full(3, per_hour), soc, warm_C)
    moved = per_hour * 10 / 3600 / member.capacity
    values = pybamm.ParameterValues(SETS[chemistry])
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    parameters = pybamm.LithiumIonParameters()
    z = np.array([soc, soc - moved])
    negative, positive = x0 + z * (x100 - x0), y0 + z * (y100 - y0)
    kelvin = warm_C + 273.15
    rest = values.evaluate(
        parameters.p.prim.U(pybamm.Vector(positive.reshape(-1, 1)), kelvin)
        - parameters.n.prim.U(pybamm.Vector(negative.reshape(-1, 1)), kelvin)
    )
    rest = np.asarray(rest).ravel()
    return float((rest[0] - pulse["volts"][-1] - (rest[0] - rest[1])) / per_hour)


def current_of(course: str, chemistry: str) -> tuple[np.ndarray, np.ndarray]:
    """Return seconds and current over nominal capacity [1/h] of a course."""
    from sample_logs.loads import stop_and_go

    if course.startswith("drive"):
        drive = stop_and_go(35, 1.0, np.random.default_rng(len(course)))
        drive = np.convolve(drive, [0.25, 0.5, 0.25], mode="same")
        drive *= 0.6 / np.sqrt(np.mean(drive**2))
        current = np.concatenate([np.zeros(600), drive, np.zeros(2400)])
        return np.arange(len(current), dtype=float), current
    if course == "span":
        current = np.concatenate([np.zeros(360), np.full(round(0.78 / 0.33 * 720), 0.33), np.zeros(720)])
        return np.arange(len(current)) * 5.0, current
    return _charge_current(chemistry, LEAD.get(course, 0.0))


def _charge_current(chemistry: str, lead: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the current of a charger that holds the leading cell at `TOP` after a constant current."""
    import pybamm

    values, capacity = _values(chemistry, Member("leading", lead, 1.0, 1.0), START["charge"] + lead)
    options = {"thermal": "lumped" if chemistry == "NMC" else "isothermal", "contact resistance": "true"}
    experiment = pybamm.Experiment(
        [
            pybamm.step.current(
                -0.3 * capacity, termination=f"{TOP[chemistry]} V", period=5.0, duration=5 * 3600
            ),
            pybamm.step.voltage(
                TOP[chemistry], termination=f"{0.04 * capacity} A", period=5.0, duration=3 * 3600
            ),
        ]
    )
    simulation = pybamm.Simulation(
        pybamm.lithium_ion.SPMe(options), parameter_values=values, experiment=experiment
    )
    solution = simulation.solve()
    seconds = np.arange(0.0, solution["Time [s]"].entries[-1], 5.0)
    current = np.interp(seconds, solution["Time [s]"].entries, solution["Current [A]"].entries) / capacity
    before, after = np.zeros(240), np.zeros(720)
    whole = np.concatenate([before, current, after])
    return np.arange(len(whole)) * 5.0, whole


def _solve_course(job: tuple[str, str]) -> tuple[str, dict[str, np.ndarray], dict[str, Any]]:
    chemistry, course = job
    seconds, current = current_of(course, chemistry)
    soc = START[course]
    lot, volts = [], []
    warm = np.zeros(0)
    moving = np.abs(current) > 1e-6
    mean_soc = soc - np.cumsum(current * np.gradient(seconds))[moving].mean() / 3600
    rms = float(np.sqrt(np.mean(current[moving] ** 2)))
    for member in members(course, chemistry):
        done = solve(chemistry, member, seconds, current, soc + member.charge)
        volts.append(done["volts"])
        warm = done["warm"] if not len(warm) else warm
        ohm = None
        if course.startswith("drive"):
            ohm = pulse_resistance(
                chemistry, member, mean_soc + member.charge, rms, float(warm[moving].mean())
            )
        lot.append(asdict(Member(member.what, member.charge, member.capacity, member.ageing, ohm)))
    stack = np.array(volts)
    arrays = {
        "current": current.astype(np.float32),
        "first": np.round(stack[0] / STEP_V).astype(np.int32),
        "others": np.round((stack - stack[0]) / STEP_V).astype(np.int16),
        "warm": warm.astype(np.float32),
    }
    info = {"step_s": float(seconds[1]), "soc": soc, "rms": rms, "mean_soc": float(mean_soc)}
    info |= {"mean_C": float(warm[moving].mean()), "members": lot}
    return f"{chemistry}-{course}", arrays, info


def build(workers: int = 2) -> None:
    """Solve all courses of both cells and write `FILE`."""
    work = [(chemistry, course) for chemistry in SETS for course in START]
    out: dict[str, np.ndarray] = {}
    notes: dict[str, Any] = {}
    with ProcessPoolExecutor(workers) as pool:
        for name, arrays, info in pool.map(_solve_course, work):
            out |= {f"{name}/{key}": value for key, value in arrays.items()}
            notes[name] = info
    np.savez_compressed(FILE, notes=np.array(json.dumps(notes)), **out)


if __name__ == "__main__":
    build()
