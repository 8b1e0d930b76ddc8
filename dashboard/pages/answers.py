"""Answers: findings in order of urgency with their proof, what to do next, and what cannot be told."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.results import Finding
from bmslogs.faces.explain import page
from bmslogs.faces.figures import proof_picture, question
from bmslogs.faces.figures.words import title_of
from bmslogs.faces.unknown import unknowns
from bmslogs.findings.registry import CAUSES
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.notes import VERDICTS, Note, latest
from dashboard.parts import (
    action,
    caution,
    cautions_of,
    choose_pack,
    empty,
    graph,
    heading,
    level,
    no_logs,
    section,
    size_line,
)

TITLE, PATH = "Answers", "/answers"


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    if frame.pack is None:
        return html.Div([heading("Answers"), choose_pack(frame.desk.packs(), PATH)])
    if not frame.logs:
        return html.Div([heading(f"Answers for {frame.pack.vehicle}"), no_logs(frame.pack.id)])
    if frame.diagnosis is None or frame.entry is None:
        return html.Div(
            [
                heading(f"Answers for {frame.pack.vehicle}"),
                empty(
                    "No diagnosis of this log",
                    frame.no_diagnosis,
                    action("See the log", frame.here.link("/log")),
                ),
            ]
        )
    notes = frame.desk.notes(frame.pack.id, frame.entry.id)
    numbered = list(enumerate(frame.findings, 1))
    aside = [(i, f) for i, f in numbered if (n := latest(notes, f)) and n.verdict == "set_aside"]
    standing = [p for p in numbered if p not in aside]
    cards = [_card(frame, i, f, latest(notes, f)) for i, f in standing]
    return html.Div(
        [
            heading(
                f"Answers for {frame.pack.vehicle}",
                [
                    "From the log of ",
                    html.Strong(frame.local(frame.entry.start)),
                    f" ({frame.zone_name}). ",
                    _count(frame.findings),
                ],
            ),
            *(
                cards
                or [
                    html.Div(
                        [
                            html.P(
                                "No finding. That speaks for what could be determined below, and for nothing else: "
                                "it does not call the pack safe."
                            )
                        ],
                        className="answer",
                    )
                ]
            ),
            section("What this log cannot tell", _unknown(frame), id="unknown"),
            section("Set aside", *[_card(frame, i, f, latest(notes, f)) for i, f in aside])
            if aside
            else None,
        ]
    )


def _count(findings: list[Finding]) -> str:
    if not findings:
        return "Nothing was found."
    parts = [
        f"{n} to {w}"
        for key, w in (
            ("act", "act on before it is used again"),
            ("look", "look at next time"),
            ("note", "note"),
        )
        if (n := sum(f.level == key for f in findings))
    ]
    return ", ".join(parts) + "."


def _card(frame: Frame, number: int, finding: Finding, note: Note | None) -> html.Article:
    log = frame.desk.log(frame.entry.id) if frame.entry else None
    assert frame.diagnosis is not None
    picture = proof_picture(finding, frame.diagnosis, log, look=frame.look, zone=frame.zone)
    pointed = frame.view.finding == number
    return html.Article(
        [
            html.Div(
                [
                    level(finding.level),
                    html.Span(title_of(finding.cause), className="cause"),
                    html.Span(f"{number}", className="quiet number"),
                ],
                className="card-head",
            ),
            html.H2(finding.says),
            size_line(finding),
            html.H3(question(finding)),
            graph(picture, f"{question(finding)} {finding.says}", id={"pick": f"proof-{number}"}),
            html.Div(
                [
                    html.Div([html.H3("What speaks for it"), html.Ul([html.Li(b) for b in finding.because])]),
                    html.Div(
                        [
                            html.H3("What to do next"),
                            caution(*cautions_of(finding)) if cautions_of(finding) else None,
                            html.Ol([html.Li(n) for n in finding.next]),
                        ]
                    ),
                ],
                className="halves",
            ),
            html.Div(
                [
                    action(
                        "See it in the log",
                        frame.here.but(cells=finding.cells, finding=number, module="", joint=0).link("/log"),
                    ),
                    action(
                        "See it in the pack",
                        frame.here.but(cells=finding.cells, finding=number, module="", joint=0).link("/pack"),
                    ),
                ],
                className="actions",
            ),
            _meaning(finding.cause),
            _judgement(number, note, frame),
        ],
        className=f"card answer-card {finding.level}{' pointed' if pointed else ''}",
        id=f"finding-{number}",
    )


def _meaning(cause: str) -> html.Details | None:
    """Return the page that explains a cause, folded up; its headings one step below those of the card."""
    if cause not in CAUSES:
        return None
    text = page(cause).split("\n", 1)[1].replace("\n## ", "\n#### ")
    return html.Details(
        [html.Summary("What this means, and what looks like it"), dcc.Markdown(text)], className="meaning"
    )


def _judgement(number: int, note: Note | None, frame: Frame) -> html.Details:
    said = (
        html.P(
            [
                html.Strong(VERDICTS[note.verdict]),
                f" by {note.name}, {frame.local(note.when)}: {note.reason}",
            ],
            className="judged",
        )
        if note
        else None
    )
    form = html.Details(
        [
            html.Summary("Accept, note or set aside"),
            html.Div(
                [
                    dmc.TextInput(id={"judge-name": number}, label="Your name", w=200, required=True),
                    dmc.TextInput(
                        id={"judge-reason": number},
                        label="Reason",
                        w=420,
                        required=True,
                        placeholder="what was seen or measured",
                    ),
                    html.Div(
                        [
                            html.Button(
                                text, id={"judge": number, "verdict": key}, className="button", type="button"
                            )
                            for key, text in (
                                ("accept", "Accept"),
                                ("note", "Note"),
                                ("set_aside", "Set aside"),
                            )
                        ],
                        className="steps",
                    ),
                ],
                className="controls",
            ),
            html.Div(id={"judge-says": number}, role="status"),
        ],
        className="judge",
    )
    return html.Div([said, form])  # type: ignore[return-value]


def _unknown(frame: Frame) -> Any:
    assert frame.diagnosis is not None and frame.pack is not None
    rows = unknowns(frame.diagnosis.estimates)
    if not rows:
        return html.P("Everything that was asked could be determined.")
    body = [
        html.Tr(
            [
                html.Th(u.title(), scope="row"),
                html.Td(u.of(frame.pack.cells_in_series)),
                html.Td(u.why),
                html.Td(u.settle_by),
            ]
        )
        for u in rows
    ]
    head = html.Tr(
        [html.Th(t, scope="col") for t in ("Not known", "Of", "Why", "The log that would settle it")]
    )
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(body)], className="unknown"),
        className="scroll",
        tabIndex=0,
        role="region",
        **{"aria-label": "What this log cannot tell"},
    )


def register(app: Dash, desk: Desk) -> None:
    """Keep judgements."""

    @app.callback(
        Output({"judge-says": ALL}, "children"),
        Output("revision", "data", allow_duplicate=True),
        Input({"judge": ALL, "verdict": ALL}, "n_clicks"),
        State({"judge-name": ALL}, "value"),
        State({"judge-reason": ALL}, "value"),
        State({"judge-name": ALL}, "id"),
        State("at", "search"),
        State("revision", "data"),
        prevent_initial_call=True,
    )
    def judge(
        clicks: list[int | None],
        names: list[str],
        reasons: list[str],
        ids: list[dict[str, int]],
        search: str,
        revision: int,
    ) -> Any:
        frame = Frame.of(desk, search, None, None)
        nothing = [no_update] * len(ids)
        if (
            not any(clicks)
            or frame.pack is None
            or frame.entry is None
            or not isinstance(ctx.triggered_id, dict)
        ):
            return nothing, no_update
        number = int(ctx.triggered_id["judge"])
        at = next(i for i, one in enumerate(ids) if one["judge-name"] == number)
        try:
            desk.judge(
                frame.pack.id,
                frame.entry.id,
                number,
                ctx.triggered_id["verdict"],
                names[at] or "",
                reasons[at] or "",
            )
        except BmsLogsError as error:
            nothing[at] = html.P(f"✕ {error}", className="bad")
            return nothing, no_update
        return nothing, revision + 1
