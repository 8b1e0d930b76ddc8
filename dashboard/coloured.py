"""Which quantity colours a pack: that in which the most urgent finding shows, else the first that is known."""

from __future__ import annotations

from bmslogs.base.results import Diagnosis, by_urgency

COLOURED_BY = ("resistance_10s_relative", "soc_offset", "capacity_relative")
"""The usual ones, in this order."""
SHOWS = {
    "cell_resistance": "resistance_10s_relative",
    "joint": "resistance_10s_relative",
    "cell_or_joint": "resistance_10s_relative",
    "soc_offset": "soc_offset",
    "capacity": "capacity_relative",
    "self_discharge": "leak_current_relative",
    "bleed": "soc_offset",
}
"""Beginning of a cause, and the quantity in which it shows."""


def shows_first(told: Diagnosis) -> list[str]:
    """Return the quantity in which the most urgent finding of a cell shows; none where there is no such finding."""
    first = next((f.cause for f in by_urgency(told.findings) if f.cells), "")
    return [key for start, key in SHOWS.items() if first.startswith(start)]


def coloured_by(told: Diagnosis) -> list[str]:
    """Return the quantities that may colour a small picture: that of the most urgent finding before the usual ones."""
    return list(dict.fromkeys([*shows_first(told), *COLOURED_BY]))
