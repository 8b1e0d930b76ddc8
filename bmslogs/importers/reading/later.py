"""A second header with more columns in mid-file, as a firmware update leaves it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.importers.plan.plan import Plan, Taken
from bmslogs.importers.text.dialect import split
from bmslogs.importers.text.words import take_apart


class NewColumns(Exception):
    """Rows of another width follow a header of their own."""

    def __init__(self, line: int, text: str, width: int) -> None:
        super().__init__(text)
        self.line = line
        self.text = text
        self.width = width


def with_later_columns(plan: Plan, found: NewColumns, file: Path) -> Plan:
    """Return the plan with what the columns are behind the second header.

    Raises
    ------
    BadInput
        The second header lacks a column of the first, or brings other cells or sensors.
    """
    names = split(found.text, plan.dialect.delimiter)
    refusal = BadInput(
        f"rows of {plan.dialect.width} fields become rows of {found.width}",
        "one set of columns in a file; split it at that line",
        file=file,
        line=found.line,
    )
    places = {name: k for k, name in enumerate(names)}
    used = [t for t in plan.columns if t.role not in ("nothing", "unused")]
    if len(places) != len(names) or any(t.name not in places for t in used):
        raise refusal
    added = [n for n in names if n not in {t.name for t in plan.columns}]
    counted = {_stem(t.name) for t in used if t.role in ("cell", "temperature", "bleed")}
    if any(_stem(n) in counted for n in added):
        raise refusal
    columns: list[Taken] = [replace(t, index=places[t.name]) for t in used]
    dialect = replace(
        plan.dialect,
        names=tuple(names),
        width=found.width,
        header_line=found.line,
        first_line=found.line + 1,
        header_text=found.text,
    )
    clock = plan.clock
    if clock is not None:
        by_index = {t.index: t.name for t in plan.columns}
        clock = replace(clock, columns=tuple(places[by_index[i]] for i in clock.columns))
        if clock.fraction is not None:
            fraction = replace(clock.fraction, index=places[by_index[clock.fraction.index]])
            clock = replace(clock, fraction=fraction)
        if clock.steady is not None:
            clock = replace(clock, steady=replace(clock.steady, index=places[by_index[clock.steady.index]]))
    moved = frozenset(places[t.name] for t in used if t.index in plan.text_columns)
    later = replace(plan, dialect=dialect, columns=tuple(columns), clock=clock, text_columns=moved)
    shown = ", ".join(added[:4])
    note = f"columns that begin at line {found.line} are left out: {shown}"
    return replace(plan, later=later, notes=(*plan.notes, note))


def _stem(name: str) -> tuple[str, ...]:
    return tuple("#" if t.isdigit() else t for t in take_apart(name).tokens)
