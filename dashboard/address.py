"""The address bar holds the whole view: which pack and log, which window, what is picked."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields, replace
from urllib.parse import parse_qs, quote

import numpy as np

SOFT = (
    "start",
    "end",
    "cells",
    "module",
    "joint",
    "quantity",
    "since",
    "warm",
    "finding",
    "find",
    "only",
    "part",
    "sight",
)
"""Parts of the view that a page follows without being laid out anew."""
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d{1,6})?)?Z?")
_ID = re.compile(r"[A-Za-z0-9_-]{1,80}")


@dataclass(frozen=True)
class View:
    """What is looked at.

    Attributes
    ----------
    pack, log
        Ids; empty where none is chosen.
    start, end
        Window of time, ISO 8601, UTC; empty for the whole log.
    cells
        Picked cells.
    module, joint
        Picked module (name) and link (number of its later cell).
    quantity
        Which estimate colours the pack.
    since
        Id of the log that changes are counted from.
    warm
        Whether temperatures are written into the pack.
    finding
        Number of the finding that is pointed at, counted from 1.
    sight
        Whether the window is where that finding is plainest, as long as no other window is chosen.
    whole
        Whether all logs of the pack answer together, not one of them.
    packs, before, after
        What stands side by side.
    other, by
        Id of the log that is laid over this one, and by what: charge or load; empty for time.
    apart, measured
        In the history: a plot a module, and values as measured instead of against the pack's middle.
    edit, copy
        Pack whose description is changed, or copied for another.
    page
        Page of the handbook.
    act, note
        In the logbook: which form is open (``note``, ``move``, ``cell``, ``rename``), and the note that it changes.
    find, only, part
        In the logbook: words that a log has, which logs are shown, and which part of them, counted from 1.
    """

    pack: str = ""
    log: str = ""
    start: str = ""
    end: str = ""
    cells: tuple[int, ...] = ()
    module: str = ""
    joint: int = 0
    quantity: str = ""
    since: str = ""
    warm: bool = False
    finding: int = 0
    sight: bool = False
    whole: bool = False
    packs: tuple[str, ...] = ()
    before: str = ""
    after: str = ""
    other: str = ""
    by: str = ""
    apart: bool = False
    measured: bool = False
    edit: str = ""
    copy: str = ""
    page: str = ""
    act: str = ""
    note: str = ""
    find: str = ""
    only: str = ""
    part: int = 0

    def query(self) -> str:
        """Return the query of the address, such as ``?pack=heron-main&cells=5,7``; empty parts are left out."""
        parts = []
        for field in fields(self):
            value = getattr(self, field.name)
            if not value:
                continue
            text = (
                ",".join(map(str, value))
                if isinstance(value, tuple)
                else str(int(value) if value is True else value)
            )
            parts.append(f"{field.name}={quote(text, safe=',:')}")
        return "?" + "&".join(parts) if parts else ""

    def link(self, path: str) -> str:
        """Return the address of a page with this view."""
        return path + self.query()

    def but(self, **changes: object) -> View:
        """Return the view with some parts changed."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def picked(self, cell: int) -> View:
        """Return the view with one cell picked, or let go where it was."""
        cells = tuple(c for c in self.cells if c != cell) if cell in self.cells else (*self.cells, cell)
        return self.but(cells=tuple(sorted(cells)[:96]), module="", joint=0)

    def window(self) -> tuple[np.datetime64 | None, np.datetime64 | None]:
        """Return start and end as UTC times, None where open."""
        return _moment(self.start), _moment(self.end)

    def hard(self) -> tuple[object, ...]:
        """Return the parts that lay a page out anew when they change."""
        return tuple(getattr(self, f.name) for f in fields(self) if f.name not in SOFT)


def parse(search: str | None) -> View:
    """Read a view from the query of an address; what makes no sense is left out."""
    raw = {k: v[-1] for k, v in parse_qs((search or "").lstrip("?")).items()}
    return View(
        pack=_id(raw.get("pack")),
        log=_id(raw.get("log")),
        start=_time(raw.get("start")),
        end=_time(raw.get("end")),
        cells=tuple(
            sorted(
                {
                    int(c)
                    for c in raw.get("cells", "").split(",")
                    if c.isascii() and c.isdigit() and 0 < int(c) <= 1000
                }
            )
        ),
        module=raw.get("module", "")[:80],
        joint=_whole(raw.get("joint"), 1000),
        quantity=_id(raw.get("quantity")),
        since=_id(raw.get("since")),
        warm=raw.get("warm") == "1",
        finding=_whole(raw.get("finding"), 9999),
        sight=raw.get("sight") == "1",
        whole=raw.get("whole") == "1",
        packs=tuple(p for p in raw.get("packs", "").split(",") if _ID.fullmatch(p)),
        before=_id(raw.get("before")),
        after=_id(raw.get("after")),
        other=_id(raw.get("other")),
        by=raw.get("by", "") if raw.get("by") in ("charge", "load") else "",
        apart=raw.get("apart") == "1",
        measured=raw.get("measured") == "1",
        edit=_id(raw.get("edit")),
        copy=_id(raw.get("copy")),
        page=_id(raw.get("page")),
        act=_id(raw.get("act")),
        note=_id(raw.get("note")),
        find=raw.get("find", "")[:80],
        only=_id(raw.get("only")),
        part=_whole(raw.get("part"), 99999),
    )


def _id(text: str | None) -> str:
    return text if text and _ID.fullmatch(text) else ""


def _time(text: str | None) -> str:
    return text if text and _TIME.fullmatch(text) else ""


def _whole(text: str | None, most: int) -> int:
    return (
        int(text) if text and text.isascii() and text.isdigit() and len(text) < 6 and int(text) <= most else 0
    )


def _moment(text: str) -> np.datetime64 | None:
    try:
        return np.datetime64(text.removesuffix("Z"), "us") if text else None
    except ValueError:
        return None
