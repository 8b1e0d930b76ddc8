"""Is a bigger fault louder? ``python -m tests.accuracy.severity`` plants each fault in rising sizes.

For every cause, kind of log and chemistry one string is drawn and the same fault planted in it at sizes from half the
practical one to the physical extreme. From the first size that is named on, every larger one must be named, at no
lower level and with no cause that would bring a milder remedy. The command prints one line a sweep and fails on a
loss. Sizes in practical sizes (`METHODS` G5; judgement: common practice, no source).
"""

from __future__ import annotations

import argparse
import os
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from bmslogs.base.results import Finding  # noqa: E402
from sample_logs import inject  # noqa: E402
from sample_logs.loads import Bms  # noqa: E402
from sample_logs.truth import Fault  # noqa: E402
from tests.accuracy.adapter import build_log, build_pack  # noqa: E402
from tests.accuracy.cases import LEAK_A_PER_AH, Draft, _restart, draft  # noqa: E402

LOUDNESS = {"note": 1, "look": 2, "act": 3}
RESISTANCE = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")


@dataclass(frozen=True)
class Sweep:
    """One fault in rising sizes.

    Attributes
    ----------
    plant
        Takes a draft and a size in practical sizes, plants the fault, runs the log.
    sizes
        In practical sizes, rising to the extreme.
    right
        Causes that name the fault.
    chemistries
        Where the log can show it at all.
    """

    plant: Callable[[Draft, float], None]
    sizes: tuple[float, ...]
    right: tuple[str, ...]
    chemistries: tuple[str, ...] = ("NMC", "LFP")
    soc: float = 0.85
    every_s: float = 1.0
    bms: bool = False


def _drive(d: Draft) -> None:
    d.bench.rest(0.4)
    d.bench.drive(30, rms_c=0.6)
    d.bench.rest(0.6)


def _charge(d: Draft) -> None:
    _restart(d)
    d.bench.rest(0.5)
    d.bench.charge(0.3)
    d.bench.rest(1.0)


def _cell_resistance(d: Draft, size: float) -> None:
    d.faults.append(inject.cell_resistance(d.string, 6, 0.10 * size))
    _drive(d)


def _cell_resistance_charge(d: Draft, size: float) -> None:
    d.faults.append(inject.cell_resistance(d.string, 6, 0.10 * size))
    _charge(d)


def _joint(d: Draft, size: float) -> None:
    cell = int(d.string.modules[1][0]) + 1
    d.faults.append(inject.joint_resistance(d.string, cell, 0.10 * size))
    _drive(d)


def _module_resistance(d: Draft, size: float) -> None:
    planted = [inject.cell_resistance(d.string, int(c) + 1, 0.10 * size) for c in d.string.modules[1]]
    d.faults.append(Fault("cell_resistance_high", tuple(f.cells[0] for f in planted), size=0.10 * size))
    _drive(d)


def _capacity_charge(d: Draft, size: float) -> None:
    d.string.soc[:] -= 0.72
    d.faults.append(inject.capacity_low(d.string, 6, 0.03 * size))
    cell = d.string
    # full together with the others, as after balancing: it lacks as much charge as they do
    lacks = np.median((1 - cell.soc) * cell.capacity_Ah)
    cell.soc[5] = max(1 - lacks / cell.capacity_Ah[5], 0.02)
    _charge(d)


def _capacity_discharge(d: Draft, size: float) -> None:
    d.string.soc[:] += 0.12
    d.faults.append(inject.capacity_low(d.string, 6, 0.03 * size))
    _restart(d)
    d.bench.rest(1.0)
    d.bench.discharge(0.33, until_soc=0.12)
    d.bench.rest(1.5)


def _offset(sign: float) -> Callable[[Draft, float], None]:
    def plant(d: Draft, size: float) -> None:
        d.string.soc[:] -= 0.45
        d.faults.append(inject.soc_offset(d.string, 6, sign * 0.01 * size))
        _charge(d)

    return plant


def _offset_parked(d: Draft, size: float) -> None:
    d.string.soc[:] -= 0.25
    d.faults.append(inject.soc_offset(d.string, 6, -0.01 * size))
    _restart(d)
    d.bench.park(4, log_every_s=1800.0, swing_C=2.0)


def _leak(d: Draft, size: float) -> None:
    d.string.soc[:] -= 0.15
    d.meter.volt_step = 0.001
    d.faults.append(inject.leak(d.string, 6, LEAK_A_PER_AH * size * d.string.nominal_Ah))
    _restart(d)
    d.bench.park(8, log_every_s=3600.0, swing_C=2.0)


def _tap_open(d: Draft, size: float) -> None:
    d.faults.append(inject.tap_open(d.meter, d.n, 6, 0.02 * size))
    _drive(d)


def _tap_resistive(d: Draft, size: float) -> None:
    d.string.soc[5:7] += 0.008
    amps = (4.2 if d.string.chemistry == "NMC" else 3.6) / d.string.bleed_ohm
    d.string.soc[:] -= 0.1
    d.faults.append(inject.tap_resistive(d.meter, d.n, 6, 0.005 * size / amps))
    _charge(d)


def _channel_offset(d: Draft, size: float) -> None:
    volts = 0.005 * size * (1 if d.string.chemistry == "NMC" else 2)
    d.faults.append(inject.channel_offset(d.meter, d.n, (6,), volts))
    _restart(d)
    d.bench.rest(1.0)
    d.bench.drive(60, rms_c=0.7)
    d.bench.rest(0.5)
    d.bench.drive(30, rms_c=0.7)
    d.bench.rest(1.5)


def _runs_hot(d: Draft, size: float) -> None:
    d.faults.append(inject.hot_spot(d.string, 2, 0.15 * size))
    _restart(d)
    d.bench.rest(0.3)
    d.bench.drive(40, rms_c=0.7)
    d.bench.rest(1.5)


def _sensor_offset(d: Draft, size: float) -> None:
    d.faults.append(inject.temperature_fault(d.meter, d.string, 2, "offset", 3.0 * size))
    _drive(d)


def _zero(d: Draft, size: float) -> None:
    d.meter.current_zero = 0.0
    d.faults.append(inject.current_zero(d.meter, size * d.string.nominal_Ah / 200))
    _drive(d)


def _limit(d: Draft, size: float) -> None:
    _charge(d)
    peak = d.bench.trace().volts.max(axis=0)
    cell = int(np.argmax(peak))
    d.limits = {"voltage_max_V": round(float(peak[cell]) - 0.005 * size, 4)}
    d.faults.append(Fault("limit_exceeded", (cell + 1,), size=0.005 * size, unit="V"))


SWEEPS: dict[str, Sweep] = {
    "cell resistance, drive": Sweep(_cell_resistance, (0.5, 1.5, 3, 6, 10, 20, 50, 100), RESISTANCE),
    "cell resistance, charge": Sweep(_cell_resistance_charge, (3, 6, 10, 20, 50), RESISTANCE, soc=0.4),
    "joint, drive": Sweep(_joint, (0.5, 1.5, 3, 6, 10, 20, 50, 100), RESISTANCE),
    "module resistance, drive": Sweep(_module_resistance, (0.5, 1.5, 3, 6, 10, 30), RESISTANCE),
    "capacity, charge": Sweep(_capacity_charge, (0.5, 1.5, 2, 3, 4, 5, 7, 10, 13, 16), ("capacity_low",)),
    "capacity, discharge": Sweep(_capacity_discharge, (0.5, 1.5, 3, 5, 7, 10, 13, 16), ("capacity_low",)),
    "emptier, charge": Sweep(_offset(-1), (0.5, 1.5, 3, 6, 10, 15, 20, 30, 35), ("soc_offset_low",)),
    "fuller, charge": Sweep(_offset(+1), (0.5, 1.5, 3, 6, 10, 15, 20, 30, 45), ("soc_offset_high",)),
    "emptier, parked": Sweep(_offset_parked, (1.5, 3, 6, 10, 20, 40), ("soc_offset_low",), ("NMC",)),
    "leak, parked": Sweep(_leak, (0.5, 1.5, 3, 6, 12, 30, 70, 150), ("self_discharge_high",), ("NMC",)),
    "open tap, drive": Sweep(_tap_open, (1.5, 3, 9, 20, 50), ("tap_open",)),
    "resistive tap, charge": Sweep(
        _tap_resistive, (1.5, 3, 6, 12, 40), ("tap_resistive", "tap_open"), bms=True
    ),
    "shifted reading, drives": Sweep(
        _channel_offset, (0.5, 1.5, 3, 6, 12, 30), ("channel_offset",), soc=0.92
    ),
    "hot place, drive": Sweep(_runs_hot, (0.5, 2, 3, 6, 12, 30), ("runs_hot",), soc=0.92),
    "sensor off, drive": Sweep(_sensor_offset, (0.5, 1.5, 3, 6, 12), ("temperature_sensor_fault",)),
    "current zero, drive": Sweep(_zero, (0.5, 1.5, 3, 6, 12), ("current_sensor_zero",)),
    "limit, charge": Sweep(_limit, (0.5, 2, 4, 10, 30), ("limit_exceeded",), soc=0.7),
}
MILDER = {"capacity_low": ("soc_offset_low", "soc_offset_high")}
"""Cause -> causes whose remedy is milder: told of the same cell without the cause they are a loss."""


def one(name: str, chemistry: str, seed: int, size: float) -> tuple[int, str]:
    """Return how loud the right cause was (0 where it was not named), and what was said of the planted cells."""
    from bmslogs.findings import diagnose

    sweep = SWEEPS[name]
    d = draft(
        [zlib.crc32(name.encode()), seed],
        size,
        chemistry=chemistry,
        soc=sweep.soc,
        capacity_Ah=100.0,
        rates_s=(sweep.every_s,),
        most_cells=16,
        ambient_C=20.0,
        bms=Bms(alternate=True) if sweep.bms else None,
    )
    sweep.plant(d, size)
    pack = build_pack(d.string)
    if d.limits:
        pack = pack.model_copy(update={"limits": pack.limits.model_copy(update=d.limits)})
    diagnosis = diagnose(build_log(d.string, d.bench, d.meter, d.rng, pack))
    fault = d.faults[-1]
    touched = [f for f in diagnosis.findings if _same_place(f, fault)]
    right = [f for f in touched if f.cause in sweep.right]
    milder = any(f.cause in MILDER.get(fault.cause, ()) and f.level != "note" for f in touched) and not right
    loud = -1 if milder else max((LOUDNESS[f.level] for f in right), default=0)
    says = "+".join(f"{_short(f)}" for f in diagnosis.findings if f.level != "note" or f in right) or "-"
    return loud, says


def _same_place(f: Finding, fault: Fault) -> bool:
    if fault.sensor is not None:
        return f.sensor == f"T{fault.sensor}" or bool(set(f.cells) & set(fault.cells))
    return not fault.cells or bool(set(f.cells) & set(fault.cells))


def _short(f: Finding) -> str:
    size = "" if f.size is None else f" {f.size:+.3g}"
    return f"{f.cause}:{f.level}@{','.join(map(str, f.cells[:3]))}{size}"


def losses(loud: list[int]) -> list[int]:
    """Return the places in a rising sweep at which a fault that was named before is told less loudly, or milder."""
    best, out = 0, []
    for place, level in enumerate(loud):
        if level < best or level < 0:
            out.append(place)
        best = max(best, level)
    return out


def _job(job: tuple[str, str, int, float]) -> tuple[tuple[str, str, int, float], tuple[int, str]]:
    return job, one(*job)


def main() -> None:
    """Print the sweeps; exit 1 on any loss of monotony."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="part of a sweep's name")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="print what was said at every size")
    options = parser.parse_args()
    work = [
        (name, chemistry, seed, size)
        for name, sweep in SWEEPS.items()
        if options.only in name
        for chemistry in sweep.chemistries
        for seed in range(options.seeds)
        for size in sweep.sizes
    ]
    if options.workers < 2:
        done = dict(map(_job, work))
    else:
        with ProcessPoolExecutor(options.workers) as pool:
            done = dict(pool.map(_job, work, chunksize=2))
    lost = 0
    for name, sweep in SWEEPS.items():
        if options.only not in name:
            continue
        for chemistry in sweep.chemistries:
            for seed in range(options.seeds):
                told = [done[name, chemistry, seed, size] for size in sweep.sizes]
                bad = losses([t[0] for t in told])
                lost += len(bad)
                marks = " ".join(
                    f"{size:g}:{'milder' if t[0] < 0 else ('-', 'note', 'look', 'act')[t[0]]}{'!' if k in bad else ''}"
                    for k, (size, t) in enumerate(zip(sweep.sizes, told, strict=True))
                )
                print(f"{name:26s} {chemistry} {seed}  {marks}")
                if options.show:
                    for size, t in zip(sweep.sizes, told, strict=True):
                        print(f"      {size:g}: {t[1]}")
    print(f"{len(work)} logs, {lost} losses of monotony")
    if lost:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
