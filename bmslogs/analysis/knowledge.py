"""What a study adds up to: values with half widths per cell, or one sentence why they cannot be had.

Each question has its room in `known`, which knows no study; here each is handed what it needs, and its answer is kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.asleep import Asleep
from bmslogs.analysis.between_rests import BetweenRests, between_rests, nothing_told
from bmslogs.analysis.known.absolute_capacity import (
    AbsoluteCapacity,
    Counted,
    absolute_capacity,
    apart_from_table,
    unknown,
)
from bmslogs.analysis.known.capacity import CapacityKnown, capacities
from bmslogs.analysis.known.cell_places import CellPlaces
from bmslogs.analysis.known.charge_end import ChargeEnd, sample_at_end
from bmslogs.analysis.known.leak import LeakKnown, leaks
from bmslogs.analysis.known.offset import (
    OffsetKnown,
    by_rest,
    by_split,
    counted_from_the_start,
)
from bmslogs.analysis.known.reading_of_curve import conditions_of
from bmslogs.analysis.known.refusal import Refusal, in_words
from bmslogs.analysis.known.remaining import Remaining, as_at_rest, at_full
from bmslogs.analysis.known.resistance import Circumstances, ResistanceKnown
from bmslogs.analysis.known.resistance_by_load import by_load
from bmslogs.analysis.known.resistance_by_steps import by_steps
from bmslogs.analysis.known.top import TopKnown, charge_to_full
from bmslogs.analysis.known.worth import WorthKnown, pack_worth
from bmslogs.analysis.known.zero import ZeroKnown, zero_at_rest
from bmslogs.analysis.leading import Leads, find_leads, no_leads
from bmslogs.analysis.models.fitted_resistor import resistor_contradicted
from bmslogs.analysis.models.flat_leak import flat_leaks
from bmslogs.analysis.models.knee import below_the_knee
from bmslogs.analysis.place import CURVE_POINTS, Place
from bmslogs.analysis.stretches import Stretch
from bmslogs.analysis.study import Study
from bmslogs.analysis.study.under_load import DRIVEN_C_RATE
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmedian
from bmslogs.base.pack_claims import Contradiction

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

REST_NEARER = 5.0
"""So many times narrower are the offsets by a rest where they are taken before those by the charge counted (choice)."""


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All that one study says, worked out on demand and kept.

    Attributes
    ----------
    study
        The log made ready.
    """

    study: Study

    @cached_property
    def place(self) -> Place:
        """Where the study's string stands on the open-circuit curve."""
        return Place(self.study)

    @cached_property
    def contradictions(self) -> list[Contradiction]:
        """Lines of the pack file that the log contradicts, by the curve of the string and by what bleeding took."""
        found, resistor = self.place.contradictions, self.study.readings.resistor
        if resistor is None or any(one.line.startswith(("nominal", "chemistry")) for one in found):
            return found
        by_bleeding = resistor_contradicted(self.study.bleeding.taken, resistor)
        return found if by_bleeding is None else [*found, by_bleeding]

    # ---- resistance -----------------------------------------------------------------------------------------

    @cached_property
    def resistance(self) -> ResistanceKnown | str:
        """Resistance of every cell, or why not: by the loads of drives and charges, or by single steps."""
        s, found = self.study, self.study.steps.fit
        if s.resistance.by_steps and found is not None:
            soc = self.place.charge_at(s.steps.rows)
            return by_steps(found, self._circumstances, soc, s.readings.log.voltage_step)
        try:
            load = s.loads.fit
        except NotEnoughData as reason:
            return f"{reason}, and no step of the current between two steady spells"
        rms_A = float(np.sqrt((s.samples.kept.current[s.under_load.mask] ** 2).mean()))
        conditions = conditions_of(self.place.soc_span, None)
        conditions |= {"current_rms_A": self.place.current_rms or rms_A}
        linear, relative = s.loads.linear_fit, s.loads.relative
        return in_words(by_load(load, linear, relative, self._circumstances, rms_A, conditions))

    @property
    def _circumstances(self) -> Circumstances:
        """What the resistances are told under."""
        s = self.study
        degc = None if s.temperatures.mean is None else float(nanmedian(s.temperatures.mean))
        return Circumstances(
            trusted=s.harness.trusted,
            offset=None if isinstance(self.offset, str) else self.offset.value,
            degc=None if degc is None or np.isnan(degc) else degc,
            warmth=s.cell_temperatures.warmth.reading,
            drove=bool(s.flow.rows_of("drive").any())
            and self.place.current_rms > DRIVEN_C_RATE * s.readings.capacity,
            flat=s.readings.curve.flat,
            gain_sd=self.place.gain_sd,
        )

    # ---- charge ---------------------------------------------------------------------------------------------

    @cached_property
    def offset(self) -> OffsetKnown | str:
        """Charge offsets at the first row, or why not."""
        return in_words(
            Refusal(self.place.curve_contradicted) if self.place.curve_contradicted else self._offset()
        )

    def _offset(self) -> OffsetKnown | Refusal:
        s, cells = self.study, self.place.cells
        if isinstance(cells, CellPlaces):
            first, bleed = s.samples.kept.row[s.counted.piece[0]], s.readings.log.bleed
            if counted_from_the_start(s.flow.quiet[:first], None if bleed is None else bleed[:first]):
                counted = by_split(cells, self.place.reading, self.place.conditions)
                return self._nearer(counted, self._offset_at_rest())
            cells = Refusal("current flowed or cells were bled before the charge could be counted")
        return self._offset_at_rest() or cells

    def _offset_at_rest(self) -> OffsetKnown | None:
        """Charge offsets by the rest that the log begins with; None without one."""
        rest = self.place.first_rest
        if rest is None:
            return None
        return by_rest(rest, self.study.readings.curve, self.place.reading_sd, self.place.reading)

    def _nearer(self, counted: OffsetKnown, rest: OffsetKnown | None) -> OffsetKnown:
        """Return the offsets by the charge that was counted, or by a rest that tells most cells several times better.

        A log that counts no charge to speak of, such as one with many pauses, says less than how its cells stood.
        """
        return rest if rest is not None and self._rest_tells_better(rest.half, counted.half) else counted

    def _rest_tells_better(self, stood: Floats, told: Floats) -> bool:
        """Whether half widths by a rest are several times narrower than those by the charge counted."""
        if self.study.readings.curve.flat:
            return False
        trusted = self.study.harness.trusted
        return REST_NEARER * float(nanmedian(stood[trusted])) < float(nanmedian(told[trusted]))

    @cached_property
    def capacity(self) -> CapacityKnown | str:
        """Capacities, or why not."""
        s, cells = self.study, self.place.cells
        if isinstance(cells, Refusal):
            return cells.why
        seen = self.place.moved / s.readings.capacity if s.readings.curve.flat else None
        return in_words(capacities(cells, self._absolute, self.place.reading, seen, self.place.conditions))

    @property
    def _absolute(self) -> AbsoluteCapacity:
        """Capacity of the middle cell in [Ah], where there is a split."""
        s, place = self.study, self.place.alignment
        capacity, curve, standing = s.readings.capacity, s.readings.curve, s.flow.standing
        if self.place.curve_contradicted or place is None:
            return unknown(capacity, self.place.curve_contradicted or "no charge was counted")
        q = np.linspace(s.charge.split.q_low, s.charge.split.q_high, CURVE_POINTS)
        apart_V = apart_from_table(q, s.charge.split.curve(q), place, curve)
        counted = Counted(self.place.moved, capacity, self.place.gain_sd)
        if standing is not None and standing.kind == "either":
            amps = standing.amps
            counted = replace(counted, doubtful_A=amps, doubtful_Ah=abs(amps) * s.counted.hours)
        return absolute_capacity(place, curve, apart_V, counted)

    @cached_property
    def remaining(self) -> Remaining | None:
        """Offsets that remain at full charge; None where the log does not know them."""
        at = self.place
        if at.curve_contradicted:
            return None
        if isinstance(at.cells, Refusal):
            return None if isinstance(self.offset, str) else as_at_rest(self.offset)
        if at.alignment is None:
            return None
        counted = at_full(at.cells, at.alignment.z0)
        if isinstance(self.offset, str) or self.offset.conditions.get("from") != "rest voltage":
            return counted
        rest = as_at_rest(self.offset)
        return rest if self._rest_tells_better(rest.half, counted.half) else counted

    @cached_property
    def leads(self) -> Leads:
        """Who is first at the end of charges and discharges; of none where nothing may rest on the curve."""
        if self.place.curve_contradicted:
            return no_leads(len(self.study.readings.cells))
        return find_leads(self.study, self.place.shifted)

    @cached_property
    def between_rests(self) -> BetweenRests:
        """What the rests before and after a charge or discharge tell; nothing where the curve may not be used."""
        if self.place.curve_contradicted:
            return nothing_told(len(self.study.readings.cells))
        return between_rests(self.study, self.place.shifted)

    @cached_property
    def top(self) -> TopKnown | str:
        """Charge to full when the last charge ended, or why not."""
        return in_words(
            Refusal(self.place.curve_contradicted) if self.place.curve_contradicted else self._top()
        )

    def _top(self) -> TopKnown | Refusal:
        at, readings = self.place, self.study.readings
        charge = next((p for p in reversed(self.study.flow.stretches) if p.kind == "charge"), None)
        if charge is None:
            return Refusal("the log holds no charge")
        if isinstance(at.cells, Refusal):
            return at.cells
        end = self._charge_end(charge)
        if isinstance(end, Refusal):
            return end
        assert at.alignment is not None  # there is a split
        curve, capacity = readings.curve, readings.capacity
        return charge_to_full(end, at.cells, at.alignment, curve, capacity, at.reading, at.conditions)

    def _charge_end(self, charge: Stretch) -> ChargeEnd | Refusal:
        """Where the charge of the split stood when a charge ended; why it was not counted so far."""
        readings, counted, kept = self.study.readings, self.study.counted, self.study.samples.kept
        rows, drawn = kept.row[counted.piece], kept.charge[counted.piece]
        at = sample_at_end(charge.last, rows)
        if isinstance(at, Refusal):
            return at
        bled = np.zeros(len(readings.cells))
        if counted.bled is not None:
            bled = counted.bled[rows[at]] - counted.bled[rows[0]]
        return ChargeEnd(
            drawn=float(drawn[at] - drawn[0]),
            bled=bled,
            volts=float(nanmedian(readings.log.cell_voltage[charge.last][self.study.harness.trusted])),
            below_knee=self._below_the_knee(charge),
        )

    @cached_property
    def left_on_the_flat(self) -> Bools:
        """(cells,) True where a cell was still on the plateau when the log's charges ended, and others were not.

        How far behind it is the knees of the others tell; of what it holds the flat alone says next to nothing.
        """
        ends = [self._below_the_knee(p) for p in self.study.flow.stretches if p.kind == "charge"]
        below = np.all(ends, axis=0) if ends else np.zeros(len(self.study.readings.cells), bool)
        driven = any(p.kind == "drive" for p in self.study.flow.stretches)
        return below & (not driven and not bool(below[self.study.harness.trusted].all()))

    def _below_the_knee(self, charge: Stretch) -> Bools:
        """(cells,) True where a cell of a flat curve had not left the plateau when a charge ended."""
        s = self.study
        if not s.readings.curve.flat:
            return np.zeros(len(s.readings.cells), bool)
        return below_the_knee(
            s.readings.log.cell_voltage[charge.rows],
            np.nan_to_num(s.flow.current[charge.rows]),
            -s.flow.charge[charge.rows],
            s.resistance.usual,
            s.readings.capacity,
        )

    @cached_property
    def worth(self) -> WorthKnown | str:
        """Usable charge and what balancing and replacing would win, or why not."""
        s, at, capacity = self.study, self.place, self.capacity
        if at.curve_contradicted:
            return at.curve_contradicted
        if isinstance(capacity, str):
            return capacity
        assert isinstance(at.cells, CellPlaces) and at.alignment is not None  # else there were no capacities
        modules = [(cell, s.readings.pack.module_of(cell)) for cell in s.readings.cells]
        believed = s.harness.trusted & ~s.charge.shifted
        return in_words(pack_worth(at.cells, at.alignment, capacity, at.gain_sd, believed, modules))

    # ---- rest -----------------------------------------------------------------------------------------------

    @cached_property
    def zero(self) -> ZeroKnown | str:
        """Reading of the current at rest, half width [A], time at rest [s]; or why not."""
        flow, capacity = self.study.flow, self.study.readings.capacity
        rest_s = float(np.diff(flow.seconds, append=flow.seconds[-1])[flow.quiet].sum())
        read = flow.read_current[flow.quiet]
        return in_words(zero_at_rest(read, rest_s, flow.zero, capacity, flow.standing_load))

    @cached_property
    def flat_leaks(self) -> Floats:
        """(cells,) least leak of cells that left the flat of the curve while parked [A]; nought where none is sure."""
        readings, trusted = self.study.readings, self.study.harness.trusted
        nothing = np.zeros(len(readings.cells))
        if self.place.curve_contradicted or not readings.curve.flat:
            return nothing
        try:
            found, level = self.study.parked.drift
        except NotEnoughData:
            return nothing
        told = trusted & np.isfinite(found.slope)
        return flat_leaks(found, level, readings.curve, readings.capacity, told)

    @cached_property
    def lost_asleep(self) -> Asleep | None:
        """What fell while the logger slept, where nothing better tells a leak and the curve may be used; else None."""
        asleep = self.study.parked.asleep
        told = asleep is not None and bool(asleep.fallen.any())
        return asleep if told and isinstance(self.leak, str) and not self.place.curve_contradicted else None

    @cached_property
    def leak(self) -> LeakKnown | str:
        """Leak currents from a parked stretch, or why not."""
        readings, trusted = self.study.readings, self.study.harness.trusted
        if self.place.curve_contradicted:
            return self.place.curve_contradicted
        try:
            found, level = self.study.parked.drift
        except NotEnoughData as reason:
            return str(reason)
        degc = self.place.mean_degc
        return in_words(leaks(found, level, readings.curve, readings.capacity, trusted, degc))
