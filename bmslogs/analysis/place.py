"""Where a string stands on its open-circuit curve, and how well its cells' offsets and capacities are known.

Standard deviations and variances; to the scatter of blocks each adds what blocks cannot show.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation, taps
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
from bmslogs.analysis.rests import NONE, START_LEVEL_S, Anchors
from bmslogs.analysis.rounding import mean_error, middle_error
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.stretches import Stretch
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
FIRST_IDLE_C_RATE, FIRST_IDLE_S, FIRST_IDLE_SD_V = 0.03, 60.0, 0.010
"""A log that begins with so little current (share of the capacity per hour) for as long [s], and stands still for that
time, shows about where it is, to so many volts: enough to hold the pack file against it, not to measure by (choice)."""
SOON_S = 300.0
"""So long after bleeding began little is lost yet (choice) [s]."""
SLOPE_ERROR, FLAT_SLOPE_ERROR = 0.05, 0.15
"""How well the slope of the string's curve is known, as a fraction; an offset read through it errs by as much. Of a
flat curve the knee tells, which the leading cell sees alone: how far it leads is read off the table (choice)."""
KNOWN_CAPACITY = 0.03
"""A capacity that is less sure (standard error as a share of the nominal) is taken to be nominal (choice)."""
LEAD_LEAST, LEAD_POINTS = 0.004, 8
"""How far a cell must go ahead of the middle one for the curve there to count, as a share of the capacity, and at how
many points (choice)."""


class Place:
    """The place of one study's string on the table, worked out on demand."""

    def __init__(self, study: Study) -> None:
        self.study = study

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
        return lasting + READING_STEP_SHARE * min(self.study.readings.log.voltage_step, 0.01)

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
        s = self.study
        current = charge = None
        if s.flow.has_current:
            current = s.flow.current
            charge = polarisation.charge_drawn(np.nan_to_num(current), s.readings.seconds, s.flow.section)
        few = thinned(
            s.readings.seconds,
            current,
            charge,
            s.readings.log.cell_voltage,
            s.readings.cells,
            s.readings.log.voltage_step,
        )
        rests = (
            self._with_first_rows(s.counted.anchors)
            if s.flow.has_current and s.harness.trusted.any()
            else NONE
        )
        found = pack_contradictions(
            few, s.readings.pack, rests, s.readings.curve, table_sd(s.readings.curve, rests.volt)
        )
        if found or not s.flow.has_current or s.readings.curve.flat or self.alignment is None:
            return found
        moved = s.charge.split.q_high - s.charge.split.q_low
        by_curve = capacity_by_curve(
            self.alignment.capacity,
            float(np.hypot(self.alignment.capacity_se, self.gain_sd * s.readings.capacity)),
            moved,
            s.readings.capacity,
        )
        return [] if by_curve is None else [by_curve]

    def _with_first_rows(self, rests: Anchors) -> Anchors:
        """Return the rests and, where none begins the log, its first minute without a load worth the name."""
        s = self.study
        loaded = np.flatnonzero(~(np.abs(s.flow.current) < FIRST_IDLE_C_RATE * s.readings.capacity))
        rows = slice(0, int(loaded[0]) if len(loaded) else len(s.readings.seconds))
        if (
            rows.stop < 5
            or s.readings.seconds[rows.stop - 1] - s.readings.seconds[0] < FIRST_IDLE_S
            or not len(s.counted.piece)
        ):
            return rests
        counted = polarisation.charge_drawn(np.nan_to_num(s.flow.current), s.readings.seconds, s.flow.section)
        at = float(counted[rows.stop - 1] - counted[s.samples.kept.row[s.counted.piece[0]]])
        if (
            len(rests.charge)
            and float(np.abs(rests.charge - at).min()) < FIRST_IDLE_C_RATE * s.readings.capacity
        ):
            return rests
        level = row_medians(s.readings.log.cell_voltage[rows][:, s.harness.trusted])
        first, last = float(nanmedian(level[:5])), float(nanmedian(level[-5:]))
        if not abs(last - first) < FIRST_IDLE_SD_V:  # it still recovers from a load that came before
            return rests
        return Anchors(
            np.append(rests.charge, at), np.append(rests.volt, last), np.append(rests.sd, FIRST_IDLE_SD_V)
        )

    @property
    def curve_contradicted(self) -> str | None:
        """Why nothing may rest on the open-circuit curve; None where the log does not contradict it."""
        return next((one.says.rstrip(".") for one in self.contradictions if one.curve), None)

    # ---- place on the table ---------------------------------------------------------------------------------

    @cached_property
    def alignment(self) -> Alignment | None:
        """The string's curve laid onto the table; None where the log gives no curve."""
        s = self.study
        try:
            split = s.charge.split
        except NotEnoughData:
            return None
        q = np.linspace(split.q_low, split.q_high, 80)
        blur = POLARISATION_ERROR * np.abs(split.mean_polarisation(q))
        return align(
            q,
            split.curve(q),
            s.readings.curve,
            s.readings.capacity,
            under_load=blur,
            rests=s.counted.anchors,
            lead=self._lead,
        )

    @property
    def _lead(self) -> Anchors:
        """The curve where single cells went ahead of the middle one, doubted by how well their lead is known."""
        s = self.study
        split = s.charge.split
        drops = POLARISATION_ERROR * np.abs(
            split.mean_polarisation(np.linspace(split.q_low, split.q_high, 80))
        )
        parts = []
        for cell, ahead, end, drop in (
            (int(np.nanargmin(split.least)), float(nanmin(split.least)), split.q_low, drops[0]),
            (int(np.nanargmax(split.most)), float(nanmax(split.most)), split.q_high, drops[-1]),
        ):
            if abs(ahead - end) < LEAD_LEAST * s.readings.capacity:
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
    def rest_level(self) -> tuple[Floats, Floats] | None:
        """(cells,) settled voltage [V] of the first rest of five minutes or more, and its standard deviation [V].

        None without one. Of a rest its last part; of a pack parked for long the level that it began with.
        """
        s = self.study
        for part in s.flow.stretches:
            if (
                part.kind in ("rest", "parked")
                and s.readings.seconds[part.last] - s.readings.seconds[part.first] >= 300.0
            ):
                until = min(s.readings.seconds[part.last], s.readings.seconds[part.first] + START_LEVEL_S)
                length = max(120.0, 0.3 * (until - s.readings.seconds[part.first]))
                rows = (s.readings.seconds >= until - length) & (s.readings.seconds <= until)
                rows &= (np.arange(s.readings.log.rows) <= part.last) & (
                    np.arange(s.readings.log.rows) >= part.first
                )
                if s.readings.log.bleed is not None and s.readings.log.bleed[part.rows].any():
                    rows = self._before_bleeding(part)
                if not rows.any():  # rows further apart than that
                    rows[part.first] = True
                volts = s.readings.log.cell_voltage[rows]
                if (
                    s.readings.log.bleed is not None
                    and s.harness.taps is not None
                    and s.readings.resistor is not None
                ):
                    volts = taps.corrected(
                        volts, s.readings.log.bleed[rows], s.readings.resistor, s.harness.taps
                    )
                with np.errstate(all="ignore"):
                    level = np.asarray(nanmean(volts, axis=0), float)
                own = mean_error(volts, s.readings.log.voltage_step)
                middle = middle_error(
                    own[s.harness.trusted], level[s.harness.trusted], s.readings.log.voltage_step
                )
                return self._level_while_parked(part, level) or (level, np.hypot(own, middle))
        return None

    def _before_bleeding(self, part: Stretch) -> Bools:
        """Return rows of a rest that tell what its cells held before any was bled there; its own where bled at once."""
        s = self.study
        assert s.readings.log.bleed is not None
        flags = s.readings.log.bleed[part.rows].any(axis=1)
        first = part.first + int(np.argmax(flags))
        before = np.arange(s.readings.log.rows)
        early = (before >= part.first) & (before < first)
        if early.any():
            length = float(s.readings.seconds[first - 1] - s.readings.seconds[part.first])
            return np.asarray(
                early & (s.readings.seconds >= s.readings.seconds[first - 1] - max(120.0, 0.3 * length)), bool
            )
        # bled at once: its first minutes, before much is lost
        soon = (
            (before >= part.first)
            & (before <= part.last)
            & (s.readings.seconds <= s.readings.seconds[part.first] + SOON_S)
        )
        return np.asarray(soon, bool)

    def _level_while_parked(self, part: Stretch, level: Floats) -> tuple[Floats, Floats] | None:
        """Return the level that a parked stretch began with, by its drift; None where that is not known."""
        s = self.study
        try:
            found, _ = s.parked.drift
        except NotEnoughData:
            return None
        if found.straight:  # its levels are those of a curve that climbs evenly, not the readings'
            return None
        bled = s.readings.log.bleed is not None and bool(s.readings.log.bleed[part.rows].any())
        if part.kind != "parked" or s.parked.through is None or part.first != s.parked.through.first or bled:
            return None
        return float(level[s.harness.trusted].mean()) + found.level, found.level_se

    @cached_property
    def soc_span(self) -> tuple[float, float] | None:
        """Least and most state of charge of the middle cell while current flowed; None where not known."""
        s = self.study
        if self.curve_contradicted:
            return None
        if self.alignment is not None:
            ends = self.alignment.soc([s.charge.split.q_high, s.charge.split.q_low])
            low, high = float(np.clip(ends.min(), 0, 1)), float(np.clip(ends.max(), 0, 1))
            return low, high
        if self.rest_level is not None:
            z = float(
                s.readings.curve.inverse(np.array([nanmedian(self.rest_level[0][s.harness.trusted])]))[0]
            )
            return z, z
        return None

    def soc_of(self, drawn: Floats) -> Floats | None:
        """Return the state of charge (0..1) of the middle cell; None where its place on the curve is not known.

        Parameters
        ----------
        drawn
            Charge drawn since the log began [Ah], as `Flow.charge` counts it.
        """
        a, s = self.alignment, self.study
        if a is None:
            return None
        return np.asarray(np.clip(a.soc(drawn - s.samples.kept.charge[s.counted.piece[0]]), 0.0, 1.0), float)

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
        s = self.study
        first = s.flow.stretches[0] if s.flow.stretches else None
        if self.rest_level is None or first is None or first.kind not in ("rest", "parked"):
            return None
        return FirstRest(
            *self.rest_level, float(s.readings.seconds[first.last] - s.readings.seconds[first.first]) / 3600.0
        )

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
            z = np.linspace(*(self.soc_span or (0.5, 0.5)), 9)
            slope_V = float(np.median(self.study.readings.curve.slope(z)))
        a = self.alignment
        return ReadingOfCurve(0.0 if a is None else a.swing_V, slope_V, self.study.harness.trusted)

    # ---- errors of offset and capacity ----------------------------------------------------------------------

    @property
    def _most_excess(self) -> Floats | None:
        """(cells,) excess of resistance that single steps allow at most, where they show a cell to be as the others."""
        s = self.study
        if not s.resistance.by_steps or s.resistance.excess is None:
            return None
        most = np.abs(s.resistance.excess[0]) + Z95 * s.resistance.excess[1]
        return np.where(most < SOUND_EXCESS, most, np.inf)

    @cached_property
    def cells(self) -> CellPlaces | Refusal:
        """Where every cell stands beside the middle one, with errors; or why there is no split."""
        s = self.study
        try:
            split = s.charge.split
        except NotEnoughData as reason:
            return Refusal(str(reason))
        model, blocks = split_errors(
            split,
            self.reading_sd,
            most_drop(s.flow.current, s.resistance.usual, s.readings.capacity),
            s.readings.curve.flat,
            1.0
            if self.alignment is None
            else slope_doubt(split, self.alignment, s.readings.curve, s.readings.capacity),
            self._most_excess,
        )
        return CellPlaces(
            split.a, split.b, model, blocks, s.harness.trusted, self.usual_capacity, self.slope_error
        )
