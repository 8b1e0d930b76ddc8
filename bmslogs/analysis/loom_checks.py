"""Single checks of a sense loom's readings at rest, each returning its objections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]

WINDOW_V = {
    "NMC": (2.5, 4.2),
    "LFP": (2.5, 3.65),
}  # [V] of a cell at rest, by chemistry, where the pack file is silent
NOUGHT_V = 0.1  # [V] a reading below this is no cell's (judgement)
MIRROR_V = 0.030  # [V] least mirrored step that is an objection (judgement)
APART_V = 0.050  # [V] from the median at rest that is an objection (judgement)
READING_V = 0.005  # [V] error of one cell reading, may be common to all (judgement)
METER_FRACTION = 0.005  # of the reading of a hand meter, with its digits (judgement)
SENSOR_APART_K = 3.0  # [K] from the other sensors, after a soak (judgement)
SENSOR_RANGE_C = (-35.0, 100.0)  # outside: open or shorted


@dataclass(frozen=True)
class Objection:
    """One thing that readings at rest should not show.

    Attributes
    ----------
    kind
        ``count``, ``missing``, ``nought``, ``swapped_taps``, ``mirror_pair``, ``window``, ``apart``, ``sum``,
        ``order``, ``alike``, ``sensor``, ``bleed`` or ``current``.
    cells, sensors
        What it is about.
    says, reason, next
        The objection, the readings behind it, and what to do, each a sentence.
    """

    kind: str
    cells: tuple[int, ...]
    says: str
    reason: str
    next: str
    sensors: tuple[str, ...] = ()


def window(pack: Pack) -> tuple[float, float]:
    """Return the voltages [V] between which a cell at rest should read: the pack file's, else the chemistry's."""
    low, high = WINDOW_V.get(pack.chemistry, (2.0, 4.3))
    own = pack.limits
    return own.voltage_min_V or low, own.voltage_max_V or high


def count(v: Floats, pack: Pack) -> list[Objection]:
    """Return objections to the number of readings, to missing ones, and to readings all alike."""
    out = []
    if v.size != pack.cells_in_series:
        out.append(
            Objection(
                "count",
                (),
                f"{v.size} readings for {pack.cells_in_series} cells",
                "the pack file says otherwise",
                "count the taps; correct the loom or the pack file",
            )
        )
    missing = tuple(int(c) + 1 for c in np.flatnonzero(~np.isfinite(v)))
    if missing:
        out.append(
            Objection(
                "missing",
                missing,
                f"no reading from {cells_named(missing)}",
                "a wire is off, a fuse is blown, or the channel is dead",
                "measure at the connector with a rated meter",
            )
        )
    known = v[np.isfinite(v)]
    if known.size >= 4 and np.ptp(known) == 0.0:
        out.append(
            Objection(
                "alike",
                (),
                f"all cells read {known[0]:.4f} V to the digit",
                "live readings differ by a digit here and there: these may be held or made up",
                "read again, and see one move",
            )
        )
    return out


def swapped_taps(v: Floats) -> list[Objection]:
    """Two taps changed over: the cell between reads backwards (or nought, clipped), its neighbours read two cells."""
    out = []
    middle = _median(v)
    for i in np.flatnonzero(np.isfinite(v) & (v < NOUGHT_V)):
        left = v[i - 1] if i > 0 else np.nan
        right = v[i + 1] if i + 1 < v.size else np.nan
        double = [x for x in (left, right) if np.isfinite(x)]
        # a monitor that clips shows its full scale, which is less than two cells
        if double and all(x > 1.2 * middle for x in double):
            cells = tuple(int(c) + 1 for c in (i - 1, i, i + 1) if 0 <= c < v.size)
            out.append(
                Objection(
                    "swapped_taps",
                    cells,
                    f"the sense wires at both ends of cell {i + 1} are changed over",
                    f"cell {i + 1} reads {v[i]:.3f} V and its neighbours "
                    + " and ".join(f"{x:.3f} V" for x in double)
                    + f", where the others read {middle:.3f} V",
                    "unplug the monitor at once; put the wires right with the modules split; check it for damage",
                )
            )
    return out


def mirror_pairs(v: Floats, taken: set[int]) -> list[Objection]:
    """Neighbours that part by the same amount up and down: the wire between them does not hold its place."""
    out: list[Objection] = []
    middle = _median(v)
    for i in range(v.size - 1):
        if {i + 1, i + 2} & taken or any(i + 1 in o.cells for o in out):
            continue
        a, b = v[i] - middle, v[i + 1] - middle
        if min(abs(a), abs(b)) >= MIRROR_V and a * b < 0 and abs(a + b) <= 0.25 * abs(a - b) / 2:
            out.append(
                Objection(
                    "mirror_pair",
                    (i + 1, i + 2),
                    f"cells {i + 1} and {i + 2} mirror each other: the sense wire between "
                    "them is loose, off, or on the wrong place",
                    f"{1e3 * a:+.0f} mV and {1e3 * b:+.0f} mV from the median, {1e3 * (a + b):+.0f} mV together",
                    "isolate, split the modules, look at that wire and its crimp; then measure both cells with a meter",
                )
            )
    return out


def single_cells(v: Floats, low: float, high: float, taken: set[int]) -> list[Objection]:
    """Return objections to single readings: nought, outside the window, or apart from the median; not of `taken`."""
    out = []
    middle = _median(v)
    for i, x in enumerate(v):
        cell = i + 1
        if cell in taken or not np.isfinite(x):
            continue
        if x < NOUGHT_V:
            out.append(
                Objection(
                    "nought",
                    (cell,),
                    f"cell {cell} reads {x:.3f} V",
                    "no cell reads this and still works: a wire is "
                    "off, a fuse is blown, or the cell is reversed",
                    "measure the cell with a rated meter before all else",
                )
            )
        elif not low <= x <= high:
            side = f"below {low:.2f} V" if x < low else f"above {high:.2f} V"
            todo = (
                "measure it with a rated meter; if true, do not charge it without the cell maker's advice"
                if x < low
                else "measure it with a rated meter; if true, do not charge"
            )
            out.append(
                Objection(
                    "window",
                    (cell,),
                    f"cell {cell} reads {x:.3f} V, {side}",
                    "outside the cell's window",
                    todo,
                )
            )
        elif abs(x - middle) > APART_V:
            out.append(
                Objection(
                    "apart",
                    (cell,),
                    f"cell {cell} reads {1e3 * (x - middle):+.0f} mV from the median",
                    f"{x:.3f} V where the others read {middle:.3f} V: another state of charge, or a false reading",
                    "measure it with a rated meter; bring it to the others' state of charge on the bench",
                )
            )
    return out


def against_total(v: Floats, meter: float) -> list[Objection]:
    """Return objections where the cells do not add up to what a hand meter reads of the whole string [V]."""
    total = float(np.nansum(v))
    away, allowed = meter - total, v.size * READING_V + METER_FRACTION * abs(meter)
    if abs(away) <= allowed:
        return []
    middle = _median(v)
    count = round(away / middle) if middle > NOUGHT_V else 0
    plural, which = "s" if abs(count) > 1 else "", "few" if count > 0 else "many"
    hint = f"; that is {abs(count)} cell{plural} too {which} in the readings"
    near = count != 0 and abs(away - count * middle) <= allowed + 0.1 * middle
    return [
        Objection(
            "sum",
            (),
            f"the cells add up to {total:.2f} V, the meter reads {meter:.2f} V",
            f"{away:+.2f} V where {allowed:.2f} V are allowed" + (hint if near else ""),
            "find which module's sum is off with the meter, module by module",
        )
    ]


def against_order(v: Floats, meter: Floats) -> list[Objection]:
    """Compare each cell with the meter; where the meter's values fit in another order, say which."""
    if meter.size != v.size:
        return [
            Objection(
                "order",
                (),
                f"{meter.size} meter readings for {v.size} cells",
                "one a cell is needed",
                "measure each cell once, from pack negative to pack positive",
            )
        ]
    known = np.isfinite(v) & np.isfinite(meter)
    wrong = tuple(int(c) + 1 for c in np.flatnonzero(known & (np.abs(v - meter) > 2 * READING_V)))
    if not wrong:
        return []
    cost = np.abs(np.where(known, v, 1e3)[:, None] - np.where(known, meter, 1e3)[None, :])
    rows, columns = linear_sum_assignment(cost)
    moved = [(int(r) + 1, int(c) + 1) for r, c in zip(rows, columns) if r != c and cost[r, r] > 2 * READING_V]
    fits = bool(cost[rows, columns].max() <= 2 * READING_V) and len(moved) >= 2
    reason = (
        "the meter's values fit another order: " + ", ".join(f"channel {a} reads cell {b}" for a, b in moved)
        if fits
        else ", ".join(f"cell {c}: {v[c - 1]:.3f} V shown, {meter[c - 1]:.3f} V by meter" for c in wrong[:6])
    )
    says = f"{cells_named(wrong)} {'does' if len(wrong) == 1 else 'do'} not agree with the meter"
    return [
        Objection(
            "order", wrong, says, reason, "touch test the channels named, then put the loom or the map right"
        )
    ]


def sensors(t: Floats, ambient: float | None, pack: Pack) -> list[Objection]:
    """Return objections to temperature sensors: open or shorted, apart from the others, all off the thermometer."""
    out = []
    inside = np.isfinite(t) & (t > SENSOR_RANGE_C[0]) & (t < SENSOR_RANGE_C[1])
    middle = float(np.median(t[inside])) if inside.any() else float("nan")
    for i, x in enumerate(t):
        name = pack.sensor_name(i + 1)
        if not inside[i]:
            out.append(
                Objection(
                    "sensor",
                    (),
                    f"sensor {name} reads {x:.1f} degC"
                    if np.isfinite(x)
                    else f"sensor {name} gives no reading",
                    "a sensor that is open or shorted reads so",
                    "measure its resistance at the connector",
                    (name,),
                )
            )
        elif abs(x - middle) > SENSOR_APART_K:
            out.append(
                Objection(
                    "sensor",
                    (),
                    f"sensor {name} reads {x - middle:+.1f} K from the others",
                    f"{x:.1f} degC where the others read {middle:.1f} degC: after eight hours of rest they agree",
                    "let the pack soak; check the sensor's type and curve",
                    (name,),
                )
            )
    if ambient is not None and np.isfinite(middle) and abs(middle - ambient) > SENSOR_APART_K:
        out.append(
            Objection(
                "sensor",
                (),
                f"the sensors read {middle:.1f} degC, the thermometer {ambient:.1f} degC",
                "all of them off alike: a wrong curve, or the pack has not soaked",
                "let the pack soak; check the sensors' type and curve",
            )
        )
    return out


def cells_named(cells: Sequence[int]) -> str:
    """Return the cells as words, eight at the most."""
    listed = ", ".join(str(c) for c in cells[:8]) + (" ..." if len(cells) > 8 else "")
    return f"cell {listed}" if len(cells) == 1 else f"cells {listed}"


def _median(v: Floats) -> float:
    known = v[np.isfinite(v) & (v > NOUGHT_V)]
    return float(np.median(known)) if known.size else float("nan")
