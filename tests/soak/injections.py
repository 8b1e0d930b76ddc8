"""A full disk, a wrong clock and a sudden end, put into a running process where it meets the file system.

Python tells of every file that it opens, renames or removes; what it tells of is counted, and at a given count the disk
is full or the process ends at once, as if it were killed. Arrow writes past that, so its writer is stopped itself.
"""

from __future__ import annotations

import datetime as dt
import errno
import importlib
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pyarrow.parquet as pq

WRITES = ("w", "a", "+", "x")
CLOCKS = (
    "bmslogs.store.order.changes", "bmslogs.store.order.bin", "bmslogs.faces.record.contents", "dashboard.notes",
    "dashboard.remembered", "dashboard.shell",
)  # fmt: skip
"""Modules that ask for the date."""


class _State:
    """What is to happen; nothing while both are None."""

    root = ""
    full_after: int | None = None
    killed_after: int | None = None
    seen = 0
    shift_s = 0.0


def _no_space() -> OSError:
    return OSError(errno.ENOSPC, "No space left on device")


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    if _State.full_after is None and _State.killed_after is None:
        return
    if event == "open":
        path, mode, flags = arguments
        wanted = (
            any(x in mode for x in WRITES)
            if isinstance(mode, str)
            else bool((flags or 0) & (os.O_WRONLY | os.O_RDWR))
        )
        if not wanted:
            return
    elif event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir"):
        path = arguments[0]
    else:
        return
    if isinstance(path, bytes | str | os.PathLike) and os.fsdecode(path).startswith(_State.root):
        _count(event not in ("os.remove", "os.rmdir"))


def _count(needs_space: bool) -> None:
    _State.seen += 1
    if _State.killed_after is not None and _State.seen >= _State.killed_after:
        os._exit(137)
    if needs_space and _State.full_after is not None and _State.seen >= _State.full_after:
        raise _no_space()


def install(root: str) -> None:
    """Begin to listen; once a process."""
    _State.root = root
    sys.addaudithook(_audit)
    write, sync, clock = pq.ParquetWriter.write_table, os.fsync, time.time

    def write_table(self: Any, *args: Any, **kwargs: Any) -> Any:
        _count(True)
        return write(self, *args, **kwargs)

    def fsync(handle: Any) -> None:
        _count(True)
        sync(handle)

    pq.ParquetWriter.write_table = write_table
    os.fsync = fsync
    time.time = lambda: clock() + _State.shift_s

    class Clock(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:  # type: ignore[override]
            return dt.datetime.now(tz) + dt.timedelta(seconds=_State.shift_s)

    shown = type(dt)("datetime")
    shown.__dict__.update({k: v for k, v in vars(dt).items() if not k.startswith("__")})
    shown.datetime = Clock  # type: ignore[attr-defined]
    for name in CLOCKS:
        importlib.import_module(name).dt = shown  # type: ignore[attr-defined]


def set_clock(moment: dt.datetime) -> None:
    """Let the clock show a moment now, and go on from there."""
    _State.shift_s = 0.0
    _State.shift_s = (moment - dt.datetime.now(dt.UTC)).total_seconds()


@contextmanager
def full_disk(after: int | None) -> Iterator[None]:
    """Fill the disk after so many changes of the file system; None leaves room."""
    _State.seen, _State.full_after = 0, after
    try:
        yield
    finally:
        _State.full_after = None


def end_after(changes: int) -> None:
    """End this process at once at the so-manieth change of the file system."""
    _State.seen, _State.killed_after = 0, changes
