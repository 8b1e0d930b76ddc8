"""A pack's own open-circuit curve, learnt from one slow charge between two rests.

The curve of the split is the string's own in shape, but its level hangs on the polarisation taken off it; the rests
at either end say where it really lies, and what the polarisation misses between them is taken to change evenly with
the charge. Beyond the charge the table goes on. Lineage: pseudo-open-circuit curves from a slow charge (common
practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]

FASTEST_C_RATE, FASTEST_FLAT_C_RATE = 0.25, 0.12
"""A faster charge hides the curve under its polarisation; a flat curve is hidden sooner, and by hysteresis (choice from
simulation: there the table is the better one at 0.2 C)."""
LEAST_SPAN = 0.6
"""Share of the charge that must be passed through (choice)."""
NEAR_END = 0.03
"""A rest stands for an end of the charge within this share of the capacity (choice)."""
POINTS = 101


@dataclass(frozen=True)
class OwnCurve:
    """An open-circuit curve learnt from a log.

    Attributes
    ----------
    source
        One line for people: which log, how.
    soc_low, soc_high
        What the charge passed through; beyond it the table that stood before goes on.
    c_rate
        Mean current of the charge over the capacity [1/h].
    moved_V
        Root mean square of what the curve differs from the table that stood before, within the charge [V].
    table
        (soc 0..1, open-circuit voltage [V]) pairs, both rising, as a pack file takes them.
    """

    source: str
    soc_low: float
    soc_high: float
    c_rate: float
    moved_V: float
    table: tuple[tuple[float, float], ...]


def own_curve(known: Knowledge) -> OwnCurve:
    """Learn the curve of the middle cell.

    Raises
    ------
    NotEnoughData
        The charge was fast or short, or no rest stands at one of its ends.
    """
    s = known.study
    charging = s.flow.rows_of("charge") & ~np.isnan(s.flow.current)
    if not charging.any():
        raise NotEnoughData("the log holds no charge")
    c_rate = float(np.abs(s.flow.current[charging]).mean()) / s.readings.capacity
    fastest = FASTEST_FLAT_C_RATE if s.readings.curve.flat else FASTEST_C_RATE
    if c_rate > fastest:
        raise NotEnoughData(f"the charge ran at {c_rate:.2f} C; this curve is told at {fastest:g} C or less")
    split, place = s.charge.split, known.place.alignment
    span = (split.q_high - split.q_low) / s.readings.capacity
    if place is None or span < LEAST_SPAN:
        raise NotEnoughData(
            f"the log passes through {span * 100:.0f} % of the charge; {LEAST_SPAN * 100:.0f} % are needed"
        )
    order = np.argsort(s.counted.anchors.charge)
    at, level = s.counted.anchors.charge[order], s.counted.anchors.volt[order]
    near = NEAR_END * s.readings.capacity
    if len(at) < 2 or at[0] > split.q_low + near or at[-1] < split.q_high - near:
        raise NotEnoughData("no rest of five minutes or more stands at both ends of the charge")
    q = np.linspace(split.q_low, split.q_high, 400)
    volt = split.curve(q) + np.interp(q, at, level - split.curve(at))
    z = place.soc(q)
    soc = np.linspace(0.0, 1.0, POINTS)
    inside = np.interp(soc, z[::-1], volt[::-1])
    was = s.readings.curve.voltage(soc)
    low, high = float(z.min()), float(z.max())
    below = was + volt[-1] - float(s.readings.curve.voltage(low))
    above = was + volt[0] - float(s.readings.curve.voltage(high))
    own = np.where(soc < low, below, np.where(soc > high, above, inside))
    own = np.maximum.accumulate(own) + 1e-5 * np.arange(POINTS)
    seen = (soc >= low) & (soc <= high)
    return OwnCurve(
        table=tuple((round(float(x), 4), round(float(v), 5)) for x, v in zip(soc, own, strict=True)),
        soc_low=low,
        soc_high=high,
        c_rate=c_rate,
        moved_V=float(np.sqrt(((own - was)[seen] ** 2).mean())),
        source=(
            f"learnt from log {s.readings.log.id}, a charge at {c_rate:.2f} C from {low * 100:.0f} to "
            f"{min(high, 1.0) * 100:.0f} % between two rests"
        ),
    )
