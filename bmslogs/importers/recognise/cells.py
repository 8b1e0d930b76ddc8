"""Which columns are the cells, in which order, and in which unit."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.units import Unit, named
from bmslogs.importers.text.words import Header, meanings, numbered_mean, plain

LOWEST_V, HIGHEST_V = 1.0, 4.7
"""Window of a cell's median voltage [V]: choice, wide enough for every lithium chemistry; a decade fits once."""
_NOT_CELLS = frozenset(
    {
        "temperature",
        "bleed",
        "soc",
        "summary",
        "other",
        "contactor",
        "fault",
        "ambient",
        "charge",
        "discharge",
    }
)
MOST_ELECTRODES = 8
"""Choice: among as many columns of volts the difference of two others is looked for."""
MOST_NUMBER = 65_536
"""Choice: loggers number cells by module and place (0x1203), in two bytes at most; more is no cell."""
_SCALES = ("V", "mV", "0.1mV", "10mV", "0.1V", "uV")
_DROPPED = (0.0, 65535.0, 32767.0, -1.0, -32768.0, 65.535, 32.767)


@dataclass(frozen=True)
class Family:
    """Columns whose headers differ by numbers (and perhaps by one word, the module's name) alone.

    Attributes
    ----------
    columns
        Indices in file order.
    keys
        For each: the module's name or number and the cell's number within it, None where there is none.
    """

    columns: tuple[int, ...]
    keys: tuple[tuple[tuple[int | str, ...], int], ...]
    says: str
    first: int
    unit: Unit | None
    means: frozenset[str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cells:
    """The cells found: source column of each cell number, in order from pack negative."""

    columns: dict[int, int]
    unit: Unit
    why: str
    first: int
    unused: tuple[int, ...] = ()
    notes: tuple[str, ...] = field(default=())


def voltage_unit(values: Iterable[float], stated: Unit | None) -> tuple[Unit | None, str]:
    """Return the unit in which values are cell voltages, and why.

    The window of a lithium cell spans less than a factor of ten, so at most one decade fits.
    """
    finite = np.array(
        [v for v in values if np.isfinite(v) and v not in (0.0, 65535.0, 32767.0, -1.0, -32768.0)]
    )
    if not len(finite):
        return stated, "no readings to judge"
    median = float(np.median(np.abs(finite)))
    if stated is not None and stated.kind == "voltage" and LOWEST_V <= median * stated.scale <= HIGHEST_V:
        return stated, f"unit {stated.name} by the header"
    for name in _SCALES:
        unit = named("voltage", name)
        if unit is not None and LOWEST_V <= median * unit.scale <= HIGHEST_V:
            more = f"; the header's {stated.name} cannot be" if stated is not None else ""
            return unit, f"unit {name} by the values (median {median:g}){more}"
    return None, f"median {median:g} is no cell voltage in any unit"


def find_cells(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    cells: int | None,
    pack: Pack | None,
    file: Path,
    headerless: bool = False,
    wanted: tuple[int, ...] | None = None,
) -> Cells:
    """Find the cell columns of a log that has no profile for them.

    Parameters
    ----------
    free
        Columns that nothing else has taken.
    cells
        Number of cells expected; None where unknown.
    wanted
        Cell numbers of the modules that were logged, where not all.

    Raises
    ------
    BadInput, Ambiguous
        None found, another number than expected, or an order that cannot be told.
    """
    if headerless:
        by_values = _by_values(sample, free, cells)
        if by_values is not None:
            return by_values
        named_so = "(?P<cell>)" if cells == 1 else "(?P<cell>...)"
        raise BadInput(
            f"no header, and not as many columns of cell voltages side by side as {cells or 'there may be'} cells",
            f'a header line, or a profile with [cell_voltage] pattern = "column 3{named_so}" where that is a cell',
            file=file,
        )
    families = _families(sample, headers, free, pack)
    if cells == 1 and not families:
        families = _lone(headers, free)
    judged = [(f, *_judge(f, sample)) for f in families]
    able = [(f, u, w) for f, u, w in judged if u is not None]
    if cells == 1 and not able:
        able = [(f, u, w) for f in _lone(headers, free) for u, w in [_judge(f, sample)] if u is not None]
    if cells == 1 and not able:
        able = _across(sample, headers, free, file)
    if not able:
        able_names = [sample.columns[i].name for i in sorted(free) if _reads_as_one(sample.columns[i])]
        lines = " or ".join(_pattern_of(n) for n in able_names[:4])
        pattern = f" pattern = {lines}" if cells == 1 and able_names else ""
        raise BadInput(
            "no cell voltages found",
            f"numbered columns of cell voltages, or [cell_voltage]{pattern} in a profile",
            file=file,
        )
    chosen = _choose(able, cells, sample, file)
    family, unit, why = chosen
    return _numbered(family, unit, why, sample, headers, cells, pack, file, wanted)


def _families(sample: Sample, headers: list[Header], free: set[int], pack: Pack | None) -> list[Family]:
    stems: dict[tuple[str, ...], list[int]] = {}
    for i in sorted(free):
        head = headers[i]
        column = sample.columns[i]
        if (column.style is None and column.filled) or (head.means & _NOT_CELLS and not _fine(head)):
            continue
        if "current" in head.means and not head.means & {"voltage", "cell"}:
            continue
        if head.unit is not None and head.unit.kind not in ("voltage", "temperature"):
            continue
        if head.unit is not None and head.unit.kind == "temperature" and head.unit.name != "degC":
            continue
        stem = tuple("#" if t.isdigit() else t for t in head.tokens)
        stems.setdefault(stem, []).append(i)
    families = [_family(stem, cols, headers) for stem, cols in stems.items()]
    families += _merged(stems, headers, pack)
    return [f for f in families if f is not None]


def _fine(head: Header) -> bool:
    """Whether a header speaks of a cell's voltage in spite of another word in it: of its mean over an interval."""
    return head.means & _NOT_CELLS == {"summary"} and "cell" in head.means and numbered_mean(head)


def _lone(headers: list[Header], free: set[int]) -> list[Family]:
    """Return the columns that may be the one cell of a pack of one."""
    able = [
        i
        for i in sorted(free)
        if headers[i].means & {"cell", "voltage"} and not headers[i].means & _NOT_CELLS
    ]
    named_so = [i for i in able if "cell" in headers[i].means] or able
    says = "the only cell of the pack"
    return [Family((i,), (((), 1),), says, 1, headers[i].unit, headers[i].means) for i in named_so]


def _pattern_of(name: str) -> str:
    """Return the pattern, as a profile spells it, that names a column as the one cell of a pack."""
    return json.dumps(re.escape(name).replace("\\ ", " ") + "(?P<cell>)", ensure_ascii=False)


def _reads_as_one(column: SampledColumn) -> bool:
    """Whether numbers may be the voltage of a cell [V]."""
    return column.style is not None and LOWEST_V <= _median(column) <= HIGHEST_V


def _across(
    sample: Sample, headers: list[Header], free: set[int], file: Path
) -> list[tuple[Family, Unit, str]]:
    """Return the voltage between two electrodes that stand beside it, each against a reference, as the one cell.

    Raises
    ------
    Ambiguous
        Several columns of volts may be the cell, and none is the difference of two others.
    """
    volts = [
        i
        for i in sorted(free)
        if (unit := headers[i].unit) is not None and unit.kind == "voltage" and sample.columns[i].filled
    ][:MOST_ELECTRODES]
    able = []
    for i in volts:
        family = Family((i,), (((), 1),), "the only cell of the pack", 1, headers[i].unit, headers[i].means)
        unit, why = _judge(family, sample)
        if unit is not None:
            able.append((family, unit, why))
    between = [a for a in able if _is_difference(a[0].columns[0], volts, sample)]
    if len(between) == 1:
        family, unit, why = between[0]
        return [(replace(family, says="the difference of two voltages beside it"), unit, why)]
    if len(able) > 1:
        names = [sample.columns[f.columns[0]].name for f, _, _ in able]
        lines = " or ".join(_pattern_of(n) for n in names[:4])
        raise Ambiguous(
            f"several columns may be the cell, {', '.join(map(repr, names[:4]))}",
            f"a profile with [cell_voltage] pattern = {lines}",
            file=file,
        )
    return able


def _is_difference(index: int, volts: list[int], sample: Sample) -> bool:
    """Whether a column is, to its rounding, one of the others less another, in every row."""
    own = sample.columns[index]
    for i, j in itertools.permutations([k for k in volts if k != index], 2):
        a, b = sample.columns[i], sample.columns[j]
        # single precision of a logger that keeps all three, too
        rounding = 0.51 * sum(10.0**-c.decimals for c in (own, a, b)) + 2.4e-7 * float(
            np.nanmax(np.abs(own.values))
        )
        off = np.abs(own.values - (a.values - b.values))
        if np.isfinite(off).any() and float(np.nanmax(off)) <= rounding:
            return True
    return False


def _family(stem: tuple[str, ...], columns: list[int], headers: list[Header]) -> Family | None:
    if "#" not in stem:
        return None
    numbers = [headers[i].numbers for i in columns]
    return _make(columns, [()] * len(columns), numbers, headers, "headers that differ by their number", stem)


def _make(
    columns: list[int],
    names: list[tuple[str, ...]],
    numbers: list[tuple[int, ...]],
    headers: list[Header],
    says: str,
    stem: tuple[str, ...],
) -> Family | None:
    if len({len(n) for n in numbers}) != 1:
        return None
    width = len(numbers[0])
    varying = [k for k in range(width) if len({n[k] for n in numbers}) > 1]
    if not varying:
        varying = [width - 1] if width else []
    if not varying:
        return None
    # a number that is another for every column counts through the pack; else the last counts within the module
    through = [k for k in varying if len({n[k] for n in numbers}) == len(numbers)]
    cell_at = _beside_cell_word(stem, width)
    notes: tuple[str, ...] = ()
    keys: list[tuple[tuple[int | str, ...], int]]
    if through and len(numbers) > 1:
        k = cell_at if cell_at in through else through[-1]
        keys = [((), n[k]) for n in numbers]
        if any(names) and len(varying) == 1:
            notes = ("counted through the modules",)
    else:
        k = cell_at if cell_at in varying else varying[-1]
        others = [v for v in varying if v != k]
        keys = [((*names[i], *(n[v] for v in others)), n[k]) for i, n in enumerate(numbers)]
    if len(set(keys)) != len(keys):
        return None
    heads = [headers[i] for i in columns]
    units = {h.unit for h in heads}
    means = frozenset.union(*(h.means for h in heads))
    return Family(
        tuple(columns),
        tuple(keys),
        says,
        min(k for _, k in keys),
        units.pop() if len(units) == 1 else None,
        means,
        notes,
    )


def _beside_cell_word(stem: tuple[str, ...], width: int) -> int:
    """Return which of the numbers stands right behind a word for cell, -1 where none does."""
    words = meanings()["cell"]
    spot = -1
    for k, token in enumerate(stem):
        if token == "#":
            spot += 1
            before = stem[k - 1] if k else ""
            if before in words or any(len(w) > 3 and w in before for w in words):
                return spot
    return -1


def _merged(
    stems: dict[tuple[str, ...], list[int]], headers: list[Header], pack: Pack | None
) -> list[Family]:
    """Join stems that differ in one word: the module's name."""
    out: list[Family] = []
    shapes: dict[tuple[tuple[str, ...], int], list[tuple[str, ...]]] = {}
    for stem in stems:
        for k, token in enumerate(stem):
            if token != "#":
                shape = (*stem[:k], "@", *stem[k + 1 :])
                shapes.setdefault((shape, k), []).append(stem)
    for (shape, k), members in shapes.items():
        if len(members) < 2 or "#" not in shape:
            continue
        columns = sorted(i for s in members for i in stems[s])
        where = {i: s[k] for s in members for i in stems[s]}
        names: list[tuple[str, ...]] = [(where[i],) for i in columns]
        family = _make(
            columns,
            names,
            [headers[i].numbers for i in columns],
            headers,
            "headers that differ by module and number",
            shape,
        )
        if family is not None:
            out.append(family)
    return out


def _judge(family: Family, sample: Sample) -> tuple[Unit | None, str]:
    columns = [sample.columns[i] for i in family.columns]
    medians = [_median(c) for c in columns]
    known = [m for m in medians if np.isfinite(m)]
    stated = family.unit if family.unit is not None and family.unit.kind == "voltage" else None
    if not known:
        return None, "no readings"
    unit, why = voltage_unit(known, stated)
    if unit is None:
        # two taps that change places make three cells of 2, -1 and 2 times the voltage: their sum is kept
        unit, why = voltage_unit([float(np.mean(known))], stated)
    if unit is None:
        return None, why
    inside = [LOWEST_V - 1 <= abs(m) * unit.scale <= HIGHEST_V * 2 for m in known if m not in _DROPPED]
    if not inside or sum(inside) < 0.75 * len(inside):
        return None, "most of the columns are no cell voltages"
    # a slow temperature of 2..4 or an index could pass: a word or a unit must speak, or the values must agree
    if not family.means & {"cell", "voltage"} and stated is None:
        # a minus sign may be a mark
        scaled = np.array([abs(m) * unit.scale for m in known if m not in _DROPPED])
        if len(scaled) < 2 or float(np.ptp(scaled)) > 0.5 or family.means & {"temperature", "current"}:
            return None, "neither header nor values say cells"
    return unit, why


def _median(column: SampledColumn) -> float:
    finite = column.values[np.isfinite(column.values)]
    return float(np.median(finite)) if len(finite) else np.nan


def _choose(
    able: list[tuple[Family, Unit, str]], cells: int | None, sample: Sample, file: Path
) -> tuple[Family, Unit, str]:
    def score(entry: tuple[Family, Unit, str]) -> tuple[float, int]:
        family = entry[0]
        points = 2.0 * ("cell" in family.means) + ("voltage" in family.means) + (family.unit is not None)
        points -= 1.5 * ("pack" in family.means and "cell" not in family.means)
        if cells is not None:
            used = _used(family, sample)
            points += 4.0 * (len(family.columns) == cells or used == cells)
        return points, len(family.columns)

    ranked = sorted(able, key=score, reverse=True)
    if len(ranked) > 1:
        (a, _, _), (b, _, _) = ranked[0], ranked[1]
        if score(ranked[0]) == score(ranked[1]) and not set(a.columns) & set(b.columns):
            names = [sample.columns[f.columns[0]].name for f in (a, b)]
            raise Ambiguous(
                f"two sets of columns may be the cells, {names[0]!r}.. and {names[1]!r}..",
                'a profile with [cell_voltage] pattern = "...(?P<cell>\\\\d+)"',
                file=file,
            )
    return ranked[0]


def _used(family: Family, sample: Sample) -> int:
    return sum(not _unused(sample.columns[i]) for i in family.columns)


def _unused(column: SampledColumn) -> bool:
    """Whether a column holds nothing but one fill value."""
    finite = column.values[np.isfinite(column.values)]
    return not len(finite) or (float(finite[0]) in _DROPPED and float(np.ptp(finite)) == 0.0)


def _numbered(
    family: Family,
    unit: Unit,
    why: str,
    sample: Sample,
    headers: list[Header],
    cells: int | None,
    pack: Pack | None,
    file: Path,
    wanted: tuple[int, ...] | None,
) -> Cells:
    """Put the columns of a family in the order of the pack."""
    notes = list(family.notes)
    unused: tuple[int, ...] = ()
    pairs = list(zip(family.keys, family.columns))
    expected = cells
    if expected is not None and len(pairs) > expected:
        empty = {i for _, i in pairs if _unused(sample.columns[i])}
        if len(pairs) - len(empty) == expected:
            unused = tuple(sorted(empty))
            pairs = [p for p in pairs if p[1] not in empty]
            notes.append(f"{len(empty)} unused channels left out")
    if wanted is not None and expected is not None and len(pairs) > expected:
        through = {k: i for (m, k), i in pairs if not m}
        base = family.first
        chosen = {c: through[c - 1 + base] for c in wanted if c - 1 + base in through}
        if len(chosen) == expected:
            return Cells(chosen, unit, f"{family.says}; {why}", base, (), tuple(notes))
    if expected is not None and len(pairs) != expected:
        names = [sample.columns[i].name for _, i in pairs]
        missing = _gap(family)
        raise BadInput(
            f"{len(pairs)} cell columns ({names[0]} .. {names[-1]}){missing}",
            f"{expected}, as the pack file says"
            if wanted is None
            else f"{expected}, the cells of the modules named",
            file=file,
        )
    ordered = _in_order(pairs, family, pack, file, sample)
    if len({m for (m, _), _ in pairs}) == 1:
        numbers = sorted(k for (_, k), _ in pairs)
        if numbers != list(range(numbers[0], numbers[0] + len(numbers))):
            if expected is None:
                raise BadInput(
                    f"cell numbers with a gap ({numbers[0]}..{numbers[-1]} in {len(numbers)} columns)",
                    "a pack file that says how many cells there are",
                    file=file,
                )
            if numbers[-1] > MOST_NUMBER:
                raise BadInput(
                    f"a cell of number {numbers[-1]}", f"cells counted up to {MOST_NUMBER} at most", file=file,
                    column=next(sample.columns[i].name for (_, k), i in pairs if k == numbers[-1]),
                )  # fmt: skip
            notes.append(f"the logger's numbers run {numbers[0]}..{numbers[-1]} with gaps")
    targets = wanted if wanted is not None else tuple(range(1, len(ordered) + 1))
    return Cells(
        dict(zip(targets, ordered)), unit, f"{family.says}; {why}", family.first, unused, tuple(notes)
    )


def _gap(family: Family) -> str:
    if any(m for m, _ in family.keys):
        return ""
    numbers = {k for _, k in family.keys}
    missing = sorted(set(range(min(numbers), max(numbers) + 1)) - numbers)
    return f", number {missing[0]} is missing" if missing else ""


def _in_order(
    pairs: list[tuple[tuple[tuple[int | str, ...], int], int]],
    family: Family,
    pack: Pack | None,
    file: Path,
    sample: Sample,
) -> list[int]:
    modules = list(dict.fromkeys(m for (m, _), _ in pairs))
    rank = module_ranks(modules, pack)
    if rank is None:
        names = ", ".join(str(m[0]) for m in modules[:6])
        raise Ambiguous(
            f"the order of the modules {names} cannot be told",
            "module names of the pack file in the headers, or numbers",
            file=file,
            column=sample.columns[pairs[0][1]].name,
        )
    return [i for (m, k), i in sorted(pairs, key=lambda p: (rank[p[0][0]], p[0][1]))]


def module_ranks(
    modules: list[tuple[int | str, ...]], pack: Pack | None
) -> dict[tuple[int | str, ...], int] | None:
    """Return the place of each module: by number, by the pack file's names, or by letters that follow each other."""
    if all(all(isinstance(p, int) for p in m) for m in modules):
        return {m: k for k, m in enumerate(sorted(modules, key=lambda m: tuple(int(p) for p in m)))}
    if pack is not None and pack.modules:
        order = {plain(m.name): min(m.cells) for m in pack.modules}
        order |= {plain("".join(str(p) for p in m.name.split())): min(m.cells) for m in pack.modules}
        joined = {m: "".join(plain(str(p)) for p in m) for m in modules}
        if all(j in order for j in joined.values()):
            return {m: order[joined[m]] for m in modules}
        boxes = {}
        for box in pack.boxes:
            inside = [min(m.cells) for m in pack.modules if m.name in box.modules]
            if inside:
                boxes[plain(box.name)] = min(inside)
        if all(str(m[0]) in boxes for m in modules):
            return {
                m: k
                for k, m in enumerate(sorted(modules, key=lambda m: (boxes[str(m[0])], *map(str, m[1:]))))
            }
    letters = [str(m[0]) for m in modules]
    if all(len(x) == 1 and x.isalpha() for x in letters):
        distinct = sorted(set(letters))
        if distinct == [chr(ord(distinct[0]) + k) for k in range(len(distinct))]:
            return {m: k for k, m in enumerate(sorted(modules, key=lambda m: tuple(map(str, m))))}
    return None


def _by_values(sample: Sample, free: set[int], cells: int | None) -> Cells | None:
    """Take columns without headers for cells where exactly as many as the pack has move as cells do."""
    if cells is None:
        return None
    for name in _SCALES:
        unit = named("voltage", name)
        assert unit is not None
        fitting = [
            i
            for i in sorted(free)
            if sample.columns[i].style is not None and 1.8 <= _median(sample.columns[i]) * unit.scale <= 4.5
        ]
        if len(fitting) == cells and fitting == list(range(fitting[0], fitting[0] + cells)):
            return Cells(
                {k + 1: i for k, i in enumerate(fitting)},
                unit,
                f"no header: as many columns side by side as the pack has cells, unit {name} by the values",
                1,
            )
    return None
