"""Rules about balancing: bleeding that does nothing, that acts on the wrong cells, or where voltage says nothing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.bleed import BleedEffect
from bmslogs.analysis.models.fitted_resistor import BLED, LEFT_ALONE
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.results import Finding
from bmslogs.findings.case import METER_FIRST, Case, finding

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

INEFFECTIVE_BELOW = 0.5
"""Effectiveness below which bleeding counts as not working (common practice, no source)."""
KNEE_SOC = 0.95
"""Below this state of charge a flat curve has not reached its knee: no voltage to bleed by."""
HYSTERESIS_V = 0.012
"""How far a flat curve may stand above its table while it is charged (choice)."""
LEAST_DROP_V, LEAST_DROP_STEPS = 0.004, 4
"""What was bled must by the table move a reading by so much, and by so many of its steps, before that it did not says
anything (choice)."""
PLATEAU_SHARE = 0.5
PLATEAU_LEAST = 0.0002
"""Least charge bled on the plateau that is worth a note, as a fraction of the nominal capacity (choice)."""


RESISTOR = "bleed_resistor_ohm"
"""Line of the pack file that says what a command takes."""


def effect(case: Case) -> list[Finding]:
    """Compare what was commanded with what the cells lost at rest, else with how readings jump at the flags' edges."""
    found = _by_charge(case)
    return found if any(f.cause == "bleed_misplaced" for f in found) else [*found, *_by_edges(case)]


def _by_edges(case: Case) -> list[Finding]:
    """Commands whose going on and off moves the reading of another cell, and not their own."""
    crossed = case.knowledge.study.bleeding.crossed
    if not crossed:
        return []
    lines = [
        f"the reading of cell {case.cells[one.acts_on]} falls by {one.other_V * 1e3:.1f} mV as the command of cell "
        f"{case.cells[one.told]} goes on, its own by {one.own_V * 1e3:.1f}; usual is {one.usual_V * 1e3:.1f} mV of its "
        f"own ({one.edges} edges)"
        for one in crossed
    ]
    cells = np.unique([c for one in crossed for c in (one.told, one.acts_on)])
    return [_acts_elsewhere(case, cells, lines, None, 0.0)]


def _by_charge(case: Case) -> list[Finding]:
    """Compare what was commanded at rest with what the cells lost."""
    study = case.knowledge.study
    try:
        found = study.bleeding.effect
    except NotEnoughData:
        return _by_falls(case)
    commanded, lost, half = found.commanded, found.lost, found.half_width
    most = float(commanded.max())
    bled = study.harness.trusted & (commanded > BLED * most)
    # the table of other cells may be twice as steep there, and a reading that stands still keeps its rounding
    bled &= found.drop_V > max(LEAST_DROP_V, LEAST_DROP_STEPS * study.readings.log.voltage_step)
    turned = _turned_over(found, bled, study.harness.trusted & (commanded < LEFT_ALONE * most))
    if turned is not None:
        gap = float(np.median(lost[turned]) - np.median(lost[bled]))
        line = (
            f"the {turned.sum()} cells that were left alone lost {gap:.2f} Ah more over {found.hours:.1f} h of rest "
            f"than the {bled.sum()} that were told to lose {np.median(commanded[bled]):.2f} Ah"
        )
        return [_acts_elsewhere(case, np.flatnonzero(bled | turned), [line], None, 0.0)]
    works = lost / np.maximum(commanded, 1e-9)
    unsure = half / np.maximum(commanded, 1e-9)
    dead = bled & (works < INEFFECTIVE_BELOW) & (works + unsure < 0.85) & (unsure < 0.5)
    taken = study.bleeding.taken
    if taken is not None and any(one.line.startswith(RESISTOR) for one in case.knowledge.contradictions):
        dead &= ~taken.cells  # what all lose alike is their resistor, and a line of the pack file
    more = lost - commanded
    hit = study.harness.trusted & (commanded < BLED * most) & (more > 0.4 * most) & (more - half > 0.2 * most)
    if dead.any():
        hit &= _as_meant(found, dead, bled & ~dead)
    if hit.any() and dead.any():
        return [_misplaced(case, found, dead, hit)]
    return [
        _ineffective(case, found, int(i), float(works[i]), float(unsure[i])) for i in np.flatnonzero(dead)
    ]


TURNED_SHARE, TURNED_SCATTERS = 0.5, 6.0
"""Cells left alone lost at least so much more of what was commanded than those that were told to bleed, and so
many scatters, where all commands act elsewhere (choice)."""


MEASURED, UNMEASURED = 0.3, 0.5
"""What was meant for a cell is known to this share by what others lost at other voltages, and to the second where no
command worked and the table alone tells it (choice)."""


def _as_meant(found: BleedEffect, dead: Bools, works: Bools) -> Bools:
    """Return (cells,) True where a cell lost what was meant for one that lost nothing; any other leaks by itself.

    Cells that lost what they were told to measure the table; without any the graver explanation, crossed leads, stays.
    """
    meant = float(np.median(found.commanded[dead]))
    if works.any():
        meant *= float(np.median(found.lost[works] / found.commanded[works]))
    known_to = MEASURED if works.any() else UNMEASURED
    return np.asarray(np.abs(found.lost - meant) < np.hypot(found.half_width, known_to * meant), bool)


def _turned_over(found: BleedEffect, bled: Bools, alone: Bools) -> Bools | None:
    """Return (cells,) those left alone that lost what others were told to; None where commands act where they should.

    Where half of a string is told to bleed and the other half loses it, as with bits that count from the other end, no
    majority tells what is usual: the two halves are held against each other.
    """
    if min(bled.sum(), alone.sum()) < 2:
        return None
    wanted = float(np.median(found.commanded[bled]))
    more = found.lost - float(np.median(found.lost[bled]))
    hit = alone & (more > TURNED_SHARE * wanted)
    if hit.sum() < 0.5 * bled.sum() or hit.sum() < 2:
        return None
    within = robust_scale(found.lost[bled])
    return hit if float(np.median(more[hit])) > TURNED_SCATTERS * within else None


FALL_LEAST_V, FALL_SCATTERS = 0.015, 10.0
"""Where no charge can be made of the voltages, the cells that bled must have fallen by as much, and by so many times
what those without a command scatter by (choice)."""
FELL_LIKE_NONE, FELL_LIKE_BLED = 0.15, 0.5
"""Shares of that fall below which a command did nothing, and above which a cell without one was bled (choice)."""


def _by_falls(case: Case) -> list[Finding]:
    """Compare cells by how far their readings fell, where no curve makes a charge of that: as after a charge of LFP."""
    try:
        found = case.knowledge.study.bleeding.falls
    except NotEnoughData:
        return []
    trusted = case.knowledge.study.harness.trusted
    bled = trusted & (found.commanded > BLED * float(found.commanded.max()))
    fell = found.fell_V
    works = bled & (fell > FALL_SCATTERS * found.scatter_V) & (fell > FALL_LEAST_V)
    if works.sum() < 2:
        return []
    usual = float(np.median(fell[works]))
    dead = bled & (fell < FELL_LIKE_NONE * usual)
    hit = trusted & (found.commanded < 0.02 * float(found.commanded.max())) & (fell > FELL_LIKE_BLED * usual)
    if hit.sum() > dead.sum():  # of many that fell without a command the common cause is another
        hit = np.zeros_like(hit)
    lines = [
        f"cell {case.cells[i]}: {found.commanded[i]:.2f} Ah commanded over {found.hours:.1f} h of rest, its reading "
        f"fell by {fell[i] * 1e3:.0f} mV more than those that were not bled; the others that were bled by "
        f"{usual * 1e3:.0f} mV"
        for i in np.flatnonzero(dead | hit)
    ]
    if hit.any():
        return [_acts_elsewhere(case, np.flatnonzero(dead | hit), lines, None, 0.0)]
    return [
        _does_nothing(case, int(i), float(fell[i] / usual), float(2.0 * found.scatter_V / usual), lines[k])
        for k, i in enumerate(np.flatnonzero(dead))
    ]


def _misplaced(case: Case, found: BleedEffect, dead: Bools, hit: Bools) -> Finding:
    """Cells that were commanded and lost nothing, beside others that lost without a command."""
    wrong = np.flatnonzero(dead | hit)
    lines = [
        f"cell {case.cells[i]}: {found.commanded[i]:.2f} Ah commanded, {found.lost[i]:z.2f} +- "
        f"{found.half_width[i]:.2f} Ah lost"
        for i in wrong
    ]
    half = float(np.sqrt((found.half_width[hit] ** 2).sum()))
    return _acts_elsewhere(case, wrong, lines, float(found.lost[hit].sum()), half)


def _acts_elsewhere(
    case: Case, wrong: npt.NDArray[np.intp], lines: list[str], size: float | None, half: float
) -> Finding:
    cells = [case.cells[i] for i in wrong]
    return finding(
        case.pack,
        "bleed_misplaced",
        "act",
        cells,
        f"{case.places(cells)}: bleeding acts on the wrong cell.",
        lines,
        [
            "Switch balancing off until this is mended: it drives the cells apart.",
            METER_FIRST,
            "Look for swapped bleed leads or a wrong cell order in the BMS settings; touch-test each resistor for "
            "warmth.",
        ],
        size=size,
        half=half,
    )


def _ineffective(case: Case, found: BleedEffect, i: int, works: float, unsure: float) -> Finding:
    """A cell that lost next to nothing of what was commanded."""
    line = (
        f"{found.commanded[i]:.2f} Ah commanded over {found.hours:.1f} h of rest, "
        f"{found.lost[i]:z.2f} +- {found.half_width[i]:.2f} Ah lost"
    )
    return _does_nothing(case, i, works, unsure, line)


def _does_nothing(case: Case, i: int, works: float, unsure: float, line: str) -> Finding:
    cell = case.cells[i]
    return finding(
        case.pack,
        "bleed_ineffective",
        "look",
        [cell],
        f"{case.place(cell)}: commanded bleeding does not move this cell ({works * 100:z.0f} % of what was commanded).",
        [line],
        [
            METER_FIRST,
            "See with a thermal camera, or a thermometer put there beforehand, whether the resistor of this cell warms "
            "while its flag is on; keep your hands off it.",
            "Look at the resistor, its switch and the sense fuse of this cell.",
        ],
        size=works,
        half=unsure,
    )


def plateau(case: Case) -> list[Finding]:
    """Find bleeding where voltage says nothing about charge, and bleeding of cells that are the emptiest."""
    study = case.knowledge.study
    if study.counted.bled is None or study.readings.log.bleed is None or study.readings.resistor is None:
        return []
    total = study.counted.bled[-1]
    if total.max() <= 0:
        return []
    out = _on_the_flat(case, total) if study.readings.curve.flat else []
    found = case.knowledge.remaining
    if found is None or out:
        return out
    empty = study.harness.trusted & np.isfinite(found.value) & (found.value + found.half < -0.005)
    wrong = empty & (total > 0.002 * study.readings.capacity) & (total > 1.5 * np.median(total))
    for i in np.flatnonzero(wrong):
        cell = case.cells[i]
        out.append(
            finding(
                case.pack,
                "bleed_misplaced",
                "look",
                [cell],
                f"{case.place(cell)}: {total[i]:.2f} Ah was bled from this cell although it is "
                f"emptier than the others.",
                [
                    f"it is {abs(found.value[i]) * 100:.1f} +- {found.half[i] * 100:.1f} % of "
                    f"charge below the pack's middle"
                ],
                [
                    "Let the BMS bleed near full charge only, at rest or at a low current.",
                    "Look for a high resistance of this cell or its joint: under charge it makes "
                    "the voltage look high.",
                ],
                size=float(total[i]),
                half=0.05 * float(total[i]),
            )
        )
    return out


def _on_the_flat(case: Case, total: Floats) -> list[Finding]:
    study, readings = case.knowledge.study, case.knowledge.study.readings
    log = readings.log
    assert log.bleed is not None and readings.resistor is not None
    rows = np.flatnonzero(log.bleed.any(axis=1))
    volts = log.cell_voltage[rows]
    middle = np.nanmedian(volts[:, study.harness.trusted], axis=1)
    level = middle + np.nan_to_num(study.flow.current[rows]) * study.resistance.usual
    # on the way up the voltage stands above the curve by the hysteresis
    z = readings.curve.inverse(level - HYSTERESIS_V)
    slope = readings.curve.slope(z, 0.01)
    flat = (z < KNEE_SOC) & (z > 0.1)
    step = np.diff(log.seconds, append=log.seconds[-1])[rows]
    step = np.where(step > 30 * study.flow.interval, 0.0, step)
    amps = np.where(log.bleed[rows], np.nan_to_num(volts), 0.0) / readings.resistor
    on_flat = (amps * (step * flat)[:, None]).sum(axis=0) / 3600.0
    if on_flat.sum() < PLATEAU_SHARE * total.sum() or on_flat.max() < PLATEAU_LEAST * readings.capacity:
        return []
    cells = [case.cells[i] for i in np.flatnonzero(on_flat > 0.2 * on_flat.max())]
    return [
        finding(
            case.pack,
            "bleed_misplaced",
            "look",
            cells,
            f"{case.places(cells)}: bled on the flat of the curve, where voltage says nothing about charge.",
            [
                f"{on_flat.sum():.2f} of {total.sum():.2f} Ah were bled where 1 mV is "
                f"{0.1 / max(float(np.median(slope)), 1e-3):.1f} % "
                "of charge: resistance and noise choose the cell, not charge"
            ],
            [
                "Let the BMS bleed above the knee only (near full charge), at rest or at a low current.",
                "Charge to the knee and look at charge_to_full before any cell is called unbalanced.",
            ],
            size=float(on_flat.max()),
            half=0.05 * float(on_flat.max()),
        )
    ]
