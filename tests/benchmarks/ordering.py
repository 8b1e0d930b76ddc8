"""A pack with many logs described anew as of a date, and its vehicle renamed: seconds, and files written again.

``python -m tests.benchmarks.ordering`` makes a store of 2,000 logs of one pack of 96 cells (copies of one log, each
under a name of its own, with an answer), gives them another description, gives it to the later half again, renames the
vehicle, and prints the seconds of each with how many Parquet files were written. Exit 1 where one takes longer than its
aim or a Parquet file was written. Most of the first is the file system's own time to remove 2,000 old answers.
"""

from __future__ import annotations

import argparse
import datetime as dt
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from bmslogs.base.pack import Pack
from bmslogs.store import Store
from bmslogs.store.order import describe_pack, rename_vehicle
from tests.importers.writing import Dialect, drive, pack_for, write

AIM_S = {"rename-vehicle": 2.0}
"""Aims by act (choice); `OTHER_S` for the others."""
OTHER_S = 10.0
DAY = dt.timedelta(days=1)


def main() -> int:
    """Print the figures."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--logs", type=int, default=2000)
    options.add_argument("--cells", type=int, default=96)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        store, pack = filled(Path(name), given.logs, given.cells)
        new = pack.model_copy(update={"nominal_capacity_Ah": 90.0})
        first = min(e.start for e in store.logs()).date()
        acts: list[tuple[str, Callable[[], object]]] = [
            ("describe --since the first log", lambda: describe_pack(store, new, since=first)),
            (
                "another description, the same day",
                lambda: describe_pack(store, new.model_copy(update={"design": "x"}), since=first),
            ),
            ("the same again", lambda: describe_pack(store, store.pack(pack.id), since=first)),
            ("rename-vehicle", lambda: rename_vehicle(store, pack.vehicle, "Great Heron")),
        ]
        late, written = 0, 0
        print(f"{given.logs} logs of {given.cells} cells; seconds, Parquet files written again:")
        for says, act in acts:
            before = stamps(store)
            began = time.perf_counter()
            act()
            seconds = time.perf_counter() - began
            changed = len(set(stamps(store)) - set(before))
            late += seconds > AIM_S.get(says, OTHER_S)
            written += changed
            print(f"  {says}: {seconds:.2f} s, {changed}")
    return 0 if not late and not written else 1


def filled(root: Path, logs: int, cells: int) -> tuple[Store, Pack]:
    """Return a store of so many logs of one pack."""
    truth = drive(rows=120, cells=cells, seed=5)
    pack = pack_for(truth)
    store = Store(root / "store")
    report = store.import_files([write(truth, Dialect(), root)], pack)
    assert not report.refused, report.refused
    (one,) = store.logs()
    for k in range(1, logs):
        name = f"{one.start + k * DAY:%Y%m%d-%H%M}-{k:012x}"
        shutil.copy(one.path, one.path.with_name(f"{name}.parquet"))
    store = Store(root / "store")
    for entry in store.logs():
        store.save_answer({"method": "1", "pack": {"id": pack.id, "vehicle": pack.vehicle}}, entry.id)
    return store, pack


def stamps(store: Store) -> list[tuple[str, int, int]]:
    """Return name, size and time of change of every log."""
    return [(e.path.name, e.path.stat().st_size, e.path.stat().st_mtime_ns) for e in Store(store.root).logs()]


if __name__ == "__main__":
    sys.exit(main())
