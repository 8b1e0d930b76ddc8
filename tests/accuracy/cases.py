"""Cases of the accuracy benchmark: a sound string, one planted fault, and a log that can show it.

`CAUSES` maps a cause to its recipe; a recipe takes a `Draft` (string, measuring chain, size factor), plants
the fault, runs the loads and returns. Clear faults are 3 times the least size of practical weight, slight
ones 1.5 times (`sample_logs.inject.MATERIAL`; common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sample_logs import inject
from sample_logs.curves import TOP_V
from sample_logs.loads import Bench, Bms
from sample_logs.meter import Meter
from sample_logs.string_model import String, make_string
from sample_logs.truth import Fault

SEVERITY = {"clear": 3.0, "slight": 1.5}


@dataclass
class Draft:
    """One case in the making.

    Attributes
    ----------
    times
        Size of the fault over the least size of practical weight.
    limits
        Replaces the pack file's limits where the case needs its own.
    """

    rng: np.random.Generator
    string: String
    meter: Meter
    bench: Bench
    times: float
    faults: list[Fault] = field(default_factory=list)
    limits: dict[str, float] | None = None
    note: str = ""

    @property
    def n(self) -> int:
        return self.string.cells

    def a_cell(self) -> int:
        """Return one cell (from 1), any."""
        return int(self.rng.integers(1, self.n + 1))


def draft(
    seed: list[int],
    times: float,
    *,
    chemistry: str | None = None,
    soc: float = 0.85,
    capacity_Ah: float | None = None,
    rates_s: tuple[float, ...] = (1.0,),
    most_cells: int = 96,
    ambient_C: float | None = None,
    bms: Bms | None = None,
    **more: Any,
) -> Draft:
    """Return a sound string of 8-96 cells and a measuring chain within the habits of loggers."""
    rng = np.random.default_rng(seed)
    sizes = [n for n in (8, 12, 14, 16, 16, 24, 32, 48, 96) if n <= most_cells]
    n = int(rng.choice(sizes))
    chemistry = chemistry or str(rng.choice(["NMC", "LFP"]))
    capacity = capacity_Ah or float(rng.choice([40.0, 60.0, 100.0, 160.0, 200.0]))
    per_module = int(rng.choice([4, 4, 6, 8])) if n >= 12 else 4
    string = make_string(n, chemistry, capacity, rng, soc=soc, cells_per_module=per_module, **more)
    meter = Meter(
        volt_step=float(rng.choice([0.001, 0.001, 0.001, 0.002, 0.005])),
        volt_noise=rng.uniform(0.0003, 0.0008),
        current_noise=capacity * rng.uniform(0.002, 0.006),
        current_step=float(rng.choice([0.1, 0.1, 0.5])),
        current_gain=1 + float(np.clip(rng.normal(0, 0.005), -0.015, 0.015)),
        current_zero=capacity * rng.uniform(-0.0008, 0.0008),
        current_lag_s=rng.uniform(-0.3, 0.3),
        scan_s=float(rng.choice([0.0, rng.uniform(0.05, 0.4)])),
        missing=float(rng.choice([0.0, rng.uniform(0, 0.005)])),
        wire_ohm=rng.uniform(0.01, 0.04),
    )
    ambient = float(rng.uniform(8, 30)) if ambient_C is None else ambient_C
    every = float(rng.choice(rates_s))
    fine = min(0.1, every)
    bench = Bench(string, rng, ambient_C=ambient, log_every_s=every, bms=bms, fine_s=fine)
    return Draft(rng, string, meter, bench, times)


DRIVE_RATES = (0.1, 0.2, 1.0, 1.0, 1.0, 2.0)


def _trip(d: Draft, minutes: tuple[float, float] = (25, 45)) -> None:
    d.bench.rest(d.rng.uniform(0.15, 0.5))
    d.bench.drive(d.rng.uniform(*minutes), rms_c=d.rng.uniform(0.45, 0.75))
    d.bench.rest(d.rng.uniform(0.3, 1.2))


def cell_resistance(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=DRIVE_RATES)
    d.faults.append(inject.cell_resistance(d.string, d.a_cell(), 0.10 * times))
    _trip(d)
    return d


def joint_resistance(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=DRIVE_RATES)
    cell = int(d.rng.choice([m[0] + 1 for m in d.string.modules[1:]] or [1]))
    d.faults.append(inject.joint_resistance(d.string, cell, 0.10 * times))
    _trip(d)
    return d


def weak_module(seed: list[int], times: float) -> Draft:
    """All cells of one module are aged, as a used module brings it."""
    d = draft(seed, times, rates_s=DRIVE_RATES)
    module = d.string.modules[int(d.rng.integers(0, len(d.string.modules)))]
    if len(module) > d.n / 3:  # at most a third of the string, or it is not clear who differs from whom
        module = module[: max(2, d.n // 4)]
    sizes = 0.10 * times * d.rng.uniform(0.92, 1.08, len(module))
    planted = [inject.cell_resistance(d.string, int(c) + 1, x) for c, x in zip(module, sizes, strict=True)]
    cells = tuple(f.cells[0] for f in planted)
    d.faults.append(Fault("cell_resistance_high", cells, size=float(sizes.mean()), unit=inject.MEDIAN))
    _trip(d)
    return d


def two_at_once(seed: list[int], times: float) -> Draft:
    """A loose link and a temperature sensor that is off, in one drive."""
    d = draft(seed, times, rates_s=(0.5, 1.0), most_cells=48)
    cell = int(d.rng.choice([m[0] + 1 for m in d.string.modules[1:]]))
    d.faults.append(inject.joint_resistance(d.string, cell, 0.10 * times))
    sensor = int(d.rng.integers(1, len(d.string.sensors) + 1))
    d.faults.append(inject.temperature_fault(d.meter, d.string, sensor, "offset", 2.0 * times))
    _trip(d)
    return d


def capacity_low(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, soc=0.97, rates_s=(1.0, 2.0, 5.0))
    d.faults.append(inject.capacity_low(d.string, d.a_cell(), 0.03 * times))
    if d.rng.random() < 0.5:
        d.bench.rest(1.5)
        d.bench.discharge(0.33, until_soc=0.12)
        d.bench.rest(2.0)
    else:
        missing = (1 - d.string.soc) * d.string.capacity_Ah
        d.string.soc = 1 - (missing + 0.85 * d.string.nominal_Ah) / d.string.capacity_Ah
        _restart(d)
        d.bench.rest(1.0)
        d.bench.charge(0.3)
        d.bench.rest(1.0)
    return d


def _restart(d: Draft) -> None:
    """Let the bench start from the string as it now is."""
    b = d.bench
    d.bench = Bench(
        d.string, d.rng, ambient_C=b.ambient_C, log_every_s=b.log_every_s, bms=b.bms, fine_s=b.fine_s
    )


def _offset(seed: list[int], times: float, sign: int) -> Draft:
    d = draft(seed, times, soc=0.45, rates_s=(1.0, 2.0, 5.0), bms=Bms())
    d.faults.append(inject.soc_offset(d.string, d.a_cell(), sign * 0.01 * times))
    _restart(d)
    d.bench.rest(d.rng.uniform(0.2, 0.6))
    d.bench.charge(d.rng.uniform(0.2, 0.35))
    d.bench.rest(d.rng.uniform(0.5, 2.0))
    return d


def soc_offset_low(seed: list[int], times: float) -> Draft:
    return _offset(seed, times, -1)


def soc_offset_high(seed: list[int], times: float) -> Draft:
    return _offset(seed, times, +1)


LEAK_A_PER_AH = 14e-6
"""Leak that moves a cell by 1 % of charge in 30 days; common practice, no source."""


def self_discharge(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, chemistry="NMC")
    d.string.soc += d.rng.uniform(-0.35, 0.0)
    d.faults.append(inject.leak(d.string, d.a_cell(), LEAK_A_PER_AH * times * d.string.nominal_Ah))
    _restart(d)
    # Long enough for the leak to move the reading by two steps of the logger, a week or two.
    d.meter.volt_step = 0.001
    volts_per_day = LEAK_A_PER_AH * times * 24 * float(d.string.curve.slope(np.median(d.string.soc)))
    days = int(np.clip(np.ceil(0.002 / volts_per_day), 6, 14))
    d.bench.park(days, log_every_s=float(d.rng.choice([3600.0, 3600.0, 1800.0])), swing_C=2.0)
    return d


def tap_open(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(0.5, 1.0, 2.0))
    d.faults.append(
        inject.tap_open(d.meter, d.n, int(d.rng.integers(1, d.n)), 0.02 * times * d.rng.choice([1, 3]))
    )
    _trip(d)
    return d


def tap_resistive(seed: list[int], times: float) -> Draft:
    """Enough ohms to shift the bled cell's reading by `times` 5 mV; both cells bleed in turns.

    Bled together they would hide it: their currents cancel in the wire between them.
    """
    d = draft(seed, times, soc=0.75, rates_s=(1.0, 2.0), bms=Bms(alternate=True))
    tap = int(d.rng.integers(1, d.n))
    d.string.soc[tap - 1 : tap + 1] += d.rng.uniform(0.006, 0.009)
    _restart(d)
    amps = TOP_V[d.string.chemistry] / d.string.bleed_ohm
    d.faults.append(inject.tap_resistive(d.meter, d.n, tap, 0.005 * times / amps))
    d.bench.rest(0.2)
    d.bench.charge(0.3)
    d.bench.rest(1.5)
    return d


def taps_swapped(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(1.0, 2.0))
    d.faults.append(inject.taps_swapped(d.meter, d.n, int(d.rng.integers(1, d.n))))
    _trip(d)
    return d


def channel_stuck(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(0.5, 1.0, 2.0))
    share = 0.0 if times > 2 else d.rng.uniform(0.1, 0.5)
    d.faults.append(inject.channel_stuck(d.meter, d.a_cell(), share))
    _trip(d)
    return d


def channel_offset(seed: list[int], times: float) -> Draft:
    """One reading, or all of a board of 12 where there are two boards or more; charge covers a wide span."""
    d = draft(seed, times, soc=0.92, rates_s=(1.0, 2.0))
    volts = 0.005 * times * (1 if d.string.chemistry == "NMC" else 2) * d.rng.choice([-1, 1])
    which = (d.a_cell(),)
    if d.n >= 24 and d.rng.random() < 0.3:
        board = int(d.rng.integers(0, d.n // 12))
        which = tuple(range(board * 12 + 1, board * 12 + 13))
    d.faults.append(inject.channel_offset(d.meter, d.n, which, volts))
    d.bench.rest(1.0)
    d.bench.drive(60, rms_c=0.7)
    d.bench.rest(0.5)
    d.bench.drive(30, rms_c=0.7)
    d.bench.rest(1.5)
    return d


def temperature_fault(seed: list[int], times: float) -> Draft:
    kind = str(
        np.random.default_rng([*seed, 1]).choice(["open", "short", "stuck", "offset", "offset", "beta"])
    )
    cold = kind == "beta"
    d = draft(
        seed,
        times,
        rates_s=(1.0, 2.0),
        ambient_C=(-12.0 if times > 2 else -3.0) if cold else None,
        most_cells=48,
    )
    size = 2.0 * times * d.rng.choice([-1, 1]) if kind == "offset" else 0.0
    d.faults.append(
        inject.temperature_fault(
            d.meter, d.string, int(d.rng.integers(1, len(d.string.sensors) + 1)), kind, size
        )
    )
    d.note = kind
    if cold:
        d.limits = {"charge_temperature_min_C": -30.0}
    _trip(d, (35, 50))
    return d


HOT = 0.20
"""Least extra rise per ampere squared of practical weight, as a fraction; common practice, no source."""


def runs_hot(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(1.0, 2.0), soc=0.95)
    d.faults.append(inject.hot_spot(d.string, int(d.rng.integers(1, len(d.string.sensors) + 1)), HOT * times))
    _restart(d)
    d.bench.rest(0.3)
    d.bench.drive(40, rms_c=0.7)
    d.bench.rest(2.5)
    d.bench.drive(40, rms_c=0.7)
    d.bench.rest(0.3)
    return d


def bleed_ineffective(seed: list[int], times: float) -> Draft:
    """Several cells come fuller and are bled for long after the charge; in one of them nothing flows."""
    d = draft(
        seed,
        times,
        chemistry="NMC",
        soc=0.8,
        capacity_Ah=40.0,
        rates_s=(5.0, 10.0),
        bms=Bms(above_mV=3.0),
        most_cells=48,
    )
    some = d.rng.choice(d.n, size=4, replace=False)
    d.string.soc[some] += 0.012 * times * d.rng.uniform(0.9, 1.1, 4)
    _restart(d)
    d.faults.append(inject.bleed_dead(d.string, int(some[0]) + 1))
    d.bench.rest(0.2)
    d.bench.charge(0.25, end_c=0.03)
    d.bench.rest(8.0 * times)
    return d


def bleed_misplaced(seed: list[int], times: float) -> Draft:
    """Either the commands of two cells act on each other, or LFP cells are bled on the plateau."""
    crossed = bool(np.random.default_rng([*seed, 1]).random() < 0.5)
    if crossed:
        d = draft(
            seed,
            times,
            chemistry="NMC",
            soc=0.8,
            capacity_Ah=40.0,
            rates_s=(5.0, 10.0),
            bms=Bms(above_mV=3.0),
            most_cells=48,
        )
        some = d.rng.choice(d.n, size=4, replace=False)
        d.string.soc[some[:3]] += 0.012 * times * d.rng.uniform(0.9, 1.1, 3)
        _restart(d)
        d.faults.append(inject.bleed_crossed(d.string, int(some[0]) + 1, int(some[3]) + 1))
        d.bench.rest(0.2)
        d.bench.charge(0.25, end_c=0.03)
        d.bench.rest(8.0 * times)
    else:
        rule = Bms(from_V=3.2, above_mV=2.0)
        d = draft(
            seed,
            times,
            chemistry="LFP",
            soc=0.55,
            capacity_Ah=40.0,
            rates_s=(2.0, 5.0),
            bms=rule,
            most_cells=48,
        )
        high = d.a_cell()
        bled = np.zeros(d.n, bool)
        while not bled.any():  # a fault that never acts is none
            d.string.r0_ohm[high - 1] *= 1.04
            _restart(d)
            d.bench.charge(0.3, until_soc=0.55 + 0.1 * times)
            d.bench.rest(0.5)
            bled = d.bench.trace().bleed.any(axis=0)
        d.faults.append(Fault("bleed_misplaced", tuple(int(c) + 1 for c in np.flatnonzero(bled)), unit="Ah"))
    d.note = "crossed" if crossed else "plateau"
    return d


def limit_exceeded(seed: list[int], times: float) -> Draft:
    """The leading cell is held above the limit of its data sheet at the end of a charge."""
    d = draft(seed, times, soc=0.7, rates_s=(1.0, 2.0))
    top = TOP_V[d.string.chemistry]
    d.limits = {"voltage_max_V": round(top - 0.005 * times - 0.003, 4)}
    d.bench.rest(0.2)
    d.bench.charge(0.3)
    d.bench.rest(0.5)
    peak = d.bench.trace().volts.max(axis=0)
    over = np.flatnonzero(peak >= peak.max() - 1e-9)
    d.faults.append(
        Fault(
            "limit_exceeded",
            tuple(int(c) + 1 for c in over),
            size=peak.max() - d.limits["voltage_max_V"],
            unit="V",
        )
    )
    return d


def cold_charge(seed: list[int], times: float) -> Draft:
    """Driven with regeneration, or charged, below the limit of charging temperature."""
    d = draft(seed, times, soc=0.8, rates_s=(1.0, 2.0), ambient_C=-3.0 * times)
    if d.rng.random() < 0.5:
        _trip(d)
        d.note = "regeneration"
    else:
        d.bench.rest(0.3)
        d.bench.charge(0.2, until_soc=0.9)
        d.bench.rest(0.3)
        d.note = "charge"
    d.faults.append(Fault("cold_charge", unit="Ah"))
    return d


def current_zero(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(1.0, 2.0))
    d.meter.current_zero = 0.0
    d.faults.append(inject.current_zero(d.meter, times * d.string.nominal_Ah / 200 * d.rng.choice([-1, 1])))
    _trip(d)
    return d


def log_quality(seed: list[int], times: float) -> Draft:
    d = draft(seed, times, rates_s=(1.0,))
    kind = str(d.rng.choice(["gap", "held", "refresh"]))
    d.note = kind
    if kind == "gap":
        d.meter.gaps = ((d.rng.uniform(0.2, 0.4), 0.1 * times),)
    elif kind == "held":
        d.meter.held = 0.12 * times
    else:
        d.meter.refresh_s = round(3.0 * times)
    d.faults.append(Fault("log_quality"))
    _trip(d)
    return d


CAUSES: dict[str, Callable[[list[int], float], Draft]] = {
    "cell_resistance_high": cell_resistance,
    "joint_resistance_high": joint_resistance,
    "weak_module": weak_module,
    "two_at_once": two_at_once,
    "capacity_low": capacity_low,
    "soc_offset_low": soc_offset_low,
    "soc_offset_high": soc_offset_high,
    "self_discharge_high": self_discharge,
    "tap_open": tap_open,
    "tap_resistive": tap_resistive,
    "taps_swapped": taps_swapped,
    "channel_stuck": channel_stuck,
    "channel_offset": channel_offset,
    "temperature_sensor_fault": temperature_fault,
    "runs_hot": runs_hot,
    "bleed_ineffective": bleed_ineffective,
    "bleed_misplaced": bleed_misplaced,
    "limit_exceeded": limit_exceeded,
    "cold_charge": cold_charge,
    "current_sensor_zero": current_zero,
    "log_quality": log_quality,
}
"""Every cause but `cell_or_joint_resistance_high`, which is an answer and not a fault."""
