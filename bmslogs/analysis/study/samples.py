"""Samples without holes, and what is told by rows brought onto them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis import taps
from bmslogs.analysis.study.bridged import Bridged, Sampled
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.readings import Readings
from bmslogs.analysis.study.refresh import Refresh

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Samples:
    """The samples that the analysis works with."""

    readings: Readings
    refresh: Refresh
    bridged: Bridged
    harness: Harness

    @cached_property
    def kept(self) -> Sampled:
        """Samples with a current and every believed reading, bleed drops in the sense wires taken out; no NaN."""
        raw, volts = self.bridged.samples, self.bridged.samples.volts
        wires, bleed, resistor = self.harness.taps, self.readings.log.bleed, self.readings.resistor
        if wires is not None and bleed is not None and resistor is not None:
            volts = taps.corrected(volts, bleed[raw.row], resistor, wires)
        good = ~np.isnan(volts[:, self.harness.trusted]).any(axis=1) & ~np.isnan(raw.current)
        keep = np.flatnonzero(good)
        return replace(
            raw,
            seconds=raw.seconds[keep],
            current=raw.current[keep],
            charge=raw.charge[keep],
            steps=raw.steps[keep],
            section=raw.section[keep],
            volts=np.nan_to_num(volts[keep]),
            row=raw.row[keep],
        )

    def filters(self, tau_s: tuple[float, ...]) -> Floats:
        """Return (samples, times) low-passes of the current [A], one for each time constant [s]."""
        return self.at(np.stack([self.bridged.filtered(tau) for tau in tau_s], axis=1))

    def at(self, rows: Floats) -> Floats:
        """Return the means of a quantity given per row, aligned with `kept`."""
        # the samples without holes are a subset of all samples, told by their first row
        return self.refresh.groups.mean(rows)[np.searchsorted(self.refresh.first_rows, self.kept.row)]
