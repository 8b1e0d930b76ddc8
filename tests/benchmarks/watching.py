"""A log that grows while it is watched: processor time a look, at its beginning and at its end.

``python -m tests.benchmarks.watching`` lets a file of 96 cells at 1 Hz grow for six hours, looked at once for every
minute of the log, and prints the processor time of the looks of the first, an early and the last ten minutes, how much
of it went to the sample (which is whole once the file is longer than it, some twenty minutes here), and what a single
import of the whole takes. Exit 1 where the last looks take half as long again as those after the first hour,
or where the rows differ from those of the single import.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq

from bmslogs.importers.recognise.look import look_at as growing_look_at
from bmslogs.store import Store, growing
from bmslogs.store.watching import Watch
from tests.importers.writing import Dialect, drive, pack_for, write

TEN = 10
MOST_GROWTH = 1.5
"""Choice: other work on the machine alone makes ten looks vary by a third."""


def main() -> int:
    """Print the figures."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--cells", type=int, default=96)
    options.add_argument("--hours", type=float, default=6.0)
    given = options.parse_args()
    minutes = round(60 * given.hours)
    truth = drive(rows=60 * minutes, cells=given.cells, seed=7)
    pack = pack_for(truth)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        (root / "in").mkdir()
        lines = write(truth, Dialect(), root).read_bytes().splitlines(keepends=True)
        seconds, sampled, one = _grown(root, lines, minutes, pack)
        alone = Store(root / "alone")
        began = time.process_time()
        whole = root / "whole.csv"
        whole.write_bytes(b"".join(lines))
        alone.import_files([whole], pack)
        single = time.process_time() - began
        same = pq.read_table(one.store.logs()[0].path).equals(pq.read_table(alone.logs()[0].path))
        groups = pq.ParquetFile(one.store.logs()[0].path).metadata.num_row_groups
    print(f"{given.cells} cells, 1 Hz, {given.hours:g} h, a look a minute; processor time a look [ms]:")
    for says, part in (
        ("first ten minutes", slice(0, TEN)),
        ("ten minutes after the first hour", slice(60, 60 + TEN)),
        ("last ten minutes", slice(-TEN, None)),
    ):
        mean, most, sample = np.mean(seconds[part]), np.max(seconds[part]), np.mean(sampled[part])
        print(
            f"  {says}: mean {1e3 * mean:.0f}, most {1e3 * most:.0f}; of the mean {1e3 * sample:.0f} for the sample"
        )
    print(f"all looks {sum(seconds):.1f} s; one import of the whole {single:.2f} s; {groups} row groups")
    print(f"rows equal to those of the single import: {'yes' if same else 'NO'}")
    grew = np.mean(seconds[-TEN:]) / np.mean(seconds[60 : 60 + TEN])
    print(f"last over early: {grew:.2f}")
    return 0 if same and grew < MOST_GROWTH else 1


def _grown(
    root: Path, lines: list[bytes], minutes: int, pack: object
) -> tuple[list[float], list[float], Watch]:
    """Return the processor time of each look, that of its sample, and the watch."""
    one = Watch(Store(root / "store"), root / "in", pack)  # type: ignore[arg-type]
    seconds, sampled, took = [], [], [0.0]

    def look_at(*given: Any) -> Any:
        began = time.process_time()
        found = growing_look_at(*given)
        took[0] += time.process_time() - began
        return found

    growing.look_at = look_at  # type: ignore[assignment]
    at = 0
    for minute in range(1, minutes + 1):
        end = 1 + 60 * minute
        with (root / "in" / "drive.csv").open("ab") as handle:
            handle.write(b"".join(lines[at:end]))
        at = end
        took[0], began = 0.0, time.process_time()
        one.look(float(60 * minute))
        seconds.append(time.process_time() - began)
        sampled.append(took[0])
    growing.look_at = growing_look_at
    one.close()
    return seconds, sampled, one


if __name__ == "__main__":
    sys.exit(main())
