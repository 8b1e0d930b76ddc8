"""The touch test: which channel answers which place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmedian
from bmslogs.base.pack import Pack


def touch_test(pack: Pack) -> tuple[str, ...]:
    """Return the steps of the touch test, which shows what channel answers what place."""
    sensors = ", ".join(s.name for s in pack.temperature_sensors) or "each sensor in turn"
    return (
        "Taps are live with the contactors open: trained hands, insulated tools, protective equipment, "
        "modules split.",
        f"Warm one sensor at a time with a gloved finger for a minute ({sensors}): its own reading, and no "
        "other, rises by a kelvin. Go through them in order and log it: the order of the rises is the map.",
        f"Bleed one cell at a time, 1 to {pack.cells_in_series}, for half a minute if the monitor lets you, "
        "and log it: the order of the dips is the map.",
        "Measure each cell at its own terminals with a rated meter and compare it with its channel: the meter proves.",
    )


def touch_order(values: npt.ArrayLike, seconds: npt.ArrayLike, least: float) -> tuple[tuple[int, float], ...]:
    """Return which channel answered when, from a log of a touch test.

    Parameters
    ----------
    values
        (rows, channels) temperatures [degC] or voltages [V].
    seconds
        (rows,) time [s].
    least
        Step away from the channel's own start, against the median of all channels, that counts as an answer
        [unit of values]: 1 K for a finger, 1 mV or more for a bleed resistor.

    Returns
    -------
    (channel counted from 1, time of its largest answer [s]) in order of time; channels without answer are left out.
    """
    x, t = np.asarray(values, dtype=float), np.asarray(seconds, dtype=float)
    own = x - nanmedian(x[: max(3, len(x) // 50)], axis=0)
    own = np.abs(own - nanmedian(own, axis=1, keepdims=True))
    own = np.where(np.isfinite(own), own, 0.0)
    peak = own.argmax(axis=0)
    answered = [(int(c) + 1, float(t[peak[c]])) for c in range(x.shape[1]) if own[peak[c], c] >= least]
    return tuple(sorted(answered, key=lambda pair: pair[1]))
