"""Charge and capacity of every cell, and readings that are shifted instead."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.common_fit import Split, SplitData
from bmslogs.analysis.flow import Flow
from bmslogs.analysis.regression import BLOCKS, equal_blocks
from bmslogs.analysis.shifted_reading import (
    AsCharge,
    either,
    shifted_boards,
    shifted_singly,
    shifts_as_charge,
    unlike_the_others,
)
from bmslogs.analysis.split import split
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.grouped import Grouped
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.base.errors import NotEnoughData

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SHIFT_LEAST_V = 0.0035
"""A reading that is off by less does not count as shifted (choice)."""
LEAST_CELLS = 2
"""One believed cell has none to be compared with."""
FLOWING_C_RATE = 0.02
"""A current of a larger share of the capacity per hour makes a cell of high resistance drop more (choice)."""


@dataclass(frozen=True, eq=False)
class Charge:
    """The split of every cell's voltage into charge and capacity, held against a shift of its reading."""

    readings: Readings
    flow: Flow
    harness: Harness
    counted: Counted
    resistance: Resistance
    simultaneous: Simultaneous
    grouped: Grouped

    @cached_property
    def shifted(self) -> Bools:
        """(cells,) True where a shifted reading explains the cell better than its charge (`first_split`)."""
        cells, pack, trusted = self.readings.cells, self.readings.pack, self.harness.trusted
        boards = [np.array([c in board.cells for c in cells]) for board in pack.sense_boards]
        first = self.first_split
        off = shifted_boards(
            first.sound_shift,
            first.sound_shift_se,
            first.shift_odds,
            SHIFT_LEAST_V,
            boards,
            trusted,
            first.a / self.readings.capacity,
            first.b,
            AsCharge(first.a, first.b, first.shift_looks_like),
        )
        # beside a board that is off sound cells look shifted the other way
        left = trusted & ~off
        alone = self._split(left) if off.any() else first
        single = shifted_singly(alone.shift, alone.shift_se, alone.shift_odds, self._least_shift(), left)
        return off | single if 2 * (off | single).sum() <= trusted.sum() else off

    @cached_property
    def shift_instead(self) -> Floats:
        """(cells,) the one shift of the reading that explains a cell's charge and capacity both [V]; NaN where none."""
        first, left = self.first_split, self.harness.trusted & ~self.shifted
        cells = AsCharge(first.a, first.b, first.shift_looks_like)
        return shifts_as_charge(cells, (first.se["a"], first.se["b"]), 2.0 * SHIFT_LEAST_V, left)

    @cached_property
    def shifted_or_charged(self) -> Bools:
        """(cells,) True where other charge and a shifted reading explain the cell alike, and the others not so."""
        first, left = self.first_split, self.harness.trusted & ~self.shifted
        doubted = either(first.shift, first.shift_se, first.shift_odds, self._least_shift(), left)
        return doubted & unlike_the_others(first.shift, first.shift_se, left)

    def _least_shift(self) -> Floats:
        """(cells,) least shift that counts [V]: what a load leaves unexplained on an aged cell is no shift."""
        least, excess = np.full(len(self.readings.cells), SHIFT_LEAST_V), self.resistance.excess
        if excess is not None:
            current = self.flow.current
            flowing = current[np.abs(current) > FLOWING_C_RATE * self.readings.capacity]
            rms = float(np.sqrt((flowing**2).mean())) if len(flowing) else 0.0
            least += 0.5 * np.abs(np.nan_to_num(excess[0])) * self.resistance.usual * rms
        return least

    @cached_property
    def split(self) -> Split:
        """The split over `piece`, without cells whose reading is shifted.

        Raises
        ------
        NotEnoughData
            With the reason.
        """
        if not self.shifted.any():
            return self.first_split
        return self._split(self.harness.trusted & ~self.shifted)

    @cached_property
    def first_split(self) -> Split:
        """The split over `piece` with all trusted cells; raises as `split` does."""
        return self._split(self.harness.trusted)

    def _split(self, reference: Bools) -> Split:
        if reference.sum() < LEAST_CELLS:
            raise NotEnoughData("only a few readings with the charge counted")
        rows = self.grouped.rows
        data = SplitData(
            rows.volts,
            rows.charge,
            rows.columns,
            rows.current,
            equal_blocks(len(rows.current), BLOCKS),
            self.readings.capacity,
            self.resistance.usual,
            self.simultaneous.noise,
            period_s=rows.period_s,
            new=rows.tells,
            excess=self.resistance.excess,
            links=self.harness.links,
            table=self.readings.curve,
            anchors=self.counted.anchors,
            grows=rows.grows,
        )
        return split(data, reference)
