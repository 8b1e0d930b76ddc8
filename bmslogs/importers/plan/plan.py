"""The plan of an import: what every column of a file is taken for, and everything needed to read it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from bmslogs.base.errors import BadInput
from bmslogs.importers.plan.beside import Beside
from bmslogs.importers.plan.clock import Clock
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.numbers import NumberStyle
from bmslogs.importers.text.units import Unit

if TYPE_CHECKING:
    from bmslogs.importers.plan.long_layout import LongLayout

Role = Literal[
    "time",
    "current",
    "charge current",
    "discharge current",
    "pack voltage",
    "cell",
    "temperature",
    "bleed",
    "bleed bits",
    "soc",
    "ambient",
    "contactor",
    "fault",
    "extra",
    "cell number",
    "module",
    "unused",
    "silent",
    "nothing",
]


@dataclass(frozen=True)
class Taken:
    """One column of the file.

    Attributes
    ----------
    index, name
        Place and header in the file.
    role
        What it was taken for.
    target
        Column of the normalised log; empty where it makes none of its own.
    number
        Cell or sensor number, 0 where it has none.
    unit
        Unit of the logger.
    style
        How its numbers are written; None where it holds text.
    why
        One line.
    examples
        Some of its texts.
    """

    index: int
    name: str
    role: Role
    target: str
    number: int
    unit: Unit | None
    style: NumberStyle | None
    why: str
    examples: tuple[str, ...] = ()

    @property
    def scale(self) -> float:
        """Factor into the base unit."""
        return self.unit.scale if self.unit else 1.0

    @property
    def offset(self) -> float:
        """Offset in the base unit."""
        return self.unit.offset if self.unit else 0.0


@dataclass(frozen=True)
class Bits:
    """A bitfield of bleed flags: base of the number and which end is the first cell."""

    kind: Literal["hex", "integer", "binary text"]
    lowest: Literal["first_cell", "last_cell"]


@dataclass(frozen=True)
class Plan:
    """All decisions about one file.

    Attributes
    ----------
    cells
        Cell numbers in order.
    fine
        Whether cells are kept as float32: the logger's step is finer than 1 mV.
    voltage_step
        Step of the readings [V].
    sign
        1 where the logger's positive is discharge, -1 where not; None until the log was read.
    sign_hint
        The sign that header words give, or two columns for charge and discharge; 0 where none.
    sign_says
        How they say so.
    sign_fixed
        Whether the profile gives it.
    sign_by_mode
        Whether the current has no sign of its own: the mode column beside gives it row by row.
    beside
        Counters and mode column that tell the sign.
    decimals
        Digits behind the mark of the last column, to know a cut last line.
    newest_first
        Whether the rows run back in time.
    spread
        Rows over which the logger spreads one scan.
    later
        What the columns are behind a second header with more of them (a firmware update), where there is one.
    rows_plan, long
        Of a long table: what its own columns are, and how they are put side by side.
    sheet
        Name of the sheet that was taken, where the file has several.
    problems
        Why the file cannot be imported; empty where it can.
    notes
        What was decided without being a repair.
    """

    dialect: Dialect
    columns: tuple[Taken, ...]
    clock: Clock | None
    cells: tuple[int, ...]
    fine: bool
    voltage_step: float
    sign: int | None
    sign_why: str
    sign_hint: int = 0
    sign_says: str = ""
    sign_fixed: bool = False
    sign_by_mode: bool = False
    beside: Beside = field(default_factory=Beside)
    bits: Bits | None = None
    first: int = 1
    cells_why: str = ""
    spread: int = 1
    newest_first: bool = False
    later: Plan | None = None
    rows_plan: Plan | None = None
    long: LongLayout | None = None
    sheet: str = ""
    problems: tuple[BadInput, ...] = ()
    notes: tuple[str, ...] = ()
    text_columns: frozenset[int] = field(default=frozenset())

    def of(self, *roles: Role) -> tuple[Taken, ...]:
        """Return the columns of some roles, in the order of their numbers, then of the file."""
        return tuple(sorted((c for c in self.columns if c.role in roles), key=lambda c: (c.number, c.index)))
