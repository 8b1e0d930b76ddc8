"""The causes that a finding may name: a closed list, each a declared record; every face walks this one table."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """One cause.

    Attributes
    ----------
    key
        Name in the JSON and in `bmslogs explain`.
    title
        For people, in the trade's words.
    says
        The one sentence that it states.
    unit
        Unit of a finding's size in the JSON.
    shown_unit, shown_factor
        Unit and factor in which faces show the size.
    least
        The least size that may be more than a note (judgement: common practice, no source);
        None where the cause has no size of its own.
    picture
        Key of the proof picture that shows it.
    sound
        Size of a cell that has nothing of it [`unit`]: an interval that holds this proves nothing.
    """

    key: str
    title: str
    says: str
    unit: str
    shown_unit: str
    shown_factor: float
    least: float | None
    picture: str
    sound: float = 0.0


def _table(*rows: Cause) -> dict[str, Cause]:
    return {row.key: row for row in rows}


MEDIAN = "fraction of pack median"

CAUSES: dict[str, Cause] = _table(
    Cause(
        "cell_resistance_high",
        "Cell resistance high",
        "the cell itself drops more voltage under load than its neighbours",
        MEDIAN,
        "%",
        100.0,
        0.10,
        "resistance",
    ),
    Cause(
        "joint_resistance_high",
        "Joint resistance high",
        "the extra drop is ohmic and sits where a link or lug is",
        "ohm",
        "mohm",
        1e3,
        None,
        "cell_or_joint",
    ),
    Cause(
        "cell_or_joint_resistance_high",
        "Cell or joint resistance high",
        "high, and this log cannot tell which of the two",
        MEDIAN,
        "%",
        100.0,
        0.10,
        "cell_or_joint",
    ),
    Cause(
        "joint_loose",
        "Joint loose",
        "a contact opens for moments under load",
        "ohm",
        "mohm",
        1e3,
        0.2,
        "bursts",
    ),
    Cause(
        "capacity_low",
        "Capacity low",
        "the cell holds less than the others",
        MEDIAN,
        "%",
        100.0,
        0.03,
        "empty_or_small",
    ),
    Cause(
        "soc_offset_low",
        "Emptier than the others",
        "it is emptier than the others; it needs balancing, not replacing",
        "fraction",
        "% of charge",
        100.0,
        0.01,
        "full_first",
    ),
    Cause(
        "soc_offset_high",
        "Fuller than the others",
        "it is fuller than the others; it needs balancing, not replacing",
        "fraction",
        "% of charge",
        100.0,
        0.01,
        "full_first",
    ),
    Cause(
        "self_discharge_high",
        "Self-discharge high",
        "it loses charge at rest faster than the others",
        "A",
        "mA",
        1e3,
        None,
        "leak",
    ),
    Cause(
        "tap_open",
        "Sense wire off",
        "two neighbours mirror each other: a sense wire is off",
        "V",
        "mV",
        1e3,
        None,
        "mirror",
    ),
    Cause(
        "tap_resistive",
        "Sense wire has resistance",
        "readings jump with bleed current: a sense wire has resistance",
        "ohm",
        "ohm",
        1.0,
        None,
        "bleed_jump",
    ),
    Cause(
        "taps_swapped",
        "Sense wires swapped",
        "two sense wires change places",
        "V",
        "mV",
        1e3,
        None,
        "swapped",
    ),
    Cause(
        "channel_stuck",
        "Reading stuck",
        "a reading does not move while the others do",
        "V",
        "mV",
        1e3,
        None,
        "stuck",
    ),
    Cause(
        "channel_offset",
        "Reading shifted",
        "one reading, or all of one board, is shifted or scaled",
        "V",
        "mV",
        1e3,
        0.005,
        "stuck",
    ),
    Cause(
        "temperature_sensor_fault",
        "Temperature sensor at fault",
        "open, shorted, stuck, off from the others after a soak, or wrong curve",
        "degC",
        "degC",
        1.0,
        2.0,
        "sensor",
    ),
    Cause(
        "runs_hot",
        "Runs hot",
        "it warms more per A^2 than its neighbours",
        MEDIAN,
        "%",
        100.0,
        None,
        "heating",
    ),
    Cause(
        "bleed_ineffective",
        "Bleeding does not work",
        "commanded bleeding does not move the cell",
        "fraction",
        "%",
        100.0,
        None,
        "bleed_effect",
        sound=1.0,
    ),
    Cause(
        "bleed_misplaced",
        "Bleeding misplaced",
        "bleeding acts on the wrong cells, or where voltage says nothing about charge",
        "Ah",
        "Ah",
        1.0,
        None,
        "bleed_effect",
    ),
    Cause(
        "limit_exceeded",
        "Limit passed",
        "a cell limit was passed: which, for how long, by how much",
        "V",
        "V",
        1.0,
        None,
        "limit",
    ),
    Cause(
        "cold_charge",
        "Charged in the cold",
        "charge current, regeneration included, below the charging temperature limit",
        "Ah",
        "Ah",
        1.0,
        None,
        "limit",
    ),
    Cause(
        "current_sensor_zero",
        "Current does not read nought",
        "the current does not read nought at rest",
        "A",
        "A",
        1.0,
        None,
        "current_zero",
    ),
    Cause(
        "log_quality",
        "The log itself",
        "gaps, held frames, slow refresh, clock jumps: what they cost the answer",
        "",
        "",
        1.0,
        None,
        "log_quality",
    ),
    Cause(
        "pack_file_mismatch",
        "The pack file does not fit",
        "the log contradicts a line of the pack file: which, and by what",
        "",
        "",
        1.0,
        None,
        "pack_file",
    ),
)
"""Every cause, in the order in which faces list them."""
