"""What the importer mended: one entry a rule, with rows, columns, first and last time, and what it cost."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar

from bmslogs.base.marks import HIDDEN, WrittenBy
from bmslogs.base.published import Published


def iso(us: int) -> str:
    """Return microseconds since 1970 as ISO 8601 in UTC."""
    stamp = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=us)
    return stamp.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass
class Repair(Published):
    """One rule's work; its JSON is the entry of the Parquet metadata.

    Attributes
    ----------
    rule
        Short name.
    sentence
        With ``{rows}`` and ``{columns}`` where these belong.
    first, last
        Times [us since 1970].
    """

    rule: str
    sentence: Annotated[str, HIDDEN]
    rows: int = 0
    columns: list[str] = field(default_factory=list)
    first: Annotated[int | None, WrittenBy(iso)] = None
    last: Annotated[int | None, WrittenBy(iso)] = None
    computed: ClassVar[tuple[str, ...]] = ("says",)

    @property
    def says(self) -> str:
        """The sentence with its rows and columns."""
        shown = ", ".join(self.columns[:4]) + (
            f" and {len(self.columns) - 4} more" if len(self.columns) > 4 else ""
        )
        return self.sentence.replace("{rows}", _count(self.rows)).replace("{columns}", shown)


def _count(rows: int) -> str:
    return f"{rows} row" + ("" if rows == 1 else "s")


class Repairs:
    """All repairs of one log, added up as they happen."""

    def __init__(self) -> None:
        self._by_rule: dict[str, Repair] = {}

    def add(
        self,
        rule: str,
        sentence: str,
        rows: int = 0,
        columns: list[str] | None = None,
        first: int | None = None,
        last: int | None = None,
    ) -> None:
        """Add to a rule's entry."""
        entry = self._by_rule.setdefault(rule, Repair(rule, sentence))
        entry.sentence = sentence
        entry.rows += rows
        for column in columns or []:
            if column not in entry.columns:
                entry.columns.append(column)
        if first is not None:
            entry.first = first if entry.first is None else min(entry.first, first)
        if last is not None:
            entry.last = last if entry.last is None else max(entry.last, last)

    def rows_of(self, rule: str) -> int:
        """Return how many rows a rule has so far."""
        entry = self._by_rule.get(rule)
        return 0 if entry is None else entry.rows

    def __bool__(self) -> bool:
        return bool(self._by_rule)

    def to_json(self) -> list[dict[str, Any]]:
        """Return the JSON list of the Parquet metadata."""
        return [r.to_json() for r in self._by_rule.values()]
