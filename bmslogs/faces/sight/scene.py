"""What the rules look at: one finding over the arrays of its log, each named cell against the median of the rest."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow, flow_of
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.stretches import Stretch, smooth
from bmslogs.base.nan_statistics import nanmedian
from bmslogs.base.results import Finding
from bmslogs.findings.evidence.source import known
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
MOST_NAMED = 12  # named cells that are looked at (choice)
MOST_READINGS = 4_000_000
"""Of the rest: in longer logs the window is looked for with fewer of its cells, evenly taken (choice)."""


@dataclass(frozen=True)
class Spot:
    """What a rule found, in rows of the log.

    Attributes
    ----------
    first, last
        The window, inclusive.
    moment
        Where the difference is read.
    runs
        (first, last) of what is marked, inclusive.
    worst
        The cell that shows it most; None where the finding is not of cells.
    says
        The sentence.
    """

    first: int
    last: int
    moment: int
    runs: tuple[tuple[int, int], ...]
    worst: int | None
    says: str


@dataclass(frozen=True)
class SightScene:
    """A finding and the log that shows it."""

    finding: Finding
    log: Log

    @cached_property
    def named(self) -> tuple[int, ...]:
        """The named cells that the log holds with any reading."""
        have = [c for c in self.finding.cells if c in self.log.cells]
        return tuple(c for c in have if np.isfinite(self.column(c)).any())[:MOST_NAMED]

    @cached_property
    def rest(self) -> tuple[int, ...]:
        """The cells to compare with: outside the named cells' modules where these leave two at least."""
        pack = self.log.pack
        modules = {pack.module_of(c) for c in self.finding.cells} - {None}
        others = tuple(c for c in self.log.cells if c not in self.finding.cells)
        outside = tuple(c for c in others if pack.module_of(c) not in modules)
        return outside if len(outside) > 1 else others

    def mates(self, worst: int | None) -> tuple[int, ...]:
        """Return the cells of the worst one's module that are not named."""
        module = self.log.pack.module_of(worst) if worst is not None else None
        if module is None:
            return ()
        inside = (c for c in self.log.cells if self.log.pack.module_of(c) == module)
        return tuple(c for c in inside if c not in self.finding.cells)

    def column(self, cell: int) -> Floats:
        """Return (rows,) readings of a cell [V]."""
        return np.asarray(self.log.cell_voltage[:, self.log.cells.index(cell)], float)

    @cached_property
    def middle(self) -> Floats | None:
        """(rows,) median of the rest [V]; None where no other cell was logged."""
        columns = [self.log.cells.index(c) for c in self.rest]
        step = max(1, -(-self.log.rows * len(columns) // MOST_READINGS))
        return row_medians(self.log.cell_voltage[:, columns[::step]]) if columns else None

    def gap(self, cell: int) -> Floats:
        """Return (rows,) a cell less the median of the rest [V]; less its own median where there is no rest."""
        column = self.column(cell)
        return column - (float(nanmedian(column)) if self.middle is None else self.middle)

    @property
    def seconds(self) -> Floats:
        """(rows,) seconds since the first row."""
        return self.log.seconds

    @cached_property
    def step_s(self) -> float:
        """Usual time between rows [s]."""
        return self.flow.interval

    @cached_property
    def current(self) -> Floats | None:
        """(rows,) current [A], the sensor's zero taken out, gaps joined; None where the log has none."""
        return self.flow.filled if self.flow.has_current else None

    @cached_property
    def stretches(self) -> list[Stretch]:
        """What the pack was doing."""
        return self.flow.stretches

    @cached_property
    def flow(self) -> Flow:
        """Clock and current of the log."""
        return flow_of(self.log)

    @property
    def known(self) -> Knowledge | None:
        """What the analysis knows of the log; None where it has one row only."""
        return known(self.log) if self.log.rows > 1 else None

    def around(self, first: int, last: int, seconds: float, rows: int = 20) -> tuple[int, int]:
        """Return rows `first` to `last` with some seconds, and some rows at least, on both sides."""
        pad = max(seconds, rows * self.step_s)
        a = int(np.searchsorted(self.seconds, self.seconds[first] - pad, "left"))
        b = int(np.searchsorted(self.seconds, self.seconds[last] + pad, "right")) - 1
        return max(a, 0), min(max(b, a + 1), self.log.rows - 1)

    def eased(self, values: Floats, seconds: float, rows: int = 3) -> Floats:
        """Return a running mean over some seconds, and some rows at least."""
        return smooth(values, self.seconds, max(seconds, rows * self.step_s))

    def doing(self, row: int) -> str:
        """Return what the pack does at a row: ``while it charges``, ``at rest``, ``under load``; empty if not known."""
        if self.current is None:
            return ""
        now, least = float(self.current[row]), 0.01 * self.log.pack.nominal_capacity_Ah
        return "at rest" if abs(now) < least else ("under load" if now > 0 else "while it charges")
