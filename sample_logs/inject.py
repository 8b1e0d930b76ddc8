"""Plant faults: each function changes the string or the measuring chain and returns the fault's truth.

`MATERIAL` is the least size of practical weight: differences below it are the spread of sound cells.
Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from sample_logs.meter import Meter, SensorFault
from sample_logs.string_model import String, resistance_10s
from sample_logs.truth import Fault

MEDIAN = "fraction of pack median"
MATERIAL = {
    "cell_resistance_high": 0.10,
    "joint_resistance_high": 0.10,
    "capacity_low": 0.03,
    "soc_offset_low": 0.01,
    "soc_offset_high": 0.01,
    "channel_offset": 0.005,
    "temperature_sensor_fault": 2.0,
}
"""Fractions; the shifted reading in V (twice that on LFP), the temperature in K."""


def _middle(string: String, temperature_C: float = 20.0) -> float:
    """Return the pack's median resistance 10 s into a load [ohm], at half charge."""
    own, joint = resistance_10s(string, np.full(string.cells, 0.5), np.full(string.cells, temperature_C))
    return float(np.median(own + joint))


def cell_resistance(string: String, cell: int, fraction: float) -> Fault:
    """Age cell `cell` (from 1) so that it reads `fraction` above the pack's median."""
    own, joint = resistance_10s(string, np.full(string.cells, 0.5), np.full(string.cells, 20.0))
    factor = ((1 + fraction) * np.median(own + joint) - joint[cell - 1]) / own[cell - 1]
    string.r0_ohm[cell - 1] *= factor
    string.pairs_ohm[:, cell - 1] *= factor
    return Fault("cell_resistance_high", (cell,), size=fraction, unit=MEDIAN)


def joint_resistance(string: String, cell: int, fraction: float) -> Fault:
    """Loosen the link in the tap of `cell`: the added ohms are `fraction` of the median cell resistance."""
    ohm = fraction * _middle(string)
    string.joint_ohm[cell - 1] += ohm
    return Fault("joint_resistance_high", (cell,), size=ohm, unit="ohm")


def capacity_low(string: String, cell: int, fraction: float) -> Fault:
    """Make `cell` hold `fraction` less than the median; its charge in Ah below full stays as it was."""
    missing = (1 - string.soc[cell - 1]) * string.capacity_Ah[cell - 1]
    string.capacity_Ah[cell - 1] = (1 - fraction) * np.median(string.capacity_Ah)
    string.soc[cell - 1] = 1 - missing / string.capacity_Ah[cell - 1]
    return Fault("capacity_low", (cell,), size=-fraction, unit=MEDIAN)


def soc_offset(string: String, cell: int, fraction: float) -> Fault:
    """Set `cell` apart from the pack's median by `fraction` of charge; negative = emptier."""
    others = np.delete(string.soc, cell - 1)
    string.soc[cell - 1] = np.median(others) + fraction
    cause = "soc_offset_low" if fraction < 0 else "soc_offset_high"
    return Fault(cause, (cell,), size=fraction, unit="fraction")


def leak(string: String, cell: int, amps: float) -> Fault:
    """Let `cell` lose `amps` more than the others."""
    string.leak_A[cell - 1] = np.median(string.leak_A) + amps
    return Fault("self_discharge_high", (cell,), size=amps, unit="A")


def hot_spot(string: String, sensor: int, fraction: float) -> Fault:
    """Cool the cells near `sensor` (from 1) worse, so that they warm `fraction` more per ampere squared."""
    near = string.sensors[sensor - 1]
    string.cooling_K_W[near] *= 1 + fraction
    return Fault("runs_hot", tuple(int(c) + 1 for c in near), sensor=sensor, size=fraction, unit=MEDIAN)


def tap_open(meter: Meter, cells: int, tap: int, volts: float) -> Fault:
    """Take off the sense wire between cells `tap` and `tap` + 1."""
    meter.open_taps[tap] = volts
    return Fault("tap_open", tuple(c for c in (tap, tap + 1) if 1 <= c <= cells), size=volts, unit="V")


def tap_resistive(meter: Meter, cells: int, tap: int, ohm: float) -> Fault:
    """Put `ohm` into the sense wire between cells `tap` and `tap` + 1."""
    meter.tap_ohm[tap] = ohm
    return Fault("tap_resistive", tuple(c for c in (tap, tap + 1) if 1 <= c <= cells), size=ohm, unit="ohm")


def taps_swapped(meter: Meter, cells: int, tap: int) -> Fault:
    """Swap the sense wires `tap` and `tap` + 1: cells `tap`, `tap` + 1, `tap` + 2 read wrong."""
    meter.swapped_taps = (*meter.swapped_taps, tap)
    return Fault("taps_swapped", tuple(c for c in (tap, tap + 1, tap + 2) if 1 <= c <= cells), unit="V")


def channel_stuck(meter: Meter, cell: int, share: float = 0.0) -> Fault:
    """Let the reading of `cell` stand still from `share` of the log on."""
    meter.stuck[cell - 1] = share
    return Fault("channel_stuck", (cell,), unit="V")


def channel_offset(meter: Meter, cells: int, which: tuple[int, ...], volts: float) -> Fault:
    """Shift the readings of the cells `which`: one channel, or all of one board."""
    if meter.channel_offset is None:
        meter.channel_offset = np.zeros(cells)
    meter.channel_offset[[c - 1 for c in which]] += volts
    return Fault("channel_offset", which, size=volts, unit="V")


def temperature_fault(meter: Meter, string: String, sensor: int, kind: str, size: float = 0.0) -> Fault:
    """Spoil temperature sensor `sensor` (from 1)."""
    meter.sensor_faults = (*meter.sensor_faults, SensorFault(sensor - 1, kind, size))
    near = tuple(int(c) + 1 for c in string.sensors[sensor - 1])
    return Fault("temperature_sensor_fault", near, sensor=sensor, size=size or None, unit="degC")


def bleed_dead(string: String, cell: int) -> Fault:
    """Break the bleed switch of `cell`: the command stands, nothing flows."""
    string.bleed_works[cell - 1] = 0.0
    return Fault("bleed_ineffective", (cell,), size=0.0, unit="fraction")


def bleed_crossed(string: String, a: int, b: int) -> Fault:
    """Let the bleed commands of cells `a` and `b` act on each other."""
    string.bleed_acts_on[[a - 1, b - 1]] = string.bleed_acts_on[[b - 1, a - 1]]
    return Fault("bleed_misplaced", (a, b), unit="Ah")


def current_zero(meter: Meter, amps: float) -> Fault:
    """Shift the current reading by `amps`."""
    meter.current_zero += amps
    return Fault("current_sensor_zero", size=amps, unit="A")
