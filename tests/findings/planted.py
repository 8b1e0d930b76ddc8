"""One case for each cause that a finding may name: a log in which it is planted, and its size worked out by hand."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bmslogs.base.pack import Limits
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import BENT, OHM, Floats, String, a_pack, city, rest, run, string, warmed

DRIVE = np.r_[rest(3), city(10), rest(5)]


def charge(ampere_hours: float) -> Floats:
    """Return an hour at rest, a charge at 30 A, an hour at rest; a row every ten seconds."""
    return np.r_[rest(60, 10), np.full(round(ampere_hours * 12.0), -30.0), rest(60, 10)]


@dataclass(frozen=True)
class Planted:
    """A cause, planted.

    Attributes
    ----------
    make
        Takes the size, returns the log.
    size, larger
        Size of the fault; the same fault many times as large (as far as physics lets it go).
    cells, place
        The cells that must be named, and how the sentence must name them; none for the pack as a whole.
    told
        What the finding's size must be for a planted size, by hand; None where the cause has none.
    loud
        Whether it is more than a note: a log that tells less is no fault of the pack.
    """

    make: Callable[[float], Log]
    size: float
    larger: float
    cells: tuple[int, ...]
    place: str
    told: Callable[[float], float] | None = lambda size: size
    loud: bool = True


def _weak_cell(more: float) -> Log:
    """Cell 6 has `more` of the usual 1 mohm on top: the median of twelve cells is that of the sound ones."""
    s = string()
    s.ohm[5] = (1.0 + more) * OHM
    return run(s, DRIVE)


def _two_part(s: String) -> String:
    """Give every cell 0.7 mohm at once and 0.4 mohm behind 25 s, in one proportion.

    10 s into a load that is 0.7 + 0.4 (1 - e^-0.4) = 0.832 mohm.
    """
    s.slow_ohm, s.ohm = 0.4 * s.ohm, 0.7 * s.ohm
    s.slow_ohm *= 1.0 + s.rng.normal(0, 0.005, s.n)
    return s


def _loose_link(ohm: float) -> Log:
    """The link in the tap of cell 5, the first of module F2, has `ohm` more, at once and at every time."""
    s = _two_part(string())
    s.ohm[4] += ohm
    return run(s, DRIVE)


def _cell_or_link(more: float) -> Log:
    """The same at one speed: with no part that grows with time nothing tells the cell from the link."""
    s = string()
    s.ohm[4] = (1.0 + more) * OHM
    return run(s, DRIVE)


def _loose_contact(ohm: float) -> Log:
    """A contact at cell 5 opens for one to three seconds, thirty times under load."""
    s, current = string(), DRIVE / 3.0
    log = run(s, current)
    rng = np.random.default_rng(3)
    holds = (np.roll(current, 1) == current) & (np.roll(current, -4) == current)
    at = rng.choice(np.flatnonzero((np.abs(current) > 10.0) & holds), 30, replace=False)
    rows = np.unique(np.concatenate([np.arange(k, k + int(rng.integers(1, 4))) for k in at]))
    volts = log.cell_voltage.copy()
    volts[rows, 4] -= ohm * current[rows]
    return replace(log, cell_voltage=np.round(volts, 3))


def _small_cell(lacks: float) -> Log:
    """Cell 6 holds less and would be full with the others: all lack 65 Ah, a larger part of the smaller cell."""
    s = string(soc=0.35)
    s.capacity[5] = 100.0 * (1.0 - lacks)
    s.soc[5] = 1.0 - 65.0 / s.capacity[5]
    return run(s, charge(60.0), 10)


def _other_charge(share: float) -> Log:
    """Cell 6 of the usual 100 Ah begins the charge with `share` more than the others."""
    s = string(soc=0.35)
    s.soc[5], s.capacity[5] = float(np.median(s.soc)) + share, float(np.median(s.capacity))
    return run(s, charge(60.0 - 100.0 * max(share, 0.0)), 10)


def _leak(amps: float) -> Log:
    """Parked for eight days, a row an hour; cell 6 loses `amps` more: 10 mA make 1.9 Ah, 23 mV of this curve."""
    s = string(soc=0.7)
    s.leak[5], s.noise_A = amps, 0.01
    return run(s, np.zeros(24 * 8), 3600)


def _mirror(volts: float) -> Log:
    """The wire between cells 5 and 6 hangs by a thread: what one reads more the other reads less."""
    s = string()
    log = run(s, DRIVE)
    rows = np.arange(log.rows)
    away = volts * np.sin(rows / 90.0) + s.rng.normal(0, 0.02, log.rows)
    readings = log.cell_voltage.copy()
    readings[:, 4] += away
    readings[:, 5] -= away
    return replace(log, cell_voltage=np.round(readings, 3))


def bled_through_wires(ohm: float, *, usual: float = 0.0, tap: int = 5, cells: int = 16) -> Log:
    """Charged at 20 A while the cells beside a wire are bled in turns, a minute each; that wire has `ohm`.

    The bleed current flows through both wires of its cell (Ohm's law, 33 ohm and the two in series), so that the
    reading is what is left at the resistor, and the neighbour on the other side of the wire reads as much more.
    """
    s = string(4, soc=0.75, cells=cells)
    rows = 1800
    current = np.full(rows, -20.0)
    current[:300] = 0.0
    log = run(s, current)
    flags = np.zeros((rows, cells), bool)
    for begin in range(400, 1600, 120):
        flags[begin : begin + 60, tap - 1] = True
        flags[begin + 60 : begin + 120, tap] = True
    flags[:, 11] = (np.arange(rows) % 200 > 120) & (np.arange(rows) > 400)
    wire = np.full(cells + 1, usual)
    wire[tap] = ohm
    amps = flags * log.cell_voltage / (33.0 + wire[:-1] + wire[1:])
    through = np.zeros((rows, cells + 1))
    through[:, 1:] += amps
    through[:, :-1] -= amps
    drop = through * wire
    return replace(log, cell_voltage=np.round(log.cell_voltage - np.diff(drop, axis=1), 3), bleed=flags)


def _swapped(_size: float) -> Log:
    """The wires between 5, 6 and 7 have changed places: cell 6 is read backwards, its neighbours with it on top."""
    log = run(string(), DRIVE)
    volts = log.cell_voltage.copy()
    five, six, seven = volts[:, 4].copy(), volts[:, 5].copy(), volts[:, 6].copy()
    volts[:, 4], volts[:, 5], volts[:, 6] = five + six, -six, six + seven
    return replace(log, cell_voltage=volts)


def _stuck(level: float) -> Log:
    """Channel 7 reads one value all along."""
    log = run(string(), DRIVE)
    volts = log.cell_voltage.copy()
    volts[:, 6] = level
    return replace(log, cell_voltage=volts)


def _shifted(volts: float) -> Log:
    """Cell 7 reads `volts` more through a whole discharge, over the bends of the curve."""
    s = string(pack=a_pack(ocv=BENT), soc=0.97)
    current = np.r_[rest(60, 10), np.full(1080, 30.0), rest(60, 10)]
    log = run(s, current, 10)
    readings = log.cell_voltage.copy()
    readings[:, 6] += volts
    return replace(log, cell_voltage=np.round(readings, 3))


WARM_DRIVE = np.r_[rest(3), city(20), rest(8)]


def warm_log(
    per_A2: tuple[float, ...] = (2e-3,) * 4, start_C: float = 20.0, noise_K: float = 0.05, seed: int = 1
) -> Log:
    """Return a drive of sixteen cells whose four places warm by `per_A2` [K/A^2] towards where they would stay."""
    s = string(seed, cells=16)
    warm = warmed(WARM_DRIVE, 1.0, per_A2, start_C=start_C)
    return run(s, WARM_DRIVE, temperature=np.round(warm + s.rng.normal(0, noise_K, warm.shape), 1))


def _sensor_off(kelvin: float) -> Log:
    log = warm_log()
    warm = log.temperature.copy()
    warm[:, 2] += kelvin
    return replace(log, temperature=warm)


def _hot(more: float) -> Log:
    return warm_log((2e-3, 2e-3 * (1.0 + more), 2e-3, 2e-3))


BLEED_H, BLEED_AMPS = 9.0, 4.02 / 33.0
"""Hours bled, and Ohm's law at the 4.02 V of 85 % of charge: 0.122 A, 1.1 Ah in all."""


def bled_at_rest(commanded: tuple[int, ...], works: dict[int, float], hours: float = BLEED_H) -> Log:
    """Return ten hours at rest: cells told to bleed from the second hour on, and the share of it that each loses."""
    s, every = string(3, soc=0.85, cells=16), 60.0
    rows = round((hours + 1.0) * 60.0)
    log = run(s, np.zeros(rows), every)
    flags = np.zeros((rows, 16), bool)
    flags[60:, np.array(commanded) - 1] = True
    amps = np.array([works.get(c, 0.0) for c in log.cells]) * BLEED_AMPS
    taken = np.maximum(np.arange(rows) - 60, 0)[:, None] * every / 3600.0 * amps / s.capacity * 1.2
    return replace(log, cell_voltage=np.round(log.cell_voltage - taken, 3), bleed=flags)


def _above(volts: float) -> Log:
    """Cell 6 is `volts` above the limit for ten minutes while the pack stands full, the others 20 mV below it."""
    s = string(pack=a_pack(limits=Limits(voltage_max_V=4.1)), soc=0.90, lot=0.0)
    log = run(s, rest(25))
    readings = log.cell_voltage.copy()
    readings[400:1000, 5] += 0.02 + volts
    return replace(log, cell_voltage=np.round(readings, 3))


def _cold(ampere_hours: float) -> Log:
    """An hour at -5 degC in which `ampere_hours` go in at a steady current."""
    s = string(pack=a_pack(limits=Limits(charge_temperature_min_C=0.0)), soc=0.4)
    log = run(s, np.r_[rest(10, 5), np.full(720, -ampere_hours), rest(10, 5)], 5)
    return replace(log, temperature=np.full((log.rows, 3), -5.0))


def _zero(amps: float) -> Log:
    """Ten hours at rest in which the sensor reads `amps`, and the voltages stand."""
    log = run(string(), np.zeros(600), 60)
    return replace(log, current=log.current + amps)


def _holes(share: float) -> Log:
    """A share of all cell readings is missing, one by one."""
    log = run(string(), DRIVE)
    volts = log.cell_voltage.copy()
    volts[np.random.default_rng(8).random(volts.shape) < share] = np.nan
    return replace(log, cell_voltage=volts)


def _nominal(times: float) -> Log:
    """75 Ah go through a string in one charge whose pack file says 100 Ah over `times`."""
    return run(string(lot=0.2, pack=a_pack(nominal_capacity_Ah=100.0 / times), soc=0.2), charge(75.0), 10)


CELL_5, CELL_6, CELL_7 = (f"front box, module F2, cell {c}" for c in (5, 6, 7))
CASES: dict[str, Planted] = {
    "cell_resistance_high": Planted(_weak_cell, 0.3, 3.0, (6,), CELL_6),
    "joint_resistance_high": Planted(_loose_link, 1.6e-3, 16e-3, (5,), CELL_5),
    "cell_or_joint_resistance_high": Planted(_cell_or_link, 0.3, 3.0, (5,), CELL_5),
    "joint_loose": Planted(_loose_contact, 3e-3, 30e-3, (5,), CELL_5),
    "capacity_low": Planted(_small_cell, 0.06, 0.3, (6,), CELL_6, lambda size: -size),
    "soc_offset_low": Planted(_other_charge, -0.03, -0.3, (6,), CELL_6),
    "soc_offset_high": Planted(_other_charge, 0.03, 0.3, (6,), CELL_6),
    "self_discharge_high": Planted(_leak, 0.01, 0.1, (6,), CELL_6),
    "tap_open": Planted(_mirror, 0.15, 1.5, (5, 6), "front box, module F2, cells 5 and 6", None),
    "tap_resistive": Planted(bled_through_wires, 0.3, 3.0, (5, 6), "front box, module F2, cells 5 and 6"),
    "taps_swapped": Planted(_swapped, 1.0, 1.0, (5, 6, 7), "front box, module F2, cells 5, 6 and 7", None),
    "channel_stuck": Planted(_stuck, 3.912, 0.0, (7,), CELL_7, None),
    "channel_offset": Planted(_shifted, 0.03, 0.3, (7,), CELL_7),
    "temperature_sensor_fault": Planted(
        _sensor_off, 10.0, 100.0, (9, 10, 11, 12), "sensor TR3 (rear box, module R3, cells 9 to 12)"
    ),
    "runs_hot": Planted(_hot, 0.3, 3.0, (5, 6, 7, 8), "sensor TF2 (front box, module F2, cells 5 to 8)"),
    "bleed_ineffective": Planted(
        lambda works: bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 9: works}),
        0.3,
        0.0,
        (9,),
        "rear box, module R3, cell 9",
    ),
    "bleed_misplaced": Planted(
        lambda works: bled_at_rest((2, 5, 9), {2: 1.0, 5: 1.0, 12: works}),
        1.0,
        1.0,
        (9, 12),
        "rear box, module R3, cells 9 and 12",
        lambda works: works * BLEED_AMPS * BLEED_H,
    ),
    "limit_exceeded": Planted(_above, 0.02, 0.2, (6,), CELL_6),
    "cold_charge": Planted(_cold, 5.0, 50.0, tuple(range(1, 13)), "-5.0 degC"),
    "current_sensor_zero": Planted(_zero, 1.5, 60.0, (), "The current reads +"),
    "log_quality": Planted(_holes, 0.15, 0.28, (), "The log itself", None, loud=False),
    "pack_file_mismatch": Planted(_nominal, 2.0, 20.0, (), "The pack file says nominal_capacity_Ah = ", None),
}


@functools.cache
def planted_log(cause: str, size: float) -> tuple[Log, Diagnosis]:
    """Return the log of a planted cause and what is told of it; each is made once."""
    log = CASES[cause].make(size)
    return log, diagnose(log)


def told_of(cause: str, larger: bool = False) -> tuple[Log, Diagnosis, Finding]:
    """Return a planted log, what is told of it, and the one finding of the cause."""
    log, found = planted_log(cause, CASES[cause].larger if larger else CASES[cause].size)
    (one,) = [f for f in found.findings if f.cause == cause]
    return log, found, one
