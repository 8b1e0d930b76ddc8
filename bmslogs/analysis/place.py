"""Where a string stands on its open-circuit curve, and how well its cells' offsets and capacities are known.

Standard deviations and variances; to the scatter of blocks each adds what blocks cannot show.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import polarisation
from bmslogs.analysis.alignment import Alignment, align, table_sd
from bmslogs.analysis.common_fit import POLARISATION_ERROR
from bmslogs.analysis.known.cell_places import CellPlaces, Spread
from bmslogs.analysis.known.offset import FirstRest
from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve, conditions_of
from bmslogs.analysis.known.refusal import Refusal
from bmslogs.analysis.models.pack_contradictions import capacity_by_curve, pack_contradictions, thinned
from bmslogs.analysis.regression import BLOCKS, Z95, t_factor
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
GAIN_SD = 0.01
"""Gain error of a current sensor where the pack file does not say (common practice, no source; one sd)."""
MISFIT_MOST, FAR_MISFIT_MOST = 1.5, 3.0
"""A curve that does not fit a cell makes its parameters less sure by so much at most; where the cell was laid onto it
by itself nothing else held them (choice; the second by a few logs of aged cells, whose intervals it
holds)."""
SHAPE_LEAST_V = 0.012
"""A stretch of a flat curve that climbs less is not told from others by its shape (choice)."""
SLOPE_TRUST = 1.3
"""A curve this many times steeper than the table is still believed (choice)."""
FIRST_IDLE_C_RATE, FIRST_IDLE_S, FIRST_IDLE_SD_V = 0.03, 60.0, 0.010
"""A log that begins with so little current (share of the capacity per hour) for as long [s], and stands still for that
time, shows about where it is, to so many volts: enough to hold the pack file against it, not to measure by (choice)."""
SOON_S = 300.0
"""So long after bleeding began little is lost yet (choice) [s]."""
DRIFT_SHARE, DRIFT_LEAST_V = 0.15, 0.004
"""What relaxes, or falls as the string warms, while the charge goes by: a share of what the load drops, and a least
[V] (choice)."""
SLOPE_ERROR, FLAT_SLOPE_ERROR = 0.05, 0.15
"""How well the slope of the string's curve is known, as a fraction; an offset read through it errs by as much. Of a
flat curve the knee tells, which the leading cell sees alone: how far it leads is read off the table (choice)."""
LOADED_SHARE, FLAT_LOADED_SHARE = 0.03, 0.02
"""How far a sound cell's polarisation parts from the string's all log long, as a share of it: cells warm by unlike
amounts where no sensor is, and their electrodes pass their stages at unlike times; on a flat curve stages are few
(choice, one sd)."""
DROP_IN_OHMS = 1.5
"""A load of minutes takes off a cell up to so many times what its resistance at 10 s does (choice)."""
USUAL_EXCESS, AGED_SHARE = 0.05, 0.4
"""Excess of resistance up to which a cell is as the others, and the share of the slow polarisation that the excess of
an aged cell may miss (choice)."""
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
        accuracy = self.study.pack.current_accuracy
        return GAIN_SD if accuracy is None else accuracy

    @cached_property
    def current_rms(self) -> float:
        """Root mean square of the current while driving, else while anything flowed [A]."""
        rows = self.study.rows_of("drive")
        if not rows.any():
            rows = self.study.rows_of("charge")
        current = self.study.current[rows]
        current = current[~np.isnan(current)]
        return float(np.sqrt((current**2).mean())) if len(current) else 0.0

    @cached_property
    def reading_sd(self) -> float:
        """How far two channels read apart all log long [V], one sd."""
        lasting = FLAT_READING_SD_V if self.study.curve.flat else READING_SD_V
        return lasting + READING_STEP_SHARE * min(self.study.log.voltage_step, 0.01)

    @property
    def slope_error(self) -> float:
        """Half width of the slope of the string's curve, as a fraction."""
        return FLAT_SLOPE_ERROR if self.study.curve.flat else SLOPE_ERROR

    @cached_property
    def shifted(self) -> Bools:
        """(cells,) True where the reading is shifted; none where there is no split to tell."""
        try:
            return self.study.shifted
        except NotEnoughData:
            return np.zeros(len(self.study.cells), bool)

    @cached_property
    def shifted_or_charged(self) -> Bools:
        """(cells,) True where other charge and a shifted reading explain a cell alike; none where neither is known."""
        try:
            return self.study.shifted_or_charged
        except NotEnoughData:
            return np.zeros(len(self.study.cells), bool)

    @cached_property
    def contradictions(self) -> list[Contradiction]:
        """Lines of the pack file that the log contradicts."""
        s = self.study
        current = charge = None
        if s.has_current:
            current = s.current
            charge = polarisation.charge_drawn(np.nan_to_num(current), s.seconds, s.section)
        few = thinned(s.seconds, current, charge, s.log.cell_voltage, s.cells, s.log.voltage_step)
        rests = self._with_first_rows(s.anchors) if s.has_current and s.trusted.any() else NONE
        found = pack_contradictions(few, s.pack, rests, s.curve, table_sd(s.curve, rests.volt))
        if found or not s.has_current or s.curve.flat or self.alignment is None:
            return found
        moved = s.split.q_high - s.split.q_low
        by_curve = capacity_by_curve(
            self.alignment.capacity,
            float(np.hypot(self.alignment.capacity_se, self.gain_sd * s.capacity)),
            moved,
            s.capacity,
        )
        return [] if by_curve is None else [by_curve]

    def _with_first_rows(self, rests: Anchors) -> Anchors:
        """Return the rests and, where none begins the log, its first minute without a load worth the name."""
        s = self.study
        loaded = np.flatnonzero(~(np.abs(s.current) < FIRST_IDLE_C_RATE * s.capacity))
        rows = slice(0, int(loaded[0]) if len(loaded) else len(s.seconds))
        if rows.stop < 5 or s.seconds[rows.stop - 1] - s.seconds[0] < FIRST_IDLE_S or not len(s.piece):
            return rests
        counted = polarisation.charge_drawn(np.nan_to_num(s.current), s.seconds, s.section)
        at = float(counted[rows.stop - 1] - counted[s.sampled.row[s.piece[0]]])
        if len(rests.charge) and float(np.abs(rests.charge - at).min()) < FIRST_IDLE_C_RATE * s.capacity:
            return rests
        level = row_medians(s.log.cell_voltage[rows][:, s.trusted])
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
            split = s.split
        except NotEnoughData:
            return None
        q = np.linspace(split.q_low, split.q_high, 80)
        blur = POLARISATION_ERROR * np.abs(split.mean_polarisation(q))
        return align(
            q, split.curve(q), s.curve, s.capacity, under_load=blur, rests=s.anchors, lead=self._lead
        )

    @property
    def _lead(self) -> Anchors:
        """The curve where single cells went ahead of the middle one, doubted by how well their lead is known."""
        s = self.study
        split = s.split
        drops = POLARISATION_ERROR * np.abs(
            split.mean_polarisation(np.linspace(split.q_low, split.q_high, 80))
        )
        parts = []
        for cell, ahead, end, drop in (
            (int(np.nanargmin(split.least)), float(nanmin(split.least)), split.q_low, drops[0]),
            (int(np.nanargmax(split.most)), float(nanmax(split.most)), split.q_high, drops[-1]),
        ):
            if abs(ahead - end) < LEAD_LEAST * s.capacity:
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
        for part in s.stretches:
            if part.kind in ("rest", "parked") and s.seconds[part.last] - s.seconds[part.first] >= 300.0:
                until = min(s.seconds[part.last], s.seconds[part.first] + START_LEVEL_S)
                length = max(120.0, 0.3 * (until - s.seconds[part.first]))
                rows = (s.seconds >= until - length) & (s.seconds <= until)
                rows &= (np.arange(s.log.rows) <= part.last) & (np.arange(s.log.rows) >= part.first)
                if s.log.bleed is not None and s.log.bleed[part.rows].any():
                    rows = self._before_bleeding(part)
                if not rows.any():  # rows further apart than that
                    rows[part.first] = True
                volts = s.log.cell_voltage[rows]
                with np.errstate(all="ignore"):
                    level = np.asarray(nanmean(volts, axis=0), float)
                own = mean_error(volts, s.log.voltage_step)
                middle = middle_error(own[s.trusted], level[s.trusted], s.log.voltage_step)
                return self._level_while_parked(part, level) or (level, np.hypot(own, middle))
        return None

    def _before_bleeding(self, part: Stretch) -> Bools:
        """Return rows of a rest that tell what its cells held before any was bled there; its own where bled at once."""
        s = self.study
        assert s.log.bleed is not None
        flags = s.log.bleed[part.rows].any(axis=1)
        first = part.first + int(np.argmax(flags))
        before = np.arange(s.log.rows)
        early = (before >= part.first) & (before < first)
        if early.any():
            length = float(s.seconds[first - 1] - s.seconds[part.first])
            return np.asarray(early & (s.seconds >= s.seconds[first - 1] - max(120.0, 0.3 * length)), bool)
        # bled at once: its first minutes, before much is lost
        soon = (before >= part.first) & (before <= part.last) & (s.seconds <= s.seconds[part.first] + SOON_S)
        return np.asarray(soon, bool)

    def _level_while_parked(self, part: Stretch, level: Floats) -> tuple[Floats, Floats] | None:
        """Return the level that a parked stretch began with, by its drift; None where that is not known."""
        s = self.study
        try:
            found, _ = s.parked
        except NotEnoughData:
            return None
        bled = s.log.bleed is not None and bool(s.log.bleed[part.rows].any())
        if part.kind != "parked" or s.parked_through is None or part.first != s.parked_through.first or bled:
            return None
        return float(level[s.trusted].mean()) + found.level, found.level_se

    @cached_property
    def soc_span(self) -> tuple[float, float] | None:
        """Least and most state of charge of the middle cell while current flowed; None where not known."""
        s = self.study
        if self.curve_contradicted:
            return None
        if self.alignment is not None:
            ends = self.alignment.soc([s.split.q_high, s.split.q_low])
            low, high = float(np.clip(ends.min(), 0, 1)), float(np.clip(ends.max(), 0, 1))
            return low, high
        if self.rest_level is not None:
            z = float(s.curve.inverse(np.array([nanmedian(self.rest_level[0][s.trusted])]))[0])
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
        return np.asarray(np.clip(a.soc(drawn - s.sampled.charge[s.piece[0]]), 0.0, 1.0), float)

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
        return self.study.split.q_high - self.study.split.q_low

    @property
    def mean_degc(self) -> float | None:
        """Mean temperature of the pack over the log [degC]; None where no sensor tells it."""
        warmth = self.study.mean_temperature
        return None if warmth is None else float(nanmean(warmth))

    @property
    def conditions(self) -> dict[str, float | None]:
        """What charges and capacities are told under."""
        return conditions_of(self.soc_span, self.mean_degc)

    @property
    def first_rest(self) -> FirstRest | None:
        """The rest that the log begins with; None without one."""
        s = self.study
        first = s.stretches[0] if s.stretches else None
        if self.rest_level is None or first is None or first.kind not in ("rest", "parked"):
            return None
        return FirstRest(*self.rest_level, float(s.seconds[first.last] - s.seconds[first.first]) / 3600.0)

    @property
    def usual_capacity(self) -> float:
        """Capacity of the middle cell [Ah]: nominal, unless the log knows better."""
        a = self.alignment
        if a is not None and a.capacity_se < KNOWN_CAPACITY * self.study.capacity:
            return a.capacity
        return self.study.capacity

    @cached_property
    def reading(self) -> ReadingOfCurve:
        """How charges are read through the curve."""
        slope_V = None
        if not self.curve_contradicted:
            z = np.linspace(*(self.soc_span or (0.5, 0.5)), 9)
            slope_V = float(np.median(self.study.curve.slope(z)))
        a = self.alignment
        return ReadingOfCurve(0.0 if a is None else a.swing_V, slope_V, self.study.trusted)

    # ---- errors of offset and capacity ----------------------------------------------------------------------

    @cached_property
    def cells(self) -> CellPlaces | Refusal:
        """Where every cell stands beside the middle one, with errors; or why there is no split."""
        s = self.study
        try:
            split = s.split
        except NotEnoughData as reason:
            return Refusal(str(reason))
        model, blocks = self._errors
        return CellPlaces(split.a, split.b, model, blocks, s.trusted, self.usual_capacity, self.slope_error)

    @property
    def _errors(self) -> tuple[Spread, Spread]:
        """Two spreads of (a, b), by the model and by blocks, lasting reading errors added."""
        s = self.study
        split = s.split
        q = np.linspace(split.q_low, split.q_high, 200)
        du = np.minimum(split.slope(q), 0.0)
        # a reading error that lasts (one level, one part that grows along the span) seen through the fit
        design = np.stack([-du, du * q], axis=1)
        gram = design.T @ design + np.diag([1e-12, 1e-12])
        lever = np.linalg.solve(gram, design.T)
        along = (q - q.mean()) / max(np.ptp(q) / 2, 1e-9)
        one, two = lever @ np.ones_like(q), lever @ along * 0.5
        # an aged cell's excess does not follow the string's slow polarisation as closely as its quick one
        aged = np.clip(np.abs(np.nan_to_num(split.r)) - USUAL_EXCESS, 0.0, None)
        drop = float(np.sqrt((split.mean_polarisation(q) ** 2).mean()))
        slow = AGED_SHARE * drop
        # on a flat curve what is called polarisation may be a level of the curve: the resistance bounds it
        flowing = np.abs(s.current[np.abs(np.nan_to_num(s.current)) > 0.02 * s.capacity])
        most = (
            DROP_IN_OHMS * s.usual_resistance * float(np.sqrt((flowing**2).mean()))
            if len(flowing)
            else np.inf
        )
        loaded = (FLAT_LOADED_SHARE if s.curve.flat else LOADED_SHARE) * min(drop, most)
        lasting = self.reading_sd**2 + (aged * slow) ** 2 + loaded**2
        extra = (np.outer(one, one) + np.outer(two, two))[:, :, None] * lasting
        t = (t_factor(BLOCKS) / Z95) ** 2
        # where the curve does not fit a cell, its parameters are less sure than they look
        doubted = np.where(split.far, FAR_MISFIT_MOST, MISFIT_MOST)
        misfit = np.clip(np.nan_to_num(split.misfit, nan=1.0), 1.0, doubted) ** 2
        misfit = misfit * self.slope_doubt**2
        extra = extra * self.slope_doubt**2
        return (
            Spread(*(split.formal[:, i, j] * misfit + extra[i, j] for i, j in ((0, 0), (1, 1), (0, 1)))),
            Spread(*(split.cluster[:, i, j] * misfit * t + extra[i, j] for i, j in ((0, 0), (1, 1), (0, 1)))),
        )

    @cached_property
    def slope_doubt(self) -> float:
        """How many times steeper the string's curve came out than is sure, at least one.

        Over a short span what relaxes or warms while the charge goes by looks like a slope. A voltage difference is
        then worth more charge than the curve says: as much as the least slope of the table near there allows.
        """
        s = self.study
        if self.alignment is None:
            return 1.0
        q = np.linspace(s.split.q_low, s.split.q_high, 60)
        z = self.alignment.soc(q)
        if s.curve.flat and np.ptp(s.curve.voltage(z)) < SHAPE_LEAST_V:
            # nothing but the voltage tells the place, and that only within the hysteresis
            options = np.array([[s.curve.least_slope(float(one)) for one in z]])
        else:
            se = np.array([self.alignment.soc_se(float(one)) for one in q])
            options = s.curve.slope(np.clip(z + np.linspace(-2.0, 2.0, 9)[:, None] * se, 0.0, 1.0))
        sure = [np.interp(s.split.charge, q, option / s.capacity) for option in options]
        least = min(float((one**2).mean()) for one in sure)
        ratio = float(np.sqrt((s.split.slope(s.split.charge) ** 2).mean() / max(least, 1e-12)))
        return float(np.clip(ratio / SLOPE_TRUST, 1.0, max(1.0, self._steeper_at_most(q))))

    def _steeper_at_most(self, q: Floats) -> float:
        """Return how many times steeper what relaxes or warms may have made the string's curve."""
        drop = self.study.split.mean_polarisation(q)
        drift = POLARISATION_ERROR * float(np.ptp(drop)) + DRIFT_SHARE * float(np.sqrt((drop**2).mean()))
        climbed = float(np.ptp(self.study.split.curve(q)))
        left = climbed - drift - DRIFT_LEAST_V
        return climbed / left if left > 0 else np.inf
