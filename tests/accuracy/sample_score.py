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
from sample_logs.generate import SEED, pack_files, stories
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
            "name": f"{story.name}/{seed}",
            "kind": story.name,
            "severity": "clear",
            "seed": seed,
            "cpu_s": 0.0,
            **one,
        }


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


if __name__ == "__main__":
    main()
