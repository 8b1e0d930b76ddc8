"""Figures in the sentences of sights."""

from __future__ import annotations


def millivolt(volts: float) -> str:
    """Return a size in mV without its sign, such as ``48 mV`` or ``2.3 mV``."""
    size = abs(volts) * 1e3
    return f"{size:.0f} mV" if size >= 9.95 else f"{size:.1f} mV"


def stands(volts: float) -> str:
    """Return a difference from the median of the rest, such as ``48 mV under the median of the rest``."""
    return f"{millivolt(volts)} {'over' if volts > 0 else 'under'} the median of the rest"


def lasting(seconds: float) -> str:
    """Return a length of time, such as ``40 s``, ``3.2 min``, ``5.5 h`` or ``6.2 days``."""
    for least, unit, size in ((86400 * 2, "days", 86400), (5400, "h", 3600), (90, "min", 60)):
        if seconds >= least:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.0f} s"
