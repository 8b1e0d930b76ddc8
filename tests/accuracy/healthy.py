"""Healthy packs, among them those that tempt a diagnosis to see a fault."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sample_logs.loads import Bms
from sample_logs.string_model import spread
from tests.accuracy.cases import DRIVE_RATES, Draft, _restart, draft


def trip(seed: list[int]) -> Draft:
    """A drive between rests."""
    d = draft(seed, 0.0, rates_s=DRIVE_RATES)
    d.bench.rest(d.rng.uniform(0.1, 0.6))
    d.bench.drive(d.rng.uniform(15, 50), rms_c=d.rng.uniform(0.4, 0.8))
    d.bench.rest(d.rng.uniform(0.2, 1.5))
    return d


def charge(seed: list[int]) -> Draft:
    """A charge to full with taper, bleeding and rest."""
    d = draft(
        seed,
        0.0,
        soc=np.random.default_rng(seed).uniform(0.1, 0.7),
        rates_s=(1.0, 2.0, 5.0),
        bms=Bms(alternate=bool(seed[1] % 2)),
    )
    d.bench.rest(0.3)
    d.bench.charge(d.rng.uniform(0.15, 0.4))
    d.bench.rest(d.rng.uniform(0.3, 2.0))
    return d


def day(seed: list[int]) -> Draft:
    """Drive, rest and charge in one log."""
    d = draft(seed, 0.0, rates_s=(1.0, 2.0), bms=Bms(), most_cells=48)
    d.bench.rest(0.3)
    d.bench.drive(30, rms_c=0.6)
    d.bench.rest(0.7)
    d.bench.charge(0.3)
    d.bench.rest(0.7)
    return d


def span(seed: list[int]) -> Draft:
    """A full discharge at a constant rate between rests."""
    d = draft(seed, 0.0, soc=0.98, rates_s=(2.0, 5.0))
    d.bench.rest(1.0)
    d.bench.discharge(0.33, until_soc=0.1)
    d.bench.rest(2.0)
    return d


def parked(seed: list[int]) -> Draft:
    """A parked week, one reading an hour."""
    d = draft(seed, 0.0, soc=np.random.default_rng(seed).uniform(0.3, 0.95))
    d.bench.park(int(d.rng.integers(4, 10)), swing_C=3.0)
    return d


def cold_end(seed: list[int]) -> Draft:
    """One end of the pack stands in the cold while it is driven; all sensors start alike."""
    d = draft(seed, 0.0, rates_s=(1.0, 2.0), ambient_C=18.0)
    d.bench.rest(0.3)
    d.string.air_offset_C = np.linspace(0.0, -9.0, d.n)
    d.bench.drive(45, rms_c=0.6)
    d.bench.rest(0.4)
    return d


def half_supply(seed: list[int]) -> Draft:
    """The BMS draws its supply from half the string while the pack is parked."""
    d = draft(seed, 0.0, chemistry="NMC", soc=0.75)
    d.string.leak_A[: d.n // 2] += 60e-6 * d.string.nominal_Ah
    d.bench.park(7, swing_C=2.0)
    return d


def mixed_lot(seed: list[int]) -> Draft:
    """Two lots in one string: curves bent otherwise, resistance and capacity a little apart."""
    d = draft(seed, 0.0, rates_s=(1.0, 2.0), most_cells=48)
    second = np.arange(d.n) % 2 == 1
    d.string.r0_ohm[second] *= 1.035
    d.string.pairs_ohm[:, second] *= 1.035
    d.string.capacity_Ah[second] *= 0.99
    d.string.bend = np.where(second, 0.003, -0.003)
    d.bench.rest(0.4)
    d.bench.drive(40, rms_c=0.6)
    d.bench.rest(1.0)
    return d


def slow_refresh(seed: list[int]) -> Draft:
    """Cell readings are renewed every other second only."""
    d = draft(seed, 0.0, rates_s=(0.5, 1.0))
    d.meter.refresh_s = 2.0
    d.bench.rest(0.3)
    d.bench.drive(35, rms_c=0.6)
    d.bench.rest(0.6)
    return d


def lost_frames(seed: list[int]) -> Draft:
    """Frames get lost: single readings are missing, where the logger wrote a fill value."""
    d = trip(seed)
    d.meter.lost = d.rng.uniform(0.002, 0.03)
    return d


def step_charge(seed: list[int]) -> Draft:
    """A charger that steps its current down instead of tapering."""
    chemistry = str(np.random.default_rng(seed).choice(["NMC", "LFP"]))
    d = draft(seed, 0.0, chemistry=chemistry, soc=0.5, rates_s=(1.0, 2.0, 5.0), bms=Bms())
    top = {"NMC": ((0.3, 4.1), (0.15, 4.16), (0.05, 4.2)), "LFP": ((0.3, 3.48), (0.15, 3.54), (0.05, 3.6))}[
        chemistry
    ]
    d.bench.rest(0.3)
    d.bench.charge(steps=top)
    d.bench.rest(1.0)
    return d


def ninety_seconds(seed: list[int]) -> Draft:
    """A log of a minute and a half."""
    d = draft(seed, 0.0, rates_s=(0.2, 1.0))
    d.bench.drive(1.5, rms_c=0.6)
    return d


def rest_alone(seed: list[int]) -> Draft:
    """Nothing but rest, anywhere on the curve."""
    d = draft(seed, 0.0, soc=np.random.default_rng(seed).uniform(0.2, 0.95), rates_s=(1.0, 5.0))
    d.bench.rest(d.rng.uniform(0.5, 3.0))
    return d


def constant_load(seed: list[int]) -> Draft:
    """One constant load from end to end: nothing steps."""
    d = draft(seed, 0.0, rates_s=(1.0, 2.0))
    d.bench.constant(0.25, 40)
    return d


def plateau(seed: list[int]) -> Draft:
    """LFP cells apart by a few per cent on the plateau, where no reading shows it: nothing can be known."""
    d = draft(seed, 0.0, chemistry="LFP", soc=0.55, rates_s=(1.0, 2.0))
    d.string.soc = d.string.soc + spread(d.rng, d.n, 0.03)
    _restart(d)
    d.bench.rest(1.0)
    d.bench.drive(12, rms_c=0.4)
    d.bench.rest(1.0)
    return d


KINDS: dict[str, tuple[Callable[[list[int]], Draft], int]] = {
    "trip": (trip, 8),
    "charge": (charge, 6),
    "day": (day, 3),
    "span": (span, 2),
    "parked": (parked, 3),
    "cold_end": (cold_end, 2),
    "half_supply": (half_supply, 1),
    "mixed_lot": (mixed_lot, 2),
    "slow_refresh": (slow_refresh, 2),
    "lost_frames": (lost_frames, 2),
    "step_charge": (step_charge, 2),
    "ninety_seconds": (ninety_seconds, 1),
    "rest_alone": (rest_alone, 2),
    "constant_load": (constant_load, 1),
    "plateau": (plateau, 1),
}
"""Kind -> recipe and its share."""
