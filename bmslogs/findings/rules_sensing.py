"""Rules about the sense loom, the channels and the temperature sensors."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from bmslogs.analysis.shifted_reading import AsCharge, shift_of_board
from bmslogs.analysis.signals import physics
from bmslogs.base.results import Finding
from bmslogs.findings.case import METER_FIRST, Case, finding
from bmslogs.findings.registry import CAUSES

PROVE_TAPS = "Prove every tap with a meter, cell by cell, before the contactors close again."
CHANCE, LEAST_EDGES = 0.01, 3
"""How seldom chance alone may make a wire of a sound loom look resistive, per log, and how many edges of the bleed
flags must have told of a wire (judgement, no source)."""
ALONE_V, ALONE_MISFIT = 0.02, 4.0
"""One edge tells of a wire that shifts a reading by as much [V], where both readings beside it jumped as it makes them,
to within so many times what scatters (choice)."""
WIRE_LEAST_V = 0.005
"""A wire whose resistance shifts a bled cell's reading by less is not worth a look [V] (judgement, no source)."""


def loom(case: Case) -> list[Finding]:
    """Swapped taps, stuck channels, wires that are off."""
    study, step_V = case.knowledge.study, case.knowledge.study.readings.log.voltage_step
    out = []
    for fault in study.harness.faults:
        cells = [case.cells[i] for i in fault.columns]
        place = case.places(cells)
        if fault.kind == "taps_swapped":
            says = f"{place}: two sense wires have changed places."
            steps = [METER_FIRST, "Move the two wires to their own taps.", PROVE_TAPS]
        elif fault.kind == "channel_stuck":
            says = f"{place}: the reading does not move while the others do."
            steps = [
                "Do not rely on this channel: the BMS does not watch this cell.",
                METER_FIRST,
                "Measure the cell with a meter, then restart the BMS and look at the channel and its wire.",
            ]
        else:
            says = f"{place}: the sense wire between these cells is off or hangs by a thread."
            steps = [
                "Do not charge: the BMS does not see these two cells.",
                METER_FIRST,
                "Look at the wire, its crimp, its fuse and the plug between these two cells.",
                PROVE_TAPS,
            ]
        out.append(
            finding(
                case.pack,
                fault.kind,
                "act",
                cells,
                says,
                [fault.evidence],
                steps,
                size=fault.size_V,
                half=None if fault.size_V is None else max(0.1 * abs(fault.size_V), step_V),
            )
        )
    silent_columns = np.flatnonzero(study.harness.silent)
    out += _impossible(case, [int(i) for i in silent_columns if not _named(out, case.cells[i])])
    silent = [case.cells[i] for i in silent_columns if not _named(out, case.cells[i])]
    if silent:
        out.append(
            finding(
                case.pack,
                "log_quality",
                "look",
                silent,
                f"{case.places(silent)}: most readings are missing.",
                ["the column holds fill values or nothing in over 30 % of the rows"],
                [METER_FIRST, "Look at the channel, its wire and the logger's settings.", PROVE_TAPS],
            )
        )
    return out


def _impossible(case: Case, columns: list[int]) -> list[Finding]:
    """Channels that read, most of the time, what no cell in service has, and no wrong wire explains it."""
    study = case.knowledge.study
    out = []
    for i in columns:
        share = float(study.readings.beyond_physics[i])
        if share < 0.5 * np.isnan(study.readings.log.cell_voltage[:, i]).mean():
            continue
        low, high = physics.bounds(study.readings.curve)
        read = study.readings.source.cell_voltage[:, i]
        level = float(np.nanmedian(read[(read < low) | (read > high)]))
        bound = low if level < low else high
        out.append(
            finding(
                case.pack,
                "limit_exceeded",
                "act",
                [case.cells[i]],
                f"{case.places([case.cells[i]])}: it reads {level:.3f} V, which no cell in service "
                f"has: the channel or its "
                "wire is at fault, or the cell is dead.",
                [
                    f"{share * 100:.0f} % of its readings lie outside {low:.1f} to {high:.1f} V, "
                    f"its neighbours' do not; none "
                    "of them was used for any figure"
                ],
                [
                    "Neither charge nor use the pack: nothing watches this cell.",
                    METER_FIRST,
                    "Measure the cell itself with a meter; a cell found that low is not charged again.",
                    PROVE_TAPS,
                ],
                size=abs(level - bound),
                half=study.readings.log.voltage_step,
            )
        )
    return out


def _named(findings: list[Finding], cell: int) -> bool:
    return any(cell in f.cells for f in findings)


def shifted(case: Case) -> list[Finding]:
    """Readings that are shifted by a constant: single channels, or all of one board."""
    k = case.knowledge
    study = k.study
    if not k.place.shifted.any():
        return []
    split = study.charge.first_split
    columns = np.flatnonzero(k.place.shifted)
    groups: list[list[int]] = []
    for name in dict.fromkeys(case.pack.board_of(case.cells[i]) for i in columns):
        here = [int(i) for i in columns if case.pack.board_of(case.cells[i]) == name]
        members = [i for i, c in enumerate(case.cells) if name is not None and case.pack.board_of(c) == name]
        if name is not None and len(here) >= 3 and len(here) > 0.6 * len(members):
            groups.append(members)
        else:
            groups += [[i] for i in here]
    least = (CAUSES["channel_offset"].least or 0.005) * (2 if study.readings.curve.flat else 1)
    out = []
    for group in groups:
        half_of_all = _other_half(case, group)
        if half_of_all:
            out.append(_halves(case, group, half_of_all, least))
            continue
        cells = [case.cells[i] for i in group]
        value, half = _size(case, group)
        whole = f"all of board {case.pack.board_of(cells[0])}, " if len(group) > 1 else ""
        odds = float(np.nanmedian(split.shift_odds[group]))
        # the parts of a log may agree that it is a shift and not on how large, as where it grows with the voltage
        sized = half < abs(value)
        by = (
            f"by {value * 1e3:+.0f} mV"
            if sized
            else f"by some {value * 1e3:+.0f} mV; how far, this log does not tell"
        )
        out.append(
            finding(
                case.pack,
                "channel_offset",
                "look" if abs(value) >= 0.98 * least else "note",
                cells,
                f"{whole}{case.places(cells)}: the reading is shifted {by}.",
                [
                    "the difference from the others stays the same over the charge covered: told "
                    "from the other parts of the "
                    "log, each part is met better by a shifted reading than by any charge and capacity (odds 1 to "
                    f"{np.exp(min(odds, 7.0)):.0f})"
                    if odds > 0.0
                    else "one shift of all readings of the board explains as much as other charge and "
                    "other capacity of each of its cells together, all by the same; a meter at one tap tells which"
                ],
                [
                    METER_FIRST,
                    "Compare the reading with a meter at the tap at rest.",
                    "Do not balance by this reading until it is mended: it would unbalance the pack.",
                ],
                size=value if sized else None,
                half=half if sized else None,
            )
        )
    return out


def _size(case: Case, group: list[int]) -> tuple[float, float]:
    """Return how far a channel, or a whole board, reads from the rest, and the half width [V]."""
    study = case.knowledge.study
    split = study.charge.first_split
    rounded = study.readings.log.voltage_step / 2.0
    if len(group) == 1:
        return float(split.shift[group[0]]), float(2.0 * split.shift_se[group[0]] + rounded)
    here = np.isin(np.arange(len(case.cells)), group)
    one = shift_of_board(AsCharge(split.a, split.b, split.shift_looks_like), here, study.harness.trusted)
    if one is not None:
        return one[0], 2.0 * one[1] + rounded
    rest = study.harness.trusted & ~here
    value = float(np.nanmedian(split.sound_shift[here]) - np.nanmedian(split.sound_shift[rest]))
    return value, float(2.0 * np.nanmedian(split.sound_shift_se[here | rest]) + rounded)


HALF = 0.4
"""A board of so large a share of the string is no smaller part that the rest could be the measure of (choice)."""


def _other_half(case: Case, group: list[int]) -> list[int]:
    """Return the cells that may as well be off as those of a board that is about half of the string; else none."""
    k = case.knowledge
    others = [
        i for i in np.flatnonzero(k.study.harness.trusted & ~k.place.shifted).tolist() if i not in group
    ]
    return others if len(group) > 1 and len(group) >= HALF * (len(group) + len(others)) else []


def _halves(case: Case, group: list[int], others: list[int], least: float) -> Finding:
    """Two boards that read apart: each is the other's only measure."""
    value, half = _size(case, group)
    here, there = (case.places([case.cells[i] for i in part]) for part in (group, others))
    return finding(
        case.pack,
        "channel_offset",
        "look" if abs(value) >= 0.98 * least else "note",
        sorted(case.cells[i] for i in [*group, *others]),
        f"{here} read {value * 1e3:+.0f} mV against {there}: one of the two measuring boards is off, and the log "
        "cannot tell which.",
        [
            "all cells of one board differ from all of the other alike, and little among "
            "themselves; with two halves each "
            "is the other's only measure"
        ],
        [
            METER_FIRST,
            "Measure two cells of each board at rest with a meter and compare with the readings.",
            "Do not balance by these readings until then: it would unbalance the pack.",
        ],
        size=value,
        half=half,
        unit="V",
    )


def wires(case: Case) -> list[Finding]:
    """Sense wires with resistance, seen by the jumps when bleeding goes on or off."""
    readings, harness = case.knowledge.study.readings, case.knowledge.study.harness
    taps, resistor = harness.taps, readings.resistor
    if taps is None or resistor is None:
        return []
    amps = float(np.nanmedian(readings.log.cell_voltage[:, harness.trusted])) / resistor
    with np.errstate(invalid="ignore"):
        plain = (np.abs(taps.ohm) * amps > ALONE_V) & (taps.misfit < ALONE_MISFIT)
        few = (taps.edges >= LEAST_EDGES) | ((taps.edges > 0) & plain)
        known = np.isfinite(taps.ohm) & few & (taps.se < 0.5 * np.maximum(np.abs(taps.ohm), 0.05))
    # so far from the usual wire that chance makes one of all wires look it in one log of a hundred
    sure = -float(ndtri(CHANCE / max(len(taps.ohm), 1)))
    if known.sum() < 1:
        return []
    usual = float(np.median(taps.ohm[known])) if known.sum() >= 3 else 0.0
    out = []
    for j in np.flatnonzero(known):
        ohm, half = float(taps.ohm[j]), float(2 * taps.se[j] + 0.05 * abs(taps.ohm[j]))
        extra = ohm - max(usual, 0.0)
        if extra * amps < 0.9 * WIRE_LEAST_V or extra - half < 0.3 * extra or extra < sure * taps.se[j]:
            continue
        cells = [case.cells[i] for i in (j - 1, j) if 0 <= i < len(case.cells)]
        out.append(
            finding(
                case.pack,
                "tap_resistive",
                "act" if extra * amps > 0.05 else "look",
                cells,
                f"{case.places(cells)}: the sense wire "
                f"{'between them' if len(cells) == 2 else 'at the end of the string'} has "
                f"{ohm:.2f} ohm; the readings jump by {ohm * amps * 1e3:.0f} mV when bleeding goes on or off.",
                [
                    f"{int(taps.edges[j])} edge{'s' if taps.edges[j] > 1 else ''} of the bleed flags; "
                    f"usual wires of this loom: {usual:.2f} ohm"
                ],
                [
                    METER_FIRST,
                    "Look at the crimp, the fuse and the plug of this wire for corrosion or a loose strand.",
                    "Log again with bleeding: the jumps must be gone.",
                ],
                size=ohm,
                half=half,
            )
        )
    return out
