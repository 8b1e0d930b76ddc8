"""From what is typed into the form to the pack file, and back; every mistake is one line."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any, get_args

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import EventKind, Pack, dump_ocv_table, parse_ocv_table, parse_pack
from bmslogs.faces.numbers import ranges

LIMITS = {
    "voltage_min_V": "Lowest cell voltage [V]",
    "voltage_max_V": "Highest cell voltage [V]",
    "charge_temperature_min_C": "Coldest charging [°C]",
    "charge_temperature_max_C": "Warmest charging [°C]",
    "temperature_max_C": "Highest temperature [°C]",
}
NUMBERS = {
    "nominal_capacity_Ah": "Capacity [Ah]",
    "cells_in_series": "Cells in series",
    "cells_in_parallel": "Cells in parallel",
    "bleed_resistor_ohm": "Bleed resistor [Ω]",
}
KINDS = get_args(EventKind)
"""What work on a pack is called."""
NOT_ASKED = ("current_accuracy", "joint_in_tap_of")
"""Parts of the pack file that the form does not show and keeps as they are."""
_NAMED = re.compile(r"(?P<name>[^,;]+?)\s*[ =]\s*(?P<cells>\d[\d\s,+-]*)$")


def pack_of(typed: Mapping[str, Any], old: Pack | None = None) -> Pack:
    """Return the pack that the form describes.

    Parameters
    ----------
    typed
        ``id``, ``vehicle``, ``design``, ``chemistry``, the keys of `NUMBERS` and `LIMITS`, and the texts
        ``boxes``, ``sensors``, ``boards``, ``events``, ``ocv``.
    old
        The pack that is changed or copied: what the form does not show is kept from it.

    Raises
    ------
    BadPack
        One line: what was found and what was expected.
    """
    kept = {k: v for k in NOT_ASKED if (v := getattr(old, k, None)) is not None}
    table = ocv_of(typed.get("ocv") or "")
    if table:
        kept["ocv_table"] = (old.ocv_table if old else None) or f"{typed.get('id') or 'pack'}-ocv.csv"
    given = {
        k: typed[k]
        for k in ("id", "vehicle", "design", "zone", "chemistry", *NUMBERS)
        if typed.get(k) not in (None, "")
    }
    limits = old.limits.model_dump(exclude_none=True) if old else {}
    limits = {k: v for k, v in limits.items() if k not in LIMITS}
    limits |= {k: typed[k] for k in LIMITS if typed.get(k) not in (None, "")}
    document: dict[str, Any] = {"pack": {**kept, **given, **({"limits": limits} if limits else {})}}
    boxes, modules = boxes_of(typed.get("boxes") or "")
    tables = {
        "box": boxes,
        "module": modules,
        "temperature_sensor": sensors_of(typed.get("sensors") or ""),
        "sense_board": boards_of(typed.get("boards") or ""),
        "event": events_of(typed.get("events") or ""),
    }
    pack = parse_pack(document | {k: rows for k, rows in tables.items() if rows})
    return pack.model_copy(update={"ocv": table}) if table else pack


def ocv_of(text: str) -> tuple[tuple[float, float], ...] | None:
    """Read the pack's own open-circuit table as typed or pasted; None where nothing is.

    A table copied from a spreadsheet has tabs, or semicolons and decimal commas: these are read as well.

    Raises
    ------
    BadPack
        Not such a table; the line is named.
    """
    plain = text.lstrip("\ufeff").strip()
    if not plain:
        return None
    head = plain.splitlines()[0]
    for mark in ("\t", ";"):
        if mark in head:
            plain = plain.replace(",", ".").replace(mark, ",")
            break
    lines = [",".join(part.strip() for part in line.split(",")) for line in plain.splitlines()]
    return parse_ocv_table("\n".join(lines), file="open-circuit table")


def boxes_of(text: str) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Read boxes and modules, one box a line: ``front: F1 1-4; F2 5-8``. Without ``front:`` there is no box."""
    boxes: list[dict[str, Any]] = []
    modules: list[dict[str, Any]] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        box, colon, rest = line.rpartition(":")
        parts = [_named(p, f"boxes, line {number}") for p in rest.split(";") if p.strip()]
        if not parts:
            raise BadPack(
                f"boxes, line {number}: no module in {line.strip()!r}", "such as  front: F1 1-4; F2 5-8"
            )
        modules += parts
        if colon:
            boxes.append({"name": box.strip(), "modules": [p["name"] for p in parts]})
    return boxes, modules


def sensors_of(text: str) -> list[dict[str, Any]]:
    """Read temperature sensors, one a line: ``T1 1-4``."""
    return _lines(text, "sensor")


def boards_of(text: str) -> list[dict[str, Any]]:
    """Read sense boards, one a line: ``A 1-8``."""
    return _lines(text, "board")


def _lines(text: str, what: str) -> list[dict[str, Any]]:
    return [_named(line, f"{what}s, line {n}") for n, line in enumerate(text.splitlines(), 1) if line.strip()]


def _named(text: str, where: str) -> dict[str, Any]:
    match = _NAMED.fullmatch(text.strip())
    if match is None:
        raise BadPack(f"{where}: found {text.strip()!r}", "a name and its cells, such as  F1 1-4")
    return {"name": match["name"].strip(), "cells": cells_of(match["cells"], where)}


def events_of(text: str) -> list[dict[str, Any]]:
    """Read work on the pack, one a line: ``2026-05-06; module swapped; F2; why``."""
    out = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        date, kind, where, note = ([p.strip() for p in line.split(";", 3)] + ["", "", ""])[:4]
        if kind and kind not in KINDS:
            raise BadPack(f"work, line {number}: found {kind!r}", f"one of {', '.join(KINDS)}")
        try:
            when = dt.date.fromisoformat(date)
        except ValueError:
            raise BadPack(f"work, line {number}: found {date!r}", "a date such as 2026-05-06") from None
        row = {"date": when, "kind": kind or "other", "where": where, "note": note}
        out.append({k: v for k, v in row.items() if v})
    return out


def nowhere(pack: Pack) -> list[str]:
    """Return the places that work on the pack names and that the pack does not have, one line each.

    Such work is kept, but no cell is taken for touched by it.
    """
    cells = [str(c) for c in range(1, pack.cells_in_series + 1)]
    known = {*(m.name for m in pack.modules), *(b.name for b in pack.boxes), *cells}
    return [
        f"Work of {e.date.isoformat()}: {e.where!r} is no box, module or cell of this pack."
        for e in pack.events
        if e.where is not None and e.where.removeprefix("cell ") not in known
    ]


def cells_of(text: str, where: str = "cells") -> list[int]:
    """Read cell numbers: ``1-4, 7``."""
    out: list[int] = []
    for part in re.split(r"[,\s+]+", re.sub(r"\s*-\s*", "-", text.strip())):
        ends = part.split("-")
        if not part or len(ends) > 2 or not all(e.isdigit() for e in ends):
            raise BadPack(f"{where}: found {text.strip()!r}", "cell numbers such as 1-4, 7")
        first, last = int(ends[0]), int(ends[-1])
        if last < first or last > 1000:
            raise BadPack(f"{where}: found {part}", "cells that rise, at most 1000")
        out += range(first, last + 1)
    return out


def even_boxes(cells: int, modules: int, boxes: int) -> str:
    """Return boxes and modules of equal size, as the form's text."""
    modules = max(1, min(modules, cells))
    boxes = max(1, min(boxes, modules))
    edges = [round(i * cells / modules) for i in range(modules + 1)]
    groups = [round(i * modules / boxes) for i in range(boxes + 1)]
    lines = []
    for b in range(boxes):
        parts = [f"M{m + 1} {edges[m] + 1}-{edges[m + 1]}" for m in range(groups[b], groups[b + 1])]
        lines.append(f"box {b + 1}: " + "; ".join(parts))
    return "\n".join(lines)


def typed_of(pack: Pack) -> dict[str, Any]:
    """Return what the form shows for a pack."""
    cells = {m.name: f"{m.name} {ranges(m.cells)}" for m in pack.modules}
    lines = [f"{b.name}: " + "; ".join(cells[m] for m in b.modules) for b in pack.boxes]
    loose = [cells[m.name] for m in pack.modules if pack.box_of(m.name) is None]
    events = [
        "; ".join([e.date.isoformat(), e.kind, e.where or "", e.note or ""]).rstrip("; ") for e in pack.events
    ]
    out = {
        "id": pack.id,
        "vehicle": pack.vehicle,
        "design": pack.design or "",
        "zone": pack.zone or "",
        "chemistry": pack.chemistry,
        "boxes": "\n".join([*lines, *loose]),
        "sensors": "\n".join(f"{s.name} {ranges(s.cells)}" for s in pack.temperature_sensors if s.cells),
        "boards": "\n".join(f"{b.name} {ranges(b.cells)}" for b in pack.sense_boards),
        "events": "\n".join(events),
        "ocv": dump_ocv_table(pack.ocv).rstrip() if pack.ocv else "",
    }
    return out | {k: getattr(pack, k) for k in NUMBERS} | {k: getattr(pack.limits, k) for k in LIMITS}
