"""Lines of the pack file that a log contradicts: what every import checks, and what only rests on the curve can tell.

Two settled rests some charge apart tell a capacity by the open-circuit table: Q = dq / (z1 - z2). How far the table of
a chemistry may be off at each of them is part of the answer, so only a capacity that is another pack's is told.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.ocv import OcvCurve
from bmslogs.analysis.rests import Anchors
from bmslogs.base.pack import Pack
from bmslogs.base.pack_claims import NMC_FLAT_BELOW_V, Contradiction, Thinned, contradictions, unseen_seconds

Floats = npt.NDArray[np.float64]

ROWS = 2000
"""Rows of a log that are looked at (choice)."""
LEAST_Q, MOST_Q = 0.75, 1.25
"""Shares of the nominal capacity between which an aged or a fresh pack may lie: traction cells are called worn out at
70 to 80 % (common practice, no source)."""
SURE_SD = 2.5
"""Standard deviations of the table by which a capacity must lie outside (choice)."""
FLAT_HIGH = ((3.39, 0.95), (3.345, 0.70))
FLAT_LOW = ((3.15, 0.15), (3.22, 0.25))
"""On a flat curve only its ends tell a place: a cell that rests at so many volts or more holds at least this share of
its charge, hysteresis allowed for; one that rests at so many or less holds no more than that share (judgement)."""
LOW_SLOPE_V = 0.5
"""An NMC cell that stands low falls by more than this for each unit of charge (any published curve; judgement) [V]."""
SEEN_LEAST = 0.4
"""Share of the capacity over which a curve must be seen to tell the whole (choice)."""
LEAST_MOVED = 0.08
"""Least charge between two rests, as a share of the nominal capacity (choice)."""


def thinned(
    seconds: Floats,
    current: Floats | None,
    charge: Floats | None,
    volts: Floats,
    cells: tuple[int, ...],
    step: float,
) -> Thinned:
    """Return a log in few rows, evenly taken.

    Parameters
    ----------
    seconds, current, charge
        (rows,) [s], [A] with discharge positive, [Ah drawn]; None where the log has no current.
    volts
        (rows, cells) [V].
    cells, step
        Numbers of the cells, step of the readings [V].
    """
    keep = np.arange(0, len(seconds), max(1, len(seconds) // ROWS))
    return Thinned(
        seconds[keep],
        None if current is None else current[keep],
        None if charge is None else charge[keep],
        volts[keep],
        cells,
        step,
        unseen_seconds(seconds)[keep],
    )


def pack_contradictions(
    log: Thinned, pack: Pack, rests: Anchors, curve: OcvCurve, table_sd: Floats
) -> list[Contradiction]:
    """Return every line of the pack file that the log contradicts.

    Parameters
    ----------
    log
        In few rows, see `thinned`.
    rests, curve, table_sd
        Settled voltages with the charge drawn until then, the table, and how far it may be off at each [V].
    """
    found = contradictions(log, pack)
    if not any(one.curve for one in found) and pack.ocv is None and not curve.flat:
        flat = _flat_by_rests(rests, pack)
        found = [flat, *found] if flat is not None else found
    if any(one.curve for one in found) or any(one.line.startswith("nominal") for one in found):
        return found
    by_rests = _capacity_by_rests(rests, curve, table_sd, pack.nominal_capacity_Ah)
    return [*found, by_rests] if by_rests is not None else found


def _flat_by_rests(rests: Anchors, pack: Pack) -> Contradiction | None:
    """Return the contradiction of rests that lie closer together than those of an NMC cell can, low as they are."""
    if len(rests.charge) < 2:
        return None
    order = np.argsort(rests.charge)
    for a, b in pairwise(order):
        moved = float(rests.charge[b] - rests.charge[a])
        fell = float(rests.volt[a] - rests.volt[b]) + SURE_SD * float(np.hypot(rests.sd[a], rests.sd[b]))
        share = moved / pack.nominal_capacity_Ah
        if share >= LEAST_MOVED and rests.volt[a] < NMC_FLAT_BELOW_V and fell < LOW_SLOPE_V * share:
            return Contradiction(
                f'chemistry = "{pack.chemistry}"',
                f"between two rests {moved:.3g} Ah were drawn while the cells fell from {rests.volt[a]:.3f} to "
                f"{rests.volt[b]:.3f} V only",
                "an NMC cell falls much further there",
                curve=True,
            )
    return None


def capacity_by_curve(capacity: float, sd: float, moved: float, nominal: float) -> Contradiction | None:
    """Return the contradiction between the nominal capacity and the string's curve laid onto the table.

    Parameters
    ----------
    capacity, sd
        Of the middle cell by the table, and its standard deviation [Ah].
    moved
        Charge over which the curve was seen [Ah].
    nominal
        What the pack file says [Ah].
    """
    if moved < SEEN_LEAST * min(capacity, nominal):
        return None
    least, most = capacity - SURE_SD * sd, capacity + SURE_SD * sd
    if most >= LEAST_Q * nominal and least <= MOST_Q * nominal:
        return None
    return Contradiction(
        f"nominal_capacity_Ah = {nominal:g}",
        f"over {moved:.3g} Ah the cells went through so much of their curve that a whole one is {max(least, 0.0):.0f} "
        f"to {most:.0f} Ah",
        "a pack that is worn out or of other cells, or a current that is read wrong",
    )


def _capacity_by_rests(
    rests: Anchors, curve: OcvCurve, table_sd: Floats, nominal: float
) -> Contradiction | None:
    """Return the contradiction between the charge counted from rest to rest and the table, where there is one."""
    if len(rests.charge) < 2:
        return None
    a, b = int(np.argmin(rests.charge)), int(np.argmax(rests.charge))
    moved = float(rests.charge[b] - rests.charge[a])
    if moved < LEAST_MOVED * nominal:
        return None
    z = curve.inverse(rests.volt)
    if curve.flat:
        high = next((z for volt, z in FLAT_HIGH if rests.volt[a] >= volt), None)
        low = next((z for volt, z in FLAT_LOW if rests.volt[b] <= volt), None)
        if high is None or low is None:
            return None
        least, most = moved, moved / (high - low)
    else:
        if not (0.0 < z[a] < 1.0 and 0.0 < z[b] < 1.0):
            return None
        slope = np.maximum(curve.slope(z, 0.02), 1e-3)
        fell, off = (
            float(z[a] - z[b]),
            SURE_SD * float(np.hypot(*(np.hypot(rests.sd, table_sd) / slope)[[a, b]])),
        )
        most = moved / (fell - off) if fell > off else np.inf
        least = moved / (fell + off) if fell + off > 0 else np.inf
    if most >= LEAST_Q * nominal and least <= MOST_Q * nominal:
        return None
    between = f"{least:.0f} to {most:.0f} Ah" if np.isfinite(most) else f"{least:.0f} Ah or more"
    return Contradiction(
        f"nominal_capacity_Ah = {nominal:g}",
        f"between two rests {moved:.3g} Ah were drawn while the cells fell from {rests.volt[a]:.3f} to "
        f"{rests.volt[b]:.3f} V",
        f"by its curve that is a pack of {between}, worn out or of other cells, or the current is read wrong",
    )
