"""Mappings that were chosen once, kept for a logger and a pack: its next file is read alike, and the page says so."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from bmslogs.store.files import write_atomic


@dataclass(frozen=True)
class Remembered:
    """A mapping and where it comes from.

    Attributes
    ----------
    profile
        As text.
    file, day
        The log that it was chosen for, and when.
    """

    profile: str
    file: str
    day: str


def logger_key(names: Sequence[str]) -> str:
    """Return what a logger is known by: the headers of its columns, in their order."""
    return hashlib.sha256("\n".join(n.strip() for n in names).encode()).hexdigest()[:16]


def recall(root: Path, pack: str, names: Sequence[str]) -> Remembered | None:
    """Return the mapping that is kept for a logger and a pack."""
    kept = _read(root, pack).get(logger_key(names))
    try:
        return Remembered(**kept) if isinstance(kept, dict) else None
    except TypeError:
        return None


def remember(root: Path, pack: str, names: Sequence[str], profile: str, file: str) -> None:
    """Keep the mapping of a logger and a pack; the latest stands."""
    today = dt.datetime.now(dt.UTC).date().isoformat()
    held = _read(root, pack)
    held[logger_key(names)] = {"profile": profile, "file": file, "day": today}
    write_atomic(_path(root, pack), json.dumps(held, ensure_ascii=False, indent=1))


def forget(root: Path, pack: str, names: Sequence[str]) -> None:
    """Keep it no longer."""
    held = _read(root, pack)
    if held.pop(logger_key(names), None) is not None:
        write_atomic(_path(root, pack), json.dumps(held, ensure_ascii=False, indent=1))


def _path(root: Path, pack: str) -> Path:
    return root / "_mappings" / f"{quote(pack, safe='')}.json"


def _read(root: Path, pack: str) -> dict[str, Any]:
    try:
        held = json.loads(_path(root, pack).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) else {}
