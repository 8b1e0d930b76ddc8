"""One log made ready for every question, by composition: each part is built from the parts below it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.flow import Flow, flow_of
from bmslogs.analysis.study.bleeding import Bleeding
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.chain import Chain
from bmslogs.analysis.study.charge import Charge
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.grouped import Grouped
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.heat import Heat
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.parked import Parked
from bmslogs.analysis.study.readings import Readings, readings_of
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.analysis.study.steps import Steps
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.log import Log

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Study:
    """A log and what has been worked out of it so far.

    Attributes
    ----------
    given
        The log as it was given; `readings.log` has it without readings that no cell can have.
    """

    given: Log

    def __post_init__(self) -> None:
        self.readings  # noqa: B018 - refuses a log of one row at once

    @cached_property
    def readings(self) -> Readings:
        """The log as it was read, and without what no cell can have."""
        return readings_of(self.given)

    @cached_property
    def flow(self) -> Flow:
        """Clock and current: rests, what the pack was doing, charge moved."""
        return flow_of(self.readings.source)

    @cached_property
    def refresh(self) -> Refresh:
        """When the voltages were read anew: stale rows, channels in turns, rows that make one sample."""
        return Refresh(self.readings, self.flow)

    @cached_property
    def bridged(self) -> Bridged:
        """Readings with short holes bridged, by rows and as samples of about a second."""
        return Bridged(self.readings, self.flow, self.refresh)

    @cached_property
    def harness(self) -> Harness:
        """The sense wires and their channels: which readings are believed, and what the wires drop."""
        return Harness(self.readings, self.flow, self.refresh, self.bridged)

    @cached_property
    def samples(self) -> Samples:
        """Samples without holes, and what is told by rows brought onto them."""
        return Samples(self.readings, self.refresh, self.bridged, self.harness)

    @cached_property
    def temperatures(self) -> Temperatures:
        """Temperature sensors: which are believed, and how warm the pack was."""
        return Temperatures(self.readings, self.flow, self.samples)

    @cached_property
    def counted(self) -> Counted:
        """Charge counted: by the current, and by the commands to bleed."""
        return Counted(self.readings, self.flow, self.harness, self.samples)

    @cached_property
    def bursts(self) -> Bursts:
        """Contacts that come and go: what no load explains of a cell for the moment."""
        return Bursts(self.readings, self.refresh, self.harness, self.samples)

    @cached_property
    def loads(self) -> Loads:
        """What drives and charges tell of the resistances: the load fit."""
        return Loads(
            self.readings,
            self.flow,
            self.refresh,
            self.harness,
            self.samples,
            self.temperatures,
            self.bursts,
        )

    @cached_property
    def steps(self) -> Steps:
        """What single clean steps of the current tell of the resistances."""
        return Steps(self.readings, self.flow, self.refresh, self.bridged, self.harness)

    @cached_property
    def resistance(self) -> Resistance:
        """Resistances by the loads or by single steps, whichever tells them better."""
        return Resistance(self.readings, self.harness, self.loads, self.steps)

    @cached_property
    def simultaneous(self) -> Simultaneous:
        """Readings as if all had been read at once, and how they scatter."""
        return Simultaneous(
            self.readings, self.flow, self.refresh, self.harness, self.samples, self.loads, self.resistance
        )

    @cached_property
    def heat(self) -> Heat:
        """Warmth from the load: the rise of each place, sensors held against the cells, the cells' temperatures."""
        return Heat(
            self.readings,
            self.flow,
            self.harness,
            self.samples,
            self.temperatures,
            self.loads,
            self.steps,
            self.resistance,
        )

    @cached_property
    def chain(self) -> Chain:
        """The measuring chain: current and voltages held against each other."""
        return Chain(self.readings, self.flow, self.refresh, self.harness, self.samples, self.loads)

    @cached_property
    def grouped(self) -> Grouped:
        """Samples in groups, as the split of charge and capacity is given them."""
        return Grouped(
            self.readings,
            self.flow,
            self.refresh,
            self.harness,
            self.samples,
            self.temperatures,
            self.counted,
            self.bursts,
            self.resistance,
            self.simultaneous,
        )

    @cached_property
    def charge(self) -> Charge:
        """Charge and capacity of every cell, and readings that are shifted instead."""
        return Charge(
            self.readings,
            self.flow,
            self.harness,
            self.counted,
            self.resistance,
            self.simultaneous,
            self.grouped,
        )

    @cached_property
    def parked(self) -> Parked:
        """What the cells lost while the pack was parked, or its logger slept."""
        return Parked(self.readings, self.flow, self.bridged, self.harness, self.temperatures)

    @cached_property
    def bleeding(self) -> Bleeding:
        """What bleeding took from the cells, and whether commands reached their own."""
        return Bleeding(self.readings, self.flow, self.refresh, self.harness, self.counted)
