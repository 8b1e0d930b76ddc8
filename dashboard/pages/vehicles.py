"""Vehicles: the packs and what is known of each."""

from __future__ import annotations

from typing import Any

from dash import Dash, html

from bmslogs.base.cautions import HIGH_VOLTAGE
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, by_urgency
from bmslogs.faces.figures import pack_picture
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.parts import action, caution, empty, finding_line, graph, heading

TITLE, PATH = "Vehicles", "/"
SHOWN = 3  # findings on a card


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    packs = frame.desk.packs()
    if not packs:
        return html.Div(
            [
                heading(
                    "Vehicles",
                    "From a logger's files to what is wrong with the pack, how surely, and what the "
                    "log cannot tell.",
                ),
                empty(
                    "Nothing here yet",
                    html.Ol(
                        [
                            html.Li("Describe the pack once, by hand: vehicle, cells, boxes and modules."),
                            html.Li("Drop the logger's files. You confirm what each column is."),
                            html.Li("Read which module to open, or which log would tell."),
                        ]
                    ),
                    action("Describe a pack", "/describe", main=True),
                ),
                caution(HIGH_VOLTAGE, title="Before any box is opened"),
            ]
        )
    return html.Div(
        [
            heading("Vehicles", f"{len(packs)} pack{'s' if len(packs) != 1 else ''} in this store."),
            html.Div(
                [action("Describe another pack", "/describe"), action("Bring logs in", "/bring")],
                className="actions",
            ),
            html.Div([_card(frame, p) for p in packs], className="cards"),
        ]
    )


def _card(frame: Frame, pack: Pack) -> html.Article:
    logs = frame.desk.logs(pack.id)
    here = frame.view.but(
        pack=pack.id, log=logs[0].id if logs else "", cells=(), module="", joint=0, start="", end=""
    )
    found = frame.desk.diagnosis_or_reason(logs[0].id) if logs else "no log yet"
    about = [f"{pack.cells_in_series} cells {pack.chemistry}", f"{pack.nominal_capacity_Ah:g} Ah"]
    about += [f"design {pack.design}"] if pack.design else []
    return html.Article(
        [
            html.H2(pack.vehicle),
            html.P([html.Span(pack.id, className="mono"), " · ", ", ".join(about)], className="quiet"),
            graph(_thumbnail(frame, pack, found), f"{pack.vehicle}: the pack, resistance of the newest log"),
            *_state(frame, pack, logs, found, here),
            html.Div(
                [
                    action("Pack", here.link("/pack")),
                    action("Log", here.link("/log")),
                    action("Answers", here.link("/answers"), main=True),
                ]
                if logs
                else [
                    action("Bring logs in", here.link("/bring"), main=True),
                    action("Pack", here.link("/pack")),
                ],
                className="actions",
            ),
        ],
        className="card",
    )


def _thumbnail(frame: Frame, pack: Pack, found: Diagnosis | str) -> Any:
    key = "resistance_10s_relative"
    known = isinstance(found, Diagnosis)
    return pack_picture(
        pack,
        found.of(key) if known else (),
        quantity=key,
        findings=found.findings if known else (),
        look=frame.look,
        small=True,
    )


def _state(frame: Frame, pack: Pack, logs: list[Any], found: Diagnosis | str, here: Any) -> list[Any]:
    if not logs:
        return [html.P("No log yet. Take the card out of the logger and bring its files in.")]
    newest = html.P(
        [
            f"{len(logs)} log{'s' if len(logs) != 1 else ''}, the newest of ",
            html.Strong(frame.local(logs[0].start)),
            html.Span(f" ({frame.zone_name})", className="quiet"),
        ]
    )
    if isinstance(found, str):
        return [newest, html.P(["No diagnosis: ", found], className="quiet")]
    findings = by_urgency(found.findings)
    if not findings:
        unknown = sum(e.status != "determined" for e in found.estimates)
        return [newest, html.P(f"Nothing found in this log. {unknown} quantities stay unknown: see Answers.")]
    lines = [
        finding_line(f, here.but(finding=i, cells=f.cells).link("/answers"))
        for i, f in enumerate(findings[:SHOWN], 1)
    ]
    rest = len(findings) - SHOWN
    return [
        newest,
        html.Ul(lines, className="findings"),
        html.P(f"and {rest} more in Answers", className="quiet") if rest > 0 else None,
    ]


def register(app: Dash, desk: Desk) -> None:
    """This page has no callbacks of its own."""
