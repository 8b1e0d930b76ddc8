"""What to log next: for everything that stayed open, the interval to expect from each log that could be taken."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import candidate_logs
from bmslogs.analysis.candidate_logs import Model, model_of
from bmslogs.analysis.estimators import ESTIMATORS
from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.reference import COPPER_PER_K, arrhenius_factor
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.analysis.study import Study
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Diagnosis, Estimate, Finding
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]

COLDER_K = 10.0


@dataclass(frozen=True)
class Candidate:
    """A log that could be taken.

    Attributes
    ----------
    key, says
        Name, and how to take it, one sentence.
    hands_h, elapsed_h
        Hours of work, and hours until it is there.
    opens
        Whether the pack has to be opened for it.
    quantities
        Quantities that it can settle.
    """

    key: str
    says: str
    hands_h: float
    elapsed_h: float
    quantities: tuple[str, ...]
    opens: bool = False

    @property
    def cost(self) -> float:
        """Hours of work, and a fiftieth of the hours of waiting (choice): what the plan is sorted by."""
        return self.hands_h + self.elapsed_h / 50.0


CHARGED = (
    "soc_offset", "capacity_relative", "capacity", "charge_to_full", "bleed_needed", "balancing_time", "usable_charge",
    "gain_by_balancing", "gain_by_replacing",
)  # fmt: skip
NOT_PREDICTED = (
    "bleed_needed", "balancing_time", "gain_by_balancing", "gain_by_replacing", "resistance_outside_taps",
)  # fmt: skip
"""Settled by the log, but how closely hangs on how far apart the cells turn out to be, or, of the pack reading, on
where the voltage falls between its steps."""
DRIVEN = ("resistance_10s", "resistance_10s_relative", "resistance_outside_taps", "current_lag")
CANDIDATES: tuple[Candidate, ...] = (
    Candidate(
        "rest", "Log ten minutes at rest with the contactors open, bleeding off.", 0.1, 0.2, ("current_zero",)
    ),
    Candidate(
        "drive",
        "Drive for 20 minutes with strong pulls and regeneration, ten minutes of rest before and after.",
        0.5, 0.7, DRIVEN,
    ),
    Candidate(
        "colder_drive", f"Repeat the drive with the pack {COLDER_K:.0f} K colder or warmer, soaked overnight.",
        0.6, 14.0, ("joint_share",),
    ),
    Candidate(
        "charge",
        "Charge from below 30 % to the knee with taper, half an hour of rest before and after, attended.",
        1.0, 5.0, CHARGED,
    ),
    Candidate(
        "parked", "Park for three days with a reading every hour, bleeding off.", 0.2, 72.0, ("leak_current_relative",)
    ),
    Candidate(
        "moved", "Let a qualified person change the module's place with another, then repeat the drive: does it follow "
        "the module or stay with the place?", 4.0, 8.0, ("follows_module",), opens=True,
    ),
)  # fmt: skip
"""Every log that is proposed."""


@dataclass(frozen=True)
class Expected:
    """What a log is expected to give for one open question.

    Attributes
    ----------
    quantity
        Key of the quantity, or ``joint_share`` [ohm], ``follows_module`` (ratio) for a resistance that is high.
    cells
        Cells it is about; empty for the pack.
    now, then
        Half width of the 95 % interval [unit], now and from that log alone; None where not determinable or, in
        ``then``, where it cannot be told beforehand.
    enough
        Whether that settles the question.
    """

    quantity: str
    cells: tuple[int, ...]
    unit: str
    now: float | None
    then: float | None
    enough: bool


@dataclass(frozen=True)
class Step:
    """One log to take, and what it is expected to settle."""

    candidate: Candidate
    expected: tuple[Expected, ...]


@dataclass(frozen=True)
class Plan:
    """Logs to take, cheapest first; what none of them settles, with its remedy; cautions."""

    steps: tuple[Step, ...]
    left_open: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = CAUTIONS


def plan(log: Log, diagnosis: Diagnosis) -> Plan:
    """Plan the next logs from one log and its diagnosis.

    Parameters
    ----------
    log
        The log: its pack, noise, rate and resistance are what the proposed logs are made from.
    diagnosis
        Its diagnosis: what is not determinable and what is only to be looked at.

    Raises
    ------
    NotEnoughData
        The log has no current or hardly any rows.
    """
    study = Study(log)
    if not study.flow.has_current:
        raise NotEnoughData(
            "the log has no current: what another log would tell cannot be worked out from it"
        )
    knowledge = Knowledge(study)
    span = knowledge.place.soc_span
    model = model_of(study, None if span is None else float(np.mean(span)))
    open_questions = _open(diagnosis)
    steps: list[Step] = []
    settled: set[str] = set()
    drive: dict[str, Floats] = {}
    for candidate in sorted(CANDIDATES, key=lambda c: c.cost):
        wanted = [
            q for q in open_questions if q.quantity in candidate.quantities and q.quantity not in settled
        ]
        if not wanted:
            continue
        if candidate.key in ("colder_drive", "moved"):
            drive = drive or expected_half_widths(model, "drive", ("resistance_10s_relative",))
            found = [_of_high_resistance(q, diagnosis, drive, study) for q in wanted]
        else:
            half = expected_half_widths(model, candidate.key, tuple(q.quantity for q in wanted))
            found = [_expected(q, half.get(q.quantity)) for q in wanted]
        found = [f for f in found if f.then is not None or f.enough]
        if found:
            steps.append(Step(candidate, tuple(found)))
            settled |= {f.quantity for f in found if f.enough}
    remedies = _remedies(diagnosis)
    left = tuple(
        (q.quantity, remedies[q.quantity]) for q in open_questions if q.quantity in remedies.keys() - settled
    )
    return Plan(tuple(steps), left)


def expected_half_widths(model: Model, key: str, quantities: Sequence[str]) -> dict[str, Floats]:
    """Return the half widths [unit of each quantity] to expect from one proposed log.

    The proposed log is put through the fits that read real ones.

    Returns
    -------
    By quantity, one value a cell (or one for the pack) and draw; quantities that it would not determine are left out.
    """
    found: dict[str, list[Floats]] = {}
    for draw in range(DRAWS[key]):
        with np.errstate(all="ignore"):
            knowledge = Knowledge(Study(MAKE[key](model, draw)))
            for quantity in quantities:
                given = [e for e in ESTIMATORS[quantity](knowledge) if e.status == "determined"]
                half = [(e.high - e.low) / 2 for e in given if e.high is not None and e.low is not None]
                if half:
                    found.setdefault(quantity, []).append(np.array(half))
    return {q: np.concatenate(halves) for q, halves in found.items() if 2 * len(halves) > DRAWS[key]}


DRAWS: Mapping[str, int] = {"rest": 9, "drive": 3, "charge": 1, "parked": 9}
"""How often each log is drawn anew: where its interval comes from few readings it is itself a matter of chance."""
MAKE: Mapping[str, Callable[[Model, int], Log]] = {
    "rest": candidate_logs.rest_log,
    "drive": candidate_logs.drive_log,
    "charge": candidate_logs.charge_log,
    "parked": candidate_logs.parked_log,
}


def joint_half_width(temperature_C: npt.ArrayLike, half_width: npt.ArrayLike, usual_ohm: float) -> float:
    """Return the half width [ohm] to which drives at several temperatures tell a joint from an aged cell.

    The cell's resistance is a R(T) + J (1 + 0.00393 (T - 25)): what scales with the pack's own resistance, and what
    rises as copper does. The half width of J is that of the two columns' information matrix.

    Parameters
    ----------
    temperature_C
        Of each drive.
    half_width
        Of the cell's resistance in each drive [ohm].
    usual_ohm
        Resistance of a usual cell at 25 degC [ohm].
    """
    t, half = np.broadcast_arrays(np.asarray(temperature_C, float), np.asarray(half_width, float))
    design = np.column_stack([usual_ohm * arrhenius_factor(t, 25.0), 1.0 + COPPER_PER_K * (t - 25.0)])
    information = design.T @ (design / half[:, None] ** 2)
    if np.linalg.cond(information) > 1e16:
        return float("inf")
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


LOOKED_AT = {
    "cell_resistance_high": "resistance_10s_relative",
    "joint_resistance_high": "resistance_10s_relative",
    "cell_or_joint_resistance_high": "resistance_10s_relative",
    "capacity_low": "capacity_relative",
    "soc_offset_low": "soc_offset",
    "soc_offset_high": "soc_offset",
    "self_discharge_high": "leak_current_relative",
}
"""The quantity behind a finding that is to be looked at."""
WORTH_ASKING = 0.8  # a log that does not narrow a known interval to this is not proposed for it (choice)


@dataclass(frozen=True)
class _Question:
    quantity: str
    cells: tuple[int, ...]
    unit: str
    now: float | None
    finding: Finding | None = None


def _open(diagnosis: Diagnosis) -> list[_Question]:
    """Return what stayed open: refused quantities, and resistances that are high without a known reason."""
    out: dict[str, _Question] = {}
    for e in diagnosis.estimates:
        if e.status == "not_determinable":
            known = out.get(e.quantity)
            cells = (*(known.cells if known else ()), *((e.cell,) if e.cell is not None else ()))
            out[e.quantity] = _Question(e.quantity, cells, QUANTITIES[e.quantity].unit, None)
    questions = list(out.values())
    for f in diagnosis.findings:
        quantity = LOOKED_AT.get(f.cause)
        if f.level == "look" and quantity is not None and quantity not in out:
            now = _half_now(diagnosis, quantity, f.cells)
            if now is not None:
                questions.append(_Question(quantity, f.cells, QUANTITIES[quantity].unit, now, f))
        if f.cause in ("cell_or_joint_resistance_high", "cell_resistance_high") and f.level != "note":
            if f.cause == "cell_or_joint_resistance_high":
                questions.append(_Question("joint_share", f.cells, "ohm", None, f))
            if f.level == "look":
                questions.append(_Question("follows_module", f.cells, "ratio to pack median", None, f))
    return questions


def _expected(question: _Question, half: Floats | None) -> Expected:
    if half is None or not half.size:
        return Expected(question.quantity, question.cells, question.unit, question.now, None, False)
    then = None if question.quantity in NOT_PREDICTED else float(np.median(half))
    enough = True
    if question.finding is not None and question.now is not None and then is not None:
        if then > WORTH_ASKING * question.now:
            return Expected(question.quantity, question.cells, question.unit, question.now, None, False)
        enough = then < 0.5 * abs(question.finding.size or 0.0)
    return Expected(question.quantity, question.cells, question.unit, question.now, then, enough)


def _of_high_resistance(
    question: _Question, diagnosis: Diagnosis, drive: Mapping[str, Floats], study: Study
) -> Expected:
    """Return what a colder drive, or one with the module moved, tells of a resistance that is high."""
    nothing = Expected(question.quantity, question.cells, question.unit, None, None, False)
    now = _relative_now(diagnosis, question.cells)
    if now is None or "resistance_10s_relative" not in drive or question.finding is None:
        return nothing
    value, half, warmth = now
    later = float(np.median(drive["resistance_10s_relative"]))
    excess = abs(value - 1.0)
    if question.quantity == "follows_module":
        then = float(np.hypot(half, later))
        return Expected("follows_module", question.cells, question.unit, half, then, then < 0.5 * excess)
    usual = study.resistance.usual
    cold = warmth - COLDER_K
    at = usual * arrhenius_factor([warmth, cold], 25.0)
    then = joint_half_width([warmth, cold], np.array([half, later]) * at, usual)
    if not np.isfinite(then):
        return nothing
    return Expected("joint_share", question.cells, "ohm", None, then, then < 0.5 * excess * usual)


def _relative_now(diagnosis: Diagnosis, cells: tuple[int, ...]) -> tuple[float, float, float] | None:
    for e in diagnosis.of("resistance_10s_relative"):
        if e.cell in cells and e.value is not None and e.low is not None and e.high is not None:
            warmth = e.conditions.get("temperature_C")
            return e.value, (e.high - e.low) / 2, float(warmth) if isinstance(warmth, int | float) else 20.0
    return None


def _half_now(diagnosis: Diagnosis, quantity: str, cells: tuple[int, ...]) -> float | None:
    half = [
        (e.high - e.low) / 2
        for e in diagnosis.of(quantity)
        if e.cell in cells and e.high is not None and e.low is not None
    ]
    return max(half) if half else None


def _remedies(diagnosis: Diagnosis) -> dict[str, str]:
    refusals: list[Estimate] = [e for e in diagnosis.estimates if e.status == "not_determinable"]
    return {e.quantity: e.settle_by or e.why or "" for e in refusals}
