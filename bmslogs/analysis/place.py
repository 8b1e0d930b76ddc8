"""Where a string stands on its open-circuit curve, and how well its cells' offsets and capacities are known.

Standard deviations and variances; to the scatter of blocks each adds what blocks cannot show.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.alignment import Alignment, align, table_sd
from bmslogs.analysis.common_fit import POLARISATION_ERROR
from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.offset import FirstRest
from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve, conditions_of
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.known.slope_doubt import slope_doubt
from bmslogs.analysis.known.split_errors import most_drop, split_errors
from bmslogs.analysis.models.pack_contradictions import capacity_by_curve, pack_contradictions, thinned
from bmslogs.analysis.regression import Z95
from bmslogs.analysis.rests import NONE, Anchors
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmax, nanmean, nanmedian, nanmin
from bmslogs.base.pack_claims import Contradiction

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

READING_SD_V, FLAT_READING_SD_V, READING_STEP_SHARE = 0.0001, 0.001, 0.06
"""How far two channels read apart all log long [V], more where hysteresis parts cells on a flat curve, plus this share
of the logger's step (choice, one sd)."""
SOUND_EXCESS = 0.15
"""A cell whose resistance at 10 s surely is off by less has a sound one; of an aged one the slow part may be off by
much more than the quick (choice)."""
GAIN_SD = 0.01
"""Gain error of a current sensor where the pack file does not say (common practice, no source; one sd)."""
CURVE_POINTS, SLOPE_POINTS = 80, 9
"""Places along the span at which the string's curve, and the slope of the table, are taken (choice)."""
MOST_STEP_V = 0.01
"""A coarser step of the logger makes its channels part no further (choice)."""
SLOPE_ERROR, FLAT_SLOPE_ERROR = 0.05, 0.15
"""How well the slope of the string's curve is known, as a fraction; an offset read through it errs by as much. Of a
flat curve the knee tells, which the leading cell sees alone: how far it leads is read off the table (choice)."""
KNOWN_CAPACITY = 0.03
"""A capacity that is less sure (standard error as a share of the nominal) is taken to be nominal (choice)."""
LEAD_LEAST, LEAD_POINTS = 0.004, 8
"""How far a cell must go ahead of the middle one for the curve there to count, as a share of the capacity, and at how
many points (choice)."""


@dataclass(frozen=True, eq=False)
class Place:
    """The place of one study's string on the table, worked out on demand and kept."""

    study: Study

    @cached_property
    def gain_sd(self) -> float:
        """Gain error of the current sensor, fraction, one sd."""
        accuracy = self.study.readings.pack.current_accuracy
        return GAIN_SD if accuracy is None else accuracy

    @cached_property
    def current_rms(self) -> float:
        """Root mean square of the current while driving, else while anything flowed [A]."""
        rows = self.study.flow.rows_of("drive")
        if not rows.any():
            rows = self.study.flow.rows_of("charge")
        current = self.study.flow.current[rows]
        current = current[~np.isnan(current)]
        return float(np.sqrt((current**2).mean())) if len(current) else 0.0

    @cached_property
    def reading_sd(self) -> float:
        """How far two channels read apart all log long [V], one sd."""
        lasting = FLAT_READING_SD_V if self.study.readings.curve.flat else READING_SD_V
        return lasting + READING_STEP_SHARE * min(self.study.readings.log.voltage_step, MOST_STEP_V)

    @property
    def slope_error(self) -> float:
        """Half width of the slope of the string's curve, as a fraction."""
        return FLAT_SLOPE_ERROR if self.study.readings.curve.flat else SLOPE_ERROR

    @cached_property
    def shifted(self) -> Bools:
        """(cells,) True where the reading is shifted; none where there is no split to tell."""
        try:
            return self.study.charge.shifted
        except NotEnoughData:
            return np.zeros(len(self.study.readings.cells), bool)

    @cached_property
    def shift_instead(self) -> Floats:
        """(cells,) the shift that explains a cell's charge and capacity both [V]; NaN where there is none."""
        try:
            return self.study.charge.shift_instead
        except NotEnoughData:
            return np.full(len(self.study.readings.cells), np.nan)

    @cached_property
    def shifted_or_charged(self) -> Bools:
        """(cells,) True where other charge and a shifted reading explain a cell alike; none where neither is known."""
        try:
            return self.study.charge.shifted_or_charged
        except NotEnoughData:
            return np.zeros(len(self.study.readings.cells), bool)

    @cached_property
    def contradictions(self) -> list[Contradiction]:
        """Lines of the pack file that the log contradicts."""
        readings, counted = self.study.readings, self.study.counted
        log, curve, has_current = readings.log, readings.curve, self.study.flow.has_current
        current, charge = (self.study.flow.current, counted.all_along) if has_current else (None, None)
        few = thinned(log.seconds, current, charge, log.cell_voltage, log.cells, log.voltage_step)
        believed = has_current and bool(self.study.harness.trusted.any())
        rests = counted.anchors_with_first_rows if believed else NONE
        found = pack_contradictions(few, readings.pack, rests, curve, table_sd(curve, rests.volt))
        if found or not has_current or curve.flat or self.alignment is None:
            return found
        by_curve = capacity_by_curve(
            self.alignment.capacity,
            float(np.hypot(self.alignment.capacity_se, self.gain_sd * readings.capacity)),
            self.moved,
            readings.capacity,
        )
        return [] if by_curve is None else [by_curve]

    @property
    def curve_contradicted(self) -> str | None:
        """Why nothing may rest on the open-circuit curve; None where the log does not contradict it."""
        return next((one.says.rstrip(".") for one in self.contradictions if one.curve), None)

    # ---- place on the table ---------------------------------------------------------------------------------

    @cached_property
    def alignment(self) -> Alignment | None:
        """The string's curve laid onto the table; None where the log gives no curve."""
        try:
            split = self.study.charge.split
        except NotEnoughData:
            return None
        readings, rests = self.study.readings, self.study.counted.anchors
        q = np.linspace(split.q_low, split.q_high, CURVE_POINTS)
        blur = POLARISATION_ERROR * np.abs(split.mean_polarisation(q))
        volt, curve, capacity = split.curve(q), readings.curve, readings.capacity
        return align(q, volt, curve, capacity, under_load=blur, rests=rests, lead=self._lead)

    @property
    def _lead(self) -> Anchors:
        """The curve where single cells went ahead of the middle one, doubted by how well their lead is known."""
        split, capacity = self.study.charge.split, self.study.readings.capacity
        q = np.linspace(split.q_low, split.q_high, CURVE_POINTS)
        drops = POLARISATION_ERROR * np.abs(split.mean_polarisation(q))
        parts = []
        for cell, ahead, end, drop in (
            (int(np.nanargmin(split.least)), float(nanmin(split.least)), split.q_low, drops[0]),
            (int(np.nanargmax(split.most)), float(nanmax(split.most)), split.q_high, drops[-1]),
        ):
            if abs(ahead - end) < LEAD_LEAST * capacity:
                continue
            q = np.linspace(ahead, end, LEAD_POINTS, endpoint=False)
            spread = np.maximum(split.formal[cell], split.cluster[cell])
            sd = np.sqrt(np.maximum(spread[0, 0] + q**2 * spread[1, 1] - 2 * q * spread[0, 1], 0.0))
            parts.append((q, split.curve(q), np.hypot(split.slope(q) * sd, drop)))
        if not parts:
            return NONE
        q, volt, sd = (np.concatenate(column) for column in zip(*parts, strict=True))
        order = np.argsort(q)
        return Anchors(q[order], volt[order], sd[order])

    @cached_property
    def soc_span(self) -> tuple[float, float] | None:
        """Least and most state of charge of the middle cell while current flowed; None where not known."""
        if self.curve_contradicted:
            return None
        if self.alignment is not None:
            split = self.study.charge.split
            ends = self.alignment.soc([split.q_high, split.q_low])
            low, high = float(np.clip(ends.min(), 0, 1)), float(np.clip(ends.max(), 0, 1))
            return low, high
        stood, trusted = self.study.at_rest.level, self.study.harness.trusted
        if stood is None:
            return None
        z = float(self.study.readings.curve.inverse(np.array([nanmedian(stood[0][trusted])]))[0])
        return z, z

    def soc_of(self, drawn: Floats) -> Floats | None:
        """Return the state of charge (0..1) of the middle cell; None where its place on the curve is not known.

        Parameters
        ----------
        drawn
            Charge drawn since the log began [Ah], as `Flow.charge` counts it.
        """
        if self.alignment is None:
            return None
        first = self.study.samples.kept.charge[self.study.counted.piece[0]]
        return np.asarray(np.clip(self.alignment.soc(drawn - first), 0.0, 1.0), float)

    def charge_at(self, rows: Bools) -> dict[str, float | None]:
        """Least and most state of charge of the middle cell over rows, where its place is known."""
        soc = self.soc_of(self.study.flow.charge[rows])
        low, high = self.soc_span or (None, None)
        if soc is not None:
            low, high = float(soc.min()), float(soc.max())
        return {"soc_low": low, "soc_high": high}

    @property
    def moved(self) -> float:
        """Charge that the split covers [Ah]."""
        return self.study.charge.split.q_high - self.study.charge.split.q_low

    @property
    def mean_degc(self) -> float | None:
        """Mean temperature of the pack over the log [degC]; None where no sensor tells it."""
        warmth = self.study.temperatures.mean
        return None if warmth is None else float(nanmean(warmth))

    @property
    def conditions(self) -> dict[str, float | None]:
        """What charges and capacities are told under."""
        return conditions_of(self.soc_span, self.mean_degc)

    @property
    def first_rest(self) -> FirstRest | None:
        """The rest that the log begins with; None without one."""
        parts, seconds = self.study.flow.stretches, self.study.readings.seconds
        level = self.study.at_rest.level
        if level is None or not parts or parts[0].kind not in ("rest", "parked"):
            return None
        return FirstRest(*level, float(seconds[parts[0].last] - seconds[parts[0].first]) / 3600.0)

    @property
    def usual_capacity(self) -> float:
        """Capacity of the middle cell [Ah]: nominal, unless the log knows better."""
        a = self.alignment
        if a is not None and a.capacity_se < KNOWN_CAPACITY * self.study.readings.capacity:
            return a.capacity
        return self.study.readings.capacity

    @cached_property
    def reading(self) -> ReadingOfCurve:
        """How charges are read through the curve."""
        slope_V = None
        if not self.curve_contradicted:
            z = np.linspace(*(self.soc_span or (0.5, 0.5)), SLOPE_POINTS)
            slope_V = float(np.median(self.study.readings.curve.slope(z)))
        a = self.alignment
        return ReadingOfCurve(0.0 if a is None else a.swing_V, slope_V, self.study.harness.trusted)

    # ---- errors of offset and capacity ----------------------------------------------------------------------

    @property
    def _most_excess(self) -> Floats | None:
        """(cells,) excess of resistance that single steps allow at most, where they show a cell to be as the others."""
        excess = self.study.resistance.excess
        if not self.study.resistance.by_steps or excess is None:
            return None
        most = np.abs(excess[0]) + Z95 * excess[1]
        return np.where(most < SOUND_EXCESS, most, np.inf)

    @cached_property
    def cells(self) -> CellPlaces | Refusal:
        """Where every cell stands beside the middle one, with errors; or why there is no split."""
        resistance, readings = self.study.resistance, self.study.readings
        try:
            split = self.study.charge.split
        except NotEnoughData as reason:
            return Refusal(str(reason))
        doubt = 1.0
        if self.alignment is not None:
            doubt = slope_doubt(split, self.alignment, readings.curve, readings.capacity)
        drop = most_drop(self.study.flow.current, resistance.usual, readings.capacity)
        model, blocks = split_errors(
            split, self.reading_sd, drop, readings.curve.flat, doubt, self._most_excess
        )
        trusted = self.study.harness.trusted
        return CellPlaces(split.a, split.b, model, blocks, trusted, self.usual_capacity, self.slope_error)
