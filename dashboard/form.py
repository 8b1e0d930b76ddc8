"""From what is typed into the form to the pack file, and back; every mistake is one line."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import Pack, parse_pack

LIMITS = {
    "voltage_min_V": "Lowest cell voltage [V]", "voltage_max_V": "Highest cell voltage [V]",
    "charge_temperature_min_C": "Coldest charging [degC]", "charge_temperature_max_C": "Warmest charging [degC]",
    "temperature_max_C": "Highest temperature [degC]",
}
NUMBERS = {
    "nominal_capacity_Ah": "Capacity [Ah]", "cells_in_series": "Cells in series",
    "cells_in_parallel": "Cells in parallel", "bleed_resistor_ohm": "Bleed resistor [ohm]",
}
_NAMED = re.compile(r"(?P<name>[^,;]+?)\s*[ =]\s*(?P<cells>\d[\d\s,+-]*)$")


def pack_of(typed: Mapping[str, Any]) -> Pack:
    """Return the pack that the form describes.

    Parameters
    ----------
    typed
        ``id``, ``vehicle``, ``design``, ``chemistry``, the keys of `NUMBERS` and `LIMITS`, and the texts
        ``boxes``, ``sensors``, ``boards``.

    Raises
    ------
    BadPack
        One line: what was found and what was expected.
    """
    pack = {k: typed[k] for k in ("id", "vehicle", "design", "chemistry", *NUMBERS) if typed.get(k) not in (None, "")}
    limits = {k: typed[k] for k in LIMITS if typed.get(k) not in (None, "")}
    document: dict[str, Any] = {"pack": {**pack, **({"limits": limits} if limits else {})}}
    boxes, modules = boxes_of(typed.get("boxes") or "")
    for table, rows in (("box", boxes), ("module", modules),
                        ("temperature_sensor", _lines(typed.get("sensors") or "", "sensor")),
                        ("sense_board", _lines(typed.get("boards") or "", "board"))):
        if rows:
            document[table] = rows
    if typed.get("events"):
        document["event"] = typed["events"]
    return parse_pack(document)


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
            raise BadPack(f"boxes, line {number}: no module in {line.strip()!r}", "such as  front: F1 1-4; F2 5-8")
        modules += parts
        if colon:
            boxes.append({"name": box.strip(), "modules": [p["name"] for p in parts]})
    return boxes, modules


def _lines(text: str, what: str) -> list[dict[str, Any]]:
    return [_named(line, f"{what}s, line {n}") for n, line in enumerate(text.splitlines(), 1) if line.strip()]


def _named(text: str, where: str) -> dict[str, Any]:
    match = _NAMED.fullmatch(text.strip())
    if match is None:
        raise BadPack(f"{where}: found {text.strip()!r}", "a name and its cells, such as  F1 1-4")
    return {"name": match["name"].strip(), "cells": cells_of(match["cells"], where)}


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
    cells = {m.name: f"{m.name} {short_cells(m.cells)}" for m in pack.modules}
    lines = [f"{b.name}: " + "; ".join(cells[m] for m in b.modules) for b in pack.boxes]
    loose = [cells[m.name] for m in pack.modules if pack.box_of(m.name) is None]
    out = {
        "id": pack.id, "vehicle": pack.vehicle, "design": pack.design or "", "chemistry": pack.chemistry,
        "boxes": "\n".join([*lines, *loose]),
        "sensors": "\n".join(f"{s.name} {short_cells(s.cells)}" for s in pack.temperature_sensors if s.cells),
        "boards": "\n".join(f"{b.name} {short_cells(b.cells)}" for b in pack.sense_boards),
    }
    return out | {k: getattr(pack, k) for k in NUMBERS} | {k: getattr(pack.limits, k) for k in LIMITS}


def short_cells(cells: list[int]) -> str:
    """Return ``1-4, 7`` for 1, 2, 3, 4, 7."""
    from bmslogs.faces.numbers import ranges

    return ranges(cells)
