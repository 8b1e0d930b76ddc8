"""Print how often a joint at one place of a design is found over five vehicles, and how often one is imagined."""

from __future__ import annotations

import argparse

import numpy as np

from bmslogs.findings.compare.positions import position_effects
from tests.accuracy.fleet_simulation import drive, natural, pack_of


def fleet(rng: np.random.Generator, vehicles: int, cells: int, joint: float, place: int):
    """Return the diagnoses and packs of a fleet, two drives a vehicle, with a joint that adds `joint` of R10."""
    logs, packs = {}, {}
    for v in range(vehicles):
        pack = pack_of(v, cells)
        ohm = natural(rng, cells)
        ohm[place] += joint * float(np.median(ohm))
        packs[pack.id] = pack
        logs[pack.id] = [drive(pack, ohm, rng, day=day, temperature_C=rng.uniform(10, 28)) for day in (0, 9)]
    return logs, packs


def rates(seeds: int, vehicles: int = 5, cells: int = 16, joint: float = 0.15) -> tuple[float, float, float]:
    """Return the shares of seeds with the joint found, with another place named beside it, and healthy with any."""
    found = beside = false = 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        place = int(rng.integers(cells))
        named = {p.position for p in position_effects(*fleet(rng, vehicles, cells, joint, place))}
        found += f"cell {place + 1}" in named
        beside += bool(named - {f"cell {place + 1}"})
        false += bool(position_effects(*fleet(rng, vehicles, cells, 0.0, 0)))
    return found / seeds, beside / seeds, false / seeds


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    seeds = parser.parse_args().seeds
    print("vehicles  cells  joint found  other place named  healthy fleet with a place")
    for vehicles, cells in ((3, 16), (5, 12), (5, 16), (5, 96), (10, 16)):
        found, beside, false = rates(seeds if cells < 96 else max(seeds // 4, 1), vehicles, cells)
        print(f"{vehicles:8d}  {cells:5d}  {found:11.1%}  {beside:17.1%}  {false:26.1%}")
