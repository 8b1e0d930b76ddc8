"""What a case is: the file, the pack, the truth, and which answers are right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.importers.classes.string_model import Array, Rng

Mask = NDArray[np.bool_]


@dataclass
class Truth:
    """What must stand in the store.

    Attributes
    ----------
    time_s
        True time of each row [s since 1970, UTC], rising.
    current_A
        Positive = discharge; NaN must be null; None: the log must have no current.
    cells_mV
        Rows x cells; NaN must be null.
    temperatures_C
        Rows x sensors, NaN must be null; None: not compared. A column that is NaN all through may be absent.
    pack_V
        Readings of which each is a right pack voltage; None: not compared.
    either
        Cells' readings that may be stored or null (rows x cells).
    either_temperature
        The same of temperatures.
    optional
        Rows that may be left out, where repairs name them.
    time_tolerance_s
        Of a row against its block.
    blocks, block_slack_s
        Block of each row, and how far each block may be off as a whole [s].
    undated
        The file says no date: any shift into 1970 is right, where it is said.
    joints
        Rows at which a joint must be marked; None: not compared.
    """

    time_s: Array
    current_A: Array | None
    cells_mV: Array
    temperatures_C: Array | None = None
    pack_V: tuple[Array, ...] | None = None
    either: Mask | None = None
    either_temperature: Mask | None = None
    optional: Mask | None = None
    time_tolerance_s: float = 0.0015
    blocks: NDArray[np.int64] | None = None
    block_slack_s: tuple[float, ...] = (0.0015,)
    undated: bool = False
    joints: tuple[int, ...] | None = None


@dataclass
class Before:
    """An import that stands in the store already."""

    name: str
    data: bytes
    pack: str


@dataclass
class Case:
    """A file with its truth.

    Attributes
    ----------
    kind
        `plain`: a careful expert can tell without asking; `ambiguous`: asking is right, storing right is too;
        `refuse`: only a refusal is right.
    truths
        Of which the stored log must equal one; empty only for `refuse`.
    rows_in_file
        Data rows; `other_lines` are repeated headers and the like that repairs may name as rows. None: not
        balanced (a layout of one row a cell).
    must_say, must_not_say
        Expressions that repairs or notes must, or must not, match.
    """

    habit: str
    kind: str
    name: str
    data: bytes
    pack: str
    truths: tuple[Truth, ...]
    rows_in_file: int | None
    other_lines: int = 0
    profile: str | None = None
    must_say: str | None = None
    must_not_say: str | None = None
    before: tuple[Before, ...] = ()
    headers: tuple[str, ...] = ()


@dataclass
class Verdict:
    """What came of a case.

    Attributes
    ----------
    outcome
        `right`, `asked`, `wrong`, `unclear` (refused in other than one line that names its place) or `crash`.
    details
        What was stored against the truth, or the refusal.
    """

    number: int
    habit: str
    kind: str
    outcome: str
    details: list[str] = field(default_factory=list)


Habit = Callable[[Rng], Case]
