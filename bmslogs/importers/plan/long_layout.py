"""A long table, one row a cell or one row a module: which columns hold what (data only)."""

from __future__ import annotations

from dataclasses import dataclass

from bmslogs.importers.text.units import Unit

CELL, MODULE = "key:cell", "key:module"
"""Names under which the key columns travel through the block reader."""


@dataclass(frozen=True)
class LongLayout:
    """Which columns hold cell, module and readings of a long table.

    Attributes
    ----------
    cell, module
        Column indices, -1 where there is none; a row without a cell's name is a module's.
    voltages
        Columns of cell voltages: one where a row is a cell's, those of the module's cells in order where it is a
        module's.
    keys
        (module text, cell text) of the rows of a scan, in the order of the pack.
    sizes
        Cells in the row of each key.
    by_stamp
        Whether all rows of a scan share a stamp; else a scan ends where the cells begin again.
    """

    cell: int
    module: int
    voltages: tuple[int, ...]
    unit: Unit
    why: str
    keys: tuple[tuple[str, str], ...]
    sizes: tuple[int, ...]
    by_stamp: bool

    @property
    def row(self) -> str:
        """What a row holds: ``cell`` or ``module``."""
        return "cell" if self.cell >= 0 else "module"

    @property
    def cells(self) -> int:
        """Cells of a scan."""
        return sum(self.sizes)
