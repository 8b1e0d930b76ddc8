"""Bleed flags: one column a cell, or a bitfield whose order the voltages must not contradict."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.nan_statistics import nanmedian
from bmslogs.importers.plan.plan import Bits
from bmslogs.importers.plan.profile import Bleed
from bmslogs.importers.reading.bleed_bits import decode_bits
from bmslogs.importers.recognise.cells import Cells
from bmslogs.importers.recognise.clock import column_called
from bmslogs.importers.text.flags import flag
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.words import Header, holds, meanings, plain

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
        and not headers[i].means & {"temperature", "voltage", "summary", "fault"}
        and not _of_current(headers[i])
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
    flags = _flags_by_voltage(free - set(named), sample, headers, cells)
    if flags is not None:
        return Bleeds(flags, why="a flag for each cell, set where the cells stand higher than the others")
    return Bleeds()


HIGHER_V = 2e-3
"""Cells that a flag without a name marks stand higher than the others by so much at least, to be those that are bled
(choice)."""


def _flags_by_voltage(
    free: set[int], sample: Sample, headers: list[Header], cells: Cells
) -> dict[int, int] | None:
    """Return the columns of flags whose headers name nothing, such as ``B001``, where the voltages say what they are.

    One column for every cell, numbered as they are, nothing but flags in them, and those that are set make their
    readings fall at once by what the bleed current drops in the sense wires: alarms do not. Of flags that begin with
    ``b`` it is enough that they are set for the higher cells; others may be alarms of a high voltage.
    """
    families: dict[tuple[str, ...], list[int]] = {}
    for i in sorted(free):
        if headers[i].means <= {"module", "cell"} and len(headers[i].numbers) == 1 and _unitless(headers[i]):
            families.setdefault(tuple(t for t in headers[i].tokens if not t.isdigit()), []).append(i)
    found = []
    for stem, columns in families.items():
        numbers = sorted(headers[i].numbers[0] for i in columns)
        whole = len(columns) == len(cells.columns) and numbers == list(
            range(numbers[0], numbers[0] + len(columns))
        )
        if not whole or not all(_is_flag(sample.columns[i]) for i in columns):
            continue
        columns = sorted(columns, key=lambda i: headers[i].numbers[0])
        up = np.array(
            [[flag(t) if t is not None else False for t in sample.columns[i].texts] for i in columns]
        ).T
        volts = np.array([sample.columns[i].values for i in cells.columns.values()]).T * cells.unit.scale
        on = up.astype(bool)
        higher = stem[:1] and stem[0].startswith("b") and _leads(volts, on)[0] > HIGHER_V
        if on.any() and not on.all() and (higher or _fall_as_set(volts, on)):
            found.append(dict(zip(cells.columns, columns, strict=True)))
    return found[0] if len(found) == 1 else None


def _of_current(header: Header) -> bool:
    """Whether a header speaks of a current by a word that is none of bleeding: ``shunts`` are, a shunt is not."""
    words = meanings()
    return any(
        holds(words["current"], token) and not holds(words["bleed"], token)
        for token in header.tokens
        if not token.isdigit()
    )


def _unitless(header: Header) -> bool:
    """Whether a header spells no unit, or one such as ``bits`` or ``hex`` that is none."""
    return header.unit is None or header.unit.name == "-"


def _flags(named: list[int], sample: Sample, headers: list[Header], cells: Cells) -> dict[int, int] | None:
    flags = [i for i in named if _is_flag(sample.columns[i])]
    if len(cells.columns) == 1 and len(flags) == 1:
        return {next(iter(cells.columns)): flags[0]}  # a row, or a string, of one cell
    able = [i for i in flags if headers[i].numbers]
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


_FIRST = r"[\W_]*(?:is|ist)?[\W_]*(?:[a-z]{1,8}[\W_]*)?0*[01](?!\d)"
_HIGH_FIRST = re.compile(r"(?:left\w*|links\w*|gauche|izquierd\w*|sinistr\w*|msb|highest bit)" + _FIRST)
_LOW_FIRST = re.compile(
    r"(?:right\w*|rechts\w*|droite|derech\w*|destr\w*|lsb|lowest bit|bit[\W_]*0)" + _FIRST
)
"""Which end is the first cell, as headers say it: ``left = cell 1``, ``lsb_cell_1``, ``bit 0 = vc1``."""


def _said_order(text: str) -> End | None:
    """Return which cell the lowest bit is of by what the header says; None where it says nothing, or both."""
    said = plain(text)
    high, low = bool(_HIGH_FIRST.search(said)), bool(_LOW_FIRST.search(said))
    if high == low:
        return None
    return "last_cell" if high else "first_cell"


def _order(sample: Sample, index: int, kind: Kind, cells: Cells, file: Path) -> tuple[End, str]:
    """Say which end of the bits is the first cell: a cell is bled because it is higher than the others."""
    n = len(cells.columns)
    said = _said_order(f"{sample.columns[index].name} {sample.columns[index].unit_text}")
    if said is not None:
        return said, "as its header says"
    up = decode_bits(sample.columns[index].texts, Bits(kind, "first_cell"), n)
    if not up.any() or bool((up == up[:, ::-1]).all()):
        return "first_cell", "never set one-sidedly, the order is immaterial here"
    volts = np.array([sample.columns[i].values for i in cells.columns.values()]).T * cells.unit.scale
    for look, says in ((_fallen_at_once, "fall as it begins"), (_fallen, "are those that fell")):
        fell = look(volts, up)
        if fell is not None:
            end: End = "first_cell" if fell else "last_cell"
            return end, f"lowest bit is the {end.replace('_', ' ')}: the cells that bleed that way {says}"
    forward, backward = _leads(volts, up)
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


FALLS_V, FALLS_NOISES, FALLS_EDGES = 0.003, 4.0, 4
"""By so much, and so many times what readings move from row to row, they fall as their flags are set, over so many of
the flags' edges (choice)."""


def _fall_as_set(volts: npt.NDArray[np.float64], up: Bools) -> bool:
    """Whether readings fall as their flags are set, and rise as they go: an alarm is set by what moves slowly."""
    with np.errstate(all="ignore"):
        above = volts - np.nanmedian(volts, axis=1, keepdims=True)
    moved, edge = np.diff(above, axis=0), np.diff(up.astype(np.int8), axis=0)
    falls = (-moved * edge)[(edge != 0) & np.isfinite(moved)]
    usual = float(nanmedian(np.abs(moved[edge == 0])))
    return bool(len(falls) >= FALLS_EDGES and np.median(falls) > max(FALLS_V, FALLS_NOISES * usual))


EDGES, EDGE_V, EDGE_SES, TRIMMED = 8, 0.0005, 4.0, 0.1
"""So many edges, a fall of so much more by one order than by the other, and of so many standard errors; this share of
the edges at either end is left out, as where rows of the sample are not the next ones of the file (choice)."""


def _fallen_at_once(volts: npt.NDArray[np.float64], up: Bools) -> bool | None:
    """Return whether readings fall by the first order of the bits as bleeding begins, and rise as it ends.

    The current of bleeding drops in the sense wires of the cell that bleeds, whatever the string does meanwhile. None
    where no order shows it.
    """
    with np.errstate(all="ignore"):
        above = volts - np.nanmedian(volts, axis=1, keepdims=True)
    moved, edge = np.diff(above, axis=0), np.diff(up.astype(np.int8), axis=0)
    apart = (edge != edge[:, ::-1]) & np.isfinite(moved) & np.isfinite(moved[:, ::-1])
    # of each mirrored pair once: what the one fell by its edge more than the other by the same
    first = np.arange(up.shape[1]) < up.shape[1] // 2
    more = (-(moved - moved[:, ::-1]) * (edge - edge[:, ::-1]))[apart & first] / 2.0
    cut = round(TRIMMED * len(more))
    more = np.sort(more)[cut : len(more) - cut]
    if len(more) < EDGES:
        return None
    se = float(np.std(more)) / np.sqrt(len(more))
    mean = float(np.mean(more))
    return mean > 0.0 if abs(mean) > max(EDGE_V, EDGE_SES * se) else None


END_SHARE = 0.05
"""Share of the rows at either end that tells where a cell begins and ends (choice)."""


def _fallen(volts: npt.NDArray[np.float64], up: Bools) -> bool | None:
    """Return whether the cells fell that bleed by the first order of the bits; None where neither order shows it.

    Of the cells that one order names more often, by the change from the first rows to the last against the pack: what
    bleeding did outweighs which cells were higher, since that differs by millivolts and moves with loads.
    """
    with np.errstate(all="ignore"):
        above = volts - np.nanmedian(volts, axis=1, keepdims=True)
    rows = max(1, round(END_SHARE * len(above)))
    fall = nanmedian(above[:rows], axis=0) - nanmedian(above[-rows:], axis=0)
    share = up.mean(axis=0)
    more = share - share[::-1] > MORE_SHARE * share.max()
    never = (share == 0.0) & (share[::-1] == 0.0) & np.isfinite(fall)
    if not more.any():
        return None
    scatter = 1.4826 * float(np.median(np.abs(fall[never] - np.median(fall[never])))) if never.any() else 0.0
    forward, backward = _middle(fall[more]), _middle(fall[more[::-1]])
    if abs(forward - backward) <= max(FALLS_V, FALLS_NOISES * scatter):
        return None
    return forward > backward


STILL_ROWS = 3
"""From so many rows on without a command these tell alone which cells are higher (choice)."""
MORE_SHARE = 0.25
"""By so much of the most often commanded cell's time a cell must be commanded more often by one order than by the
other, to speak for it (choice)."""


def _leads(volts: npt.NDArray[np.float64], up: Bools) -> tuple[float, float]:
    """Return by how much the cells that are bled stand above the middle [V], by one order of the bits and the other.

    Of the cells that one of the two orders names more often, and where no cell is bled if there are such rows: while
    one is, a sense wire with resistance lifts its neighbour by tens of millivolts. Medians: no single cell decides.
    """
    with np.errstate(all="ignore"):
        above = volts - np.nanmedian(volts, axis=1, keepdims=True)
    some, none = up.any(axis=1) & ~up.all(axis=1), ~up.any(axis=1)
    share = up[some].mean(axis=0)
    more = share - share[::-1] > MORE_SHARE * share.max()
    if none.sum() >= STILL_ROWS and more.any():
        level = nanmedian(above[none], axis=0)
        return _middle(level[more]), _middle(level[more[::-1]])
    bled = up[some]
    return _lead(above[some], bled), _lead(above[some], bled[:, ::-1])


def _middle(values: npt.NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def _lead(above: npt.NDArray[np.float64], bled: Bools) -> float:
    """Return by how much the bled cells are above the others [V], by the median cell of each kind."""
    on = nanmedian(np.where(bled, above, np.nan), axis=0)
    off = nanmedian(np.where(bled, np.nan, above), axis=0)
    return _middle(on) - _middle(off) if np.isfinite(on).any() and np.isfinite(off).any() else 0.0
