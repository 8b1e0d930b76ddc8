"""Score the diagnosis on the sample scenario: ``python -m tests.accuracy.sample_score --seeds 10``.

The first seed is the shipped one. The arrays go straight to the diagnosis, as logs of the shipped packs.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from collections.abc import Iterator
from typing import Any

import numpy as np

from bmslogs.base.pack import parse_pack
from bmslogs.base.results import Diagnosis
from sample_logs.generate import SEED, pack_files, stories
from sample_logs.truth import Fault, Truth
from tests.accuracy import judge, score, tables
from tests.accuracy.adapter import as_log
from tests.accuracy.cases import Draft


def scored(seed: int) -> Iterator[dict[str, Any]]:
    """Diagnose every log of the scenario of `seed` and yield its score."""
    from bmslogs.findings import diagnose

    packs = {
        name.removesuffix(".toml"): parse_pack(tomllib.loads(text)) for name, text in pack_files().items()
    }
    for story in stories(seed):
        start = np.datetime64(story.start.replace(tzinfo=None), "us")
        diagnosis = diagnose(as_log(story.logged, packs[story.pack], f"{story.name}-{seed}", start))
        rng = np.random.default_rng(seed)
        d = Draft(rng, story.string, story.meter, story.bench, 3.0, list(story.truth.faults))
        one = score.score(d, story.truth, diagnosis, judge.knowable(d))
        yield {
            "held": [
                held for fault in story.truth.faults for held in _held(fault, story.truth, diagnosis, d)
            ],
            "name": f"{story.name}/{seed}",
            "kind": story.name,
            "severity": "clear",
            "seed": seed,
            "cpu_s": 0.0,
            **one,
        }


def _held(fault: Fault, truth: Truth, diagnosis: Diagnosis, d: Draft) -> list[bool]:
    """Return whether the interval of each finding that names the fault holds its size; of several cells, one each."""
    size = fault.size
    if fault.cause.startswith("soc_offset") and "charge_to_full" in truth.cell:
        # such a finding speaks of what is left at full charge
        missing = truth.cell["charge_to_full"]
        size = float(np.median(missing) - missing[fault.cells[0] - 1]) / d.string.nominal_Ah
    if fault.cause == "joint_resistance_high":
        # copper follows the temperature; what a usual link adds is no fault
        joint = truth.cell["joint"]
        size = float(joint[fault.cells[0] - 1] - np.median(joint[joint > 0]))
    heard = [f for f in diagnosis.findings if f.cause == fault.cause and set(fault.cells) & set(f.cells)]
    if fault.sensor is not None:
        heard = [f for f in diagnosis.findings if f.cause == fault.cause and f.sensor == f"T{fault.sensor}"]
    # of a whole module the finding tells the middle of its cells
    alike = [
        g.size
        for g in truth.faults
        if g.cause == fault.cause and heard and set(g.cells) <= set(heard[0].cells)
    ]
    if len(alike) > 1:
        size = float(np.median([a for a in alike if a is not None]))
    told = [f for f in heard[:1] if size is not None and f.low is not None and f.high is not None]
    return [bool(f.low <= size <= f.high) for f in told]


def summary(cases: list[dict[str, Any]]) -> str:
    """Return the figures of all logs in four lines."""
    planted = [c for c in cases if c["planted"]]
    held = [h for c in planted for h in c["held"]]
    rows = [
        e for c in cases for e in c["estimates"] if "covered" in e and e["quantity"] not in tables.COUNTED
    ]
    quiet = [c for c in cases if c["kind"].startswith("plover") or not c["planted"]]
    return "\n".join(
        [
            f"logs with planted faults, every fault named in its place: "
            f"{sum(c['verdict'] == 'right' for c in planted)} "
            f"of {len(planted)}",
            f"intervals of the planted faults' sizes that hold the truth: {sum(held)} of {len(held)}",
            f"intervals of all estimates that hold the truth: {sum(e['covered'] for e in rows) / len(rows):.1%} "
            f"of {len(rows)}",
            f"findings of level act or look on the {len(quiet)} logs without a fault: "
            f"{sum(len(c['unexplained']) for c in quiet)}",
        ]
    )


def seeds(count: int) -> list[int]:
    """Return the shipped seed and others."""
    return [SEED, *range(1, count)]


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    options = parser.parse_args()
    cases = [case for seed in seeds(options.seeds) for case in scored(seed)]
    for case in cases:
        if case["verdict"] not in ("right", "quiet") or case.get("extra"):
            print(json.dumps({k: v for k, v in case.items() if k != "estimates"}, default=list))
    print(tables.text(tables.summary(cases)))
    print("\n" + summary(cases))


if __name__ == "__main__":
    main()
