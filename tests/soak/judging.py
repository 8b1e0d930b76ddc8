"""What must hold at the end: every log once, every answer as it is made afresh, nothing grown, nothing left."""

from __future__ import annotations

import datetime as dt
import gc
import json
import shutil
import statistics
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from bmslogs.findings import diagnose
from bmslogs.log import read_log
from bmslogs.store import Store
from bmslogs.store.order import KEPT_DAYS, in_bin
from bmslogs.store.watching import Watch
from tests.soak import injections
from tests.soak.days import Workshop
from tests.soak.loggers import START
from tests.soak.pages import Served

GROWN_MB_A_DAY = 0.5
"""Memory may grow by so much a day: the index of the logs, and the answers that the dashboard keeps at hand."""
GROWN_FILES = 4


def last_looks(shop: Workshop, days: int) -> None:
    """Let everything come in that was interrupted, by watches that begin anew, as after a restart."""
    shop.true = START + dt.timedelta(days=days, hours=20)
    injections.set_clock(shop.true)
    for name, kept in shop.kept.items():
        path = shop.card(kept.own) / name
        if not path.exists() and kept.removed is None and name not in {e.source for e in shop.store.logs()}:
            shutil.copyfile(kept.written.path, path)
    for pack in shop.packs:
        looks = Watch(shop.store, shop.card(pack), shop.store.pack(pack))
        for event in looks.look(last=True):
            assert event.what != "refused", event.says
            shop.figures.counts[f"last look: {event.what}"] += 1
        looks.close()


def lost_or_twice(shop: Workshop) -> list[str]:
    """Return what is wrong with the places of the logs."""
    wrong = []
    entries = shop.store.logs()
    there = Counter(e.source for e in entries)
    binned = Counter(i.source for i in in_bin(shop.store))
    for name, kept in shop.kept.items():
        count = there[name]
        if kept.removed is None:
            if count != 1:
                wrong.append(f"{name}: {count} times in the store")
        elif count:
            wrong.append(f"{name}: removed, and in the store")
        elif not binned[name] and shop.true - kept.removed < dt.timedelta(days=KEPT_DAYS):
            wrong.append(
                f"{name}: emptied from the bin {(shop.true - kept.removed).days} days after it was removed"
            )
    for entry in entries:
        known = shop.kept.get(entry.source)
        if known is None:
            wrong.append(f"{entry.source}: written by no logger")
        elif (entry.pack, entry.rows, entry.sha256) != (known.pack, known.written.rows, known.written.sha256):
            wrong.append(
                f"{entry.source}: {entry.rows} rows in {entry.pack}, not {known.written.rows} in {known.pack}"
            )
        elif entry.vehicle != shop.store.pack(entry.pack).vehicle:
            wrong.append(
                f"{entry.source}: of {entry.vehicle}, its pack is of {shop.store.pack(entry.pack).vehicle}"
            )
    return wrong


def other_than_afresh(shop: Workshop, every: int = 1) -> tuple[int, list[str]]:
    """Return how many logs were compared with a fresh import and a fresh diagnosis, and what differs."""
    wrong, compared = [], 0
    with tempfile.TemporaryDirectory(dir=shop.base) as name:
        for entry in shop.store.logs()[::every]:
            kept = shop.store.answer(entry.id)
            made = diagnose(read_log(entry.path, extra=False)).to_json()
            if kept is not None and _plain(kept) != _plain(made):
                wrong.append(f"{entry.id}: the stored answer is another than the one made afresh")
            fresh = Store(Path(name) / "store")
            report = fresh.import_files([shop.archive / entry.source], shop.packs[entry.pack])
            if report.refused:
                wrong.append(f"{entry.source}: refused afresh ({report.refused[0].reason})")
                continue
            new = fresh.log_path(report.logs[0].id)
            if not pq.read_table(new).equals(pq.read_table(entry.path)):
                wrong.append(f"{entry.id}: other readings than those imported afresh")
            compared += 1
    return compared, wrong


def _plain(answer: Any) -> str:
    return json.dumps(answer, sort_keys=True)


def stale_pages(shop: Workshop) -> tuple[int, list[str]]:
    """Return how many pages were compared with those of a server that begins anew, and which differ."""
    assert shop.serving is not None
    fresh = Served(shop.root)
    wrong, compared = [], 0
    try:
        for pack in shop.packs:
            logs = shop.store.logs(pack)
            view = {"pack": pack, **({"log": logs[-1].id} if logs else {})}
            for path in shop.serving.paths():
                pages = [_settled(s, path, view) for s in (shop.serving, fresh)]
                compared += 1
                if pages[0] != pages[1]:
                    wrong.append(
                        f"{path} of {pack}: another page than that of a server that begins anew {_differ(*pages)}"
                    )
    finally:
        fresh.close()
    return compared, wrong


def _differ(a: bytes, b: bytes) -> str:
    at = next((k for k, (x, y) in enumerate(zip(a, b)) if x != y), min(len(a), len(b)))
    return f"({a[max(at - 80, 0) : at + 80]!r}, {b[max(at - 80, 0) : at + 80]!r})"


FOLLOWS = b"this page follows by itself"
"""What a page says while logs are still being weighed behind it."""


def _settled(served: Served, path: str, view: dict[str, str]) -> bytes:
    """Return a page once what is worked out behind it is there."""
    import time

    shown = served.page(path, **view)
    for _ in range(600):
        again = served.page(path, **view)
        if again == shown and FOLLOWS not in shown:
            return shown
        shown = again
        time.sleep(0.5)
    return shown


def grown(shop: Workshop) -> list[str]:
    """Return what has grown over the second half of the days."""
    gc.collect()
    memory, files = shop.figures.memory, shop.figures.files
    half = len(memory) // 2
    if half < 10 or not memory[0]:
        return []  # the first days fill caches
    wrong = []
    third = max(half // 3, 1)
    late, early = statistics.median(memory[-third:]), statistics.median(memory[half : half + third])
    if (late - early) / (half - third) > GROWN_MB_A_DAY:
        wrong.append(f"memory grew from {early:.0f} to {late:.0f} MB over {half - third} days")
    if max(files[-third:]) > max(files[half : half + third]) + GROWN_FILES:
        wrong.append(f"open files grew from {max(files[half : half + third])} to {max(files[-third:])}")
    return wrong


def left_over(shop: Workshop) -> list[str]:
    """Return the temporary files that are left after the store was verified, hours later."""
    shop.true += dt.timedelta(days=2)
    injections.set_clock(shop.true)
    report = shop.store.check()
    wrong = [f"verify: {p}" for p in report.problems]
    inner = [p for p in shop.root.rglob("_*") if p.is_file() and p.relative_to(shop.root).parts != (p.name,)]
    wrong += [
        f"left in the store: {p.relative_to(shop.root)}"
        for p in inner
        if p.name not in ("_last.json", "_pack.json")
    ]
    wrong += [f"left in the store: {p.relative_to(shop.root)}" for p in (shop.root / "_incoming").glob("*")]
    wrong += [f"left unfinished: {p.name}" for p in (shop.root / "_unfinished").glob("*")]
    wrong += [f"left in the system's folder: {p.name}" for p in Path(tempfile.gettempdir()).glob("bmslogs*")]
    return wrong
