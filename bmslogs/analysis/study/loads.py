"""What drives and charges tell of the resistances: the load fit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.regression import BLOCKS, equal_blocks
from bmslogs.analysis.sampling import renumber
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.temperatures import WARMING_LEAST_K, Temperatures
from bmslogs.analysis.study.under_load import UnderLoad
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LIVELY = 6
"""Where nobody drives, fewer changes of the load than these tell no resistance but by the clean steps among them: under
a current that holds a knee, which the cells climb one after the other, looks like one (choice)."""
KNOT_SHARE = 0.05
"""The open-circuit curve under the loads may bend once for this share of the capacity (choice)."""


@dataclass(frozen=True, eq=False)
class Loads:
    """Resistances by the load fit over the drives, else the charges."""

    readings: Readings
    refresh: Refresh
    harness: Harness
    samples: Samples
    under_load: UnderLoad
    temperatures: Temperatures
    bursts: Bursts

    @cached_property
    def fit(self) -> resistance.LoadFit:
        """The load fit, with the fall of resistance with the load where a drive tells it.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        return self._fit(self.under_load.drive_rms)

    @cached_property
    def linear_fit(self) -> resistance.LoadFit:
        """The load fit without the fall of resistance with the load; raises as `fit` does.

        The course with time into the load is known better without that column, whose course looks alike.
        """
        return self.fit if self.fit.rms_A is None else self._fit(None)

    @cached_property
    def relative(self) -> tuple[Floats, Floats]:
        """Resistance over the median of the trusted cells and its standard error; raises as `fit` does."""
        return resistance.relative_of_both(self.fit, self.linear_fit, self.harness.trusted)

    def _fit(self, rms_A: float | None) -> resistance.LoadFit:
        load, s, turns = self.under_load, self.samples.kept, self.refresh.turns
        here = load.mask & ~self.bursts.rows
        if load.drive_rms is None and load.changes < LIVELY:
            raise NotEnoughData(
                "the current holds but for its beginning and end: what takes an hour looks like the curve"
            )
        # what flowed between two readings is known where rows come faster than readings are renewed
        if s.period_s > (resistance.SLOWEST_S if load.current_s == s.period_s else resistance.RAREST_S):
            raise NotEnoughData(f"the voltages are read every {s.period_s:.0f} s only")
        if turns is None:
            return self._fit_of(here, slice(None), rms_A, resistance.LEAST_SAMPLES)
        # each turn by the rows in which it was read: the current of those moments is known
        read = [
            (group, here & fresh[s.row])
            for group, fresh in zip(turns.groups, turns.fresh.T, strict=True)
            if self.harness.trusted[group].any()
        ]
        parts = [self._fit_of(rows, group, rms_A, resistance.LEAST_TURNS) for group, rows in read]
        return resistance.joined(parts, [group for group, _ in read], len(self.readings.cells))

    def _fit_of(
        self, here: Bools, columns: Ints | slice, rms_A: float | None, least: int
    ) -> resistance.LoadFit:
        """The load fit of some columns over some samples."""
        s = self.samples.kept
        if here.sum() < least:
            raise NotEnoughData(f"only {int(here.sum())} readings under load")
        taus = resistance.time_constants(self.under_load.current_s)
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
            knot_every=KNOT_SHARE * self.readings.capacity,
            shifts_s=s.shifts_s,
            rms_A=rms_A,
            drift=None if self.under_load.drive_rms is None else self._drift(here),
        )

    def _drift(self, here: Bools) -> Floats:
        """(samples, 1 or 2) charge drawn [Ah], and temperature [degC] where the pack warms: resistance follows both."""
        columns, degc = [self.samples.kept.charge[here]], self.temperatures.sampled
        if degc is not None and np.ptp(degc[here]) > WARMING_LEAST_K:
            columns.append(degc[here])
        return np.stack(columns, axis=1)
