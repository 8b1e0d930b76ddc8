"""Print what matching wins over the order of arrival, in truth, for lots of simulated goods-in measurements."""

from __future__ import annotations

import argparse

import numpy as np

from bmslogs.analysis.matching import Frame, Item, match


def simulated(
    rng: np.random.Generator, count: int, spread: float, unsure: float
) -> tuple[list[Item], np.ndarray, np.ndarray]:
    """Return items as measured, and their true capacities [Ah] and resistances [ohm]."""
    q = 100.0 * np.exp(rng.normal(0.0, spread, count))
    r = 1e-3 * np.exp(rng.normal(0.0, 0.05, count))
    measured = q * np.exp(rng.normal(0.0, unsure, count))
    ohm = r * np.exp(rng.normal(0.0, 0.01, count))
    wide = 1.96 * unsure * measured
    items = [
        Item(f"c{i}", 3.6, float(measured[i]), float(wide[i]), float(ohm[i]), float(0.0196 * ohm[i]))
        for i in range(count)
    ]
    return items, q, r


def truth(plan, q: np.ndarray, r: np.ndarray, heating: np.ndarray) -> tuple[float, float]:
    """Return the true usable charge [Ah] over all strings, and the true heat of the hottest place."""
    usable, hottest = 0.0, 0.0
    for s in {p.string for p in plan.places}:
        sums = []
        for p in (p for p in plan.places if p.string == s):
            own = [int(n[1:]) for n in p.items]
            sums.append(q[own].sum())
            hottest = max(hottest, float(heating[p.place - 1] / np.sum(1.0 / r[own])))
        usable += min(sums)
    return usable, hottest


def row(
    seeds: int, strings: int, series: int, parallel: int, spare: int, spread: float, unsure: float
) -> str:
    """Return one line of figures."""
    need = strings * series * parallel
    gains, claimed, covered, cooler, sorted_ = [], [], [], [], 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        heating = np.linspace(1.0, 1.4, series)
        items, q, r = simulated(rng, need + spare, spread, unsure)
        plan = match(items, Frame(strings, series, parallel, tuple(heating)), time_limit=2.0)
        arrived = np.arange(need).reshape(strings, series, parallel)
        before = float(q[arrived].sum(axis=2).min(axis=1).sum())
        hot_before = float((heating / (1 / r[arrived]).sum(axis=2)).max())
        usable, hottest = truth(plan, q, r, heating)
        gains.append(100 * (usable / before - 1))
        claimed.append(100 * plan.gain / before)
        covered.append(plan.gain_low - 1e-9 <= usable - before <= plan.gain_high + 1e-9)
        cooler.append(100 * (1 - hottest / hot_before))
        sorted_ += "capacity" in plan.sorted_by
    worse = np.mean(np.array(gains) < -1e-9)
    return (
        f"{strings:7d} {series:6d} {parallel:8d} {spare:5d} {spread:6.1%} {unsure:6.1%} {sorted_ / seeds:6.0%} "
        f"{np.mean(gains):+9.2f} % {np.mean(claimed):+9.2f} % {np.mean(covered):8.0%} {worse:6.0%} "
        f"{np.mean(cooler):+8.1f} %"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=60)
    seeds = parser.parse_args().seeds
    print(
        "strings series parallel spare spread unsure sorted  true gain  said gain  covered  worse  hottest place cooler"
    )
    for case in (
        (3, 12, 1, 0, 0.03, 0.005),
        (3, 12, 1, 4, 0.03, 0.005),
        (3, 12, 1, 0, 0.03, 0.02),
        (3, 12, 1, 0, 0.005, 0.02),
        (1, 12, 2, 0, 0.03, 0.005),
        (2, 8, 2, 2, 0.03, 0.005),
    ):
        print(row(seeds if case[2] == 1 else max(seeds // 6, 1), *case), flush=True)
