"""Sense-loom check before the contactors close: what a set of readings at rest objects to.

It can object; it cannot approve. Readings that look right may still come from the wrong cells: the touch test shows
which channel answers which place, and a rated meter in trained hands proves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.loom_checks import (
    Objection,
    against_order,
    against_total,
    cells_named,
    count,
    mirror_pairs,
    sensors,
    single_cells,
    swapped_taps,
    window,
)
from bmslogs.analysis.touch import touch_test
from bmslogs.base.pack import Pack

Floats = npt.NDArray[np.float64]

CURRENT_A = 1.0  # [A] more than this is no rest

NO_OBJECTION = "no objection found in these readings; the meter proves"


@dataclass(frozen=True)
class LoomReadings:
    """Readings at rest, contactors open.

    Attributes
    ----------
    cell_voltage
        (cells,) [V] as the monitor shows them, NaN where it shows none.
    meter_total, meter_cell
        [V] the whole string, and (cells,) each cell, as a hand meter reads them; None where not measured.
    temperature
        (sensors,) [degC].
    ambient
        [degC] by a thermometer.
    bleed
        (cells,) bleeding commanded on.
    current
        [A].
    """

    cell_voltage: Floats
    meter_total: float | None = None
    meter_cell: Floats | None = None
    temperature: Floats | None = None
    ambient: float | None = None
    bleed: npt.NDArray[np.bool_] | None = None
    current: float | None = None


@dataclass(frozen=True)
class LoomReport:
    """What was checked, what could not be, and the objections."""

    objections: tuple[Objection, ...]
    checked: tuple[str, ...]
    not_checked: tuple[str, ...]
    touch_test: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """One line."""
        n = len(self.objections)
        return NO_OBJECTION if n == 0 else f"{n} objection{'s' if n > 1 else ''}: do not close the contactors"


def check_loom(readings: LoomReadings, pack: Pack) -> LoomReport:
    """Check readings at rest against the pack file, each other, and the meter where it was used."""
    v = np.asarray(readings.cell_voltage, dtype=float)
    out: list[Objection] = []
    checked = ["count", "window", "mirror pairs", "swapped taps"]
    out += count(v, pack)
    low, high = window(pack)
    swapped = swapped_taps(v)
    out += swapped
    taken = {c for o in swapped for c in o.cells}
    mirrored = mirror_pairs(v, taken)
    out += mirrored
    taken |= {c for o in mirrored for c in o.cells}
    out += single_cells(v, low, high, taken)
    not_checked = []
    if readings.meter_total is not None:
        checked.append("sum against the meter")
        out += against_total(v, readings.meter_total)
    else:
        not_checked.append("sum: measure the whole string with a rated meter and give it")
    if readings.meter_cell is not None:
        checked.append("order against the meter")
        out += against_order(v, np.asarray(readings.meter_cell, dtype=float))
    else:
        not_checked.append(
            "order: voltages at rest do not show it; measure the cells with a rated meter, or touch test"
        )
    if readings.temperature is not None and np.size(readings.temperature):
        checked.append("temperature sensors")
        out += sensors(np.asarray(readings.temperature, dtype=float), readings.ambient, pack)
    else:
        not_checked.append("temperature sensors: none in these readings")
    if readings.bleed is not None and np.any(readings.bleed):
        cells = tuple(int(c) + 1 for c in np.flatnonzero(readings.bleed))
        out.append(
            Objection(
                "bleed",
                cells,
                f"bleeding is on at {cells_named(cells)}",
                "a bled cell and its neighbours read wrong by the drop in their sense wires",
                "switch bleeding off, wait a minute, read again",
            )
        )
    if readings.current is not None and abs(readings.current) > CURRENT_A:
        out.append(
            Objection(
                "current",
                (),
                f"{readings.current:.1f} A flow",
                "these are not readings at rest",
                "find where the current goes before anything else, or zero the sensor; read again",
            )
        )
    return LoomReport(tuple(out), tuple(checked), tuple(not_checked), touch_test(pack))
