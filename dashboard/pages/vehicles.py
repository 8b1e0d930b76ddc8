"""Vehicles: the packs and what is known of each."""

from __future__ import annotations

from typing import Any

from dash import Dash, html

from bmslogs.base.cautions import HIGH_VOLTAGE
from bmslogs.base.pack import Pack
from bmslogs.base.results import LEVELS, Diagnosis, by_urgency
from bmslogs.faces.figures import pack_picture
from bmslogs.faces.figures.words import title_of
from bmslogs.faces.unknown import unknowns
from dashboard.address import View
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.parts import action, caution, empty, finding_line, graph, heading

TITLE, PATH = "Vehicles", "/"
SHOWN = 4  # findings on a card
COLOURED_BY = ("resistance_10s_relative", "soc_offset", "capacity_relative")
"""What a thumbnail shows: the first of these that a log tells."""


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    packs = frame.desk.packs()
    if not packs:
        return _welcome()
    count = (
        f"{len(packs)} pack{'s' if len(packs) != 1 else ''} in this store. Times are of {frame.zone_name}."
    )
    return html.Div(
        [
            heading("Vehicles", count),
            html.Div(
                [action("Describe another pack", "/describe"), action("Bring logs in", "/bring")],
                className="actions",
            ),
            html.Div([_card(frame, p) for p in packs], className="cards"),
        ]
    )


def _welcome() -> html.Div:
    steps = [
        "Describe the pack once, by hand: vehicle, cells, boxes and modules.",
        "Drop the logger's files. You confirm what each column is.",
        "Read which module to open, or which log would tell.",
    ]
    lead = "From a logger's files to what is wrong with the pack, how surely, and what the log cannot tell."
    return html.Div(
        [
            heading("Vehicles", lead),
            empty(
                "Nothing here yet",
                html.Ol([html.Li(s) for s in steps]),
                action("Describe a pack", "/describe", main=True),
            ),
            caution(HIGH_VOLTAGE, title="Before any box is opened"),
        ]
    )


def _card(frame: Frame, pack: Pack) -> html.Article:
    logs = frame.desk.logs(pack.id)
    here = frame.view.but(
        pack=pack.id,
        log=logs[0].id if logs else "",
        cells=(),
        module="",
        joint=0,
        start="",
        end="",
        finding=0,
    )
    about = [f"{pack.cells_in_series} cells {pack.chemistry}", f"{pack.nominal_capacity_Ah:g} Ah"]
    about += [f"design {pack.design}"] if pack.design else []
    latest = latest_of_each_kind(frame, logs)
    picture, says = _thumbnail(frame, pack, latest)
    links = [action("Pack", here.link("/pack")), action("Log", here.link("/log"))]
    links += [action("Answers", here.link("/answers"), main=True)]
    return html.Article(
        [
            html.H2(pack.vehicle),
            html.P([html.Span(pack.id, className="mono"), " · ", ", ".join(about)], className="quiet"),
            graph(picture, f"{pack.vehicle}: the pack. {says}"),
            html.P(says, className="quiet"),
            *_state(frame, logs, latest, here),
            html.Div(
                links if logs else [action("Bring logs in", here.link("/bring"), main=True), links[0]],
                className="actions",
            ),
        ],
        className="card",
    )


def latest_of_each_kind(frame: Frame, logs: list[Any]) -> list[tuple[Any, Diagnosis]]:
    """Return the newest log of each kind (drive, charge, parked ..) with its diagnosis, newest first."""
    seen: dict[tuple[str, ...], tuple[Any, Diagnosis]] = {}
    for entry in logs:
        found = frame.desk.diagnosis_or_reason(entry.id)
        if isinstance(found, Diagnosis):
            kinds = tuple(k for k in found.log.get("kinds", ()) if k != "rest") or ("rest",)
            seen.setdefault(kinds, (entry, found))
    return list(seen.values())


def _thumbnail(frame: Frame, pack: Pack, latest: list[tuple[Any, Diagnosis]]) -> tuple[Any, str]:
    for key in COLOURED_BY:
        for entry, found in latest:
            estimates = found.of(key)
            if any(e.status == "determined" for e in estimates):
                drawn = pack_picture(
                    pack, estimates, quantity=key, findings=found.findings, look=frame.look, small=True
                )
                return drawn, f"{title_of(key)}, {frame.local(entry.start, time=False)}"
    says = "Nothing that colours the cells is known yet." if latest else "As described; no log yet."
    return pack_picture(pack, look=frame.look, small=True), says


def _state(frame: Frame, logs: list[Any], latest: list[tuple[Any, Diagnosis]], here: View) -> list[Any]:
    if not logs:
        return [html.P("No log yet. Take the card out of the logger and bring its files in.")]
    newest = html.P(
        [
            f"{len(logs)} log{'s' if len(logs) != 1 else ''}, the newest of ",
            html.Strong(frame.local(logs[0].start)),
        ]
    )
    if not latest:
        return [
            newest,
            html.P(["No diagnosis: ", frame.desk.diagnosis_or_reason(logs[0].id)], className="quiet"),
        ]
    lines = []
    for entry, found in latest:
        for number, finding in enumerate(by_urgency(found.findings), 1):
            link = here.but(log=entry.id, finding=number, cells=finding.cells).link("/answers")
            day = html.Span(frame.local(entry.start, time=False), className="quiet day")
            lines.append((LEVELS.index(finding.level), finding_line(finding, link, day)))
    lines.sort(key=lambda pair: pair[0])
    if not lines:
        open_questions = len(unknowns(latest[0][1].estimates))
        return [newest, html.P(f"Nothing found. {open_questions} questions stay open: see Answers.")]
    rest = len(lines) - SHOWN
    return [
        newest,
        html.Ul([line for _, line in lines[:SHOWN]], className="findings"),
        html.P(f"and {rest} more in Answers", className="quiet") if rest > 0 else None,
    ]


def register(app: Dash, desk: Desk) -> None:
    """This page has no callbacks of its own."""
