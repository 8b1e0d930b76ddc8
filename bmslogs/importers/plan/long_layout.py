"""A long table, one row a cell: which columns hold what (data only)."""

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
    cell, module, voltage, temperature
        Column indices, -1 where there is none.
    keys
        (module text, cell text) of each cell, in the order of the pack.
    by_stamp
        Whether all rows of a scan share a stamp; else a scan ends where the cells begin again.
    """

    cell: int
    module: int
    voltage: int
    temperature: int
    unit: Unit
    why: str
    keys: tuple[tuple[str, str], ...]
    by_stamp: bool
