"""One log made ready for every question, by composition: each part is built from the parts below it.

A part has one subject and names the parts that it asks in its constructor; none knows the study. What a part works out
it works out once, when it is first asked, and keeps.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from bmslogs.analysis.flow import Flow, flow_of
from bmslogs.analysis.study.at_rest import AtRest
from bmslogs.analysis.study.bleeding import Bleeding
from bmslogs.analysis.study.bridged import Bridged
from bmslogs.analysis.study.bursts import Bursts
from bmslogs.analysis.study.cell_temperatures import CellTemperatures
from bmslogs.analysis.study.chain import Chain
from bmslogs.analysis.study.charge import Charge
from bmslogs.analysis.study.counted import Counted
from bmslogs.analysis.study.grouped import Grouped
from bmslogs.analysis.study.harness import Harness
from bmslogs.analysis.study.loads import Loads
from bmslogs.analysis.study.parked import Parked
from bmslogs.analysis.study.polarising import Polarising
from bmslogs.analysis.study.readings import Readings, readings_of
from bmslogs.analysis.study.refresh import Refresh
from bmslogs.analysis.study.resistance import Resistance
from bmslogs.analysis.study.samples import Samples
from bmslogs.analysis.study.simultaneous import Simultaneous
from bmslogs.analysis.study.steps import Steps
from bmslogs.analysis.study.temperatures import Temperatures
from bmslogs.analysis.study.under_load import UnderLoad
from bmslogs.log import Log


@dataclass(frozen=True, eq=False)
class Study:
    """The parts of one log, each made when it is first asked for.

    Attributes
    ----------
    given
        The log as it was given; `readings.log` is the one to work with.

    Raises
    ------
    NotEnoughData
        The log has fewer than two rows.
    """

    given: Log

    def __post_init__(self) -> None:
        self.readings  # noqa: B018 - a log of one row is refused at once

    # ---- the readings ---------------------------------------------------------------------------------------

    @cached_property
    def readings(self) -> Readings:
        """The log as it was read, and without readings that no cell can have."""
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

    # ---- loads ----------------------------------------------------------------------------------------------

    @cached_property
    def under_load(self) -> UnderLoad:
        """When the pack was under load, and what that load was like."""
        return UnderLoad(self.readings, self.flow, self.samples)

    @cached_property
    def temperatures(self) -> Temperatures:
        """Temperature sensors: which are believed, how warm the pack was, how the load warmed it."""
        return Temperatures(self.readings, self.flow, self.samples)

    @cached_property
    def bursts(self) -> Bursts:
        """Contacts that come and go."""
        return Bursts(self.readings, self.refresh, self.harness, self.samples)

    @cached_property
    def loads(self) -> Loads:
        """Resistances by the load fit."""
        under_load, temperatures, bursts = self.under_load, self.temperatures, self.bursts
        return Loads(
            self.readings, self.refresh, self.harness, self.samples, under_load, temperatures, bursts
        )

    @cached_property
    def steps(self) -> Steps:
        """Resistances by single clean steps of the current."""
        return Steps(self.readings, self.flow, self.refresh, self.bridged, self.harness)

    @cached_property
    def resistance(self) -> Resistance:
        """Resistances by whichever tells them better."""
        return Resistance(self.readings, self.harness, self.under_load, self.loads, self.steps)

    @cached_property
    def cell_temperatures(self) -> CellTemperatures:
        """Temperatures of the cells while their resistances are told."""
        return CellTemperatures(self.readings, self.harness, self.temperatures, self.resistance)

    @cached_property
    def chain(self) -> Chain:
        """The measuring chain: pack voltage against the cells, current against their time."""
        return Chain(self.readings, self.flow, self.refresh, self.harness, self.samples, self.under_load)

    # ---- charge ---------------------------------------------------------------------------------------------

    @cached_property
    def counted(self) -> Counted:
        """Charge counted: by the current, and by the commands to bleed."""
        return Counted(self.readings, self.flow, self.harness, self.samples)

    @cached_property
    def simultaneous(self) -> Simultaneous:
        """Readings as if all had been read at once, and how they scatter."""
        samples, loads, resistance = self.samples, self.loads, self.resistance
        return Simultaneous(self.readings, self.flow, self.refresh, self.harness, samples, loads, resistance)

    @cached_property
    def polarising(self) -> Polarising:
        """What polarises the cells."""
        temperatures, counted, resistance = self.temperatures, self.counted, self.resistance
        return Polarising(self.readings, self.flow, self.samples, temperatures, counted, resistance)

    @cached_property
    def grouped(self) -> Grouped:
        """Samples in groups, as the split of charge and capacity is given them."""
        polarising, simultaneous = self.polarising, self.simultaneous
        return Grouped(self.refresh, self.samples, self.counted, self.bursts, polarising, simultaneous)

    @cached_property
    def charge(self) -> Charge:
        """Charge and capacity of every cell, and readings that are shifted instead."""
        resistance, simultaneous, grouped = self.resistance, self.simultaneous, self.grouped
        return Charge(self.readings, self.flow, self.harness, self.counted, resistance, simultaneous, grouped)

    # ---- at rest --------------------------------------------------------------------------------------------

    @cached_property
    def parked(self) -> Parked:
        """What the cells lost while the pack was parked, or its logger slept."""
        return Parked(self.readings, self.flow, self.bridged, self.harness, self.temperatures)

    @cached_property
    def at_rest(self) -> AtRest:
        """How the cells stood in the first rest that settles."""
        return AtRest(self.readings, self.flow, self.harness, self.parked)

    @cached_property
    def bleeding(self) -> Bleeding:
        """What bleeding took from the cells, and whether commands reached their own."""
        return Bleeding(self.readings, self.flow, self.refresh, self.harness, self.counted)
