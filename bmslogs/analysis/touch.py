"""The touch test: which channel answers which place."""

from __future__ import annotations

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
