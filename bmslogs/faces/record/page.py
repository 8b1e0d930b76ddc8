"""The record as one HTML page that needs nothing from outside: pictures and style are in it, two pages on paper."""

from __future__ import annotations

import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from bmslogs.base.results import Finding
from bmslogs.faces.figures import pack_picture, per_cell, proof_picture, question
from bmslogs.faces.figures.words import plain_words
from bmslogs.faces.numbers import interval
from bmslogs.faces.record.contents import Contents
from bmslogs.faces.record.drawing import svg_of
from bmslogs.faces.sight import sight_of
from bmslogs.faces.signs import united, written
from bmslogs.faces.text import LEVEL_WORDS, log_line, place_text, size_text, stamp
from bmslogs.faces.unknown import quantity_title
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log

WIDTH_PX, HEIGHT_PX = 330, 190
"""Size of the pictures: two stand beside each other on A4 with margins of 12 mm (96 px an inch)."""
BLANKS = (
    ("vehicle", "Vehicle's serial number"), ("odometer", "Odometer [km]"), ("pack", "Pack's serial number"),
    ("bms", "BMS, with its firmware"), ("insulation", "Insulation resistance [Ω]"),
    ("instrument", "Instrument, with its test voltage"), ("weather", "Air temperature and humidity"),
    ("place", "Place and date"),
)  # fmt: skip
"""What is filled in in the browser before printing, or by hand on paper."""

PER_CELL = {"resistance_10s": ("resistance", "cell_or_joint"), "charge_to_full": ("full_first",)}
"""Quantities drawn cell by cell, and the proof pictures of the findings whose cells are named in them."""


def record_page(record: Contents, logs: dict[str, Log]) -> str:
    """Return the record as HTML.

    Parameters
    ----------
    record
        What it says.
    logs
        Logs by id, from which the findings' pictures are drawn; a finding whose log is not among them has none.
    """
    jinja = Environment(
        loader=PackageLoader("bmslogs.faces.record", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_signed,
    )
    jinja.filters |= {"stamp": stamp, "plain": plain_words}
    return jinja.get_template("record.html.j2").render(
        r=record,
        blanks=[(key, label, _typed(record, key)) for key, label in BLANKS],
        pictures=[(title, _embedded(figure)) for title, figure in _pictures(record)],
        findings=[_finding(record, finding, logs) for finding in record.findings],
        level_words=LEVEL_WORDS,
        log_lines=[log_line(log) for log in record.logs],
        days=_days(record),
        not_comparable=_not_comparable(record),
        changes=[
            (
                record.pack.place(c.cell),
                quantity_title(c.quantity),
                interval(c.ratio - 1, c.low - 1, c.high - 1, "%", factor=100.0, sign=True),
                "another cell sits there since" if c.new else "",
            )
            for c in record.changes
        ],
    )


def _pictures(record: Contents) -> list[tuple[str, go.Figure]]:
    key = "resistance_10s_relative"
    estimates = record.diagnosis.of(key)
    out = []
    if record.pack.modules:
        drawn = pack_picture(record.pack, estimates, quantity=key, findings=record.findings)
        out.append((f"The pack as it is built. {quantity_title(key)}", drawn))
    for quantity, proofs in PER_CELL.items():
        known = record.diagnosis.of(quantity)
        if any(e.status == "determined" for e in known):
            named = {c for f in record.findings for c in f.cells if _picture(f) in proofs}
            out.append((quantity_title(quantity), per_cell(record.pack, known, quantity, named=named)))
    return out


def _picture(finding: Finding) -> str:
    return CAUSES[finding.cause].picture if finding.cause in CAUSES else ""


def _finding(record: Contents, finding: Finding, logs: dict[str, Log]) -> dict[str, object]:
    log = _log_of(record, finding, logs)
    cause = CAUSES.get(finding.cause)
    sight = sight_of(finding, log) if log else None
    return {
        "f": finding,
        "title": cause.title if cause else finding.cause,
        "size": size_text(finding),
        "place": place_text(finding, record.pack),
        "question": question(finding),
        "picture": _embedded(proof_picture(finding, record.diagnosis, log)) if log else None,
        "sight": sight.says if sight else None,
    }


def _log_of(record: Contents, finding: Finding, logs: dict[str, Log]) -> Log | None:
    """Return the log that a finding speaks of: the one its evidence names, else the latest."""
    named = [log for log_id, log in logs.items() if any(log_id in line for line in finding.because)]
    if named:
        return named[-1]
    ids = [str(log.get("id")) for log in record.logs]
    return next((logs[i] for i in reversed(ids) if i in logs), None)


def _signed(value: object) -> object:
    """Return what stands in the page, text with the signs of its units."""
    if isinstance(value, Markup):
        return Markup(united(str(value)))  # a picture has numbers of its own; its texts are signed as drawn
    return written(value) if isinstance(value, str) else value


def _typed(record: Contents, key: str) -> str:
    """Return what was typed in beside the logs for a blank of the sheet."""
    ohm = record.typed.insulation_ohm
    return {"insulation": f"{ohm:.0f}" if ohm else "", "instrument": record.typed.instrument or ""}.get(
        key, ""
    )


def _days(record: Contents) -> str:
    """Return how many logs were weighed, and from when to when."""
    starts = sorted(str(log.get("start"))[:10] for log in record.logs)
    ends = sorted(str(log.get("end"))[:10] for log in record.logs)
    count = f"{len(starts)} log{'s' if len(starts) != 1 else ''}"
    return f"{count}, {starts[0]} to {ends[-1]}" if starts else "none"


def _not_comparable(record: Contents) -> list[tuple[str, str]]:
    told = record.comparison.quantities if record.comparison else ()
    return [(quantity_title(q.quantity), q.why_not or "no reason given") for q in told if not q.comparable]


def _embedded(figure: go.Figure) -> Markup:
    """Return a figure as SVG; all names in it were escaped where it was made."""
    return svg_of(figure, WIDTH_PX, HEIGHT_PX)
