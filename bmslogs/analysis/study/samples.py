"""Samples without holes, and what is told by rows brought onto them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import (
    taps,
)
from bmslogs.analysis.study.bridged import Bridged, Sampled
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Samples:
    """Samples without holes, and what is told by rows brought onto them."""

    readings: Readings
    refresh: Refresh
    bridged: Bridged
    harness: Harness

    @cached_property
    def kept(self) -> Sampled:
        """Samples without holes, bleed drops in the sense wires taken out."""
        raw = self.bridged.samples
        volts = raw.volts
        if (
            self.harness.taps is not None
            and self.readings.log.bleed is not None
            and self.readings.resistor is not None
        ):
            volts = taps.corrected(
                volts, self.readings.log.bleed[raw.row], self.readings.resistor, self.harness.taps
            )
        good = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1) & ~np.isnan(raw.current)
        keep = np.flatnonzero(good)
        return Sampled(
            raw.seconds[keep],
            raw.current[keep],
            raw.charge[keep],
            raw.steps[keep],
            raw.section[keep],
            np.nan_to_num(volts[keep]),
            raw.row[keep],
            raw.period_s,
        )

    def filters(self, tau_s: tuple[float, ...]) -> Floats:
        """Return (samples, times) low-passes of the current [A], one for each time constant [s]."""
        return self.at(np.stack([self.bridged.filtered(tau) for tau in tau_s], axis=1))

    def at(self, rows: Floats) -> Floats:
        """Return the means of a quantity given per row, aligned with `sampled`."""
        s = self.refresh.groups
        # the samples without holes are a subset of all samples, told by their first row
        return s.mean(rows)[np.searchsorted(s.rows[s.start], self.kept.row)]
