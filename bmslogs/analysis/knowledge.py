"""What a study adds up to: values with half widths per cell, or one sentence why they cannot be had.

Half widths are 95 %. To the scatter of blocks each adds what blocks cannot show: reading errors that last all log
long, the gain of the current sensor, the error of a table.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import resistance
from bmslogs.analysis.between_rests import BetweenRests, between_rests, nothing_told
from bmslogs.analysis.known.leak import LeakKnown, leaks
from bmslogs.analysis.known.reading_of_curve import BOOK_SLOPE_ERROR, ReadingOfCurve, conditions_of
from bmslogs.analysis.known.refusal import in_words
from bmslogs.analysis.known.shapes import (
    CapacityKnown,
    OffsetKnown,
    Remaining,
    ResistanceKnown,
    TopKnown,
    WorthKnown,
)
from bmslogs.analysis.known.zero import ZeroKnown, zero_at_rest
from bmslogs.analysis.leading import Leads, find_leads, no_leads
from bmslogs.analysis.models.flat_leak import flat_leaks
from bmslogs.analysis.models.knee import below_the_knee
from bmslogs.analysis.models.step_resistance import StepFit
from bmslogs.analysis.place import LOT_CAPACITY_SD, Place
from bmslogs.analysis.regression import BLOCKS, Z95, jackknife_se, t_factor
from bmslogs.analysis.resistance import LoadFit
from bmslogs.analysis.rests import CHANNEL_SD_V
from bmslogs.analysis.statistics import robust_scale
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.worth import string_worth
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmean

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

RELATIVE_FLOOR, CHARGE_SHARE = 0.003, 1.7
"""How far the ratio of two sound cells at one charge differs from that over a log, and by how much more for each unit
of charge that they lie apart: within the stages of a graphite electrode the resistance of a first-principles cell
changes by 1 to 4 % over 1 % of charge (choice, one sd)."""
UNKNOWN_OFFSET = 0.004
"""How far the charges of the cells of a string lie apart where the log does not say (choice, one sd)."""
ABSOLUTE_FLOOR, FLOOR_WARM_DEGC, FLOOR_SCALE_K, UNKNOWN_DEGC = 0.015, 25.0, 15.0, 10.0
"""How well a few filters tell the resistance at 10 s of a cell that is not linear, as a fraction at 25 degC. What is
not linear grows as the kinetics slow down in the cold: by e over 15 K (activation energies of 40 to 50 kJ/mol, from
memory; choice, one sd). Where no sensor tells it, the pack is taken to be cold."""
STEPS_FLOOR, STEPS_RELATIVE_FLOOR, STEPS_LOT_SD = 0.06, 0.01, 0.04
"""The floors of ohms and of ratios where the current only changed a few times, as in a charge, and how far cells of one
string lie apart: a scatter beyond that is the charge's, not the cells' (choice, one sd)."""
BEND_ERROR, FLAT_BEND_ERROR = 0.1, 0.3
"""How well one column tells the fall of resistance with the load, as a fraction of that fall (choice, one sd). On a
flat curve an electrode that steps changes the resistance within a few per cent of charge as well, the more the more of
it falls with the load: a pulse at the mean charge of a drive is not the mean of the drive."""
WORTH_CAPACITY = 0.02
"""Half width up to which every capacity must be known before a pack's worth is said (choice)."""
FULL_SD, BOOK_FULL_SD, FLAT_BOOK_FULL_SD = 0.0006, 0.008, 0.006
"""How well full itself is told, as a share of the capacity: off a table of these very cells, and off one that stands
for a chemistry. A flat curve rises so steeply at its end that what is called full lies within a per cent (choice, one
sd)."""
FLAT_BOOK_SPAN_SD = 0.15
"""How far a flat table tells the capacity of other cells, as a fraction: the steps of their plateaus lie elsewhere
(choice, one sd)."""
STAGE_SD = 0.015
"""How far the steps of a flat curve lie from its ends otherwise in one cell than in another, as a share of the charge
(one sd; lithium lost to the film moves the electrodes against each other; judgement): where a charge saw one end only,
that looks like a capacity."""
OFFSET_FLOOR, FLAT_OFFSET_FLOOR = 0.001, 0.001
"""How well one curve tells the charge of two cells, as a share of it: as they age, the electrodes of each slip against
each other on their own (choice, one sd)."""
OWN_TABLE_V = 0.008
"""A table that is of these very cells parts from the string's curve by less [V] (choice)."""
BOOK_END_SLOPE_SD = 0.3
"""How well a table of a chemistry tells the slope from there to full, as a fraction (choice, one sd)."""
BELOW_KNEE_SD = 0.015
"""How well the place of a cell on the flat is known, as a share of the capacity (choice, one sd)."""
END_SLOPE_ERROR = 0.08
"""How well the slope of the string's curve is known where a charge ends, as a fraction: what the falling current leaves
of polarisation looks like it (half width, choice from simulation)."""
FULL_FROM_SOC = 0.93
"""From here on the way to full is short enough to be reckoned by the curve (choice)."""
CHANGE_NULLS, CHANGE_FLOOR = 2.5, 0.08
"""Half width of the share of an excess that changes with load and warmth, in scatters of the other cells, and what is
added: a cell of more resistance warms itself (choice)."""
STANDING_SHARE = 0.03
"""A standing current that may or may not flow spoils an absolute capacity from this share of the charge moved on
(choice)."""
LEAST_SWING_V, LEAST_SPAN = 0.050, 0.25
"""Least open-circuit voltage covered for a relative capacity, least share of the capacity moved for an absolute one
(choice)."""


class Knowledge(Place):
    """All that one study says, worked out on demand."""

    # ---- resistance -----------------------------------------------------------------------------------------

    @cached_property
    def resistance(self) -> ResistanceKnown | str:
        """Resistance of every cell, or why not: by the loads of drives and charges, or by single steps."""
        s = self.study
        if s.by_steps and s.steps is not None:
            return self._by_steps(s.steps)
        try:
            load = s.load
        except NotEnoughData as reason:
            return f"{reason}, and no step of the current between two steady spells"
        ohm, without = load.resistance()
        middle = float(np.median(ohm[s.trusted]))
        middles = np.median(without[:, s.trusted], axis=1)
        if not middle > 0 or not np.all(middles > 0):
            return "the readings show no drop that follows the current: parts of the log disagree even on its sign"
        relative, se = s.relative_resistance
        common = float(jackknife_se(middles[:, None])[0]) / middle
        slow = self._shape_sd * (1.0 + 0.5 * max(load.period_s - 1.0, 0.0))
        if not s.rows_of("drive").any():
            slow = max(slow, STEPS_FLOOR)
        unsure = FLAT_BEND_ERROR if s.curve.flat else BEND_ERROR
        bend = unsure * abs(float(np.median(load.bend()[s.trusted]))) / middle
        absolute = np.sqrt(slow**2 + bend**2 + (common * t_factor(BLOCKS) / Z95) ** 2)
        half_relative = resistance.half_width(se, BLOCKS, self._ratio_sd(relative, se) * np.abs(relative))
        half = np.abs(ohm) * np.hypot(
            Z95 * np.hypot(absolute, self.gain_sd), half_relative / np.abs(relative)
        )
        share, half_share = self._scale_share(relative)
        rows = s.moving
        span = self.soc_span or (None, None)
        warmth = s.cell_warmth.reading
        rms = float(np.sqrt((s.sampled.current[rows] ** 2).mean()))
        conditions = {
            "temperature_C": None,
            "soc_low": span[0],
            "soc_high": span[1],
            "current_rms_A": self.current_rms or rms,
        }
        changes = self._change_share(load, relative)
        return ResistanceKnown(
            ohm,
            half,
            relative,
            half_relative,
            middle,
            share,
            half_share,
            conditions,
            warmth,
            changes or None,
            _width_by_load(rms * middle, float(np.median(half_relative[s.trusted]))),
        )

    @property
    def _shape_sd(self) -> float:
        """How well filters tell the resistance at 10 s, as a fraction: one sd, by how warm the pack was."""
        warmth = self.study.mean_temperature
        known = warmth is not None and bool(np.isfinite(warmth).any())
        degc = float(np.nanmedian(warmth)) if known and warmth is not None else UNKNOWN_DEGC
        return ABSOLUTE_FLOOR * float(np.exp(np.clip(FLOOR_WARM_DEGC - degc, 0.0, 45.0) / FLOOR_SCALE_K))

    def _ratio_sd(self, relative: Floats, se: Floats) -> Floats:
        """(cells,) what blocks do not show of a ratio of resistances, as a fraction: one sd."""
        s = self.study
        away = np.full(len(relative), UNKNOWN_OFFSET)
        if not isinstance(self.offset, str):
            away = np.where(np.isfinite(self.offset.value), np.abs(self.offset.value), away)
        floor = RELATIVE_FLOOR
        if not s.rows_of("drive").any():
            # an electrode's stage or a knee that the cells pass one after the other looks like a resistance
            scatter = robust_scale(relative[s.trusted]) if s.trusted.sum() > 3 else 0.0
            beyond = scatter**2 - float(np.median(se[s.trusted])) ** 2 - STEPS_LOT_SD**2
            floor = float(np.hypot(STEPS_RELATIVE_FLOOR, np.sqrt(max(beyond, 0.0))))
        return np.asarray(np.hypot(floor, CHARGE_SHARE * np.minimum(away, 0.05)), float)

    def _change_share(
        self, load: LoadFit, relative: Floats
    ) -> tuple[Floats, Floats, Floats, Floats] | tuple[()]:
        """Return which share of a cell's excess changes with load, charge and warmth as the string's resistance does.

        With its half width; then the same for charge and warmth alone. A cell's resistance falls as it warms
        (Arrhenius) and as the load grows (Butler-Volmer); copper's does neither. Empty where too little is known.
        """
        value, without = load.changes()
        if load.drifts == 0 or self.study.trusted.sum() < 4:
            return ()
        slow = slice(len(value) - load.drifts, None)
        return (
            *self._share_of(value, without, relative),
            *self._share_of(value[slow], without[:, slow], relative),
        )

    def _share_of(self, value: Floats, without: Floats, relative: Floats) -> tuple[Floats, Floats]:
        """Weigh changes (k, cells) by how well the other cells agree on them: their scatter is the null."""
        trusted = self.study.trusted
        middle = np.median(value[:, trusted], axis=1)
        away = without - np.median(without[:, :, trusted], axis=2, keepdims=True)
        away = away - away.mean(axis=0)
        blocks = len(away)
        spread = np.einsum("bic,bjc->cij", away, away)[trusted] * (blocks - 1) / blocks
        own = (value - relative * middle[:, None])[:, trusted]
        scatter = np.diag(
            (1.4826 * np.median(np.abs(own - np.median(own, axis=1, keepdims=True)), axis=1)) ** 2
        )
        weight = np.linalg.pinv(np.median(spread, axis=0) + scatter)
        strength = float(middle @ weight @ middle)
        if not strength > 0:
            nothing = np.full(len(trusted), np.nan)
            return nothing, nothing
        ratio = (middle @ weight @ value) / strength
        # by how much more than its due each cell's resistance changes, were it all its own
        excess = relative - 1.0
        share = (ratio / np.median(ratio[trusted]) - 1.0) / np.where(excess == 0.0, np.nan, excess)
        null = robust_scale((ratio - relative)[trusted], float(np.sqrt(1.0 / strength)))
        return share, CHANGE_NULLS * null / np.abs(excess) + CHANGE_FLOOR

    def _by_steps(self, found: StepFit) -> ResistanceKnown:
        """Resistance off single clean steps of the current."""
        s = self.study
        ratio_sd = self._ratio_sd(found.relative, found.relative_se) * np.abs(found.relative)
        half_relative = Z95 * np.hypot(found.relative_se, ratio_sd)
        absolute = Z95 * float(np.hypot(np.hypot(found.common_se, self.gain_sd), self._shape_sd))
        with np.errstate(all="ignore"):
            half = np.abs(found.ohm) * np.hypot(absolute, half_relative / np.abs(found.relative))
            excess = found.relative - 1.0
            share = found.growth / excess
            half_share = Z95 * np.hypot(found.growth_se, share * found.relative_se) / np.abs(excess)
        rows = s.step_rows()
        conditions = {
            "temperature_C": None,
            **self._charge_at(rows),
            "step_A": found.amps,
            "steps": len(found.steps),
        }
        return ResistanceKnown(
            found.ohm,
            half,
            found.relative,
            half_relative,
            found.middle,
            share,
            half_share,
            conditions,
            s.cell_warmth.reading,
            why=_width_by_steps(found, s.log.voltage_step, float(np.nanmedian(half_relative))),
        )

    def _charge_at(self, rows: Bools) -> dict[str, float | None]:
        """Least and most state of charge of the middle cell over rows, where its place is known."""
        s, a = self.study, self.alignment
        if a is None:
            span = self.soc_span or (None, None)
            return {"soc_low": span[0], "soc_high": span[1]}
        soc = self.soc_of(s.flow.charge[rows])
        assert soc is not None
        return {"soc_low": float(soc.min()), "soc_high": float(soc.max())}

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

    def _scale_share(self, relative: Floats) -> tuple[Floats, Floats]:
        """Return which share of a cell's excess grows with time into the load as the cells' own resistance does.

        One where the cell itself has aged, nought where a joint adds the same ohms at every time.
        """
        s = self.study
        load = s.linear_load
        early = max(1.0, 2.0 * load.period_s)
        late = 60.0
        r_early, w_early = load.resistance(early)
        r_late, w_late = load.resistance(late)

        def share(at_early: Floats, at_late: Floats) -> Floats:
            growth = at_late - at_early
            middle = np.median(growth[..., s.trusted], axis=-1, keepdims=True)
            scale = growth / middle - 1.0
            return np.asarray(scale - np.median(scale[..., s.trusted], axis=-1, keepdims=True), float)

        with np.errstate(all="ignore"):
            scale = share(r_early, r_late)
            se = jackknife_se(share(w_early, w_late))
            excess = relative - 1.0
            return scale / excess, (t_factor(BLOCKS) * se + 0.02) / np.abs(excess)

    # ---- charge ---------------------------------------------------------------------------------------------

    @cached_property
    def offset(self) -> OffsetKnown | str:
        """Charge offsets at the first row, or why not."""
        s = self.study
        if self.curve_contradicted:
            return self.curve_contradicted
        errors = self._errors
        if isinstance(errors, str):
            return self._offset_at_rest(errors)
        started = self._piece_starts_log()
        if not started:
            return self._offset_at_rest(
                "current flowed or cells were bled before the charge could be counted"
            )
        capacity = self._usual_capacity
        value = s.split.a / capacity
        half = np.hypot(
            Z95 * np.sqrt(np.maximum(*(e.a for e in errors))) / capacity, self.slope_error * np.abs(value)
        )
        half = np.hypot(half, Z95 * (FLAT_OFFSET_FLOOR if s.curve.flat else OFFSET_FLOOR))
        swing = self.alignment.swing_V if self.alignment is not None else 0.0
        why = self._why_wide(swing, half, "the charge of a cell")
        return OffsetKnown(value, half, self._charge_conditions() | {"at": "start"}, why)

    def _piece_starts_log(self) -> bool:
        """Whether the charge of the split counts from the first row on, or nothing happened before it."""
        s = self.study
        first = s.sampled.row[s.piece[0]]
        if s.log.bleed is not None and s.log.bleed[:first].any():
            return False
        return bool(s.quiet[:first].all())

    def _offset_at_rest(self, otherwise: str) -> OffsetKnown | str:
        """Offsets by the table, from a rest at the start of the log."""
        s = self.study
        first = s.stretches[0] if s.stretches else None
        if self.rest_level is None or first is None or first.kind not in ("rest", "parked"):
            return otherwise
        level, rounded = self.rest_level
        middle = float(np.nanmedian(level[s.trusted]))
        z = float(s.curve.inverse(np.array([middle]))[0])
        least = s.curve.least_slope(z)
        hours = (s.seconds[first.last] - s.seconds[first.first]) / 3600.0
        settled = 0.001 if hours < 1.0 else 0.0005 if hours < 24.0 else 0.00025
        sd = np.hypot(np.hypot(self.reading_sd, settled * (3.0 if s.curve.flat else 1.0)), rounded)
        value = s.curve.inverse(level) - z
        slope_error = (0.1 if s.curve.own else BOOK_SLOPE_ERROR) * np.abs(value)
        sd = np.hypot(sd, CHANNEL_SD_V)
        half = np.hypot(np.hypot(Z95 * sd / max(least, 1e-3), slope_error), Z95 * OFFSET_FLOOR)
        if s.curve.flat:
            # hysteresis of cells with one history: a millivolt or so
            half = np.hypot(half, Z95 * 0.001 / max(least, 1e-3))
        conditions = {"at": "start", "from": "rest voltage", "soc_low": z, "soc_high": z}
        half = np.broadcast_to(half, value.shape)
        return OffsetKnown(value, half, conditions, self._why_wide(0.0, half, "the charge of a cell"))

    def _why_wide(self, swing: float, half: Floats | None, of: str) -> str:
        """Return what limits a charge or a capacity, see `ReadingOfCurve.limits`."""
        slope = None
        if not self.curve_contradicted:
            z = np.linspace(*(self.soc_span or (0.5, 0.5)), 9)
            slope = float(np.median(self.study.curve.slope(z)))
        return ReadingOfCurve(swing, slope, self.study.trusted).limits(half, of)

    @property
    def _mean_degc(self) -> float | None:
        """Mean temperature of the pack over the log [degC]; None where no sensor tells it."""
        warmth = self.study.mean_temperature
        return None if warmth is None else float(nanmean(warmth))

    def _charge_conditions(self) -> dict[str, Any]:
        return conditions_of(self.soc_span, self._mean_degc)

    @cached_property
    def capacity(self) -> CapacityKnown | str:
        """Capacities, or why not."""
        s = self.study
        errors = self._errors
        if isinstance(errors, str):
            return errors
        a = self.alignment
        swing = 0.0 if a is None else a.swing_V
        if swing < LEAST_SWING_V:
            return self._why_wide(swing, None, "a capacity")
        relative = 1.0 / (1.0 + s.split.b)
        relative = relative / np.nanmedian(relative[s.trusted])
        # of 1 / (1 + b): a small cell's share is known better than its b
        half = Z95 * np.sqrt(np.maximum(*(e.b for e in errors))) * np.minimum(relative, 1.0) ** 2
        if s.curve.flat:
            moved = min((s.split.q_high - s.split.q_low) / s.capacity, 1.0)
            half = np.hypot(half, Z95 * STAGE_SD * (1.0 - moved) / max(moved, 1e-3))
        usual, usual_half, known, why = self._absolute()
        ampere_hours = usual * relative
        return CapacityKnown(
            relative,
            half,
            ampere_hours,
            np.hypot(half * usual, usual_half * relative),
            known,
            why,
            self._charge_conditions(),
            self._why_wide(swing, half, "the capacity of a cell"),
        )

    def _absolute(self) -> tuple[float, float, bool, str]:
        """Return the middle cell's capacity, its half width [Ah], whether it is known, and why not."""
        s, a = self.study, self.alignment
        if self.curve_contradicted:
            return s.capacity, s.capacity, False, self.curve_contradicted
        if a is None:
            return s.capacity, s.capacity, False, "no charge was counted"
        if s.curve.flat and not s.curve.own:
            why = "the ends of a flat table are not those of these cells: give the pack its own table"
            return a.capacity, Z95 * FLAT_BOOK_SPAN_SD * a.capacity, False, why
        span = (s.split.q_high - s.split.q_low) / s.capacity
        standing = s.standing
        if standing is not None and standing.kind == "either":
            last = s.piece[-1]
            ah = abs(standing.amps) * float(s.sampled.seconds[last] - s.sampled.seconds[s.piece[0]]) / 3600.0
            if ah > STANDING_SHARE * (s.split.q_high - s.split.q_low):
                why = (
                    f"whether the {standing.amps:+.2f} A that the sensor reads at rest flow is not known: they are "
                    f"{ah:.1f} Ah over the charge counted"
                )
                return a.capacity, a.capacity, False, why
        half = Z95 * float(np.hypot(a.capacity_se, self.gain_sd * a.capacity))
        apart = self._apart_from_table
        if s.curve.own and apart > OWN_TABLE_V:
            why = (
                f"the pack file's own table parts from the curve of the string by {apart * 1e3:.0f} mV (rms): it is "
                "not that of these cells"
            )
            return a.capacity, half, False, why
        if span < LEAST_SPAN:
            why = f"only {span * 100:.0f} % of the capacity was moved; {LEAST_SPAN * 100:.0f} % are needed"
            return a.capacity, half, False, why
        if a.capacity_se > 0.03 * s.capacity:
            return a.capacity, half, False, "the table does not fix both ends of the charge moved"
        return a.capacity, half, True, ""

    @cached_property
    def _apart_from_table(self) -> float:
        """How far the string's curve is from the table where it lies best [V], root mean square."""
        s, a = self.study, self.alignment
        if a is None:
            return 0.0
        q = np.linspace(s.split.q_low, s.split.q_high, 80)
        return float(np.sqrt(((s.split.curve(q) - s.curve.beyond(a.soc(q)) - a.shift_V) ** 2).mean()))

    @cached_property
    def remaining(self) -> Remaining | None:
        """Offsets that remain at full charge; None where the log does not know them.

        Where the capacities are not known better than the spread of a lot, that spread stands in.
        """
        s = self.study
        if self.curve_contradicted:
            return None
        errors = self._errors
        if isinstance(errors, str):
            return self._remaining_at_rest()
        a = self.alignment
        if a is None:
            return None
        capacity = self._usual_capacity
        q_full = -(1.0 - a.z0) * capacity
        off, b, variance = self._wider(q_full)
        missing = (-off - q_full) / (1.0 + b)
        middle = np.nanmedian(missing[s.trusted])
        value = (middle - missing) / capacity
        half = np.hypot(Z95 * np.sqrt(variance) / capacity, self.slope_error * np.abs(value))
        return Remaining(value, half)

    @cached_property
    def leads(self) -> Leads:
        """Who is first at the end of charges and discharges; of none where nothing may rest on the curve."""
        if self.curve_contradicted:
            return no_leads(len(self.study.cells))
        return find_leads(self.study, self.shifted)

    @cached_property
    def between_rests(self) -> BetweenRests:
        """What the rests before and after a charge or discharge tell; nothing where the curve may not be used."""
        if self.curve_contradicted:
            return nothing_told(len(self.study.cells))
        return between_rests(self.study, self.shifted)

    def _remaining_at_rest(self) -> Remaining | None:
        found = self.offset
        if isinstance(found, str):
            return None
        z = float(found.conditions.get("soc_low") or 0.5)
        spread = (1 - z) * LOT_CAPACITY_SD * Z95
        return Remaining(found.value, np.hypot(found.half, spread))

    @cached_property
    def top(self) -> TopKnown | str:
        """Charge to full when the last charge ended, or why not."""
        s = self.study
        if self.curve_contradicted:
            return self.curve_contradicted
        charges = [p for p in s.stretches if p.kind == "charge"]
        if not charges:
            return "the log holds no charge"
        errors = self._errors
        if isinstance(errors, str):
            return errors
        piece_rows = s.sampled.row[s.piece]
        last = charges[-1].last
        if not piece_rows[0] <= last <= piece_rows[-1] + 1:
            return "the charge lies in a part of the log where current or bleeding before it was not recorded"
        at = s.piece[min(int(np.searchsorted(piece_rows, last, side="right")) - 1, len(s.piece) - 1)]
        q = s.sampled.charge[at] - s.sampled.charge[s.piece[0]]
        bled = np.zeros(len(s.cells))
        if s.bled is not None:
            bled = s.bled[s.sampled.row[at]] - s.bled[piece_rows[0]]
        own = q + bled
        off, b, variance = self._wider(q)
        x = own * (1.0 + b) - off
        se = np.sqrt(variance)
        lead = float(np.nanmin(x))
        a = self.alignment
        capacity = self._usual_capacity
        soc_lead = float(a.soc(lead)) if a is not None else 0.0
        end_volts = float(np.nanmedian(s.log.cell_voltage[last][s.trusted]))
        below = self._below_the_knee(charges[-1])
        if a is not None and soc_lead >= FULL_FROM_SOC and not below[s.trusted].all():
            full, full_se, condition = lead - (1.0 - soc_lead) * capacity, a.soc_se(lead) * capacity, "own"
            book = FLAT_BOOK_FULL_SD if s.curve.flat else BOOK_FULL_SD
            book = float(np.hypot(book, 0.0 if s.curve.flat else BOOK_END_SLOPE_SD * (1.0 - soc_lead)))
            full_se = float(np.hypot(full_se, (FULL_SD if s.curve.own else book) * capacity))
        else:
            full, full_se, condition = lead, float(se[int(np.nanargmin(x))]), "leading_cell"
        missing = (x - full) / (1.0 + b)
        lag = missing - np.nanmin(missing)
        slope_error = max(self.slope_error, END_SLOPE_ERROR)
        lead_se = np.where(lag > 0, float(se[int(np.nanargmin(x))]), 0.0)
        half = np.hypot(Z95 * np.sqrt(se**2 + full_se**2 + lead_se**2), slope_error * lag)
        needed = np.nanmax(missing) - missing
        last_se = se[int(np.nanargmax(np.where(np.isfinite(missing), missing, -np.inf)))]
        half_needed = np.hypot(Z95 * np.where(needed > 0, np.hypot(se, last_se), se), slope_error * needed)
        if below[s.trusted].any():
            # how far behind a cell is that has not left the flat, hardly shows; the last one is all others' measure
            hidden = Z95 * BELOW_KNEE_SD * capacity
            half, half_needed = np.where(below, np.hypot(half, hidden), half), np.hypot(half_needed, hidden)
        return TopKnown(
            missing,
            half,
            needed,
            half_needed,
            end_volts,
            0.02 * s.capacity,
            self._charge_conditions() | {"full": condition, "soc_at_end": soc_lead},
            self._why_wide(a.swing_V if a else 0.0, half / s.capacity, "what a cell lacks to full"),
        )

    def _below_the_knee(self, part: Stretch) -> Bools:
        """(cells,) True where a cell of a flat curve had not left the plateau when a charge ended."""
        s = self.study
        if not s.curve.flat:
            return np.zeros(len(s.cells), bool)
        return below_the_knee(
            s.log.cell_voltage[part.rows],
            np.nan_to_num(s.current[part.rows]),
            -s.flow.charge[part.rows],
            s.usual_resistance,
            s.capacity,
        )

    @cached_property
    def worth(self) -> WorthKnown | str:
        """Usable charge and what balancing and replacing would win, or why not."""
        s = self.study
        if self.curve_contradicted:
            return self.curve_contradicted
        cap, a = self.capacity, self.alignment
        if isinstance(cap, str):
            return cap
        errors = self._errors
        assert not isinstance(errors, str)
        if a is None or not np.nanmax(cap.half_relative) < WORTH_CAPACITY:
            return "not every cell's capacity is known well enough: the least of them decides"
        if not s.trusted.all() or s.shifted.any():
            return "not every cell of the string has a reading to be believed"
        usual = self._usual_capacity
        amounts = usual * cap.relative
        # a cell's place on the string's curve is its state of charge
        soc = a.z0 + s.split.a / usual
        model, blocks = errors
        wide = blocks.a / usual**2 + blocks.b > model.a / usual**2 + model.b
        va, vb, vab = (np.where(wide, getattr(blocks, n), getattr(model, n)) for n in ("a", "b", "ab"))
        va = va + (self.slope_error * s.split.a / Z95) ** 2
        covariance = np.moveaxis(
            np.array([[va / usual**2, -vab / usual * amounts], [-vab / usual * amounts, vb * amounts**2]]),
            2,
            0,
        )
        known = a.capacity_se / usual if self._absolute()[2] else 0.05
        module = [s.pack.module_of(cell) for cell in s.cells]
        names = list(dict.fromkeys(module))
        common = np.array([a.z0_se, known, self.gain_sd])
        values = string_worth(soc, amounts, covariance, common, np.array([names.index(m) for m in module]))
        weakest = int(np.argmin(amounts))
        return WorthKnown(values, s.cells[weakest], module[weakest])

    # ---- rest -----------------------------------------------------------------------------------------------

    @cached_property
    def zero(self) -> ZeroKnown | str:
        """Reading of the current at rest, half width [A], time at rest [s]; or why not."""
        s = self.study
        rest_s = float(np.diff(s.seconds, append=s.seconds[-1])[s.quiet].sum())
        return in_words(zero_at_rest(s.read_current[s.quiet], rest_s, s.zero, s.capacity, s.standing_load))

    @cached_property
    def flat_leaks(self) -> Floats:
        """(cells,) least leak of cells that left the flat of the curve while parked [A]; nought where none is sure."""
        s = self.study
        nothing = np.zeros(len(s.cells))
        if self.curve_contradicted or not s.curve.flat:
            return nothing
        try:
            found, level = s.parked
        except NotEnoughData:
            return nothing
        return flat_leaks(found, level, s.curve, s.capacity, s.trusted & np.isfinite(found.slope))

    @cached_property
    def leak(self) -> LeakKnown | str:
        """Leak currents from a parked stretch, or why not."""
        s = self.study
        if self.curve_contradicted:
            return self.curve_contradicted
        try:
            found, level = s.parked
        except NotEnoughData as reason:
            return str(reason)
        return in_words(leaks(found, level, s.curve, s.capacity, s.trusted, self._mean_degc))


def _width_by_load(drop_V: float, half: float) -> str:
    """Return what limits a resistance from a load."""
    return (
        f"the load takes {drop_V * 1e3:.0f} mV off a cell (rms), and parts of the log tell the cells apart to "
        f"+-{half * 100:.2g} % only"
    )


def _width_by_steps(found: StepFit, step_V: float, half: float) -> str:
    """Return what limits a resistance from single steps."""
    return (
        f"{len(found.steps)} clean step{'s' if len(found.steps) > 1 else ''} of {found.amps:.3g} A "
        f"take{'' if len(found.steps) > 1 else 's'} {found.amps * found.middle * 1e3:.2g} mV off a cell; with readings "
        f"in steps of {step_V * 1e3:.2g} mV that tells the cells apart to +-{half * 100:.2g} % only"
    )
