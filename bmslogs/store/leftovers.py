"""What killed processes left behind: half-written files, tables and copies for the time of a read."""

from __future__ import annotations

import contextlib
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

STORE_AGE_S = 3600.0
"""Choice [s]: what a running process writes into the store is never untouched for so long."""
SYSTEM_AGE_S = 86_400.0
"""Choice [s]: a watch rests on its copy of a file for hours; if it is taken away, the watch reads the file anew."""
_HALF = re.compile(r"_.+\.\d+-[0-9a-f]{8}")
"""Names that `write_atomic` writes under."""
_NOTES = re.compile(r"_new-\w+")
_SYSTEM = ("bmslogs-watch-*", "bmslogs-upload-*", "bmslogs-*.tsv", "bmslogs-*.unpacked")


def sweep(root: Path) -> int:
    """Remove what killed processes left in a store and in the system's folder for temporary files; return how much.

    Nothing else is touched. Age counts in both directions: a clock that was wrong leaves files of days to come.
    """
    old = [p for p in _in_store(root) if _rests(p, STORE_AGE_S)]
    old += [p for p in _in_system() if _rests(p, SYSTEM_AGE_S)]
    for path in old:
        with contextlib.suppress(OSError):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
    return len(old)


def _in_store(root: Path) -> Iterator[Path]:
    yield from (root / "_incoming").glob("*")
    places = [
        root,
        *(p for p in root.glob("_*") if p.is_dir()),
        *(p for p in root.glob("_*/*") if p.is_dir()),
    ]
    for place in places:
        if place.name != "_incoming" and place.parent.name != "_incoming":
            yield from (p for p in place.glob("_*") if _HALF.fullmatch(p.name) or _NOTES.fullmatch(p.name))


def _in_system() -> Iterator[Path]:
    folder = Path(tempfile.gettempdir())
    for form in _SYSTEM:
        yield from folder.glob(form)


def _rests(path: Path, seconds: float) -> bool:
    try:
        newest = max(p.stat().st_mtime for p in [path, *(path.iterdir() if path.is_dir() else ())])
    except OSError:
        return False
    return bool(abs(time.time() - newest) > seconds)
