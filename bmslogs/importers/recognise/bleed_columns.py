"""Bleed flags: one column a cell, or a bitfield whose order the voltages must not contradict."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.importers.plan.plan import Bits
from bmslogs.importers.plan.profile import Bleed
from bmslogs.importers.reading.bleed_bits import decode_bits
from bmslogs.importers.recognise.cells import Cells
from bmslogs.importers.recognise.clock import column_called
from bmslogs.importers.text.flags import flag
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.words import Header

Kind = Literal["hex", "integer", "binary text"]
End = Literal["first_cell", "last_cell"]
Bools = npt.NDArray[np.bool_]


@dataclass
class Bleeds:
    """Columns of flags by cell number, or one column of bits."""

    flags: dict[int, int] = field(default_factory=dict)
    column: int | None = None
    bits: Bits | None = None
    why: str = ""
    notes: list[str] = field(default_factory=list)


def find_bits(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    cells: Cells | None,
    profile: Bleed | None,
    file: Path,
) -> Bleeds:
    """Find the bleed flags of a log.

    Raises
    ------
    BadInput
        The profile names what is not there.
    Ambiguous
        The order of the bits cannot be told though they move.
    """
    if cells is None:
        return Bleeds()
    if profile is not None and profile.pattern is not None:
        pattern = re.compile(profile.pattern)
        hits = {
            int(m.group("cell")): c.index for c in sample.columns if (m := pattern.fullmatch(c.name.strip()))
        }
        if not hits:
            raise BadInput(f"no header fits {profile.pattern!r}", "bleed columns", file=file)
        return Bleeds({n - cells.first + 1: i for n, i in hits.items()}, why="by the profile's pattern")
    if profile is not None and profile.column is not None and profile.kind is not None:
        index = column_called(sample, profile.column, file, "bleed")
        return Bleeds(column=index, bits=Bits(profile.kind, profile.lowest_bit), why="by the profile")
    named = [
        i
        for i in sorted(free)
        if "bleed" in headers[i].means
        and not headers[i].means & {"current", "temperature", "voltage", "summary", "fault"}
        and _unitless(headers[i])
    ]
    flags = _flags(named, sample, headers, cells)
    if flags is not None:
        return Bleeds(flags, why="flags of each cell, by header and values")
    for i in named:
        kind = _kind(sample.columns[i], len(cells.columns))
        if kind is not None:
            lowest, why = _order(sample, i, kind, cells, file)
            return Bleeds(column=i, bits=Bits(kind, lowest), why=f"{kind} bitfield; {why}")
    return Bleeds()


def _unitless(header: Header) -> bool:
    """Whether a header spells no unit, or one such as ``bits`` or ``hex`` that is none."""
    return header.unit is None or header.unit.name == "-"


def _flags(named: list[int], sample: Sample, headers: list[Header], cells: Cells) -> dict[int, int] | None:
    able = [i for i in named if headers[i].numbers and _is_flag(sample.columns[i])]
    stems: dict[tuple[str, ...], list[int]] = {}
    for i in able:
        stems.setdefault(tuple("#" if t.isdigit() else t for t in headers[i].tokens), []).append(i)
    for columns in sorted(stems.values(), key=len, reverse=True):
        if len(columns) == len(cells.columns):
            order = sorted(columns, key=lambda i: headers[i].numbers)
            return dict(zip(cells.columns, order))
        numbers = [headers[i].numbers[-1] for i in columns]
        if len(set(numbers)) == len(numbers) and len(columns) > 1 and len(stems) == 1:
            moved = {n - cells.first + 1: i for n, i in zip(numbers, columns)}
            if set(moved) <= set(cells.columns):
                return dict(sorted(moved.items()))
    return None


def _is_flag(column: SampledColumn) -> bool:
    texts = {t for t in column.texts if t is not None}
    return all(flag(t) is not None for t in texts) and len(texts) <= 6


def _kind(column: SampledColumn, cells: int) -> Kind | None:
    texts = {t for t in column.texts if t is not None}
    if not texts:
        return None
    bare = {re.sub(r"[\s_|]", "", t) for t in texts}
    if all(re.fullmatch(r"[01]+", t) and len(t) >= cells and len(t) > 1 for t in bare):
        return "binary text"
    if all(re.fullmatch(r"0[xX][0-9a-fA-F]+", t) for t in bare):
        return "hex"
    if all(re.fullmatch(r"[0-9a-fA-F]+h?", t) for t in bare) and (
        any(re.search(r"[a-fA-F]", t) for t in bare)
        or (len({len(t) for t in bare}) == 1 and min(map(len, bare)) >= max(2, -(-cells // 4)))
    ):
        return "hex"
    if all(re.fullmatch(r"\d+(\.0)?", t) for t in bare) and cells < 54:
        # 0 and 1 alone are one flag for all cells rather than the bit of the first
        values = {int(float(t)) for t in bare}
        return "integer" if max(values) < 2**cells and values not in ({0, 1}, {1}) else None
    return None


def _order(sample: Sample, index: int, kind: Kind, cells: Cells, file: Path) -> tuple[End, str]:
    """Say which end of the bits is the first cell: a cell is bled because it is higher than the others."""
    n = len(cells.columns)
    up = decode_bits(sample.columns[index].texts, Bits(kind, "first_cell"), n)
    if not up.any() or bool((up == up[:, ::-1]).all()):
        return "first_cell", "never set one-sidedly, the order is immaterial here"
    volts = np.array([sample.columns[i].values for i in cells.columns.values()]).T * cells.unit.scale
    with np.errstate(all="ignore"):
        above = volts - np.nanmedian(volts, axis=1, keepdims=True)
    rows = up.any(axis=1) & ~up.all(axis=1)
    forward = _lead(above[rows], up[rows])
    backward = _lead(above[rows], up[rows][:, ::-1])
    if forward > backward + 1e-3 and forward > 0:
        return "first_cell", "lowest bit is the first cell: the bled cells are the higher ones"
    if backward > forward + 1e-3 and backward > 0:
        return "last_cell", "lowest bit is the last cell: the bled cells are the higher ones that way only"
    if kind == "binary text":
        raise Ambiguous(
            "a bitfield as text may begin with the first cell or with the last",
            'a profile with [bleed] column, kind = "binary text" and lowest_bit = "first_cell" or "last_cell"',
            file=file,
            column=sample.columns[index].name,
        )
    return "first_cell", "lowest bit taken as the first cell; the voltages do not decide"


def _lead(above: npt.NDArray[np.float64], bled: Bools) -> float:
    """Return by how much the bled cells are above the others [V], on average."""
    good = np.isfinite(above)
    on, off = above[bled & good], above[~bled & good]
    return float(np.mean(on) - np.mean(off)) if len(on) and len(off) else 0.0
