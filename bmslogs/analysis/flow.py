"""Clock and current of one log: where nothing flowed, what the pack was doing, what charge was moved.

The only place where a log's current is read for that: estimators, rules, pages and pictures all ask here, so that
none of them counts a charge or finds a rest that the others do not. Nothing is asked of the cells but the middle
voltage of a few rows, which tells a sensor's zero from a load that stays on; so a page can ask it of a log of which it
has not read the cells.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation, sampling, stretches
from bmslogs.analysis.models import standing_load
from bmslogs.analysis.ocv import OcvCurve, curve_of
from bmslogs.analysis.stretches import Stretch
from bmslogs.base.results import Kind
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FILL_S = 5.0
"""Missing readings are bridged over no more than this, or three readings (choice)."""
FAR_LONGER = 3.0
"""A level of the current far from nought is asked whether it is a rest where it stands so many times longer than any
near nought (choice)."""
MORE_THAN_ALL = 1.25
"""More than so many times the nominal capacity does not flow one way (judgement)."""


class Flow:
    """What flowed in one log, each step worked out once and on demand.

    Parameters
    ----------
    seconds
        (rows,) [s] since the first row, rising.
    current
        (rows,) current as it was logged [A], positive on discharge, NaN where missing; None where there is none.
    joints
        Rows at which the log begins anew though no time is missing.
    capacity
        Nominal [Ah].
    middle_of
        Gives the middle cell's voltage [V] in the rows asked for (some hundreds); NaN where not known.
    curve
        Open-circuit curve of a cell.
    step_V
        Step of the cell readings [V].
    """

    def __init__(
        self,
        seconds: Floats,
        current: Floats | None,
        joints: tuple[int, ...],
        capacity: float,
        middle_of: Callable[[Ints], Floats],
        curve: OcvCurve,
        step_V: float,
    ) -> None:
        self.seconds = seconds
        self._logged = current
        self._joints = joints
        self.capacity = capacity
        self._middle_of = middle_of
        self._curve = curve
        self._step_V = step_V

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.seconds)

    @cached_property
    def has_current(self) -> bool:
        """Whether the log has a current at all."""
        return self._logged is not None and not bool(np.isnan(self._logged).all())

    @cached_property
    def section(self) -> Ints:
        """(rows,) section between long pauses, and between the joints of the log."""
        still = None
        if self.has_current:
            still = np.abs(self.read_current) < stretches.ZERO_NEAR * self.capacity
        return sampling.sections(self.seconds, self._joints, still)

    @cached_property
    def interval(self) -> float:
        """Usual interval between rows [s], under current where the logger writes seldom without one."""
        flows = None
        if self._logged is not None and self.has_current:
            flows = np.abs(self._logged) > stretches.ZERO_NEAR * self.capacity
        return sampling.usual_interval(self.seconds, flows)

    @cached_property
    def read_current(self) -> Floats:
        """(rows,) current as it was read [A], short holes bridged; NaN in long ones and where there is none."""
        if self._logged is None or not self.has_current:
            return np.full(self.rows, np.nan)
        longest = max(FILL_S, 3.5 * self.interval)
        return sampling.fill_short(self._logged, self.seconds, longest)

    @cached_property
    def _rest(
        self,
    ) -> tuple[stretches.Still | None, standing_load.Standing | None, standing_load.Standing | None]:
        """Where the pack rests, what its reading there is, and a load that stands for long, each where there is one."""
        if not self.has_current:
            return None, None, None
        levels = stretches.still_levels(self.read_current, self.seconds, self.capacity)
        near = [s for s in levels if abs(s.amps) < stretches.ZERO_NEAR * self.capacity]
        most = max((s.seconds for s in near), default=0.0)
        far = [
            s for s in levels if s not in near and s.seconds >= max(FAR_LONGER * most, stretches.REST_LEAST_S)
        ]
        load = None
        for still in far + near:
            if still in near and abs(still.amps) <= stretches.REST_C_RATE * self.capacity:
                return still, None, load
            standing = standing_load.weigh(
                self.seconds,
                self.read_current,
                self.section,
                still.rows,
                still.amps,
                self._middle_of,
                self._curve,
                self.capacity,
                self._step_V,
            )
            if abs(still.amps) > stretches.ZERO_FAR * self.capacity:
                # so far off only a current that cannot have flowed is a sensor's zero: a charge stands there as a rule
                if standing.kind == "zero" and self._cannot_flow(still):
                    return still, standing, load
            elif standing.kind == "load":
                load = standing if load is None else load
            elif still in near or standing.kind == "zero" or self._comes_back(still):
                return still, standing, load
        return None, None, load

    def _cannot_flow(self, still: stretches.Still) -> bool:
        """Whether a level would have moved the voltage, or more charge than the pack holds."""
        moved = abs(still.amps) * still.seconds / 3600.0
        return not self._curve.flat or moved > MORE_THAN_ALL * self.capacity

    def _comes_back(self, still: stretches.Still) -> bool:
        """Whether the current returned to a level from above and from below, as it does to nought in a drive."""
        away = self.read_current - still.amps
        wide = stretches.CROSSED_C_RATE * self.capacity
        return still.visits >= 2 and min(float((away > wide).mean()), float((away < -wide).mean())) > 0.01

    @property
    def zero(self) -> float:
        """Reading of the current sensor at rest [A]; 0.0 where the log has no rest."""
        return 0.0 if self._rest[0] is None else self._rest[0].amps

    @property
    def quiet(self) -> Bools:
        """(rows,) True where the pack rests."""
        return np.zeros(self.rows, bool) if self._rest[0] is None else self._rest[0].rows

    @property
    def standing(self) -> standing_load.Standing | None:
        """Whether the reading at rest is the sensor's zero or flows; None where it is hardly any."""
        return self._rest[1]

    @property
    def standing_load(self) -> standing_load.Standing | None:
        """A current that stands still for long and is shown to flow, if any."""
        return self._rest[2]

    @cached_property
    def current(self) -> Floats:
        """(rows,) current less its reading at rest [A]; NaN in long holes."""
        return self.read_current - self.zero

    @cached_property
    def filled(self) -> Floats:
        """(rows,) current for filters and slopes [A]: holes bridged, whatever their length, never used as samples."""
        bad = np.isnan(self.current)
        if not bad.any():
            return self.current
        good = np.flatnonzero(~bad)
        if not len(good):
            return np.zeros(len(bad))
        return np.interp(self.seconds, self.seconds[good], self.current[good])

    @cached_property
    def stretches(self) -> list[Stretch]:
        """What the pack was doing, in order; nothing is known of it without a current."""
        if not self.has_current:
            return []
        return stretches.stretches(self.seconds, self.current, self.quiet, self.section)

    @cached_property
    def kinds(self) -> list[Kind]:
        """Kinds of stretches that occur."""
        return stretches.kinds(self.stretches)

    def rows_of(self, *wanted: str) -> Bools:
        """(rows,) True in stretches of these kinds."""
        out = np.zeros(self.rows, bool)
        for part in self.stretches:
            if part.kind in wanted:
                out[part.rows] = True
        return out

    @cached_property
    def charge(self) -> Floats:
        """(rows,) charge drawn since the first row [Ah], positive on discharge.

        Nothing is counted while parked, where a sensor's zero would invent charge, nor over pauses and long holes.
        """
        current = np.where(np.isnan(self.current), 0.0, self.current)
        current[self.rows_of("parked")] = 0.0
        return polarisation.charge_drawn(current, self.seconds, self.section)


def flow_of(log: Log) -> Flow:
    """Return the flow of a log of which all is at hand."""
    return Flow(
        log.seconds,
        log.current,
        log.sections,
        float(log.pack.nominal_capacity_Ah),
        lambda rows: sampling.row_medians(log.cell_voltage[rows]),
        curve_of(log.pack),
        log.voltage_step,
    )
