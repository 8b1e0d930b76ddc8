"""Samples in groups, as the split of charge and capacity is given them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    polarisation,
)
from bmslogs.analysis.common_fit import MINUTE_S, TAUS_S
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.rounding import lasting_error
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import WARMING_LEAST_K
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmedian, nanvar

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


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


SPLIT_ROWS = 500
OPEN_TELLS = 1e-3
"""Share of what a row tells of charge and capacity while a contact is open (choice)."""
HYSTERESIS_MEMORY, HYSTERESIS_V = (0.02, 0.06), 0.02
"""Charge over which a flat curve changes branch, as fractions of capacity, and half the gap [V] (choice)."""
FALL_PER_K = 0.03
"""Fall of resistance for each kelvin, as a fraction, that the split expects: up to it, either way (choice)."""


@dataclass(frozen=True, eq=False)
class Grouped:
    """Samples in groups, as the split of charge and capacity is given them."""

    readings: Readings
    flow: Flow
    refresh: Refresh
    harness: Harness
    samples: Samples
    temperatures: Temperatures
    counted: Counted
    bursts: Bursts
    resistance: Resistance
    simultaneous: Simultaneous

    @cached_property
    def rows(self) -> SplitRows:
        """Samples of `piece` in groups, as the split is given them.

        Raises
        ------
        NotEnoughData
            Too few, or no voltages of one moment.
        """
        piece = self.counted.piece
        if len(piece) < 40:
            raise NotEnoughData("only a few readings with the charge counted")
        s = self.samples.kept
        group = max(1, len(piece) // SPLIT_ROWS)
        if self.refresh.turns is not None:
            # within a turn the same readings come again
            group = max(group, min(round(self.refresh.turns.period_s / self.flow.interval), len(piece) // 60))
        starts = np.arange(0, len(piece) - len(piece) % group, group)

        def thin(values: Floats) -> Floats:
            part = values[piece[: len(piece) - len(piece) % group]]
            return np.asarray(np.add.reduceat(part, starts, axis=0) / group, float)

        filters = self.samples.filters(TAUS_S)
        loads = np.column_stack(
            [-s.current, -filters, s.steps, self._warming(np.column_stack([s.current, filters]))]
        )
        polar = np.column_stack([loads, self._hysteresis])
        grows = np.arange(polar.shape[1]) < loads.shape[1]
        charge = np.repeat(s.charge[:, None], len(self.readings.cells), axis=1)
        if self.counted.bled is not None:
            charge = charge + self.counted.bled[s.row]
        charge = charge - charge[piece[0]]
        columns, tells = thin(polar), thin(self._new)
        # while a contact is open its cell drops more than its charge says
        tells[thin(self.bursts.rows.astype(float)) > 0.0] *= OPEN_TELLS
        live = np.sqrt((columns**2).mean(axis=0)) > 1e-6
        return SplitRows(
            volts=thin(self.simultaneous.volts),
            charge=thin(charge),
            drawn=thin(s.charge),
            columns=columns[:, live],
            grows=grows[live],
            current=thin(s.current),
            tells=tells,
            period_s=s.period_s * group,
        )

    @cached_property
    def _new(self) -> Floats:
        """(samples,) share of each sample that tells something new: a rest repeats the rounding of its readings."""
        s = self.samples.kept
        out = np.ones(len(s.row))
        for part in self.flow.stretches:
            if part.kind not in ("rest", "parked"):
                continue
            volts = self.readings.log.cell_voltage[part.rows][:, self.harness.trusted]
            if len(volts) < 10:
                continue
            with np.errstate(all="ignore"):
                scatter = float(np.sqrt(nanmedian(nanvar(np.diff(volts, axis=0), axis=0)) / 2.0))
            kept = lasting_error(scatter, self.readings.log.voltage_step)
            minutes = (self.readings.seconds[part.last] - self.readings.seconds[part.first]) / MINUTE_S
            out[(s.row >= part.first) & (s.row <= part.last)] = 1.0 / (
                1.0 + minutes * (kept / self.simultaneous.noise) ** 2
            )
        return out

    def _warming(self, loads: Floats) -> Floats:
        """(samples, columns) loads times how much warmer than usual the string was: resistance falls with that.

        Without them a drive that begins cold has an open-circuit curve that looks steeper than it is. Under a current
        that holds they would look like that curve themselves.
        """
        driven = (
            self.resistance.excess is not None
            and self.flow.rows_of("drive")[self.samples.kept.row[self.counted.piece]].any()
        )
        if (
            self.temperatures.sampled is None
            or not driven
            or np.ptp(self.temperatures.sampled[self.counted.piece]) < WARMING_LEAST_K
        ):
            return np.zeros((len(loads), 0))
        warm = self.temperatures.sampled - self.temperatures.sampled[self.counted.piece].mean()
        return np.asarray(-loads[:, [0, 2, 4]] * (FALL_PER_K * warm)[:, None], float)

    @property
    def _hysteresis(self) -> Floats:
        """(samples, columns) hysteresis of a flat curve, as currents whose drop would be `HYSTERESIS_V`."""
        if not self.readings.curve.flat:
            return np.zeros((len(self.samples.kept.row), 0))
        columns = [
            -polarisation.hysteresis_state(
                self.flow.filled, self.readings.seconds, self.flow.section, share * self.readings.capacity
            )
            for share in HYSTERESIS_MEMORY
        ]
        return self.samples.at(np.hstack(columns)) * (HYSTERESIS_V / self.resistance.usual)
