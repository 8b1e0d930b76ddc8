"""Long tables, one row a cell or one row a module: found by their columns."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pyarrow.compute as pc

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.long_layout import LongLayout
from bmslogs.importers.plan.profile import Layout, Profile
from bmslogs.importers.recognise.cells import find_cells, module_ranks, voltage_unit
from bmslogs.importers.recognise.clock import column_called
from bmslogs.importers.text.sample import Sample
from bmslogs.importers.text.units import find_unit, named
from bmslogs.importers.text.words import Header

MOST_MODULES = 400
CHANGES = 0.3
"""A column that names rows changes from row to row in at least this share of them (choice)."""
_NOT_A_KEY = {"cell", "voltage", "temperature", "summary", "bleed", "other", "fault"}


def find_long(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    expected: int | None,
    profile: Profile,
    pack: Pack | None,
    file: Path,
    time_columns: tuple[int, ...],
) -> LongLayout | None:
    """Find the layout of a long table; None where it is none.

    Raises
    ------
    BadInput
        It is one, but with other cells than the pack has.
    """
    layout = profile.layout or Layout()
    forced = layout.shape == "long"
    if forced and layout.cell_column is not None:
        cell = column_called(sample, layout.cell_column, file, "layout")
        module = column_called(sample, layout.module_column, file, "layout") if layout.module_column else -1
    else:
        cell, module = _keys(sample, headers, free, expected)
    if cell < 0:
        return None
    voltage = _value(sample, headers, free - {cell, module}, "voltage", layout, file)
    if voltage < 0:
        if forced:
            raise BadInput(
                "no column of cell voltages", 'value_columns = { voltage = ".." } in [layout]', file=file
            )
        return None
    values = sample.columns[voltage].values
    stated = headers[voltage].unit
    given = layout.value_columns.get("voltage", "")
    wanted = (
        named("voltage", profile.cell_voltage.unit)
        if profile.cell_voltage and profile.cell_voltage.unit
        else None
    )
    stated = wanted or (find_unit(given) if find_unit(given) is not None else stated)
    unit, why = voltage_unit(values, stated if stated is not None and stated.kind == "voltage" else None)
    if unit is None:
        if forced:
            raise BadInput(f"cell voltages: {why}", "[cell_voltage] unit in the profile", file=file)
        return None
    keys = _distinct(sample, cell, module)
    if expected is not None and len(keys) != expected:
        raise BadInput(
            f"{len(keys)} cells in column {sample.columns[cell].name!r}",
            f"{expected}, as the pack file says",
            file=file,
        )
    return LongLayout(
        cell,
        module,
        (voltage,),
        unit,
        f"one row a cell; {why}",
        _ordered(keys, pack, file),
        (1,) * len(keys),
        _by_stamp(sample, time_columns, len(keys)),
    )


def find_module_rows(
    sample: Sample,
    headers: list[Header],
    free: set[int],
    expected: int | None,
    pack: Pack | None,
    file: Path,
    time_columns: tuple[int, ...],
) -> LongLayout | None:
    """Find the layout of a table whose rows are those of one module each; None where it is none.

    A column names the module and changes from row to row, and rows of several modules share a stamp: else it may name
    the hottest module or the weakest, and rows are the whole string's.

    Raises
    ------
    BadInput
        It is one, but with other cells than the pack has.
    Ambiguous
        It is one, but which module comes first cannot be told.
    """
    module = next((i for i in sorted(free) if _names_rows(sample, headers, i)), -1)
    if module < 0:
        return None
    names = _distinct(sample, -1, module)
    if not _by_stamp(sample, time_columns, len(names)):
        return None
    try:
        cells = find_cells(sample, headers, free - {module}, None, None, file)
    except BadInput:
        return None
    columns = tuple(cells.columns[n] for n in sorted(cells.columns))
    keys = _ordered(names, pack, file)
    sizes = tuple(_filled(sample, module, name, columns) for name, _ in keys)
    if expected is not None and sum(sizes) != expected:
        raise BadInput(
            f"rows of {len(keys)} modules by column {sample.columns[module].name!r}, {sum(sizes)} cells in all",
            f"{expected}, as the pack file says",
            file=file,
        )
    by_stamp = f"one row a module; {cells.why}"
    return LongLayout(-1, module, columns, cells.unit, by_stamp, keys, sizes, by_stamp=True)


def _names_rows(sample: Sample, headers: list[Header], i: int) -> bool:
    """Return whether a column names the module of each row."""
    head, column = headers[i], sample.columns[i]
    texts = column.array.drop_null()
    if "module" not in head.means or head.means & _NOT_A_KEY or head.unit is not None:
        return False
    if not 2 <= len(texts.unique()) <= MOST_MODULES or len(texts) < len(column.array):
        return False
    changes = pc.sum(
        pc.not_equal(column.array.slice(1), column.array.slice(0, len(column.array) - 1))
    ).as_py()
    return bool((changes or 0) > CHANGES * len(column.array))


def _filled(sample: Sample, module: int, name: str, columns: tuple[int, ...]) -> int:
    """Return how many of the columns hold a reading of a module: a smaller one leaves the last of them empty."""
    mine = np.array([text == name for text in sample.columns[module].texts])
    read = [bool(np.isfinite(np.asarray(sample.columns[c].values, float)[mine]).any()) for c in columns]
    return max((k + 1 for k, r in enumerate(read) if r), default=0)


def _keys(sample: Sample, headers: list[Header], free: set[int], expected: int | None) -> tuple[int, int]:
    """Return the columns that name the cell and the module of a row, -1 where there is none."""
    cell = module = -1
    for i in sorted(free):
        head, column = headers[i], sample.columns[i]
        texts = column.array.drop_null().unique()
        if not 2 <= len(texts) <= 400 or head.unit is not None or head.numbers:
            continue
        if not bool(
            pc.all(
                pc.match_substring_regex(
                    texts, r"^[A-Za-z_ \-]*\d+([.](0+))?$|^[A-Za-z]{1,4}\d*[A-Za-z_ .\-]*\d+$|^[A-Za-z]$"
                )
            ).as_py()
        ):
            continue
        changes = (
            pc.sum(pc.not_equal(column.array.slice(1), column.array.slice(0, len(column.array) - 1))).as_py()
            or 0
        )
        if (
            "cell" in head.means
            and not head.means & {"voltage", "temperature", "summary", "bleed"}
            and changes > 0.3 * len(column.array)
        ):
            cell = i
        elif (
            "module" in head.means
            and "cell" not in head.means
            and not head.means & {"voltage", "temperature"}
        ):
            module = i
    return cell, module


def _value(
    sample: Sample, headers: list[Header], free: set[int], role: str, layout: Layout, file: Path
) -> int:
    name = layout.value_columns.get(role)
    if name is not None and any(c.name.strip() == name.strip() for c in sample.columns):
        return column_called(sample, name, file, "layout")
    able = []
    for i in sorted(free):
        head = headers[i]
        if sample.columns[i].style is None or head.means & {"summary", "other", "soc", "bleed", "ambient"}:
            continue
        if head.unit is not None and head.unit.kind != role:
            continue
        if (
            role in head.means
            or (head.unit is not None and head.unit.kind == role)
            or (role == "voltage" and "cell" in head.means)
        ):
            able.append((("cell" in head.means) - ("pack" in head.means), -i))
    return -max(able)[1] if able else -1


def _distinct(sample: Sample, cell: int, module: int) -> list[tuple[str, str]]:
    cells = sample.columns[cell].texts if cell >= 0 else [""] * len(sample.columns[module].texts)
    modules = sample.columns[module].texts if module >= 0 else [""] * len(cells)
    return sorted({(m or "", _key(c)) for m, c in zip(modules, cells) if c is not None})


def _key(text: str) -> str:
    return re.sub(r"\.0+$", "", text.strip())


def _ordered(keys: list[tuple[str, str]], pack: Pack | None, file: Path) -> tuple[tuple[str, str], ...]:
    def numbers(text: str) -> tuple[int, ...]:
        return tuple(int(n) for n in re.findall(r"\d+", text))

    modules = {m for m, _ in keys}
    as_key = {m: (tuple(numbers(m)) or (m.casefold(),)) for m in modules}
    ranks = (
        module_ranks(list(as_key.values()), pack) if len(modules) > 1 else dict.fromkeys(as_key.values(), 0)
    )
    if ranks is None or len({numbers(c) for _, c in keys}) * len(modules) < len(keys):
        raise Ambiguous("the order of the cells cannot be told", "cell numbers", file=file)
    return tuple(sorted(keys, key=lambda k: (ranks[as_key[k[0]]], numbers(k[1]))))


def _by_stamp(sample: Sample, time_columns: tuple[int, ...], cells: int) -> bool:
    if not time_columns:
        return False
    texts = sample.columns[time_columns[-1]].texts
    runs = 1 + sum(a != b for a, b in itertools.pairwise(texts))
    return len(texts) / runs > 0.5 * cells
