"""Where boxes, modules, cells and links lie when a pack is drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

from bmslogs.base.pack import Pack

CELLS_IN_ROW = 12  # choice: as many as stay readable side by side at 800 px
GAP = 0.55  # between rows and modules, in cell widths
CELL_H = 1.25


@dataclass(frozen=True)
class Place:
    """Where one cell, module or box lies, in cell widths: left, top, width, height (y counts downwards)."""

    name: str
    left: float
    top: float
    width: float
    height: float

    @property
    def middle(self) -> tuple[float, float]:
        """Centre of the rectangle."""
        return self.left + self.width / 2, self.top + self.height / 2


@dataclass(frozen=True)
class Drawing:
    """The plan of a pack: what lies where.

    Attributes
    ----------
    cells
        Cell number to its place.
    modules, boxes
        Name to place; empty where the pack file does not describe them.
    links
        (cell before, cell after, points): the links between modules, as lines.
    width, height
        Of the whole plan, in cell widths.
    """

    cells: dict[int, Place]
    modules: dict[str, Place]
    boxes: dict[str, Place]
    links: tuple[tuple[int, int, tuple[tuple[float, float], ...]], ...]
    width: float
    height: float


def plan(pack: Pack) -> Drawing:
    """Lay a pack out: boxes side by side, modules one under the other, cells left to right from pack negative."""
    groups: list[tuple[str | None, list[str]]] = [(b.name, list(b.modules)) for b in pack.boxes]
    homeless = [m.name for m in pack.modules if pack.box_of(m.name) is None]
    if homeless:
        groups.append((None, homeless))
    members = {m.name: list(m.cells) for m in pack.modules}
    if not members:
        members, groups = {"": list(range(1, pack.cells_in_series + 1))}, [(None, [""])]
    widest = max(min(CELLS_IN_ROW, len(c)) for c in members.values())
    columns = _box_columns(len(groups), widest)
    cells: dict[int, Place] = {}
    modules: dict[str, Place] = {}
    boxes: dict[str, Place] = {}
    left, top, row_bottom = 0.0, 0.0, 0.0
    for index, (box, names) in enumerate(groups):
        if index and index % columns == 0:
            left, top = 0.0, row_bottom + 1.0
        width = max((min(CELLS_IN_ROW, len(members[n])) for n in names), default=1)
        y = top + 1.0
        for name in names:
            y += 0.45
            start = y
            for i, cell in enumerate(members[name]):
                x = left + 0.5 + i % CELLS_IN_ROW
                cells[cell] = Place(str(cell), x, y + (i // CELLS_IN_ROW) * CELL_H, 1.0, CELL_H)
            y = start + CELL_H * math.ceil(len(members[name]) / CELLS_IN_ROW)
            if name:
                modules[name] = Place(
                    name, left + 0.5, start, min(CELLS_IN_ROW, len(members[name])), y - start
                )
            y += GAP
        bottom = y
        if box is not None:
            boxes[box] = Place(box, left, top, width + 1.0, bottom - top)
        row_bottom = max(row_bottom, bottom)
        left += width + 1.0 + 0.8
    tops = {b.top for b in boxes.values()}
    deepest = {t: max(b.top + b.height for b in boxes.values() if b.top == t) for t in tops}
    boxes = {n: replace(b, height=deepest[b.top] - b.top) for n, b in boxes.items()}
    right = max(p.left + p.width for p in [*cells.values(), *boxes.values()])
    return Drawing(cells, modules, boxes, _links(pack, cells), right + 0.2, row_bottom)


def _box_columns(boxes: int, widest: int) -> int:
    """How many boxes go side by side before a new row, so that cells stay wide enough to read."""
    return max(1, min(boxes, 26 // (widest + 2)))


def _links(
    pack: Pack, cells: dict[int, Place]
) -> tuple[tuple[int, int, tuple[tuple[float, float], ...]], ...]:
    out = []
    for before in range(1, pack.cells_in_series):
        after = before + 1
        if not pack.modules or pack.module_of(before) == pack.module_of(after):
            continue
        a, b = cells[before], cells[after]
        ax, bx = a.left + a.width / 2, b.left + b.width / 2
        leave = a.top + a.height
        lane = leave + GAP * 0.55
        points: tuple[tuple[float, float], ...]
        if b.top > leave:
            points = ((ax, leave), (ax, lane), (bx, lane), (bx, b.top))
        else:
            side = (a.left + a.width + b.left) / 2 if b.left > a.left else a.left + a.width + 0.9
            side = b.left - 0.9 if b.left > a.left else side
            over = b.top - 0.3
            points = ((ax, leave), (ax, lane), (side, lane), (side, over), (bx, over), (bx, b.top))
        out.append((before, after, points))
    return tuple(out)


def halfway(points: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    """Return the middle of the longest straight piece of a line."""
    pieces = list(pairwise(points))
    (x0, y0), (x1, y1) = max(pieces, key=lambda p: math.dist(*p))
    return (x0 + x1) / 2, (y0 + y1) / 2
