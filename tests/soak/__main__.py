"""Simulated days of a workshop through watch, import, diagnosis, pages and records, while everything goes wrong.

    python -m tests.soak --days 90 --seed 1

Three vehicles' logs; processes killed in the midst of a change, a full disk, a clock that jumps, two users who remove,
move and note. Exit 1 where a log is lost or twice, an answer is another than the one made afresh, memory or open files
have grown, or a temporary file is left.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from tests.soak.run import soak


def main() -> None:
    """Run it and print its figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=int, default=400, help="rows of a drive at one a second")
    options = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        base = Path(name)
        (base / "tmp").mkdir()
        os.environ["TMPDIR"] = os.environ["TEMP"] = os.environ["TMP"] = str(base / "tmp")
        tempfile.tempdir = str(base / "tmp")
        wrong = soak(base / "work", options.days, options.seed, options.rows, print)
    print(f"{options.days} days in {time.perf_counter() - began:.0f} s, {len(wrong)} failures")
    for line in wrong[:40]:
        print(line)
    if wrong:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
