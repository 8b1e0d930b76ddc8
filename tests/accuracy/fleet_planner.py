"""Print the interval that the planner expects of a log over the one that the log then gives, on simulated strings.

From a short drive the planner is asked what a proper drive, a full charge and three parked days would give; then those
logs are simulated, with another model of the cells than the planner has, and diagnosed.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from bmslogs.analysis.candidate_logs import model_of
from bmslogs.analysis.estimators import ESTIMATORS
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.planner import CHARGED, NOT_PREDICTED, expected_half_widths
from bmslogs.analysis.study import Study
from sample_logs.loads import Bench
from sample_logs.meter import Meter
from sample_logs.string_model import make_string
from tests.accuracy.adapter import build_log

ASKED = {
    "rest": ("current_zero",),
    "drive": ("resistance_10s_relative", "resistance_10s", "current_lag"),
    "charge": tuple(q for q in CHARGED if q not in NOT_PREDICTED),
    "parked": ("leak_current_relative",),
}


def given(log, quantities) -> dict[str, float]:
    """Return the median half width that a log really gives, by quantity."""
    knowledge = Knowledge(Study(log))
    out = {}
    with np.errstate(all="ignore"):
        for q in quantities:
            half = [(e.high - e.low) / 2 for e in ESTIMATORS[q](knowledge) if e.status == "determined"]
            if half:
                out[q] = float(np.median(half))
    return out


def one(seed: int, chemistry: str) -> dict[str, float]:
    """Return expected over given half width, by quantity."""
    rng = np.random.default_rng(seed)
    string = make_string(int(rng.choice([12, 16])), chemistry, 100.0, rng, soc=0.7)
    meter = Meter(
        volt_step=float(rng.choice([0.001, 0.001, 0.002])), volt_noise=rng.uniform(0.0003, 0.0008),
        current_lag_s=rng.uniform(-0.2, 0.2),
    )  # fmt: skip
    bench = Bench(string, rng)
    bench.rest(0.2)
    bench.drive(8, rms_c=0.4)
    bench.rest(0.2)
    model = model_of(Study(build_log(string, bench, meter, rng)))
    out = {}
    for key, quantities in ASKED.items():
        expected = expected_half_widths(model, key, quantities)
        if key == "rest":
            bench = Bench(string, rng)
            bench.rest(1.0 / 6.0)
        elif key == "drive":
            bench = Bench(string, rng)
            bench.rest(0.17)
            bench.drive(20, rms_c=0.6)
            bench.rest(0.17)
        elif key == "charge":
            string.soc[:] += 0.25 - string.soc.mean()
            bench = Bench(string, rng)
            bench.rest(0.5)
            bench.charge(0.3)
            bench.rest(0.5)
        else:
            string.soc[:] += 0.6 - string.soc.mean()
            bench = Bench(string, rng, log_every_s=3600.0)
            bench.park(3)
        real = given(build_log(string, bench, meter, rng), quantities)
        out |= {q: float(np.median(expected[q])) / real[q] for q in quantities if q in expected and q in real}
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    seeds = parser.parse_args().seeds
    for chemistry in ("NMC", "LFP"):
        ratios = defaultdict(list)
        for seed in range(seeds):
            for quantity, ratio in one(seed, chemistry).items():
                ratios[quantity].append(ratio)
        for quantity, values in ratios.items():
            v = np.array(values)
            within = np.mean((v >= 0.7) & (v <= 1.3))
            print(
                f"{chemistry} {quantity:24s} expected / given: median {np.median(v):.2f}, from {v.min():.2f} to "
                f"{v.max():.2f}, within 30 %: {within:.0%} of {len(v)}",
                flush=True,
            )
