"""A diagnosis for the terminal: what is wrong and how surely, what to do, what the log cannot tell."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from statistics import median

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, by_urgency
from bmslogs.faces.figures.words import known, say_bound, say_estimate, shown, sized
from bmslogs.faces.layout import part, terminal_width, titled, wrapped
from bmslogs.faces.numbers import cells_named, number
from bmslogs.faces.unknown import nothing_found, open_questions
from bmslogs.findings.registry import CAUSES

LEVEL_WORDS = {"act": "before it is used again", "look": "at the next chance", "note": "for the record"}
INDENT = "      "


def diagnosis_text(diagnosis: Diagnosis, pack: Pack | None = None, *, width: int | None = None) -> str:
    """Return the whole diagnosis as text.

    Parameters
    ----------
    diagnosis
        Of one log, or of all logs of a pack.
    pack
        Names the places as the builder does; without it the module and cell numbers stand alone.
    width
        Columns of the terminal; measured where not given.
    """
    columns = width or terminal_width()
    parts = [
        _head(diagnosis),
        _findings(diagnosis, pack, columns),
        _estimates(diagnosis, columns),
        _unknown(diagnosis, columns),
        part("What the importer mended", diagnosis.repairs, columns),
        part("Cautions", diagnosis.cautions, columns),
    ]
    return "\n\n".join(text for text in parts if text)


def _head(diagnosis: Diagnosis) -> str:
    pack = diagnosis.pack
    lines = [
        f"{pack.get('vehicle', '')}, pack {pack.get('id', '')}, {pack.get('cells', '?')} cells in series"
    ]
    logs = diagnosis.logs or ((diagnosis.log,) if diagnosis.log else ())
    lines += [log_line(log) for log in logs]
    return "\n".join(lines)


def log_line(log: Mapping[str, object]) -> str:
    """Return ``log ID: start to end UTC, rows, kinds`` of a log entry."""
    kinds = log.get("kinds")
    said = (
        ", ".join(str(k) for k in kinds) if isinstance(kinds, Iterable) and not isinstance(kinds, str) else ""
    )
    span = f"{stamp(log.get('start'))} to {stamp(log.get('end'))} UTC"
    return f"log {log.get('id')}: {span}, {log.get('rows')} rows" + (f", {said}" if said else "")


def stamp(value: object) -> str:
    """Return an ISO time as ``2026-05-03 09:10``."""
    return str(value)[:16].replace("T", " ")


def _findings(diagnosis: Diagnosis, pack: Pack | None, columns: int) -> str:
    if not diagnosis.findings:
        return part("Findings", nothing_found(diagnosis.estimates), columns)
    return titled(
        "Findings", "\n".join(finding_text(f, pack, columns) for f in by_urgency(diagnosis.findings))
    )


def finding_text(finding: Finding, pack: Pack | None, columns: int) -> str:
    """Return one finding: sentence, size with interval, place, evidence, next step."""
    title = CAUSES[finding.cause].title if finding.cause in CAUSES else finding.cause
    lines = [f"  {finding.level.upper()} ({LEVEL_WORDS[finding.level]}): {title}"]
    lines.append(wrapped(finding.says, INDENT, columns))
    size = size_text(finding)
    if size:
        lines.append(_labelled("size", size, columns))
    where = place_text(finding, pack)
    if where:
        lines.append(_labelled("where", where, columns))
    lines += [_labelled("why" if i == 0 else "", line, columns) for i, line in enumerate(finding.because)]
    lines += [
        _labelled("next" if i == 0 else "", f"{i + 1}. {line}", columns)
        for i, line in enumerate(finding.next)
    ]
    return "\n".join(lines)


def size_text(finding: Finding) -> str:
    """Return the size of a finding in its shown unit with its interval, empty where it has none."""
    if finding.size is None:
        return ""
    cause = CAUSES.get(finding.cause)
    if cause is None or finding.unit != cause.unit:
        return sized(finding, finding.unit, 1.0)
    unit = f"{cause.shown_unit} of the pack's middle" if "median" in cause.unit else cause.shown_unit
    return sized(finding, unit, cause.shown_factor)


def place_text(finding: Finding, pack: Pack | None) -> str:
    """Return where the finding sits, as the builder names it."""
    parts: list[str] = []
    if pack is not None and finding.cells:
        parts = places(pack, finding.cells)
    elif finding.cells:
        parts = [f"module {finding.module}"] if finding.module else []
        parts.append(cells_named(finding.cells))
    elif finding.module:
        parts = [f"module {finding.module}"]
    if finding.sensor:
        parts.append(f"sensor {finding.sensor}")
    return "; ".join(parts)


def places(pack: Pack, cells: Iterable[int]) -> list[str]:
    """Return where cells sit, one text a module: ``front box, module F1, cells 1-4``."""
    homes: dict[str | None, list[int]] = {}
    for cell in sorted(set(cells)):
        if cell <= pack.cells_in_series:
            homes.setdefault(pack.module_of(cell), []).append(cell)
    return [
        pack.place(same[0]).removesuffix(f"cell {same[0]}") + cells_named(same) for same in homes.values()
    ]


def _estimates(diagnosis: Diagnosis, columns: int) -> str:
    lines: list[str] = []
    for key in QUANTITIES:
        told = known(diagnosis.of(key))
        if told:
            lines.append(wrapped(summary(key, told), "  ", columns))
    return titled("What could be determined", "\n".join(lines)) if lines else ""


def summary(key: str, told: list[Estimate]) -> str:
    """Return one line on one quantity: the value, or middle, lowest and highest with their places, and every bound."""
    quantity = QUANTITIES[key]
    ordered = sorted((e for e in told if e.value is not None), key=lambda e: e.value or 0.0)
    bounds = [f"{say_bound(e)}{_of(e)}" for e in told if e.value is None]
    if quantity.per == "pack" or len(ordered) <= 1:
        return f"{quantity.title}: " + "; ".join([*(f"{say_estimate(e)}{_of(e)}" for e in ordered), *bounds])
    low, high = ordered[0], ordered[-1]
    ends = "; ".join(
        [f"lowest {say_estimate(low)}{_of(low)}", f"highest {say_estimate(high)}{_of(high)}", *bounds]
    )
    if quantity.centre is not None:
        return f"{quantity.title}: {ends}"
    values = [triple[0] for e in ordered if (triple := shown(e)) is not None]
    places = len(say_estimate(low).split()[0].partition(".")[2])
    return f"{quantity.title}: middle {number(median(values), places)} {quantity.shown_unit}; {ends}"


def _of(e: Estimate) -> str:
    return (
        f", cell {e.cell}" if e.cell is not None else f", sensor {e.sensor}" if e.sensor is not None else ""
    )


def _unknown(diagnosis: Diagnosis, columns: int) -> str:
    questions = open_questions(diagnosis.estimates, diagnosis.pack.get("cells"))
    lines: list[str] = []
    for one in questions:
        lines.append(wrapped(f"{'; '.join(one.titles)} ({one.of}): {one.why}", "  ", columns))
        lines += [
            _labelled("to know" if i == 0 else "or", settle, columns)
            for i, settle in enumerate(one.settle_by)
        ]
    return titled("What this log cannot tell", "\n".join(lines)) if lines else ""


def _labelled(label: str, text: str, columns: int) -> str:
    lead = f"{INDENT}{label:<8}"
    return textwrap.fill(
        text, columns, initial_indent=lead, subsequent_indent=" " * len(lead), break_long_words=False
    )
