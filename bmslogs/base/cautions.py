"""The cautions that stand in every output. The tool never calls a pack safe."""

from __future__ import annotations

HIGH_VOLTAGE = (
    "High voltage: taps, looms and module ends are live even with the contactors open. A log never shows that a "
    "pack is isolated or de-energised; a rated meter in trained hands does. Isolate, lock, prove dead, keep modules "
    "split as long as you can."
)
DAMAGED_CELLS = (
    "Damaged, swollen, hot, wet or crashed cells: do not charge, keep them outdoors and apart, ask the cell maker "
    "and the fire service. Never recharge a cell found below its lower limit without the maker's advice."
)
COLD_CHARGE = (
    "Charging in the cold (regeneration included) can plate lithium and hurts a cell for good: keep to the charging "
    "temperature of the cell's data sheet, usually above 0 degC."
)
LOCAL_RULES = (
    "Local rules and a qualified person decide about work on the pack and its use; this report is evidence for "
    "them, not a clearance."
)

CAUTIONS: tuple[str, ...] = (HIGH_VOLTAGE, DAMAGED_CELLS, COLD_CHARGE, LOCAL_RULES)
"""All of them, in the order in which they are printed."""
