"""One line a pack: what stands when all its logs are weighed together, for a view of many vehicles."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from bmslogs.base.results import LEVELS
from bmslogs.fleet.dataset import read_estimates, read_standing
from bmslogs.fleet.files import Files


@dataclass(frozen=True)
class PackOverview:
    """One pack in the view of all.

    Attributes
    ----------
    logs, last
        Number of diagnosed logs, start of the latest.
    act, look, note
        Number of findings of each level that stand when all logs of the pack are weighed together.
    worst
        Sentence of its most urgent finding; None where there is none.
    not_known
        Number of quantities that no log of the pack could determine.
    """

    pack: str
    vehicle: str
    logs: int
    last: dt.datetime
    act: int
    look: int
    note: int
    worst: str | None
    not_known: int


def overview(root: str | Path | Files) -> list[PackOverview]:
    """Return one line a pack, the most urgent first, from the datasets alone; kept while no file of them changes."""
    if isinstance(root, Files):
        return list(_overview(root))
    files = Files(root)
    stamp = tuple(
        (i.path, int(i.size or 0), int(i.mtime_ns or 0))
        for folder in ("_estimates", "_standing")
        for i in files.listing(files.path(folder))
    )
    return list(_kept(str(root), stamp))


@lru_cache(maxsize=4)
def _kept(root: str, _stamp: tuple[tuple[str, int, int], ...]) -> tuple[PackOverview, ...]:
    return _overview(Files(root))


def _overview(root: Files) -> tuple[PackOverview, ...]:
    estimates = read_estimates(root, ["pack", "vehicle", "log", "start", "quantity", "status"])
    if estimates.num_rows == 0:
        return ()
    seen = estimates.group_by(["pack", "vehicle", "log", "start"]).aggregate([]).to_pylist()
    packs: dict[str, list[dict[str, Any]]] = {}
    for row in seen:
        packs.setdefault(row["pack"], []).append(row)
    unknown = _unknown(estimates)
    latest = {pack: max(rows, key=lambda r: (r["start"], r["log"])) for pack, rows in packs.items()}
    findings: dict[str, list[dict[str, Any]]] = {}
    for f in read_standing(root, ["pack", "level", "size", "says"]).to_pylist():
        findings.setdefault(f["pack"], []).append(f)
    out = []
    for pack, rows in packs.items():
        own = sorted(findings.get(pack, []), key=lambda f: (LEVELS.index(f["level"]), -abs(f["size"] or 0.0)))
        count = {level: sum(f["level"] == level for f in own) for level in LEVELS}
        out.append(
            PackOverview(
                pack, latest[pack]["vehicle"], len(rows), latest[pack]["start"], count["act"], count["look"],
                count["note"], own[0]["says"] if own else None, unknown.get(pack, 0),
            )
        )  # fmt: skip
    return tuple(sorted(out, key=lambda p: (-p.act, -p.look, p.pack)))


def _unknown(estimates: Any) -> dict[str, int]:
    told: dict[tuple[str, str], bool] = {}
    for row in estimates.group_by(["pack", "quantity", "status"]).aggregate([]).to_pylist():
        key = (row["pack"], row["quantity"])
        told[key] = told.get(key, False) or row["status"] == "determined"
    out: dict[str, int] = {}
    for (pack, _), known in told.items():
        out[pack] = out.get(pack, 0) + (not known)
    return out
