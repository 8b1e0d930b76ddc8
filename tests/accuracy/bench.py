"""Measure how often the diagnosis is right: ``python -m tests.accuracy.bench --seeds build|published``.

Simulates strings with planted faults and healthy ones that tempt, diagnoses each, and prints: per cause the
rate of right cause and place, per healthy pack the false alarms, per quantity error, coverage, width and
skill. The seeds `build` are for building on, `published` for the table that is published. The JSON holds
every case, so that a miss can be looked at::

    python -m tests.accuracy.bench --only capacity_low --seed 7 --show
"""

from __future__ import annotations

import argparse
import json
import os
import time
import traceback
import zlib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from sample_logs.truth import truth_of  # noqa: E402
from tests.accuracy import cases, first_principles, healthy, judge, score, tables  # noqa: E402
from tests.accuracy.adapter import build_log, build_pack  # noqa: E402

FIRST_SEED = {"build": 1_000_000, "published": 10_000_000}
Job = tuple[str, str, int]


def jobs(seeds: str, faults: int, healthy_packs: int, only: str | None) -> list[Job]:
    """Return (kind, severity, seed) of every case."""
    first = FIRST_SEED[seeds]
    out = [
        (cause, severity, first + k)
        for cause in [*cases.CAUSES, *first_principles.CAUSES]
        for severity in cases.SEVERITY
        for k in range(faults)
    ]
    shares = sum(share for _, share in healthy.KINDS.values())
    for kind, (_, share) in healthy.KINDS.items():
        out += [(kind, "healthy", first + k) for k in range(max(1, round(healthy_packs * share / shares)))]
    # One of each kind after the other, so that a run that is broken off has some of all.
    return sorted((job for job in out if only is None or only in (job[0], job[1])), key=lambda job: job[2])


def run(job: Job) -> dict[str, Any]:
    """Simulate, diagnose and score one case."""
    from bmslogs.findings import diagnose

    kind, severity, seed = job
    numbers = [zlib.crc32(kind.encode()), seed, {"clear": 3, "slight": 1, "healthy": 0}[severity]]
    if kind in first_principles.CAUSES:
        d, log, truth = first_principles.case(kind, numbers, cases.SEVERITY[severity])
    else:
        recipe = healthy.KINDS[kind][0] if severity == "healthy" else None
        d = recipe(numbers) if recipe else cases.CAUSES[kind](numbers, cases.SEVERITY[severity])
        pack = build_pack(d.string)
        if d.limits:
            pack = pack.model_copy(update={"limits": pack.limits.model_copy(update=d.limits)})
        log = build_log(d.string, d.bench, d.meter, d.rng, pack)
        truth = truth_of(d.bench, d.meter, d.faults)
    base = {"name": f"{kind}/{severity}/{seed}", "kind": kind, "severity": severity, "seed": seed}
    began = time.process_time()
    try:
        diagnosis = diagnose(log)
    except Exception:  # a crash is a result of the benchmark, told as such
        return {
            **base,
            "verdict": "crash",
            "error": traceback.format_exc(limit=-6),
            "estimates": [],
            "unexplained": [],
            "planted": [{"cause": f.cause} for f in truth.faults],
            "cpu_s": time.process_time() - began,
        }
    spent = time.process_time() - began
    return {**base, **score.score(d, truth, diagnosis, judge.knowable(d)), "rows": log.rows, "cpu_s": spent}


def _run_all(work: list[Job], workers: int) -> Iterator[dict[str, Any]]:
    if workers < 2:
        yield from map(run, work)
        return
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(run, job) for job in work]
        for future in as_completed(waiting):
            yield future.result()


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", choices=list(FIRST_SEED), default="build")
    parser.add_argument("--faults", type=int, default=20, help="cases per cause and severity")
    parser.add_argument("--healthy", type=int, default=300, help="healthy packs")
    parser.add_argument("--only", help="one cause, one kind of healthy pack, or clear, slight, healthy")
    parser.add_argument("--seed", type=int, help="one case: its number within the seeds, or the seed itself")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, help="write all figures and cases there")
    parser.add_argument("--show", action="store_true", help="print each case that is not right")
    options = parser.parse_args()
    work = jobs(options.seeds, options.faults, options.healthy, options.only)
    if options.seed is not None:
        wanted = {options.seed, FIRST_SEED[options.seeds] + options.seed}
        work = [job for job in work if job[2] in wanted]
    if options.json:
        options.json.with_suffix(".lines").unlink(missing_ok=True)
    began = time.perf_counter()
    done = []
    for case in _run_all(work, options.workers):
        done.append(case)
        if options.json:  # as they come, so that a run that is broken off is not lost
            with options.json.with_suffix(".lines").open("a", encoding="utf-8") as lines:
                lines.write(json.dumps(case, default=list) + "\n")
    done.sort(key=lambda case: case["name"])
    figures = tables.summary(done)
    if options.show:
        for case in done:
            if case["verdict"] not in ("right", "quiet") or case.get("extra"):
                brief = {k: v for k, v in case.items() if k != "estimates"}
                print(json.dumps(brief, default=list))
    print(f"{len(done)} cases, seeds {options.seeds!r}, {time.perf_counter() - began:.0f} s\n")
    print(tables.text(figures))
    if options.json:
        options.json.write_text(
            json.dumps({"figures": figures, "cases": done}, default=list), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
