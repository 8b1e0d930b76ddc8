"""A series string of cells as a circuit: fast, vectorised over the cells, with a truth that is known.

Use, from a plan of what the vehicle did to arrays as a logger wrote them::

    rng = np.random.default_rng(7)
    string = make_string(16, "NMC", capacity_Ah=100, rng=rng, soc=0.85)   # a healthy lot
    faults = [inject.cell_resistance(string, cell=5, fraction=0.3)]       # sample_logs.inject
    bench = Bench(string, rng, ambient_C=18, log_every_s=1.0)             # sample_logs.loads
    bench.rest(hours=0.5); bench.drive(minutes=30); bench.rest(hours=1); bench.charge(rate_c=0.3)
    meter = Meter(volt_step=0.001, current_lag_s=0.2)                     # sample_logs.meter
    logged = meter.read(bench.trace(), rng, string.sensors, string.outside_taps_ohm)
    truth = truth_of(bench, meter, faults)                                # sample_logs.truth

Each cell: an open-circuit curve with hysteresis, a series resistance, five RC pairs (0.3 to 900 s) that
all rise with falling temperature (Arrhenius, ohmic part less than the rest) and towards empty, a link in
its tap, a leak, a place with its own cooling. Current is positive while the string discharges; cells count
from pack negative.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from sample_logs.curves import Curve, curve

TAUS_S = np.array([0.3, 3.0, 25.0, 150.0, 900.0])
"""Time constants of the RC pairs [s]; more of them, and others, than any estimator uses."""
R0_OHM_100AH = 0.55e-3
PAIRS_OHM_100AH = np.array([0.10e-3, 0.16e-3, 0.30e-3, 0.22e-3, 0.18e-3])
"""Resistances of a 100 Ah cell at half charge and 25 degC [ohm]; about 1.03 mohm 10 s into a load."""
EA_OHMIC_EV, EA_PAIRS_EV = 0.15, 0.36
BOLTZMANN_EV_K = 8.617333e-5
COPPER_PER_K = 0.00393


@dataclass
class String:
    """What the string is made of; one value per cell where not said otherwise.

    Attributes
    ----------
    capacity_Ah, soc
        Capacity, and state of charge 0..1 before the first step.
    r0_ohm, pairs_ohm
        (cells,) and (pairs, cells) at half charge and 25 degC.
    joint_ohm
        Link inside the cell's tap, at 25 degC.
    leak_A
        Self-discharge, or a load across this cell alone.
    cooling_K_W, heat_J_K
        Thermal resistance to the air and heat capacity.
    air_offset_C
        Air at this place less the ambient.
    outside_taps_ohm
        Contactors, fuse and links that no tap sees (one value).
    sensors
        Cells (0-based) that each temperature sensor sits nearest to.
    bleed_ohm, bleed_works
        Resistor, and 1 where its switch works, 0 where it does not.
    bleed_acts_on
        Cell (0-based) that the command for each cell acts on.
    bend
        Where lots are mixed: how far the features of each cell's curve lie apart, as a fraction of charge.
    """

    chemistry: str
    curve: Curve
    nominal_Ah: float
    capacity_Ah: np.ndarray
    soc: np.ndarray
    r0_ohm: np.ndarray
    pairs_ohm: np.ndarray
    joint_ohm: np.ndarray
    leak_A: np.ndarray
    cooling_K_W: np.ndarray
    heat_J_K: np.ndarray
    air_offset_C: np.ndarray
    modules: list[np.ndarray]
    sensors: list[np.ndarray]
    outside_taps_ohm: float
    bleed_ohm: float
    bleed_works: np.ndarray
    bleed_acts_on: np.ndarray
    taus_s: np.ndarray = field(default_factory=lambda: TAUS_S.copy())
    bend: np.ndarray | None = None

    @property
    def cells(self) -> int:
        """Number of cells in series."""
        return len(self.capacity_Ah)

    def open_circuit(self, soc: np.ndarray) -> np.ndarray:
        """Return the open-circuit voltage [V] of each cell at `soc` (..., cells)."""
        bent = soc if self.bend is None else soc + self.bend * np.sin(2 * np.pi * soc)
        return self.curve.at(bent)


@dataclass
class State:
    """What changes from step to step: charge, RC voltages, hysteresis, temperature."""

    soc: np.ndarray
    pairs_V: np.ndarray
    hysteresis_V: float
    temperature_C: np.ndarray


@dataclass(frozen=True)
class Response:
    """What the string did during some steps, at the start of each: (steps,) or (steps, cells)."""

    current: np.ndarray
    volts: np.ndarray
    temperature: np.ndarray
    soc: np.ndarray


def spread(rng: np.random.Generator, n: int, half_width: float) -> np.ndarray:
    """Return n lot deviations: normal, standard deviation 0.4 of `half_width`, none beyond it."""
    return np.clip(rng.normal(0.0, 0.4 * half_width, n), -half_width, half_width)


def make_string(
    n: int,
    chemistry: str,
    capacity_Ah: float,
    rng: np.random.Generator,
    *,
    soc: float = 0.8,
    temperature_C: float = 20.0,
    cells_per_module: int = 4,
    r_spread: float = 0.035,
    q_spread: float = 0.012,
    soc_spread: float = 0.004,
    joint_share: float = 0.015,
    bend: float = 1.0,
    cells_per_sensor: int | None = None,
    bleed_ohm: float = 33.0,
) -> String:
    """Return a healthy string: one lot of cells, balanced, links at the first cell of each later module.

    Spreads are half-widths, as fractions of resistance, capacity and charge; `joint_share` is the link's
    resistance as a fraction of the cell's own after 10 s.
    """
    scale = 100.0 / capacity_Ah
    alike = 1.0 + spread(rng, n, r_spread)
    modules = [np.arange(k, min(k + cells_per_module, n)) for k in range(0, n, cells_per_module)]
    starts = np.array([m[0] for m in modules[1:]], dtype=int)
    joint = np.zeros(n)
    joint[starts] = joint_share * 1.03e-3 * scale * (1 + 0.3 * rng.normal(size=len(starts)).clip(-2, 2))
    group = cells_per_sensor or cells_per_module
    sensors = [np.arange(k, min(k + group, n)) for k in range(0, n, group)]
    place = 1.0 + 0.06 * np.cos(np.linspace(-np.pi / 2, np.pi / 2, n)) + spread(rng, n, 0.02)
    heat = 22.0 * capacity_Ah * np.ones(n)  # about 1000 J/(kg K) at 2.2 kg per 100 Ah
    return String(
        chemistry=chemistry,
        curve=curve(chemistry, rng if bend else None, bend),
        nominal_Ah=capacity_Ah,
        capacity_Ah=capacity_Ah * (1 + rng.uniform(-0.01, 0.02)) * (1 + spread(rng, n, q_spread)),
        soc=soc + spread(rng, n, soc_spread),
        r0_ohm=R0_OHM_100AH * scale * alike,
        pairs_ohm=PAIRS_OHM_100AH[:, None] * scale * alike * (1 + spread(rng, n, r_spread / 3)),
        joint_ohm=joint,
        leak_A=capacity_Ah * 5e-6 * (1 + 0.2 * rng.normal(size=n)),
        cooling_K_W=place * 2700.0 / heat,
        heat_J_K=heat,
        air_offset_C=np.zeros(n),
        modules=modules,
        sensors=sensors,
        outside_taps_ohm=rng.uniform(1.0, 3.0) * 1e-3 * scale,
        bleed_ohm=bleed_ohm,
        bleed_works=np.ones(n),
        bleed_acts_on=np.arange(n),
    )


def rested(string: String, temperature_C: float) -> State:
    """Return the state of a string that has stood for long: no polarisation, all at one temperature."""
    return State(
        soc=string.soc.copy(),
        pairs_V=np.zeros((len(string.taus_s), string.cells)),
        hysteresis_V=0.0,
        temperature_C=temperature_C + string.air_offset_C,
    )


def arrhenius(temperature_C: np.ndarray, activation_eV: float) -> np.ndarray:
    """Return R(T) / R(25 degC)."""
    kelvin = np.asarray(temperature_C) + 273.15
    return np.exp(activation_eV / BOLTZMANN_EV_K * (1 / kelvin - 1 / 298.15))


def rise_with_emptiness(soc: np.ndarray) -> np.ndarray:
    """Return R(soc) / R(half full): flat in the middle, half as much again towards empty."""
    return 1.0 + 0.5 * np.exp(-np.clip(soc, 0, 1) / 0.10) + 0.04 * (0.5 - soc) - 0.5 * np.exp(-5.0)


def resistance_10s(
    string: String, soc: np.ndarray, temperature_C: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells' own resistance 10 s into a load and that of the links in their taps [ohm]."""
    share = 1.0 - np.exp(-10.0 / string.taus_s)
    own = string.r0_ohm * arrhenius(temperature_C, EA_OHMIC_EV)
    own = own + (share @ string.pairs_ohm) * arrhenius(temperature_C, EA_PAIRS_EV)
    return own * rise_with_emptiness(soc), string.joint_ohm * (1 + COPPER_PER_K * (temperature_C - 25.0))


def advance(
    string: String,
    state: State,
    current: np.ndarray,
    step_s: float,
    ambient_C: float,
    bleed: np.ndarray | None = None,
) -> Response:
    """Move `state` on by len(current) steps of `step_s` and return what the string did.

    `current` [A] holds over each step; `bleed` marks the cells whose resistor is commanded on throughout.
    Exact for the linear parts (each RC pair, charge, warmth) as long as current holds within a step.
    """
    n = len(current)
    drain = string.leak_A.copy()
    if bleed is not None and bleed.any():
        target = string.bleed_acts_on[bleed]
        np.add.at(
            drain, target, string.curve.at(state.soc[target]) / string.bleed_ohm * string.bleed_works[bleed]
        )
    per_step = step_s / 3600.0 / string.capacity_Ah
    moved = np.concatenate([[0.0], np.cumsum(current)])
    soc = state.soc - (moved[:-1, None] + np.arange(n)[:, None] * drain) * per_step
    emptiness = rise_with_emptiness(soc)
    warm = _warmth(string, state, current, step_s, ambient_C, emptiness[0])
    slow = emptiness * arrhenius(warm, EA_PAIRS_EV) * current[:, None]
    volts = string.open_circuit(soc) - _hysteresis(string, state, current, step_s)[:, None]
    volts -= emptiness * arrhenius(warm, EA_OHMIC_EV) * string.r0_ohm * current[:, None]
    volts -= string.joint_ohm * (1 + COPPER_PER_K * (warm - 25.0)) * current[:, None]
    for k, tau in enumerate(string.taus_s):
        keep = np.exp(-step_s / tau)
        drop, last = lfilter(
            [0.0, 1 - keep], [1.0, -keep], slow * string.pairs_ohm[k], axis=0, zi=state.pairs_V[k][None]
        )
        state.pairs_V[k] = last[0]
        volts -= drop
    state.soc = state.soc - (moved[-1] + n * drain) * per_step
    return Response(current, volts, warm, soc)


def _warmth(
    string: String, state: State, current: np.ndarray, step_s: float, ambient_C: float, emptiness: np.ndarray
) -> np.ndarray:
    """Temperature [degC] at the start of each step; heat by the resistance as it was before the first."""
    ohmic = string.r0_ohm * arrhenius(state.temperature_C, EA_OHMIC_EV)
    slow = string.pairs_ohm.sum(axis=0) * arrhenius(state.temperature_C, EA_PAIRS_EV)
    watts = current[:, None] ** 2 * ((ohmic + slow) * emptiness + string.joint_ohm)
    air = ambient_C + string.air_offset_C
    keep = np.exp(-step_s / np.median(string.cooling_K_W * string.heat_J_K))
    rise, last = lfilter(
        [0.0, 1 - keep],
        [1.0, -keep],
        watts * string.cooling_K_W,
        axis=0,
        zi=(state.temperature_C - air)[None],
    )
    state.temperature_C = air + last[0]
    return air + rise


def _hysteresis(string: String, state: State, current: np.ndarray, step_s: float) -> np.ndarray:
    """Hysteresis voltage [V], taken off the curve: turns over within a few per cent of charge moved."""
    half_gap, memory = string.curve.hysteresis_V, 0.03
    path = np.abs(current) * step_s / 3600.0 / string.nominal_Ah / memory
    out = np.empty(len(current))
    begin = 0
    while begin < len(current):  # in runs short enough for exp()
        run = np.cumsum(path[begin:])
        end = begin + max(1, int(np.searchsorted(run, 400.0)))
        s = np.concatenate([[0.0], run[: end - begin]])
        pull = np.concatenate([[0.0], np.cumsum(np.sign(current[begin:end]) * np.diff(np.exp(s)))])
        values = np.exp(-s) * (state.hysteresis_V + half_gap * pull)
        out[begin:end] = values[:-1]
        state.hysteresis_V = float(values[-1])
        begin = end
    return out
