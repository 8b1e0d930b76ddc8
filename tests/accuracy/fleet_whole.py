"""Print what whole fleets give: strings simulated, logged and diagnosed, then compared; places and repairs.

Slower and closer to life than the simulated diagnoses of the other fleet scripts: every interval is the pipeline's own.
"""

from __future__ import annotations

import argparse

import numpy as np

from bmslogs.base.results import Diagnosis
from bmslogs.findings import diagnose
from bmslogs.findings.compare import compare_before_after
from bmslogs.findings.compare.positions import position_effects
from sample_logs.loads import Bench
from sample_logs.meter import Meter
from sample_logs.string_model import String, make_string
from tests.accuracy.adapter import as_log, build_pack

START = np.datetime64("2026-05-04T08:00:00", "us")


def drive(string: String, rng: np.random.Generator, name: str, day: int) -> Diagnosis:
    """Return the diagnosis of a drive of 20 minutes."""
    bench = Bench(string, rng, ambient_C=float(rng.uniform(10, 26)))
    bench.rest(0.2)
    bench.drive(20, rms_c=0.6)
    bench.rest(0.2)
    logged = Meter().read(bench.trace(), rng, string.sensors, string.outside_taps_ohm)
    pack = build_pack(string, name, vehicle=name, design="frame")
    stamp = START + np.timedelta64(day, "D")
    return diagnose(as_log(logged, pack, f"202605{4 + day:02d}-0800-{day:012x}", stamp))


def places(seed: int, joint: float, vehicles: int = 5, cells: int = 16) -> tuple[set[str], str]:
    """Return the places named in a fleet with a joint at one of them, and the true one."""
    rng = np.random.default_rng([seed, 1])
    place = int(rng.integers(cells))
    logs, packs = {}, {}
    for v in range(vehicles):
        string = make_string(cells, "NMC", 100.0, rng, soc=0.8)
        string.r0_ohm *= np.exp(rng.normal(0, 0.05, cells))
        string.pairs_ohm *= np.exp(rng.normal(0, 0.05, cells))
        string.joint_ohm[place] += joint * 1.03e-3
        name = f"wren-{v}"
        logs[name] = [drive(string, rng, name, day) for day in (0, 9)]
        packs[name] = build_pack(string, name, vehicle=name, design="frame")
    return {p.position for p in position_effects(logs, packs)}, f"cell {place + 1}"


def repair(seed: int, mended: bool, cells: int = 12, fault: float = 0.10) -> tuple[bool, bool]:
    """Return whether the repaired cell is named as lower after, and whether any other is."""
    rng = np.random.default_rng([seed, 2])
    string = make_string(cells, "NMC", 100.0, rng, soc=0.8)
    string.r0_ohm *= np.exp(rng.normal(0, 0.05, cells))
    cell = int(rng.integers(cells))
    string.joint_ohm[cell] += fault * 1.03e-3
    first = drive(string, rng, "wren", 0)
    if mended:
        string.joint_ohm[cell] -= fault * 1.03e-3
    string.soc[:] = string.soc - string.soc.mean() + 0.8
    second = drive(string, rng, "wren", 9)
    pack = build_pack(string, "wren", vehicle="wren")
    changes = compare_before_after(first, second, pack).changes or ()
    named = {c.cell for c in changes if c.finding and c.ratio < 1 and c.quantity == "resistance_10s"}
    return cell + 1 in named, bool(named - {cell + 1})


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    seeds = range(parser.parse_args().seeds)
    found = [places(s, 0.15) for s in seeds]
    print(
        f"joint of 15 % at one place of five vehicles: found {np.mean([t in n for n, t in found]):.0%}, "
        f"another named {np.mean([bool(n - {t}) for n, t in found]):.0%}",
        flush=True,
    )
    healthy = [places(s + 1000, 0.0)[0] for s in seeds]
    print(f"healthy fleets with any place named: {np.mean([bool(n) for n in healthy]):.0%}", flush=True)
    mended = [repair(s, True) for s in seeds]
    left = [repair(s, False) for s in seeds]
    print(
        f"cell 10 % high, repaired: confirmed {np.mean([a for a, _ in mended]):.0%}; unrepaired: declared repaired "
        f"{np.mean([a for a, _ in left]):.0%}; another named {np.mean([b for _, b in mended + left]):.0%}"
    )
