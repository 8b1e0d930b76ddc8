"""What a history can be asked about: a closed table that the page, the command and the documents walk."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Topic:
    """One question over the months.

    Attributes
    ----------
    key
        As `--quantity` and the address name it: the key of the diagnosis's quantity where there is one.
    title, question
        For people.
    per
        Whose lines they are: cells, sensors, or the pack alone.
    unit
        Unit of the lines in the JSON.
    shown_unit, shown_factor, shown_from
        How faces show a line: (value - shown_from) x factor.
    rate_unit
        How faces name the unit of a slope, before "a month".
    pack_key, pack_unit, pack_shown_unit, pack_shown_factor
        The pack's own line beside them; None where the pack's middle is nought by definition.
    least
        Size that matters (METHOD page): fraction, or per Ah of capacity where `least_per_Ah`; None: no slope is told.
    worse
        Sign of the direction that asks for work: +1, -1, or 0 for both.
    reaches
        What a drift comes to, after "it will"; None where nothing is foretold.
    sloped
        Whether slopes are told at all.
    """

    key: str
    title: str
    question: str
    per: str
    unit: str
    shown_unit: str
    shown_factor: float
    shown_from: float = 0.0
    rate_unit: str = ""
    pack_key: str | None = None
    pack_unit: str = ""
    pack_shown_unit: str = ""
    pack_shown_factor: float = 1.0
    least: float | None = None
    least_per_Ah: bool = False
    worse: int = 0
    reaches: str | None = None
    sloped: bool = True

    def size(self, capacity_Ah: float) -> float:
        """Return the size that matters for a pack of this capacity [unit of the lines]."""
        if self.least is None:
            return float("inf")
        return self.least * capacity_Ah if self.least_per_Ah else self.least


def _table(*rows: Topic) -> dict[str, Topic]:
    return {row.key: row for row in rows}


TOPICS: dict[str, Topic] = _table(
    Topic(
        "resistance_10s", "Resistance, 10 s into a load", "Does a cell or joint come to drop more under load?", "cell",
        "ratio to pack median", "%", 100.0, 1.0, "% of the pack's middle", "resistance_10s", "ohm", "mohm", 1e3,
        0.10, worse=1, reaches="be {size} above the pack's middle",
    ),
    Topic(
        "soc_offset", "Charge against the pack's middle, at full", "Which cell falls behind or runs ahead at full?",
        "cell", "Ah", "Ah", 1.0, 0.0, "Ah", least=0.01, least_per_Ah=True, reaches="want balancing",
    ),
    Topic(
        "capacity", "Capacity", "Does a cell or the pack lose capacity?", "cell", "ratio to pack median", "%", 100.0,
        1.0, "% of the pack's middle", "capacity", "Ah", "Ah", 1.0, 0.03, worse=-1,
        reaches="be {size} below the pack's middle",
    ),
    Topic(
        "leak_current_relative", "Leak current against the pack's middle", "Does a cell come to lose charge at rest?",
        "cell", "A", "mA", 1e3, 0.0, "mA", least=14e-6, least_per_Ah=True, worse=1,
        reaches="lose 1 % of its charge in a month more than the others",
    ),
    Topic(
        "bleed_done", "Bleeding commanded in a week", "Does a cell come to be bled more, or less, than the others?",
        "cell", "Ah per week", "Ah", 1.0, 0.0, "Ah in the week", "bleed_done", "Ah per week", "Ah", 1.0,
        0.00235, least_per_Ah=True,
    ),
    Topic(
        "heating", "Heating against the pack's middle", "Does a place come to warm more under load?", "sensor",
        "fraction of pack median", "%", 100.0, 0.0, "% of the pack's middle", least=0.15, worse=1,
        reaches="warm {size} more than the pack's middle",
    ),
    Topic(
        "resistance_outside_taps", "Resistance that no tap sees", "Do contactors, fuse and outer links drop more?",
        "pack", "ohm", "mohm", 1e3, rate_unit="mohm", pack_key="resistance_outside_taps", pack_unit="ohm",
        pack_shown_unit="mohm", pack_shown_factor=1e3, least=0.10, worse=1,
    ),
    Topic(
        "temperature_spread", "Temperature, warmest against coldest place", "How far apart are the places in warmth?",
        "sensor", "K", "K", 1.0, pack_key="temperature_spread", pack_unit="K", pack_shown_unit="K", sloped=False,
    ),
    Topic(
        "charge_counted", "Charge drawn and charged, added up", "How much charge went through the pack?", "pack",
        "Ah", "Ah", 1.0, pack_key="charge_counted", pack_unit="Ah", pack_shown_unit="Ah", sloped=False,
    ),
    Topic(
        "energy_counted", "Energy drawn and charged, added up", "How much energy went through the pack?", "pack",
        "kWh", "kWh", 1.0, pack_key="energy_counted", pack_unit="kWh", pack_shown_unit="kWh", sloped=False,
    ),
)  # fmt: skip
"""Every topic, in the order in which faces list them.

The sizes that matter are those of the findings (judgement: common practice, no source): 10 % of resistance, 1 % of
charge, 3 % of capacity, 14 uA of leak per Ah (1 % of charge a month; in a week of bleeding 2.35 mAh per Ah), 15 % of
the rise per ampere squared.
"""
