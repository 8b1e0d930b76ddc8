"""Print how often a repaired cell is confirmed by paired logs, and how often an unrepaired one is declared repaired."""

from __future__ import annotations

import argparse

import numpy as np

from bmslogs.findings.compare import compare_before_after
from tests.accuracy.fleet_simulation import drive, natural, pack_of


def rates(seeds: int, cells: int, fault: float, *, logged: bool) -> tuple[float, float, float]:
    """Return shares: repaired and confirmed, unrepaired and declared repaired, any other cell named."""
    confirmed = imagined = other = 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        cell = int(rng.integers(cells))
        event = {"date": "2026-03-05", "kind": "joint remade", "where": f"cell {cell + 1}"}
        pack = pack_of(0, cells)
        if logged:
            pack = pack.model_validate(pack.model_dump() | {"events": [event]})
        healthy = natural(rng, cells)
        ill = healthy.copy()
        ill[cell] *= 1.0 + fault
        for after, mended in ((healthy, True), (ill, False)):
            first = drive(pack, ill, rng, day=0, temperature_C=18.0)
            second = drive(pack, after, rng, day=9, temperature_C=24.0)
            changes = compare_before_after(first, second, pack).changes or ()
            named = {c.cell for c in changes if c.finding and c.ratio < 1}
            confirmed += mended and cell + 1 in named
            imagined += not mended and cell + 1 in named
            other += bool(named - {cell + 1})
    return confirmed / seeds, imagined / seeds, other / seeds / 2


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=400)
    seeds = parser.parse_args().seeds
    print(
        "cells  fault  work in the pack file  repaired confirmed  unrepaired declared repaired  another cell named"
    )
    cases = ((12, 0.10, False), (12, 0.10, True), (16, 0.10, False), (16, 0.15, False), (96, 0.10, False))
    for cells, fault, logged in cases:
        a, b, c = rates(seeds, cells, fault, logged=logged)
        print(f"{cells:5d}  {fault:5.0%}  {'yes' if logged else 'no':>21}  {a:18.1%}  {b:28.1%}  {c:18.1%}")
