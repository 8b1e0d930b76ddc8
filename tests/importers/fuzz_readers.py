"""Every reader fuzzed as the CSV importer is: so many cases each, seeded, and one table of how they ended.

    python -m tests.importers.fuzz_readers --count 2000 --seed 1

Recordings of tables are judged as `tests.importers.fuzz_recordings` says, those of a bus and signal databases as
`tests.importers.fuzz_can` says. Exit 1 where any case fails.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.importers import fuzz_can, fuzz_recordings
from tests.importers.recordings.kinds import KINDS

Case = Callable[[int], tuple[str, str, str]]
ROW = "{:<24} {:>6} {:>6} {:>8} {:>9} {:>8}"


def readers(folder: Path) -> dict[str, Case]:
    """Return by the name of each reader what runs one case of it."""
    tables, bus = fuzz_recordings.Field(folder), fuzz_can.Field(folder)
    out: dict[str, Case] = {k: lambda seed, k=k: tables.case(seed, k) for k in KINDS}  # type: ignore[misc]
    out |= {k: lambda seed, k=k: bus.case(seed, k) for k in fuzz_can.KINDS}  # type: ignore[misc]
    return out


def run(name: str, case: Case, seeds: range) -> int:
    """Run the cases of one reader, print its line of the table, return how many failed."""
    ends: Counter[str] = Counter()
    began = time.perf_counter()
    for seed in seeds:
        try:
            ends[case(seed)[0]] += 1
        except Exception as error:  # every kind of failure is a finding here
            ends["failed"] += 1
            print(f"{name}, seed {seed}: {type(error).__name__}: {str(error)[:400]}", flush=True)
    took = time.perf_counter() - began
    print(
        ROW.format(name, len(seeds), ends["read"], ends["refused"], ends["failed"], f"{took:.0f} s"),
        flush=True,
    )
    return ends["failed"]


def main() -> None:
    """Run them all, or those that are named."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=2000, help="cases of each reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", metavar="READER", help="names as in the table")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    failed = 0
    with tempfile.TemporaryDirectory() as name:
        every = readers(Path(name))
        chosen = options.only or list(every)
        print(ROW.format("reader", "cases", "read", "refused", "failures", "time"), flush=True)
        for one in chosen:
            failed += run(one, every[one], range(options.seed, options.seed + options.count))
    print(f"{len(chosen) * options.count} cases, {failed} failures")
    if failed:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
