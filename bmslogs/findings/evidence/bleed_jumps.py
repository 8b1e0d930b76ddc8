"""A sense wire with resistance: how readings jump when a cell's resistor is switched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.study import Study
from bmslogs.analysis.taps import edges_of
from bmslogs.base.errors import NotEnoughData
from bmslogs.findings.evidence.source import calmly

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

AROUND = 2  # cells on both sides of the named one
UNIT_OHM = 1.0
"""Where the pack file names no resistor: which readings a switch touches does not hang on its size."""


@dataclass(frozen=True)
class BleedJump:
    """Jumps of readings while one resistor is switched on, those of its switching off turned round.

    Attributes
    ----------
    source
        Column of the cell that is bled.
    columns
        (k,) columns of the readings.
    jump, half
        (k,) mean jump [V] against the cells that no bleeding touches, and the half width of its 95 % interval.
    edges
        How many edges of the flag it rests on.
    """

    source: int
    columns: Ints
    jump: Floats
    half: Floats
    edges: int


@calmly
def bleed_jumps(s: Study, column: int) -> list[BleedJump]:
    """Return the jumps of readings about a cell, for each cell about it whose flag changes.

    The edges are those from which the sense wires' resistance is found. Where a resistor is ever switched alone, only
    such edges count.

    Parameters
    ----------
    column
        Of the cell in the middle.

    Raises
    ------
    NotEnoughData
        No flags, or no edge with steady readings on both sides.
    """
    if s.readings.log.bleed is None:
        raise NotEnoughData("the log has no bleed flags")
    log, fresh, ohm = s.readings.log, s.refresh.rows, s.readings.resistor or UNIT_OHM
    flags = s.readings.log.bleed[fresh]
    found = edges_of(log.cell_voltage[fresh], flags, log.seconds[fresh], ohm, s.harness.trusted)
    if found is None:
        raise NotEnoughData("no flag changes between steady readings")
    columns = np.arange(max(0, column - AROUND), min(len(s.readings.cells), column + AROUND + 1))
    after, before = flags[np.minimum(found.at + 1, len(flags) - 1)], flags[found.at - 1]
    change = after.astype(np.int8) - before.astype(np.int8)
    out = []
    for source in columns:
        here = change[:, source] != 0
        alone = here & ((change != 0).sum(axis=1) == 1)
        rows = alone if alone.any() else here
        if not rows.any():
            continue
        jump = (found.jump[rows] * change[rows, source][:, None])[:, columns]
        known = np.maximum(np.isfinite(jump).sum(axis=0), 1)
        half = 1.96 * np.hypot(np.nanstd(jump, axis=0), log.voltage_step / np.sqrt(12.0)) / np.sqrt(known)
        out.append(BleedJump(int(source), columns, np.nanmean(jump, axis=0), half, int(rows.sum())))
    return out
