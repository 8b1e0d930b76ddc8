"""Nested Arrow columns laid flat: lists as numbered columns from 1, records as one column a field."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.made import refuse_wide
from bmslogs.importers.text.dialect import MOST_COLUMNS

DEEPEST = 8
"""Choice [levels]: no log nests deeper."""


def is_list(kind: Any) -> bool:
    """Whether a type is a list of any kind."""
    return bool(pa.types.is_list(kind) or pa.types.is_large_list(kind) or pa.types.is_fixed_size_list(kind))


def is_nested(kind: Any) -> bool:
    """Whether a type holds others that are laid flat."""
    return is_list(kind) or bool(pa.types.is_struct(kind))


class Flattener:
    """Lays columns flat; knows of each list how long its longest is."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.longest: dict[str, int] = {}

    def look(self, name: str, column: Any, depth: int = 0) -> None:
        """Note the lengths of the lists of a column."""
        self._refuse_deep(name, depth)
        if is_list(column.type):
            most = (
                column.type.list_size
                if pa.types.is_fixed_size_list(column.type)
                else pc.max(pc.list_value_length(column)).as_py() or 0
            )
            if most > MOST_COLUMNS:
                raise BadInput(
                    f"a list of {most} values", f"{MOST_COLUMNS} at most", file=self.file, column=name
                )
            self.longest[name] = max(self.longest.get(name, 0), most)
            if is_nested(column.type.value_type):
                for k in range(self.longest[name]):
                    self.look(f"{name} {k + 1}", self._element(column, name, k), depth + 1)
        elif pa.types.is_struct(column.type):
            for field in column.type:
                if is_nested(field.type):
                    self.look(f"{name} {field.name}", pc.struct_field(column, field.name), depth + 1)

    def flat(self, name: str, column: Any, depth: int = 0) -> list[tuple[str, Any]]:
        """Return the names and arrays of the flat columns that a column is made of."""
        self._refuse_deep(name, depth)
        out: list[tuple[str, Any]] = []
        if is_list(column.type):
            for k in range(self.longest.get(name, 0)):
                out += self.flat(f"{name} {k + 1}", self._element(column, name, k), depth + 1)
                refuse_wide(len(out), self.file)
        elif pa.types.is_struct(column.type):
            for field in column.type:
                out += self.flat(f"{name} {field.name}", pc.struct_field(column, field.name), depth + 1)
        else:
            out.append((name, column))
        return out

    def _element(self, column: Any, name: str, index: int) -> Any:
        if not pa.types.is_fixed_size_list(column.type):
            column = pc.list_slice(column, 0, max(self.longest[name], 1), return_fixed_size_list=True)
        return pc.list_element(column, index)

    def _refuse_deep(self, name: str, depth: int) -> None:
        if depth > DEEPEST:
            raise BadInput(
                f"nested more than {DEEPEST} levels deep", "rows of readings", file=self.file, column=name
            )
