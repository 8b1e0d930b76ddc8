"""What stands in a record, gathered from the diagnosis, the pack file and what was typed in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from bmslogs.analysis.registry import QUANTITIES, Quantity
from bmslogs.base.marks import EXACT, OMITTED, Cell, Text
from bmslogs.base.pack import Pack
from bmslogs.base.pack_claims import LIMIT_RANGE_V
from bmslogs.base.published import Published
from bmslogs.base.results import Diagnosis, Estimate, Finding, LogTold, by_urgency
from bmslogs.base.version import __version__
from bmslogs.faces.figures.words import conditions_line, known, say_estimate
from bmslogs.faces.record.baseline import Baseline, configuration_hash
from bmslogs.faces.signs import grouped
from bmslogs.faces.unknown import Open, nothing_found, open_questions, quantity_title
from bmslogs.findings.compare import Change, Comparison, compare_before_after

HIGHEST_CELL_V = {"NMC": 4.2, "LFP": 3.65}
"""Usual upper limit of a cell [V], where the pack file gives none (common data-sheet value)."""
LEAST_OHM_PER_V = 100.0
"""Isolation of a DC bus, UN Regulation No. 100, 5.1.3; 500 ohm/V where AC or joined buses are measured with it."""

NEVER_IN_A_LOG = (
    "Isolation and the absence of voltage: a rated meter in trained hands, before any work.",
    "Contactors, pre-charge, fuses, service plug, interlock: their function is not in these logs.",
    "Mechanical state: boxes, mounts, seals, swelling, traces of water, heat or impact.",
    "Torque of links and lugs: the joints list is to be filled in by hand.",
    "Which physical cell a reading belongs to: touch or warm one cell at a time to prove the mapping.",
    "Limits and trips of the BMS: to be tested at a low rate, attended.",
)


@dataclass(frozen=True)
class Typed(Published):
    """What was typed in beside the logs.

    Attributes
    ----------
    insulation_ohm
        Measured insulation resistance [ohm].
    instrument
        The instrument it was measured with.
    notes
        Free lines.
    """

    insulation_ohm: Annotated[float | None, EXACT, OMITTED] = None
    instrument: Annotated[str | None, OMITTED] = None
    notes: Annotated[tuple[str, ...], OMITTED] = ()


@dataclass(frozen=True)
class Joint(Published):
    """A link between two modules, with what the logs say of the cell whose tap holds it."""

    name: str
    tap_of: Cell
    drop: str


@dataclass(frozen=True, kw_only=True)
class Record(Published):
    """What a record says to programs.

    Attributes
    ----------
    baseline
        Name of the record that it is compared with.
    changes, not_comparable
        What changed since, or why that cannot be told.
    """

    schema: Literal["bmslogs.record/1"] = field(default="bmslogs.record/1", init=False)
    kind: Text
    made: dt.datetime
    version: Text
    configuration: Text
    diagnosis: Diagnosis
    typed: Typed
    insulation: tuple[Text, ...]
    joints: tuple[Joint, ...]
    not_tested: tuple[Text, ...]
    baseline: str | None
    changes: tuple[Change, ...]
    not_comparable: str | None


@dataclass(frozen=True)
class Contents:
    """All that a record says, ready to be laid out."""

    kind: str
    made: dt.datetime
    version: str
    pack: Pack
    configuration: str
    diagnosis: Diagnosis
    findings: tuple[Finding, ...]
    cell_columns: tuple[Quantity, ...]
    cell_rows: tuple[tuple[str, tuple[str, ...]], ...]
    other_estimates: tuple[tuple[str, str, str], ...]
    conditions: tuple[tuple[str, str], ...]
    unknown: tuple[Open, ...]
    joints: tuple[Joint, ...]
    typed: Typed
    insulation: tuple[str, ...]
    baseline: Baseline | None
    comparison: Comparison | None
    baseline_refusal: str | None
    not_tested: tuple[str, ...]

    @property
    def logs(self) -> tuple[LogTold, ...]:
        """The logs that were weighed."""
        return self.diagnosis.logs or (self.diagnosis.log,)

    def to_json(self) -> dict[str, Any]:
        """Return the record as a JSON object (schema bmslogs.record/1)."""
        return Record(
            kind=self.kind,
            made=self.made,
            version=self.version,
            configuration=self.configuration,
            diagnosis=self.diagnosis,
            typed=self.typed,
            insulation=self.insulation,
            joints=self.joints,
            not_tested=self.not_tested,
            baseline=self.baseline.name if self.baseline else None,
            changes=self.changes,
            not_comparable=self.baseline_refusal,
        ).to_json()

    def as_baseline(self, name: str) -> Baseline:
        """Return what this record knows as a baseline for later ones."""
        return Baseline(
            name, self.pack.id, self.made, self.configuration, self.typed.to_json(), self.diagnosis
        )

    @property
    def nothing_found(self) -> list[str]:
        """What stands where there is no finding."""
        return nothing_found(self.diagnosis.estimates)

    @property
    def changes(self) -> tuple[Change, ...]:
        """Changes since the baseline that are beyond chance and large enough to matter, or of new cells."""
        found = self.comparison.changes if self.comparison and self.comparison.changes else ()
        return tuple(c for c in found if c.finding or c.new)


def contents(
    pack: Pack,
    diagnosis: Diagnosis,
    *,
    typed: Typed | None = None,
    baseline: Baseline | None = None,
    made: dt.datetime | None = None,
) -> Contents:
    """Gather a record.

    Parameters
    ----------
    pack
        As its pack file describes it now.
    diagnosis
        Weighing all logs of the pack.
    typed
        What was typed in beside the logs.
    baseline
        What to compare with; without one it is a hand-over record.
    made
        When, now where not given.
    """
    typed = typed or Typed()
    columns, rows = _cell_table(diagnosis)
    comparison, refusal = _since(baseline, diagnosis, pack)
    return Contents(
        kind="Service record" if baseline else "Hand-over record",
        made=made or dt.datetime.now(dt.UTC),
        version=__version__,
        pack=pack,
        configuration=configuration_hash(pack),
        diagnosis=diagnosis,
        findings=tuple(by_urgency(diagnosis.findings)),
        cell_columns=columns,
        cell_rows=rows,
        other_estimates=_others(diagnosis),
        conditions=_conditions(diagnosis, columns),
        unknown=tuple(open_questions(diagnosis.estimates, pack.cells_in_series)),
        joints=_joints(pack, diagnosis),
        typed=typed,
        insulation=insulation_text(pack, typed),
        baseline=baseline,
        comparison=comparison,
        baseline_refusal=refusal,
        not_tested=_not_tested(diagnosis, typed, rows),
    )


def _known(estimates: Sequence[Estimate]) -> list[Estimate]:
    return known(estimates)


def _cell_table(
    diagnosis: Diagnosis,
) -> tuple[tuple[Quantity, ...], tuple[tuple[str, tuple[str, ...]], ...]]:
    columns = tuple(q for q in QUANTITIES.values() if q.per == "cell" and _known(diagnosis.of(q.key)))
    by_cell = {q.key: {e.cell: say_estimate(e) for e in _known(diagnosis.of(q.key))} for q in columns}
    cells = sorted({c for column in by_cell.values() for c in column if c is not None})
    rows = tuple((str(c), tuple(by_cell[q.key].get(c, "not known") for q in columns)) for c in cells)
    return columns, rows


def _others(diagnosis: Diagnosis) -> tuple[tuple[str, str, str], ...]:
    rows = []
    for q in QUANTITIES.values():
        if q.per != "cell":
            for e in _known(diagnosis.of(q.key)):
                of = f"sensor {e.sensor}" if e.sensor is not None else "pack"
                rows.append((q.title, of, say_estimate(e)))
    return tuple(rows)


def _conditions(diagnosis: Diagnosis, columns: tuple[Quantity, ...]) -> tuple[tuple[str, str], ...]:
    """Return the conditions of each column, of its first known cell."""
    lines = [(q.title, conditions_line(_known(diagnosis.of(q.key))[0].conditions)) for q in columns]
    return tuple((title, line) for title, line in lines if line)


def _joints(pack: Pack, diagnosis: Diagnosis) -> tuple[Joint, ...]:
    drop = {e.cell: say_estimate(e) for e in _known(diagnosis.of("resistance_10s_relative"))}
    out = []
    for tap in pack.joint_cells():
        earlier = tap - 1 if pack.joint_in_tap_of == "next" else tap
        name = f"{pack.module_of(earlier)} to {pack.module_of(earlier + 1)}"
        out.append(Joint(name, tap, drop.get(tap, "not known")))
    return tuple(out)


def highest_voltage(pack: Pack) -> float | None:
    """Return the pack's highest working voltage [V], None where nothing says it.

    A limit that no cell has, as in mV, says nothing.
    """
    cell = pack.limits.voltage_max_V
    if cell is None or not LIMIT_RANGE_V[0] <= cell <= LIMIT_RANGE_V[1]:
        cell = HIGHEST_CELL_V.get(pack.chemistry)
    return cell * pack.cells_in_series if cell else None


def insulation_text(pack: Pack, typed: Typed) -> tuple[str, ...]:
    """Return what can be said of the insulation value that was typed in, and what it does not prove."""
    if typed.insulation_ohm is None:
        return ("Not measured, or not typed in. No log shows it.",)
    ohm = grouped(typed.insulation_ohm)
    lines = [f"{ohm} ohm, as typed in; instrument: {typed.instrument or 'not named'}."]
    volt = highest_voltage(pack)
    if volt:
        per_volt = typed.insulation_ohm / volt
        lines.append(f"{per_volt:.0f} ohm per volt at the pack's highest {volt:.0f} V.")
        if per_volt < LEAST_OHM_PER_V:
            lines.append(
                f"Below {LEAST_OHM_PER_V:.0f} ohm per volt (UN Regulation No. 100, DC bus): stop, isolate, find it."
            )
    lines.append(
        "UN Regulation No. 100 asks for 100 ohm per volt on a DC bus and 500 where it is joined to an AC bus; local "
        "rules may ask for more. The value holds for the day and the weather it was measured in."
    )
    return tuple(lines)


def _since(
    baseline: Baseline | None, diagnosis: Diagnosis, pack: Pack
) -> tuple[Comparison | None, str | None]:
    if baseline is None:
        return None, None
    from bmslogs.base.errors import BmsLogsError

    try:
        return compare_before_after(baseline.diagnosis, diagnosis, pack), None
    except BmsLogsError as error:
        return None, str(error)


def _not_tested(
    diagnosis: Diagnosis, typed: Typed, rows: tuple[tuple[str, tuple[str, ...]], ...]
) -> tuple[str, ...]:
    lines = list(NEVER_IN_A_LOG)
    if typed.insulation_ohm is None:
        lines.insert(0, "Insulation resistance: no value was typed in.")
    told = {e.quantity for e in _known(diagnosis.estimates)} | {
        e.quantity for e in diagnosis.estimates if e.status == "not_determinable"
    }
    missing = [quantity_title(key) for key in QUANTITIES if key not in told]
    if missing:
        lines.append("Not in any log that was weighed: " + "; ".join(missing) + ".")
    return tuple(lines)
