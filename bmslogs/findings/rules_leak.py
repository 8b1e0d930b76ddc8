"""Which cells lose charge at rest faster than the others."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.asleep import Asleep
from bmslogs.analysis.models.supply_block import ALIKE, Block, supply_blocks
from bmslogs.analysis.statistics import robust_scale
from bmslogs.base.results import Finding
from bmslogs.findings.case import METER_FIRST, SURE_SHARE, Case, finding, standing_out

Floats = npt.NDArray[np.float64]


LEAK_PER_AH = 14e-6
"""One per cent of charge in a month: the least leak of practical weight [A per Ah] (common practice, no source)."""


def self_discharge(case: Case) -> list[Finding]:
    """Cells that lose charge at rest faster than the others."""
    k = case.knowledge
    found = k.leak
    least = LEAK_PER_AH * k.study.readings.capacity
    if isinstance(found, str):
        if k.place.curve_contradicted:
            return _without_curve(case)
        asleep = k.lost_asleep
        if asleep is not None:
            return [_lost_asleep(case, asleep, int(i)) for i in np.flatnonzero(asleep.fallen)]
        return [_flat_leak(case, int(i), least) for i in np.flatnonzero(k.flat_leaks > SURE_SHARE * least)]
    known = k.study.harness.trusted & np.isfinite(found.amps) & np.isfinite(found.half)
    value, half_width = np.nan_to_num(found.amps), np.nan_to_num(found.half, nan=1.0)
    parts = [*(m.cells for m in case.pack.modules), *(b.cells for b in case.pack.sense_boards)]
    groups = [[case.cells.index(c) for c in part if c in case.cells] for part in parts]
    blocks = supply_blocks(value, half_width, known, least, groups)
    out = [_fed(case, block, float(found.conditions["hours"])) for block in blocks]
    for block in blocks:
        known[block.columns] = False
    if blocks:
        value = value - float(np.median(value[known]))
    for block in blocks:
        known[list(block.beyond)] = True
        value[list(block.beyond)] -= block.amps
    stand = standing_out(value, half_width, least, known) & (value > 0)
    # what cannot be sized is named all the same
    unsized = (k.flat_leaks > SURE_SHARE * least) & known & ~stand
    out += [_flat_leak(case, int(i), least) for i in np.flatnonzero(unsized)]
    for i in np.flatnonzero(stand):
        cell, size, half = case.cells[i], float(value[i]), float(found.half[i])
        out.append(
            finding(
                case.pack,
                "self_discharge_high",
                "act" if size > 10 * least else "look",
                [cell],
                f"{case.place(cell)}: it loses {size * 1e3:.1f} mA more than the pack's middle while parked "
                f"({size * 720:.2f} Ah a month).",
                [
                    f"leak_current_relative of cell {cell}: {size * 1e3:.2f} +- {half * 1e3:.2f} mA over "
                    f"{found.conditions['hours']:.0f} h parked"
                ],
                LEAKS,
                size=size,
                half=half,
            )
        )
    return out


FALL_V, FALL_SCATTERS = 0.005, 8.0
"""A cell must fall by as much against the others over the time parked [V], and by so many of their scatters, where the
curve that makes a charge of it may not be used (choice)."""


def _without_curve(case: Case) -> list[Finding]:
    """Cells that fall against the others while parked, where nothing may rest on the open-circuit curve."""
    drift, _ = case.knowledge.study.parked.drift
    told = np.isfinite(drift.slope)
    if told.sum() < LEAST_TOLD:
        return []
    fall = -np.nan_to_num(drift.slope) * drift.hours
    fall = fall - float(np.median(fall[told]))
    scatter = robust_scale(fall[told], 0.0003)
    noise = 1.96 * np.nan_to_num(drift.se, nan=np.inf) * drift.hours
    out = []
    for i in np.flatnonzero(told & (fall > FALL_V) & (fall > FALL_SCATTERS * scatter) & (fall > 2.0 * noise)):
        cell = case.cells[i]
        out.append(
            finding(
                case.pack,
                "self_discharge_high",
                "look",
                [cell],
                f"{case.place(cell)}: it fell by {fall[i] * 1e3:.0f} mV more than the others over {drift.hours:.0f} h "
                "parked; what that is in charge the curve of the pack file cannot say.",
                [
                    f"the others scatter by {scatter * 1e3:.1f} mV",
                    f"{case.knowledge.place.curve_contradicted}",
                ],
                LEAKS,
            )
        )
    return out


LEAST_TOLD = 4
"""Fewer cells do not tell one from the others (choice)."""
LEAKS = [
    "Do not leave the pack unattended on charge until this is understood; feel and smell for warmth and electrolyte.",
    METER_FIRST,
    "Rule out a load across this cell alone: a bleed switch that stays on, the supply of the BMS, moisture on the "
    "loom.",
    "Park it again: a cell that loses several times what the others lose in two separate periods is a question of "
    "quarantine, not of balancing.",
]


def _lost_asleep(case: Case, asleep: Asleep, i: int) -> Finding:
    """A cell that fell while nothing was logged, in a string that stands as it stood before."""
    study, cell = case.knowledge.study, case.cells[i]
    curve = study.readings.curve
    # the steepest part of the curve near its way makes the least charge of the fall
    level, fell_to = curve.inverse(np.array([asleep.level_V, asleep.level_V - asleep.fell_V[i]]))
    way = np.linspace(float(fell_to) - NEAR, float(level) + NEAR, 81)
    steepest = float(np.max(curve.slope(np.clip(way, 0.0, 1.0))))
    least_Ah = float(asleep.fell_V[i]) / max(steepest, 1e-3) * study.readings.capacity
    amps = least_Ah / asleep.hours
    return finding(
        case.pack,
        "self_discharge_high",
        "act" if amps > 10 * LEAK_PER_AH * study.readings.capacity else "look",
        [cell],
        f"{case.place(cell)}: it lost at least {least_Ah:.2f} Ah more than the others in {asleep.hours:.0f} h of which "
        f"nothing was logged: {amps * 1e3:.1f} mA or more, if it went evenly.",
        [
            f"from the rest before to the rest after it fell by {asleep.fell_V[i] * 1e3:.0f} mV against the pack's "
            f"middle; the others scatter by {asleep.scatter_V * 1e3:.1f} mV, and the string stands as it stood",
            f"it stands {asleep.below_V[i] * 1e3:.0f} mV below them: no balancer takes a cell there",
        ],
        LEAKS,
        size=amps,
        low=amps,
    )


NEAR = 0.08
"""Charge on either side of a cell's way over which its curve may be as steep as anywhere (choice)."""


def _flat_leak(case: Case, i: int, least: float) -> Finding:
    cell, bound = case.cells[i], float(case.knowledge.flat_leaks[i])
    return finding(
        case.pack,
        "self_discharge_high",
        "act" if bound > 5 * least else "look",
        [cell],
        f"{case.place(cell)}: it loses at least {bound * 1e3:.1f} mA more than the pack's middle while parked "
        f"({bound * 720:.2f} Ah a month or more).",
        [
            "it fell against the others while parked, though on the flat of its curve what a cell "
            "loses hardly shows: the "
            "least charge that the steepest part of the curve near there makes of that fall"
        ],
        LEAKS,
        size=bound,
        low=bound,
    )


def _fed(case: Case, block: Block, hours: float) -> Finding:
    """Neighbours that lose alike: something is fed from them."""
    cells = [case.cells[i] for i in block.columns]
    apart = [case.cells[i] for i in block.beyond]
    edges = [i for i in (block.first - 1, block.last + 1) if 0 <= i < len(case.cells)]
    beside = " and ".join(f"cell {case.cells[i]}" for i in edges)
    return finding(
        case.pack,
        "self_discharge_high",
        "look",
        cells,
        f"{case.places(cells)}: all {len(cells)} lose the same {block.amps * 1e3:.1f} mA more than the others while "
        f"parked ({block.amps * 720:.2f} Ah a month): something is fed from these cells, such as the supply of the BMS "
        "or a load across them.",
        [
            f"over {hours:.0f} h parked they lie within {ALIKE * 100:.0f} % of one level"
            + (f", and beside them {beside} {'does' if len(edges) == 1 else 'do'} not" if edges else "")
            + ": cells that discharge themselves do so each at its own rate",
            *([f"{case.places(apart)}: more than that, see there"] if apart else []),
        ],
        [
            "Find what is connected across these cells: the supply of the BMS, a converter, a "
            "heater or lamp tapped off "
            "part of the string.",
            METER_FIRST,
            "Measure the current in its wire; feed it from the whole string or from elsewhere, and balance afterwards.",
            "Park it again without it: if these cells still lose more, treat each as a cell that discharges itself.",
        ],
        size=block.amps,
        half=block.half,
    )
