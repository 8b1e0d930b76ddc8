"""The quantities that an analysis can estimate, each a declared record; every face walks this one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Quantity:
    """One estimated quantity.

    Attributes
    ----------
    key
        Name in the JSON and in `bmslogs explain`.
    title
        For people, in the trade's words.
    question
        The question that it answers.
    unit
        Unit of the value in the JSON.
    shown_unit, shown_factor
        Unit and factor in which faces show it (1 ohm is shown as 1000 mohm).
    per
        Whether there is one a cell, one a sensor or one a pack.
    needs
        Columns or stretches of the log without which it cannot be estimated.
    centre
        The value that means "like the others", for diverging colours; None where there is none.
    over_logs
        What all logs of a pack say of it together: the mean of what each log says, weighted by the intervals, of what
        does not change from log to log; the latest log's of what changes from charge to charge; the sum of what is
        counted anew in each log.
    without_current
        Whether a log without a current can tell it.
    """

    key: str
    title: str
    question: str
    unit: str
    shown_unit: str
    shown_factor: float
    per: Literal["cell", "sensor", "pack"]
    needs: tuple[str, ...]
    centre: float | None = None
    over_logs: Literal["mean", "latest", "sum"] = "mean"
    without_current: bool = False


def _table(*rows: Quantity) -> dict[str, Quantity]:
    return {row.key: row for row in rows}


QUANTITIES: dict[str, Quantity] = _table(
    Quantity(
        "resistance_10s",
        "Resistance, 10 s into a load",
        "How much voltage does the cell lose per ampere, 10 s into a load?",
        "ohm",
        "mohm",
        1e3,
        "cell",
        ("current", "cell", "drive or load steps"),
    ),
    Quantity(
        "resistance_10s_relative",
        "Resistance against the pack's middle",
        "Does a cell drop more under load than its neighbours?",
        "ratio to pack median",
        "%",
        100.0,
        "cell",
        ("current", "cell", "drive or load steps"),
        1.0,
    ),
    Quantity(
        "soc_offset",
        "State of charge against the pack's middle",
        "Is a cell fuller or emptier than the others at the start of the log?",
        "fraction",
        "%",
        100.0,
        "cell",
        ("cell", "rest or a span of charge"),
        0.0,
        over_logs="latest",
    ),
    Quantity(
        "capacity_relative",
        "Capacity against the pack's middle",
        "Does a cell hold less than the others?",
        "ratio to pack median",
        "%",
        100.0,
        "cell",
        ("current", "cell", "a wide span of charge"),
        1.0,
    ),
    Quantity(
        "capacity",
        "Capacity",
        "How much charge does a cell hold?",
        "Ah",
        "Ah",
        1.0,
        "cell",
        ("current", "cell", "two rests or a full charge"),
    ),
    Quantity(
        "charge_to_full",
        "Charge still missing to full",
        "How much does each cell lack to its own full when the charge ended?",
        "Ah",
        "Ah",
        1.0,
        "cell",
        ("current", "cell", "charge"),
        over_logs="latest",
    ),
    Quantity(
        "bleed_needed",
        "Bleed still needed",
        "How much must be bled from a cell so that all are full together?",
        "Ah",
        "Ah",
        1.0,
        "cell",
        ("current", "cell", "charge"),
        over_logs="latest",
    ),
    Quantity(
        "bleed_done",
        "Bleed commanded",
        "How much charge did the commanded bleeding take, if it worked?",
        "Ah",
        "Ah",
        1.0,
        "cell",
        ("bleed", "cell"),
        over_logs="sum",
        without_current=True,
    ),
    Quantity(
        "bleed_duty",
        "Bleed duty",
        "What share of the powered time was the bleeding commanded?",
        "fraction",
        "%",
        100.0,
        "cell",
        ("bleed",),
        without_current=True,
    ),
    Quantity(
        "leak_current_relative",
        "Leak current against the pack's middle",
        "Does a cell lose charge at rest faster than the others?",
        "A",
        "mA",
        1e3,
        "cell",
        ("cell", "parked days"),
        0.0,
    ),
    Quantity(
        "heating",
        "Heating against the pack's middle",
        "Does a place warm more per ampere squared than the others?",
        "K per A^2",
        "mK per A^2",
        1e3,
        "sensor",
        ("current", "temperature", "drive"),
        0.0,
    ),
    Quantity(
        "resistance_outside_taps",
        "Resistance that no tap sees",
        "How much do contactors, fuse and the links outside the taps add?",
        "ohm",
        "mohm",
        1e3,
        "pack",
        ("current", "cell", "pack_voltage"),
    ),
    Quantity(
        "current_zero",
        "Current reading at rest",
        "Does the current sensor read nought when nothing flows?",
        "A",
        "A",
        1.0,
        "pack",
        ("current", "rest"),
    ),
    Quantity(
        "current_lag",
        "Lag of the current reading",
        "How much later than the voltages is the current read?",
        "s",
        "s",
        1.0,
        "pack",
        ("current", "cell", "load steps"),
    ),
    Quantity(
        "balancing_time",
        "Time to balance",
        "How long must the pack's resistors bleed until all cells are full together?",
        "h",
        "h",
        1.0,
        "pack",
        ("charge", "bleed resistor in the pack file"),
        over_logs="latest",
    ),
    Quantity(
        "usable_charge",
        "Usable charge",
        "How much charge can the pack take from empty to full as it is now?",
        "Ah",
        "Ah",
        1.0,
        "pack",
        ("capacity", "soc_offset"),
        over_logs="latest",
    ),
    Quantity(
        "gain_by_balancing",
        "Charge won by balancing",
        "How much more would a balanced pack hold?",
        "Ah",
        "Ah",
        1.0,
        "pack",
        ("capacity", "soc_offset"),
        over_logs="latest",
    ),
    Quantity(
        "gain_by_replacing",
        "Charge won by replacing the weakest module",
        "How much more would the pack hold, balanced, with its weakest module replaced?",
        "Ah",
        "Ah",
        1.0,
        "pack",
        ("capacity", "modules in the pack file"),
    ),
)
"""Every quantity, in the order in which faces list them."""
