"""What readings say against the pack file: cheap checks that an import and a diagnosis share.

Each looks for what no healthy pack of that description can do, however aged, cold or loaded; an odd but right pack
stays silent. Bounds in volts and shares of the capacity are judgement (common practice, no source).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

IDLE_C_RATE, EASY_C_RATE, STEADY_C_RATE = 1 / 50, 1 / 10, 1 / 2
"""Currents up to which a pack rests, is hardly loaded, is loaded steadily (C-rates)."""
LASTING_S = 600.0
"""A level held for less proves nothing [s]."""
LFP_MOST_IDLE_V, LFP_MOST_CHARGING_V, LFP_MOST_DRAWN_V = 3.70, 3.66, 3.45
"""An LFP cell is not held higher than this at rest (a float charger's level among it), and takes in or gives out next
to nothing of its charge above these."""
LFP_MOVED_CHARGING, LFP_MOVED_DRAWN = 0.08, 0.05
NMC_MOST_IDLE_V, NMC_FLAT_BELOW_V, FLAT_V = 4.36, 3.42, 0.13
"""An NMC cell is not held higher than this; below that level it holds little of its charge, and none of it within so
few volts (any published curve)."""
FLAT_SHARE, FLAT_STEADY_SHARE, BINS = 0.20, 0.50, 12
TABLE_ABOVE_V, TABLE_BELOW_V = 0.10, 0.30
"""A rest so far outside a table is not of that table's cell."""
MOST_CHARGE, GAIN_ASYMMETRY = 1.15, 0.03
"""Charge moved one way in one log, in shares of the nominal capacity: fresh cells hold a little more than is printed.
What charge and discharge may be counted unalike, as a share of all that was moved."""
NMC_RISING_V, STEEPEST_V, WORN = (3.55, 4.15), 1.3, 0.6
"""Between these levels an NMC cell rises by no more than `STEEPEST_V` for its whole charge (any published curve),
and a worn pack still holds this share of its nominal capacity."""
LEAST_RISE_V, OVER_LOAD_V, GOES_ON = 0.3, 0.1, 0.3
"""Least rise or fall that is held against the charge; how much of it the load and what relaxes may make; and the
share of it that comes in the second half of the charge: what relaxes comes in the first."""
LARGEST_STEP_V = 0.05
"""Rows between which a lightly loaded cell moves further are not one stretch: a joint, or a load between."""
MOVES_STEPS, DEAD_SHARE, PLAUSIBLE_V = 10.0, 0.25, (0.5, 5.0)
"""Steps by which the other cells move before a still one is told; share of the cells; readings that a cell may have."""
LIMIT_RANGE_V = (0.3, 5.0)
WARMEST_LIMIT_C, WARMEST_CHARGE_C = 100.0, 20.0
"""A cell limit outside these is of another unit or a slip."""
LIMIT_FAR_V, MOST_ROWS = 0.15, 0.5
"""The middle cell so far beyond a limit in most rows: the limit, not the pack."""
USUAL_STEPS, UNSEEN_S = 1.5, 24.0
"""A row that comes later than so many usual steps leaves the rest of the time unseen; where that is longer than
`UNSEEN_S` in one place, a fast charger (3 C) may have moved 2 % of the charge, and nothing is counted across."""
LEVEL_CELLS = 24
"""Choice: so many cells give the level of a string."""


@dataclass(frozen=True)
class Thinned:
    """A log in few rows.

    Attributes
    ----------
    seconds
        (rows,) [s], rising.
    current
        (rows,) [A], discharge positive; None where the log has none.
    charge
        (rows,) charge drawn until then [Ah], counted over all rows of the log; None without a current.
    volts
        (rows, cells) [V], NaN where missing.
    cells
        Cell numbers of the columns.
    step
        Step of the cell readings [V].
    unseen
        (rows,) time [s] in pauses until then, see `unseen_seconds`, counted over all rows of the log; None: by these.
    """

    seconds: Floats
    current: Floats | None
    charge: Floats | None
    volts: Floats
    cells: tuple[int, ...]
    step: float
    unseen: Floats | None = None


def unseen_seconds(seconds: Floats) -> Floats:
    """Return (rows,) time [s] before each row that no row stands for, counted up."""
    if len(seconds) < 2:
        return np.zeros(len(seconds))
    step = np.diff(seconds)
    pause = np.maximum(step - USUAL_STEPS * float(np.median(step)), 0.0)
    return np.concatenate([[0.0], np.cumsum(pause)])


def _goes(log: Thinned) -> list[slice]:
    """Return the stretches of rows between which nothing went unseen."""
    unseen = log.unseen if log.unseen is not None else unseen_seconds(log.seconds)
    cuts = np.flatnonzero(np.diff(unseen) > UNSEEN_S) + 1
    return [slice(int(a), int(b)) for a, b in itertools.pairwise([0, *cuts.tolist(), len(log.seconds)])]


@dataclass(frozen=True)
class Contradiction:
    """One line of the pack file that the log contradicts.

    Attributes
    ----------
    line
        The line, such as ``chemistry = "LFP"``.
    found, expected
        What the log shows instead, and what the line would make one expect: half a sentence each.
    curve
        Whether the open-circuit curve falls with it.
    cells
        The cells it speaks of, where it is not all of them.
    frozen
        True where those cells read what a cell may read, but never move: a measuring board may stand still.
    flow
        Whether a current read in another unit would explain it as well.
    """

    line: str
    found: str
    expected: str
    curve: bool = False
    cells: tuple[int, ...] = ()
    frozen: bool = False
    flow: bool = False

    @property
    def says(self) -> str:
        """The one sentence."""
        return f"The pack file says {self.line}, but {self.found}; {self.expected}."


def contradictions(log: Thinned, pack: Pack) -> list[Contradiction]:
    """Return the lines of the pack file that a log contradicts, chemistry first."""
    if not log.volts.size:
        return []
    dead = still_cells(log.volts, log.step)
    live = np.flatnonzero(~dead)
    out: list[Contradiction] = []
    if len(live):
        # the middle of a few cells over the string is its level
        some = live[np.unique(np.linspace(0, len(live) - 1, min(len(live), LEVEL_CELLS)).astype(int))]
        level = _middle(log.volts[:, some])
        out += [
            *_chemistry(log, level, pack),
            *_too_little_charge(log, level, pack),
            *_voltage_limits(level, pack),
        ]
    out += [*_cells(log, dead, pack), *_capacity(log, pack), *_written_limits(pack)]
    # another chemistry needs other limits: they are no slip of their own
    return (
        out
        if not any(one.curve for one in out)
        else [one for one in out if not one.line.startswith("voltage_")]
    )


def _middle(volts: Floats) -> Floats:
    """Return (rows,) median of the readings that a cell may have; NaN where a row has none."""
    seen = np.where((volts > PLAUSIBLE_V[0]) & (volts < PLAUSIBLE_V[1]), volts, np.nan)
    out = np.full(len(seen), np.nan)
    some = ~np.isnan(seen).all(axis=1)
    if np.isnan(seen).any():
        out[some] = np.nanmedian(seen[some], axis=1)
    else:
        out = np.median(seen, axis=1)
    return out


def _row_hours(seconds: Floats) -> Floats:
    """Return (rows,) time that each row stands for [h]; pauses are not counted."""
    if len(seconds) < 2:
        return np.zeros(len(seconds))
    length = np.diff(seconds, append=seconds[-1])
    return np.asarray(np.minimum(length, 10 * float(np.median(length[:-1]))) / 3600.0, float)


# ---- chemistry ----------------------------------------------------------------------------------------------


def _chemistry(log: Thinned, level: Floats, pack: Pack) -> list[Contradiction]:
    own = pack.ocv is not None
    line = f'ocv_table = "{pack.ocv_table}"' if own else f'chemistry = "{pack.chemistry}"'
    if own:
        found = _outside_table(log, level, pack)
        expected = "no rest of that table's cell lies there"
    elif pack.chemistry == "LFP":
        found = _too_high_for_lfp(log, level, pack.nominal_capacity_Ah)
        expected = "an LFP cell holds next to no charge there"
    else:
        found = _too_high_idle(log, level, pack.nominal_capacity_Ah, NMC_MOST_IDLE_V)
        found = found or _too_flat_for_nmc(log, level, pack.nominal_capacity_Ah)
        expected = "no NMC cell does so"
    return [Contradiction(line, found, expected, curve=True)] if found else []


def _idle(log: Thinned, nominal: float) -> Bools:
    if log.current is None:
        return np.ones(len(log.seconds), bool)
    return np.asarray(np.abs(log.current) <= IDLE_C_RATE * nominal, bool)


def _too_high_idle(log: Thinned, level: Floats, nominal: float, bound: float) -> str:
    """Return what was seen where the string stood above a level at rest for long; nothing where not."""
    held = _idle(log, nominal) & (np.nan_to_num(level) > bound)
    hours = float(_row_hours(log.seconds)[held].sum())
    if hours * 3600.0 < LASTING_S or held.sum() < 3:
        return ""
    return f"the middle cell stood at {np.median(level[held]):.2f} V for {_hours(hours)}" + (
        "" if log.current is None else " at rest"
    )


def _too_high_for_lfp(log: Thinned, level: Floats, nominal: float) -> str:
    found = _too_high_idle(log, level, nominal, LFP_MOST_IDLE_V)
    if found or log.charge is None:
        return found
    moved = np.diff(log.charge)
    here = np.fmin(level[1:], level[:-1])
    with np.errstate(invalid="ignore"):
        drawn = float(moved[(moved > 0) & (here > LFP_MOST_DRAWN_V)].sum())
        taken = -float(moved[(moved < 0) & (here > LFP_MOST_CHARGING_V)].sum())
    if drawn > LFP_MOVED_DRAWN * nominal:
        return f"{drawn:.3g} Ah were drawn while the middle cell read more than {LFP_MOST_DRAWN_V:.2f} V"
    if taken > LFP_MOVED_CHARGING * nominal:
        return f"{taken:.3g} Ah were charged while the middle cell read more than {LFP_MOST_CHARGING_V:.2f} V"
    return ""


def _too_flat_for_nmc(log: Thinned, level: Floats, nominal: float) -> str:
    """Return what was seen where the level hardly moved over charge that moves an NMC cell by tenths of a volt."""
    if log.charge is None or log.current is None:
        return ""
    for most, share, how in (
        (EASY_C_RATE, FLAT_SHARE, "hardly loaded or charging"),
        (STEADY_C_RATE, FLAT_STEADY_SHARE, "lightly loaded"),
    ):
        able = np.isfinite(level) & (log.current <= most * nominal)
        windows = [
            _flat_window(log.charge[go][able[go]], level[go][able[go]], share * nominal) for go in _goes(log)
        ]
        flat = next((w for w in windows if w is not None), None)
        if flat is not None:
            return f"the middle cell stayed between {flat[0]:.2f} and {flat[1]:.2f} V over {flat[2]:.3g} Ah, {how}"
    return ""


def _flat_window(charge: Floats, level: Floats, least: float) -> tuple[float, float, float] | None:
    """Return lowest and highest level and the charge [Ah] of a stretch of `least` [Ah] as flat as no NMC cell's."""
    span = float(np.ptp(charge)) if len(charge) >= 2 * BINS else 0.0
    if span < least or least <= 0:
        return None
    place = np.minimum((BINS * (charge - charge.min()) / span).astype(int), BINS - 1)
    middles = np.array([np.median(level[place == k]) if (place == k).any() else np.nan for k in range(BINS)])
    width = min(int(np.ceil(BINS * least / span)), BINS)
    for k in range(BINS - width + 1):
        here = middles[k : k + width]
        here = here[np.isfinite(here)]
        if 2 * len(here) >= width and here.max() < NMC_FLAT_BELOW_V and np.ptp(here) <= FLAT_V:
            return float(here.min()), float(here.max()), span * width / BINS
    return None


def _outside_table(log: Thinned, level: Floats, pack: Pack) -> str:
    assert pack.ocv is not None
    low, high = pack.ocv[0][1], pack.ocv[-1][1]
    found = _too_high_idle(log, level, pack.nominal_capacity_Ah, high + TABLE_ABOVE_V)
    if found:
        return f"{found}, the table ends at {high:.2f} V"
    under = _idle(log, pack.nominal_capacity_Ah) & (np.nan_to_num(level, nan=9.0) < low - TABLE_BELOW_V)
    hours = float(_row_hours(log.seconds)[under].sum())
    if hours * 3600.0 < LASTING_S or under.sum() < 3:
        return ""
    stood = f"{np.median(level[under]):.2f} V for {_hours(hours)}"
    return f"the middle cell stood at {stood}, the table begins at {low:.2f} V"


def _hours(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 3.0 else f"{hours:.0f} h"


# ---- cells --------------------------------------------------------------------------------------------------


def still_cells(volts: Floats, step: float) -> Bools:
    """Return (cells,) True where a channel reads nothing, or never moves while the others do."""
    with np.errstate(all="ignore"):
        range_V = np.fmax.reduce(volts, axis=0) - np.fmin.reduce(volts, axis=0)
    missing = ~np.isfinite(range_V)
    known = range_V[~missing]
    # of two halves that differ the livelier one tells how much there was to see
    moves = float(np.quantile(known, 0.9)) if len(known) else 0.0
    if moves < MOVES_STEPS * max(step, 1e-4):
        return np.asarray(missing, bool)
    still: Bools = missing | (np.nan_to_num(range_V) <= 0.5 * step)
    return still


def _cells(log: Thinned, dead: Bools, pack: Pack) -> list[Contradiction]:
    n = len(dead)
    count = int(dead.sum())
    if count < 2 or count == n or len(log.seconds) < 20:
        return []
    with np.errstate(all="ignore"):
        first = np.fmax.reduce(log.volts, axis=0)
    frozen = dead & (np.nan_to_num(first) > PLAUSIBLE_V[0]) & (np.nan_to_num(first) < PLAUSIBLE_V[1])
    at_end = bool(dead[n - count :].all()) or bool(dead[:count].all())
    many = count >= DEAD_SHARE * n
    if not (many or (at_end and not frozen.any())):
        return []
    cells = tuple(log.cells[i] for i in np.flatnonzero(dead))
    # only numbers in one block are cells that the string does not have; readings of a cell that stands still may be
    if frozen.any() and not at_end:
        return []
    what = "read nothing that a cell reads" if not frozen.any() else "never move while the others do"
    return [
        Contradiction(
            f"cells_in_series = {pack.cells_in_series}",
            f"{count} of {n} channels (cells {cells[0]} to {cells[-1]}) {what}",
            "every cell of a string moves with the others",
            cells=cells,
            frozen=bool(frozen.any()),
        )
    ]


# ---- capacity -----------------------------------------------------------------------------------------------


def _capacity(log: Thinned, pack: Pack) -> list[Contradiction]:
    if log.charge is None or len(log.charge) < 3:
        return []
    nominal = pack.nominal_capacity_Ah
    goes = [_in_one_go(log.charge[go], log.seconds[go], nominal) for go in _goes(log)]
    down, up, flowed = max(goes, key=lambda g: max(g[0], g[1]))
    span = max(down, up)
    if span - GAIN_ASYMMETRY * max(flowed - span, 0.0) < MOST_CHARGE * nominal or _stands(log):
        return []
    return [
        Contradiction(
            f"nominal_capacity_Ah = {nominal:g}",
            f"{span:.3g} Ah were {'drawn' if down >= up else 'charged'} in one go",
            "no pack gives or takes that much more than its capacity, or the current is read wrong",
            flow=True,
        )
    ]


STANDS_V, STEADY_SHARE = 0.03, 0.2
"""Through more than its capacity no pack's voltage stays within so much [V]; a reading of the current is steady where
nine tenths of it lie within this share of its middle (choice)."""


def _stands(log: Thinned) -> bool:
    """Whether the voltages stand while one and the same current is read: nothing flowed, its zero is off."""
    if log.current is None:
        return False
    current = log.current[np.isfinite(log.current)]
    level = _middle(log.volts)
    level = level[np.isfinite(level)]
    if len(current) < 20 or len(level) < 20:
        return False
    low, middle, high = np.quantile(current, [0.05, 0.5, 0.95])
    return bool(high - low < STEADY_SHARE * abs(middle) and float(np.ptp(level)) < STANDS_V)


def _in_one_go(charge: Floats, seconds: Floats, nominal: float) -> tuple[float, float, float]:
    """Return the most that was drawn, and charged, from one row to a later one, and all that flowed [Ah]."""
    moved, hours = np.diff(charge), np.diff(seconds) / 3600.0
    # what a current sensor's zero invents while nothing flows is no charge
    moved = np.where(np.abs(moved) > IDLE_C_RATE * nominal * hours, np.nan_to_num(moved), 0.0)
    counted = np.concatenate([[0.0], np.cumsum(moved)])
    down = float((counted - np.minimum.accumulate(counted)).max())
    up = float((np.maximum.accumulate(counted) - counted).max())
    return down, up, float(np.abs(moved).sum())


def _too_little_charge(log: Thinned, level: Floats, pack: Pack) -> list[Contradiction]:
    """Return what was seen where an NMC string passed through its curve with a small part of the capacity."""
    if log.charge is None or log.current is None or pack.chemistry != "NMC" or pack.ocv is not None:
        return []
    nominal = pack.nominal_capacity_Ah
    for first, end in _light_stretches(log, level, EASY_C_RATE * nominal):
        rising = (level[first:end] >= NMC_RISING_V[0]) & (level[first:end] <= NMC_RISING_V[1])
        inside = first + np.flatnonzero(rising)
        if len(inside) < 2 * BINS:
            continue
        volts, charge = level[inside], log.charge[inside]
        rise, moved = float(volts[-1] - volts[0]), float(charge[0] - charge[-1])
        half = int(np.argmin(np.abs(charge - 0.5 * (charge[0] + charge[-1]))))
        late = float(volts[-1] - volts[half])
        if abs(rise) < LEAST_RISE_V or rise * moved <= 0 or late * np.sign(rise) < GOES_ON * abs(rise):
            continue
        if abs(moved) < WORN * (abs(rise) - OVER_LOAD_V) / STEEPEST_V * nominal:
            way = "rose" if rise > 0 else "fell"
            return [
                Contradiction(
                    f"nominal_capacity_Ah = {nominal:g}",
                    f"the middle cell {way} from {volts[0]:.2f} to {volts[-1]:.2f} V while {abs(moved):.3g} Ah "
                    f"were {'charged' if moved > 0 else 'drawn'}",
                    "a pack of that capacity moves far more charge on that way, or the current is read wrong",
                    flow=True,
                )
            ]
    return []


def _light_stretches(log: Thinned, level: Floats, most_A: float) -> list[tuple[int, int]]:
    """Return first and end row of stretches under a light load of one direction, without a pause or a leap between."""
    assert log.current is not None
    if len(level) < 3:
        return []
    light = np.isfinite(level) & (np.abs(log.current) <= most_A) & (log.current != 0)
    with np.errstate(invalid="ignore"):
        goes_on = light[1:] & light[:-1] & (np.abs(np.diff(level)) <= LARGEST_STEP_V)
    goes_on &= np.sign(log.current[1:]) == np.sign(log.current[:-1])
    for go in _goes(log)[1:]:
        goes_on[go.start - 1] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], goes_on, [False]]).astype(int)))
    return [(int(a), int(b) + 1) for a, b in zip(edges[::2], edges[1::2]) if b - a >= 2 * BINS]


# ---- limits -------------------------------------------------------------------------------------------------


def _voltage_limits(level: Floats, pack: Pack) -> list[Contradiction]:
    """Return the voltage limits beyond which the middle cell stood in most rows."""
    out = []
    seen = level[np.isfinite(level)]
    for name, sign, word in (("voltage_max_V", 1.0, "above"), ("voltage_min_V", -1.0, "below")):
        bound = getattr(pack.limits, name)
        if bound is None or not len(seen) or not LIMIT_RANGE_V[0] <= bound <= LIMIT_RANGE_V[1]:
            continue
        if float((sign * (seen - bound) > LIMIT_FAR_V).mean()) > MOST_ROWS:
            out.append(
                Contradiction(
                    f"{name} = {bound:g}",
                    f"the middle cell stood at {np.median(seen):.2f} V, {word} that, in most rows",
                    "a limit is passed for moments, if at all",
                )
            )
    return out


def _written_limits(pack: Pack) -> list[Contradiction]:
    """Return the limits that are of another unit, or a slip of the pen."""
    limits, out = pack.limits, []
    for name in ("voltage_max_V", "voltage_min_V"):
        value = getattr(limits, name)
        if value is not None and (
            value > LIMIT_RANGE_V[1] or (name == "voltage_max_V" and value < LIMIT_RANGE_V[0])
        ):
            out.append(
                Contradiction(
                    f"{name} = {value:g}", "no cell has such a voltage", "the limit is one cell's, in V"
                )
            )
    for name, most in (
        ("temperature_max_C", WARMEST_LIMIT_C),
        ("charge_temperature_min_C", WARMEST_CHARGE_C),
    ):
        value = getattr(limits, name)
        if value is not None and value > most:
            out.append(
                Contradiction(
                    f"{name} = {value:g}", "no cell's data sheet has such a limit", "the limit is in degC"
                )
            )
    if (
        pack.ocv is None
        and pack.chemistry == "LFP"
        and 4.0 < (limits.voltage_max_V or 0.0) <= LIMIT_RANGE_V[1]
    ):
        out.append(
            Contradiction(
                f"voltage_max_V = {limits.voltage_max_V:g}",
                'it says chemistry = "LFP" as well',
                "such a cell is full at 3.65 V, and this limit would never trip",
            )
        )
    return out


def unlike_packs(mine: Pack, other: Pack) -> list[str]:
    """Return what two pack files of one id say unlike each other: ``voltage_max_V = 4.2 there, 4.25 here``."""
    keys = ("chemistry", "nominal_capacity_Ah", "cells_in_series", "cells_in_parallel")
    pairs = [(key, getattr(other, key), getattr(mine, key)) for key in keys]
    pairs += [
        (key, getattr(other.limits, key), getattr(mine.limits, key)) for key in type(mine.limits).model_fields
    ]
    return [f"{key} = {_said(a)} there, {_said(b)} here" for key, a, b in pairs if a != b]


def _said(value: object) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
