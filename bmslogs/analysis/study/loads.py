"""What drives and charges tell of the resistances: the load fit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    resistance,
)
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.regression import BLOCKS, equal_blocks
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

REST_AFTER_LOAD_S = 900.0
CHANGE_SHARE, CHANGE_WITHIN_S, LIVELY = 0.1, 10.0, 6
"""A change of the load is this share of the largest current within so many seconds; where nobody drives, fewer changes
than these tell no resistance but by the clean steps among them: under a current that holds a knee, which the cells
climb one after the other, looks like one (choice)."""
PULL_MOST_S = 120.0
"""In so long a pull the open-circuit voltage hardly moves (choice)."""
WARMING_LEAST_K = 1.0
"""A string that warms by less over a log keeps its resistance (choice)."""
DRIVEN_C_RATE = 0.05
"""A pack whose current is less (root mean square, as a share of the capacity per hour) is not driven: a top balance
goes up and down as well (choice)."""
BEND_LEAST_S = 600.0
"""A drive of this length tells how resistance falls with the load (choice)."""


@dataclass(frozen=True, eq=False)
class Loads:
    """What drives and charges tell of the resistances: the load fit."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    samples: Samples
    temperatures: Temperatures
    bursts: Bursts

    @cached_property
    def moving(self) -> Bools:
        """(samples,) True where a load flows or has flowed within a quarter of an hour; drives where there are any."""
        kind = "drive" if any(p.kind == "drive" and self._long(p) for p in self.flow.stretches) else "charge"
        rows = np.zeros(self.readings.log.rows, bool)
        for part in self.flow.stretches:
            if part.kind == kind:
                last = int(
                    np.searchsorted(
                        self.readings.seconds, self.readings.seconds[part.last] + REST_AFTER_LOAD_S
                    )
                )
                nxt = part.last + 1
                while (
                    nxt < last
                    and self.flow.quiet[nxt]
                    and self.flow.section[nxt] == self.flow.section[part.last]
                ):
                    nxt += 1
                rows[part.first : nxt] = True
        return rows[self.samples.kept.row]

    def _long(self, part: Stretch) -> bool:
        return bool(self.readings.seconds[part.last] - self.readings.seconds[part.first] >= 120.0)

    @cached_property
    def fit(self) -> resistance.LoadFit:
        """The load fit over the drives (else the charges).

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        return self._fit(self._drive_rms)

    @cached_property
    def _drive_rms(self) -> float | None:
        """Root mean square of the current of the drives [A]; None where they are short or faint.

        A charge alone has hardly two sizes of current to tell the fall of resistance with the load.
        """
        driving = self.flow.rows_of("drive")
        inside = self.flow.current[driving & ~np.isnan(self.flow.current)]
        if (
            not len(inside)
            or self.readings.seconds[driving][-1] - self.readings.seconds[driving][0] < BEND_LEAST_S
        ):
            return None
        rms = float(np.sqrt((inside**2).mean()))
        return rms if rms > DRIVEN_C_RATE * self.readings.capacity else None

    @cached_property
    def linear_fit(self) -> resistance.LoadFit:
        """The load fit without the fall of resistance with the load; raises as `load` does.

        The course with time into the load is known better without that column, whose course looks alike.
        """
        return self.fit if self.fit.rms_A is None else self._fit(None)

    def _fit(self, rms_A: float | None) -> resistance.LoadFit:
        s, here = self.samples.kept, self.moving & ~self.bursts.rows
        if self._drive_rms is None and self._changes < LIVELY:
            raise NotEnoughData(
                "the current holds but for its beginning and end: what takes an hour looks like the curve"
            )
        # what flowed between two readings is known where rows come faster than readings are renewed
        if s.period_s > (resistance.SLOWEST_S if self._told_s == s.period_s else resistance.RAREST_S):
            raise NotEnoughData(f"the voltages are read every {s.period_s:.0f} s only")
        if self.refresh.turns is None:
            return self._fit_of(here, slice(None), rms_A, resistance.LEAST_SAMPLES)
        # each turn by the rows in which it was read: the current of those moments is known
        groups = [g for g in self.refresh.turns.groups if self.harness.trusted[g].any()]
        rows = [
            here & f[s.row]
            for g, f in zip(self.refresh.turns.groups, self.refresh.turns.fresh.T, strict=True)
            if self.harness.trusted[g].any()
        ]
        parts = [self._fit_of(r, g, rms_A, resistance.LEAST_TURNS) for g, r in zip(groups, rows, strict=True)]
        return resistance.joined(parts, groups, len(self.readings.cells))

    @cached_property
    def _changes(self) -> int:
        """How often the current changes by a fair share of its largest within a short while; ramps of hours do not.

        A pull that is over within two minutes is two changes, however slowly it rose and fell.
        """
        known = np.nan_to_num(self.flow.current)
        least = CHANGE_SHARE * float(np.abs(known).max(initial=0.0))
        if not least > 0.005 * self.readings.capacity:
            return 0
        before = np.searchsorted(
            self.readings.seconds, self.readings.seconds - max(CHANGE_WITHIN_S, 2.0 * self.flow.interval)
        )
        away = np.abs(known - known[before]) > least
        first = np.flatnonzero(away & ~np.r_[False, away[:-1]])
        last = np.flatnonzero(away & ~np.r_[away[1:], False])
        back = np.abs(known[last] - known[before[first]]) < least
        return len(first) + int(
            (back & (self.readings.seconds[last] - self.readings.seconds[first] < PULL_MOST_S)).sum()
        )

    @property
    def _told_s(self) -> float:
        """Time between two currents that are known [s]."""
        period = self.samples.kept.period_s
        return max(self.flow.interval, 1.0) if period > 1.5 * self.flow.interval and period > 1.0 else period

    def _fit_of(
        self, here: Bools, columns: Ints | slice, rms_A: float | None, least: int
    ) -> resistance.LoadFit:
        """The load fit of some columns over some samples."""
        s = self.samples.kept
        if here.sum() < least:
            raise NotEnoughData(f"only {int(here.sum())} readings under load")
        taus = resistance.time_constants(self._told_s)
        return resistance.load_fit(
            s.volts[here][:, columns],
            s.charge[here],
            s.current[here],
            self.samples.filters(taus)[here],
            s.steps[here],
            renumber(s.section[here]),
            s.seconds[here],
            equal_blocks(int(here.sum()), BLOCKS),
            taus,
            s.period_s,
            knot_every=0.05 * self.readings.capacity,
            shifts_s=s.shifts_s,
            rms_A=rms_A,
            drift=None if self._drive_rms is None else self._drift(here),
        )

    def _drift(self, here: Bools) -> Floats:
        """(samples, 1 or 2) charge drawn [Ah], and warmth [degC] where the pack warms: resistance follows both."""
        columns = [self.samples.kept.charge[here]]
        if (
            self.temperatures.sampled is not None
            and np.ptp(self.temperatures.sampled[here]) > WARMING_LEAST_K
        ):
            columns.append(self.temperatures.sampled[here])
        return np.stack(columns, axis=1)

    @cached_property
    def relative(self) -> tuple[Floats, Floats]:
        """Resistance over the median of the trusted cells and its standard error; raises as `load` does."""
        return resistance.relative_of_both(self.fit, self.linear_fit, self.harness.trusted)
