"""Lines of the pack file that the log contradicts: what rests on them is withheld, and here is said why."""

from __future__ import annotations

from collections.abc import Iterable

from bmslogs.base.pack_claims import Contradiction
from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import METER_FIRST, Case, finding

WITHHELD = "what rests on the open-circuit curve (charge, capacity in Ah, leak, worth) is withheld"


def mismatch(case: Case) -> list[Finding]:
    """One finding a line."""
    return [_finding(case, one) for one in case.knowledge.contradictions]


def _finding(case: Case, one: Contradiction) -> Finding:
    # a board that stands still hides its cells: the worse of the two left decides
    level: Level = "act" if one.frozen else "look"
    because = [f"pack file: {one.line}", f"log: {one.found}", one.expected]
    if one.curve:
        because.append(WITHHELD)
    if one.frozen:
        because.append(
            "either the string has fewer cells, or a measuring board stands still: the log cannot tell"
        )
    return finding(
        case.pack,
        "pack_file_mismatch",
        level,
        one.cells,
        one.says,
        because,
        _steps(one),
        unit="",
    )


def _steps(one: Contradiction) -> list[str]:
    if one.cells:
        return [
            "Do not charge or drive until the cells are counted: what a board does not read, nobody guards."
            if one.frozen
            else "Count the cells of the string, and put that number into the pack file.",
            METER_FIRST,
            "Warm one cell after the other by hand and see which reading moves; mend the board, or correct the pack "
            "file, and import the log again.",
        ]
    if one.line.startswith("bleed_resistor"):
        return [
            "Let no cell be bled unattended until it is clear what a command takes: a smaller resistor runs hotter.",
            f"Look at the board; read the resistors, or measure one with the board off the pack. {METER_FIRST}",
            "Correct the pack file and import the log again; times to balance rest on this line.",
        ]
    if one.line.startswith("nominal"):
        return [
            "Read the capacity off the cell's data sheet, times the cells in parallel, and correct the pack file.",
            "If it is right, check the current sensor against a reference shunt: its scale may be off.",
        ]
    return [
        "Check that this log and this pack file belong together, and read the line off the cell's data sheet.",
        "Correct the pack file and import the log again; until then trust no charge limit that was set by it.",
    ]


def without_unread(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings without those of channels that stand still because nothing is there to read.

    Channels that read nothing a cell has since two wires changed places are cells all the same.
    """
    found = list(findings)
    swapped = {c for f in found if f.cause == "taps_swapped" for c in f.cells}
    found = [
        f for f in found if f.cause != "pack_file_mismatch" or not f.cells or not set(f.cells) <= swapped
    ]
    gone = {c for f in found if f.cause == "pack_file_mismatch" for c in f.cells}
    return [f for f in found if f.cause != "channel_stuck" or not f.cells or not set(f.cells) <= gone]
