"""Samples in groups, as the split of charge and capacity is given them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.sampling import means_of
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.polarising import Polarising
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SPLIT_ROWS, LEAST_GROUPS, LEAST_SAMPLES = 500, 60, 40
"""About so many groups, no fewer than these where channels are read in turns, and samples below which nothing is split
(choice)."""
OPEN_TELLS = 1e-3
"""Share of what a row tells of charge and capacity while a contact is open (choice)."""
LEAST_RMS_A = 1e-6
"""A load of less moves no cell [A] (choice)."""


@dataclass(frozen=True)
class SplitRows:
    """What the split is given: means over groups of samples.

    Attributes
    ----------
    volts
        (groups, cells) [V].
    charge
        (groups, cells) charge drawn from each cell since the first sample, bleeding included [Ah].
    drawn
        (groups,) charge drawn from the string since the log began [Ah].
    columns, grows
        (groups, k) what polarises a cell [A], and (k,) whether it grows with the cell's resistance.
    current
        (groups,) [A], positive on discharge.
    tells
        (groups,) share that each tells something new.
    period_s
        Time between groups [s].
    """

    volts: Floats
    charge: Floats
    drawn: Floats
    columns: Floats
    grows: Bools
    current: Floats
    tells: Floats
    period_s: float


@dataclass(frozen=True, eq=False)
class Grouped:
    """The samples over which charge is counted, a few hundred groups of them."""

    refresh: Refresh
    samples: Samples
    counted: Counted
    bursts: Bursts
    polarising: Polarising
    simultaneous: Simultaneous

    @cached_property
    def rows(self) -> SplitRows:
        """Means over the groups.

        Raises
        ------
        NotEnoughData
            Too few, or no voltages of one moment.
        """
        piece, s = self.counted.piece, self.samples.kept
        if len(piece) < LEAST_SAMPLES:
            raise NotEnoughData("only a few readings with the charge counted")
        # within a turn the same readings come again
        group = max(1, len(piece) // SPLIT_ROWS, min(self.refresh.turn_rows, len(piece) // LEAST_GROUPS))

        def thin(values: Floats) -> Floats:
            return means_of(values, piece, group)

        loads, hysteresis = self.polarising.loads, self.polarising.hysteresis
        columns = thin(np.column_stack([loads, hysteresis]))
        grows = np.arange(columns.shape[1]) < loads.shape[1]
        live = np.sqrt((columns**2).mean(axis=0)) > LEAST_RMS_A
        tells = thin(self.simultaneous.news)
        # while a contact is open its cell drops more than its charge says
        tells[thin(self.bursts.rows.astype(float)) > 0.0] *= OPEN_TELLS
        return SplitRows(
            volts=thin(self.simultaneous.volts),
            charge=thin(self._charge),
            drawn=thin(s.charge),
            columns=columns[:, live],
            grows=grows[live],
            current=thin(s.current),
            tells=tells,
            period_s=s.period_s * group,
        )

    @property
    def _charge(self) -> Floats:
        """(samples, cells) charge drawn from each cell since the first sample that counts, bleeding included [Ah]."""
        s = self.samples.kept
        charge = np.repeat(s.charge[:, None], s.volts.shape[1], axis=1)
        if self.counted.bled is not None:
            charge = charge + self.counted.bled[s.row]
        return np.asarray(charge - charge[self.counted.piece[0]], float)
