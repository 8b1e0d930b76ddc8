"""Where single cells stand apart: strongest pull, jumps, knee, edges of bleed flags, stuck readings."""

from __future__ import annotations

import numpy as np

from bmslogs.faces.sight.scene import Floats, SightScene, Spot
from bmslogs.faces.sight.words import lasting, millivolt, stands
from bmslogs.findings.evidence.spans import run_at, runs_of

PULL_S = 10.0  # [s] a pull is judged over: shorter ones hide behind the logger's own lag (choice)
PULL_AROUND_S = 60.0  # [s] shown on both sides of a pull (choice)
STRONG = 0.7  # of the peak: rows that belong to it (choice)
CALM = 0.1  # of the strongest current: next to nothing flows (choice)
CALM_NEAR_S = 900.0  # [s] around the pull, in which calm rows are read beside it (choice)
KNEE_S = 60.0  # [s] over which a knee is judged (choice)
KNEE_FOOT = 0.3  # of the peak: where the knee begins (choice)
KNEE_LEAST_S, KNEE_MOST_S = 300.0, 5400.0  # [s] shown on both sides of a knee at least and at most (choice)
EDGE_S = 10.0  # [s] read on both sides of a flag's edge (choice)
STEADY = 0.02  # of the capacity per hour: the current stands still over an edge (choice)
BLED_MOST_S = 7200.0  # [s] of a bled stretch that is shown (choice)
STUCK_S = 300.0  # [s] in which a stuck reading is held against the others (choice)
JUMPS_S = 60.0  # [s] within which jumps are counted to find where they lie thickest (choice)
JUMP_SIGMAS = 6.0  # times the usual step from row to row, and a jump is one (choice)


def furthest(scene: SightScene) -> Spot | None:
    """Where a named cell stands furthest from the median of the rest."""
    eased = {c: scene.eased(scene.gap(c), PULL_S) for c in scene.named}
    worst, row = _furthest(eased)
    if worst is None:
        return None
    size = float(eased[worst][row])
    run = run_at(np.abs(eased[worst]) >= STRONG * abs(size), row)
    first, last = scene.around(row, row, 2 * PULL_AROUND_S, 30)
    says = f"Where it shows most{_doing(scene, row)}, {_place(scene, worst)} stands {stands(size)}."
    return Spot(first, last, row, (run,), worst, says)


def strongest_pull(scene: SightScene) -> Spot | None:
    """The strongest pull of the log; the strongest current where nothing is drawn."""
    if scene.current is None or not scene.named:
        return None
    eased = scene.eased(scene.current, PULL_S)
    readable = np.logical_or.reduce([np.isfinite(scene.gap(c)) for c in scene.named])
    pulls = bool(np.nanmax(eased) > 0.05 * scene.log.pack.nominal_capacity_Ah)
    strength = np.where(readable, eased if pulls else np.abs(eased), -np.inf)
    row = int(np.nanargmax(strength))
    if not strength[row] > 0:
        return None
    run = run_at(strength >= STRONG * strength[row], row)
    gaps = {c: _mean(scene.gap(c)[run[0] : run[1] + 1]) for c in scene.named}
    worst = max(gaps, key=lambda c: -gaps[c] if pulls else abs(gaps[c]))
    near = np.abs(scene.seconds - scene.seconds[row]) < CALM_NEAR_S
    calm = near & (np.abs(eased) < CALM * strength[row]) & (np.abs(scene.current) < CALM * strength[row])
    beside = _mean(scene.gap(worst)[calm])
    first, last = scene.around(*run, PULL_AROUND_S)
    what = "pull" if pulls else "current"
    says = (
        f"The strongest {what} of this log ({abs(float(eased[row])):.0f} A): {_place(scene, worst)} stands "
        f"{stands(gaps[worst])}"
    )
    if np.isfinite(beside):
        way = "" if abs(beside) < 5e-4 else (" over it" if beside > 0 else " under it")
        says += f"; while next to nothing flows, {millivolt(beside)}{way}"
    return Spot(first, last, row, (run,), worst, says + ".")


def knee(scene: SightScene) -> Spot | None:
    """Where charge parts the cells most: the knee at the end of a charge or of a discharge."""
    sign = {"soc_offset_low": -1.0, "soc_offset_high": 1.0}.get(scene.finding.cause, 0.0)
    still = np.zeros(scene.log.rows, bool)
    for s in scene.stretches:
        still[s.first : s.last + 1] |= s.kind != "drive"
    eased = {c: scene.eased(scene.gap(c), KNEE_S, 5) for c in scene.named}
    told = {c: np.maximum(sign * g, 0.0) if sign else np.abs(g) for c, g in eased.items()}
    calm = {c: np.where(still, g, np.nan) for c, g in told.items()}
    worst, row = _furthest(calm)
    if worst is None or not calm[worst][row] > 0:
        worst, row = _furthest(told)
    if worst is None or not told[worst][row] > 0:
        return None
    peak = float(told[worst][row])
    foot = run_at(told[worst] > KNEE_FOOT * peak, row)
    first, last = scene.around(*foot, KNEE_LEAST_S)
    first = max(first, scene.around(row, row, KNEE_MOST_S)[0])
    after = max(KNEE_LEAST_S, float(scene.seconds[row] - scene.seconds[first]))
    last = min(last, scene.around(row, row, after)[1])
    top = run_at(told[worst] >= STRONG * peak, row)
    says = (
        f"Where charge parts the cells most{_doing(scene, row)}, {_place(scene, worst)} at "
        f"{scene.column(worst)[row]:.3f} V stands {stands(float(eased[worst][row]))}."
    )
    return Spot(first, last, row, (top,), worst, says)


def jumps(scene: SightScene) -> Spot | None:
    """Where the jumps of a loose contact lie thickest."""
    best: tuple[float, int, int] | None = None
    for cell in scene.named:
        leap = np.abs(np.diff(scene.gap(cell), prepend=np.nan))
        usual = float(np.nanmedian(leap)) if np.isfinite(leap).any() else np.nan
        floor = max(JUMP_SIGMAS * usual, scene.log.voltage_step)
        thick = scene.eased(np.where(leap > floor, leap, 0.0), JUMPS_S)
        row = int(np.nanargmax(thick))
        if thick[row] > 0 and (best is None or thick[row] > best[0]):
            best = (float(thick[row]), cell, row)
    if best is None:
        return None
    _, worst, row = best
    first, last = scene.around(row, row, 1.5 * JUMPS_S, 30)
    part = scene.gap(worst)[first : last + 1]
    away = np.abs(part - np.nanmedian(part))
    moment = int(np.nanargmax(away))
    off = runs_of(away > 0.5 * away[moment], first)
    count = f"{len(off)} times" if len(off) > 1 else "once"
    says = (
        f"Where the jumps lie thickest: the reading of {_place(scene, worst)} leaves its usual distance to the rest "
        f"{count}, by {millivolt(float(away[moment]))} at most."
    )
    return Spot(first, last, first + moment, tuple(off), worst, says)


def pair(scene: SightScene) -> Spot | None:
    """Where two named neighbours stand furthest apart."""
    if len(scene.named) < 2:
        return None
    gaps = {c: scene.eased(scene.gap(c), 2.0) for c in scene.named}
    a, b = scene.named[:2]
    apart = np.abs(gaps[a] - gaps[b])
    if not np.isfinite(apart).any():
        return None
    row = int(np.nanargmax(apart))
    run = run_at(apart >= STRONG * apart[row], row)
    first, last = scene.around(row, row, PULL_AROUND_S, 30)
    worst = max((a, b), key=lambda c: abs(float(gaps[c][row])))
    other = b if worst == a else a
    says = (
        f"At one moment {_place(scene, worst)} reads {stands(float(gaps[worst][row]))}, and cell {other} "
        f"{stands(float(gaps[other][row]))}."
    )
    return Spot(first, last, row, (run,), worst, says)


def bleed_edge(scene: SightScene) -> Spot | None:
    """The edge of a bleed flag at which a reading jumps most."""
    found: tuple[float, int, int, int] | None = None
    for bled, rows in _edges(scene).items():
        for row in rows:
            for cell in scene.named:
                jump = _jump(scene, scene.gap(cell), row)
                if np.isfinite(jump) and (found is None or abs(jump) > abs(found[0])):
                    found = (jump, cell, bled, row)
    if found is None:
        return None
    jump, worst, bled, row = found
    assert scene.log.bleed is not None
    flag = scene.log.bleed[:, scene.log.cells.index(bled)]
    first, last = scene.around(row, row, PULL_AROUND_S)
    runs = runs_of(flag[first : last + 1], first)
    whose = "its own bleeding" if bled == worst else f"the bleeding of cell {bled}"
    says = (
        f"The moment {whose} switches {'on' if flag[row] else 'off'}, {_place(scene, worst)} jumps by "
        f"{millivolt(jump)} {'up' if jump > 0 else 'down'} against the median of the rest."
    )
    return Spot(first, last, row, tuple(runs), worst, says)


def bleed_run(scene: SightScene) -> Spot | None:
    """The longest time for which a named cell was bled, from the edge of its flag on."""
    if scene.log.bleed is None:
        return None
    found: tuple[float, int, int, int] | None = None
    for cell in scene.named:
        for a, b in runs_of(scene.log.bleed[:, scene.log.cells.index(cell)]):
            long = float(scene.seconds[b] - scene.seconds[a])
            if found is None or long > found[0]:
                found = (long, cell, a, b)
    if found is None:
        return None
    long, worst, a, b = found
    first, last = scene.around(a, b, min(max(0.25 * long, PULL_AROUND_S), 1800.0))
    last = min(last, int(np.searchsorted(scene.seconds, scene.seconds[a] + BLED_MOST_S, "right")) - 1)
    gap, few = scene.gap(worst), max(3, (b - a) // 20)
    change = _mean(gap[b + 1 - few : b + 1]) - _mean(gap[a : a + few])
    says = f"Bled for {lasting(long)} from here on, {_place(scene, worst)}"
    if np.isfinite(change):
        way = "rises" if change > 0 else "sinks"
        says += f" {way} by {millivolt(change)} against the median of the rest over that time"
    elif np.isfinite(gap[a]):
        says += f" stands {stands(float(gap[a]))} when it begins"
    return Spot(first, max(last, first + 1), a, ((a, b),), worst, says + ".")


def stuck(scene: SightScene) -> Spot | None:
    """Where the rest moves most while a reading stands."""
    if scene.middle is None:
        return None
    rows = max(10, int(STUCK_S / max(scene.step_s, 1e-3)))
    best: tuple[float, float, int, int, int] | None = None
    for cell in scene.named:
        column = scene.column(cell)
        for a in range(0, max(1, scene.log.rows - rows // 2), max(1, rows // 2)):
            b = min(a + rows, scene.log.rows)
            moved, own = _reach(scene.middle[a:b]), _reach(column[a:b])
            if np.isfinite(moved - own) and (best is None or moved - own > best[0]):
                best = (moved - own, moved, cell, a, b - 1)
    if best is None:
        return None
    _, moved, worst, a, b = best
    gap = np.abs(scene.gap(worst)[a : b + 1])
    row = a + int(np.nanargmax(gap))
    own = _reach(scene.column(worst)[a : b + 1])
    stays = "does not move" if own == 0 else f"moves over {millivolt(own)}"
    says = f"Here the median of the rest moves over {millivolt(moved)}, and {_place(scene, worst)} {stays}."
    return Spot(a, b, row, ((a, b),), worst, says)


def _edges(scene: SightScene) -> dict[int, list[int]]:
    """Return the rows at which the flags of the named cells change, where the current stands still if anywhere."""
    if scene.log.bleed is None:
        return {}
    out: dict[int, list[int]] = {}
    for cell in scene.named:
        flag = scene.log.bleed[:, scene.log.cells.index(cell)]
        rows = [int(r) + 1 for r in np.flatnonzero(np.diff(flag.astype(np.int8)))]
        calm = [
            r
            for r in rows
            if abs(_jump(scene, scene.current, r)) < STEADY * scene.log.pack.nominal_capacity_Ah
        ]
        out[cell] = calm or rows
    return out


def _jump(scene: SightScene, values: Floats | None, row: int) -> float:
    """Return the mean behind a row less the mean before it; 0 where there are no values."""
    if values is None:
        return 0.0
    few = max(2, int(EDGE_S / max(scene.step_s, 1e-3)))
    return _mean(values[row : row + few]) - _mean(values[max(0, row - few) : row])


def _furthest(eased: dict[int, Floats]) -> tuple[int | None, int]:
    best: tuple[float, int | None, int] = (-1.0, None, 0)
    for cell, values in eased.items():
        if np.isfinite(values).any():
            row = int(np.nanargmax(np.abs(values)))
            best = max(best, (abs(float(values[row])), cell, row), key=lambda b: b[0])
    return best[1], best[2]


def _mean(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(good.mean()) if len(good) else float("nan")


def _reach(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.ptp(good)) if len(good) > 1 else float("nan")


def _place(scene: SightScene, cell: int) -> str:
    return scene.log.pack.place(cell)


def _doing(scene: SightScene, row: int) -> str:
    doing = scene.doing(row)
    return f" ({doing})" if doing else ""
