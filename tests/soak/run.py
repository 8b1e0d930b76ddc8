"""The soak as a whole: the days, and the judgement at their end."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from dashboard import desk
from tests.soak.days import Workshop
from tests.soak.judging import grown, last_looks, left_over, lost_or_twice, other_than_afresh, stale_pages

HELD_ESTIMATES = 5_000
"""Answers that the pages hold in memory, fewer than else: a bound that two weeks reach hides nothing that grows."""


def soak(base: Path, days: int, seed: int, rows: int, say: Callable[[str], object]) -> list[str]:
    """Live through some days; return what is wrong at their end, one line each."""
    desk.KEPT_ESTIMATES = HELD_ESTIMATES
    shop = Workshop(base, seed, rows)
    shop.open()
    try:
        began = time.perf_counter()
        for day in range(days):
            shop.day(day)
            if day % 10 == 9:
                used = f"{shop.figures.memory[-1]:.0f} MB, {shop.figures.files[-1]} open files"
                say(
                    f"day {day + 1}: {len(shop.store.logs())} logs, {used}, {time.perf_counter() - began:.0f} s"
                )
        wrong = grown(shop)
        last_looks(shop, days)
        with (
            shop.store.locked()
        ):  # what a killed process left half done is finished by whoever changes the store next
            pass
        wrong += lost_or_twice(shop)
        logs, others = other_than_afresh(shop)
        pages, stale = stale_pages(shop)
        wrong += others + stale
    finally:
        shop.close()
    wrong += left_over(shop)
    say(
        f"{len(shop.kept)} logs written, {logs} held against fresh ones, {pages} pages against those of a fresh server"
    )
    for name, count in sorted(shop.figures.counts.items()):
        say(f"  {name:<28} {count}")
    if shop.figures.memory:
        memory, files = shop.figures.memory, shop.figures.files
        say(f"  memory {memory[0]:.0f} MB after the first day, {memory[-1]:.0f} MB after the last")
        say(f"  open files {files[0]} after the first day, {files[-1]} after the last")
    return wrong
