"""When the pack was under load, and what that load was like."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow
from bmslogs.analysis.signals.loaded import load_changes, loaded_rows
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.samples import Samples

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

DRIVE_LEAST_S = 120.0
"""A drive of this length tells resistances, so that charges need not (choice)."""
DRIVEN_C_RATE = 0.05
"""A pack whose current is less (root mean square, as a share of the capacity per hour) is not driven: a top balance
goes up and down as well (choice)."""
BEND_LEAST_S = 600.0
"""A drive of this length tells how resistance falls with the load (choice)."""
FAINT_C_RATE = 0.005
"""A current of a smaller share of the capacity per hour changes nothing (choice)."""
SELDOM = 1.5
"""Samples so many times further apart than rows have rows between them that tell the current (choice)."""


@dataclass(frozen=True, eq=False)
class UnderLoad:
    """The samples and rows under load; drives where there are any, else charges."""

    readings: Readings
    flow: Flow
    samples: Samples

    @cached_property
    def mask(self) -> Bools:
        """(samples,) True where a load flows or has flowed within a quarter of an hour."""
        flow, seconds = self.flow, self.readings.seconds
        driven = any(
            p.kind == "drive" and seconds[p.last] - seconds[p.first] >= DRIVE_LEAST_S for p in flow.stretches
        )
        kind = "drive" if driven else "charge"
        return loaded_rows(flow.stretches, kind, seconds, flow.quiet, flow.section)[self.samples.kept.row]

    @property
    def rows(self) -> Ints:
        """First rows of the samples under load."""
        return np.asarray(np.unique(self.samples.kept.row[self.mask]), np.int64)

    @cached_property
    def drive_rms(self) -> float | None:
        """Root mean square of the current of the drives [A]; None where they are short or faint.

        A charge alone has hardly two sizes of current to tell the fall of resistance with the load.
        """
        driving = self.flow.rows_of("drive")
        inside, seconds = self.flow.current[driving], self.readings.seconds[driving]
        inside = inside[~np.isnan(inside)]
        if not len(inside) or seconds[-1] - seconds[0] < BEND_LEAST_S:
            return None
        rms = float(np.sqrt((inside**2).mean()))
        return rms if rms > DRIVEN_C_RATE * self.readings.capacity else None

    @cached_property
    def changes(self) -> int:
        """How often the load changes by a fair share of its largest within a short while."""
        faint = FAINT_C_RATE * self.readings.capacity
        return load_changes(self.flow.current, self.readings.seconds, self.flow.interval, faint)

    @property
    def current_s(self) -> float:
        """Time between two currents that are known [s]: that of the rows where samples are further apart."""
        period, interval = self.samples.kept.period_s, self.flow.interval
        return max(interval, 1.0) if period > SELDOM * interval and period > 1.0 else period
