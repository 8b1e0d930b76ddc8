"""Count by class: stored right, asked, stored wrong.

``python -m tests.importers.classes --count 200 --seed 1 [--class time]`` prints one table; `--show` lists each case
that is not stored right. Exit 1 where anything was stored wrong, refused without a place, crashed or hung, or where
more than 5 % of the plain files were asked about.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.importers.classes.running import CLASSES, make_case
from tests.importers.classes.truth import Case, Verdict
from tests.importers.classes.worker import Worker

MOST_ASKED = 0.05
"""Share of plain files that may be asked about (the project's aim)."""


def verdicts(names: list[str], count: int, seed: int, only: int | None) -> Iterator[tuple[str, Verdict]]:
    """Yield the verdict of each case."""
    worker = Worker()
    try:
        for name in names:
            for number in range(count) if only is None else (only,):
                yield name, worker.run(name, number, seed)
    finally:
        worker.end()


def row(name: str, cases: list[Verdict]) -> str:
    """Return a class's line of the table."""
    n = Counter(v.outcome for v in cases)
    plain = [v for v in cases if v.kind == "plain"]
    asked = sum(v.outcome == "asked" for v in plain)
    share = 100 * asked / max(1, len(plain))
    return (
        f"{name:<12}{len(cases):>7}{len(plain):>7}{n['right']:>14}{n['asked']:>7} ({share:5.1f} %)"
        f"{n['wrong']:>14}{n['unclear']:>17}{n['crash']:>12}"
    )


def failed(cases: list[Verdict]) -> bool:
    """Return whether a class fails."""
    plain = [v for v in cases if v.kind == "plain"]
    asked = sum(v.outcome == "asked" for v in plain)
    bad = any(v.outcome in ("wrong", "unclear", "crash") for v in cases)
    return bad or asked > MOST_ASKED * max(1, len(plain))


def one_sided(cases: list[Verdict]) -> bool:
    """Return whether a class proves too little: fewer than half of its files are plain."""
    return len(cases) > 1 and 2 * sum(v.kind == "plain" for v in cases) < len(cases)


def show(name: str, v: Verdict) -> None:
    """Print a case that was not stored right."""
    print(f"{name} {v.number} [{v.kind}] {v.habit}: {v.outcome}")
    for line in v.details[:12]:
        print(f"    {line[:400]}")


def keep(folder: Path, name: str, case: Case, verdict: Verdict) -> None:
    """Write a case's files into a folder."""
    stem = f"{name}-{verdict.number}-{verdict.outcome}"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{stem}{Path(case.name).suffix}").write_bytes(case.data)
    (folder / f"{stem}.pack.toml").write_text(case.pack, encoding="utf-8")
    if case.profile is not None:
        (folder / f"{stem}.profile.toml").write_text(case.profile, encoding="utf-8")


def main() -> int:
    """Run the classes and print the table."""
    parser = argparse.ArgumentParser(prog="tests.importers.classes", description=__doc__)
    parser.add_argument("--count", type=int, default=200, help="files a class")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--class", dest="names", action="append", choices=list(CLASSES), help="only this class"
    )
    parser.add_argument("--only", type=int, help="only the case of this number")
    parser.add_argument("--show", action="store_true", help="list each case that is not stored right")
    parser.add_argument(
        "--keep", type=Path, metavar="DIR", help="write the files of the cases that are shown here"
    )
    given = parser.parse_args()
    names = given.names or list(CLASSES)
    found: dict[str, list[Verdict]] = {name: [] for name in names}
    for name, verdict in verdicts(names, given.count, given.seed, given.only):
        found[name].append(verdict)
        # A refusal of a file that nobody could read unasked is no news.
        if (
            given.show
            and verdict.outcome != "right"
            and (verdict.kind != "refuse" or verdict.outcome != "asked")
        ):
            show(name, verdict)
            if given.keep:
                keep(given.keep, name, make_case(name, verdict.number, given.seed), verdict)
            sys.stdout.flush()
    print(f"{'class':<12}{'files':>7}{'plain':>7}{'stored right':>14}{'asked (of plain)':>17}{'stored wrong':>14}"
          f"{'refused unclear':>17}{'crash, hang':>12}")  # fmt: skip
    for name in names:
        print(row(name, found[name]))
    for name in (n for n in names if one_sided(found[n])):
        print(f"{name}: fewer than half of the files are plain")
    return int(any(failed(cases) or one_sided(cases) for cases in found.values()))


if __name__ == "__main__":
    sys.exit(main())
