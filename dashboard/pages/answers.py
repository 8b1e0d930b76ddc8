"""Answers: findings in order of urgency with their proof, what to do next, and what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.results import Diagnosis, Finding, by_urgency
from bmslogs.faces.answers import shown_by
from bmslogs.faces.explain import page
from bmslogs.faces.figures import nothing, proof_picture, question
from bmslogs.faces.figures.words import plain_words, sentence
from bmslogs.faces.handbook import linked
from bmslogs.faces.headlines import findings_says
from bmslogs.faces.unknown import nothing_found, unknowns
from bmslogs.findings.registry import CAUSES
from dashboard.address import parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.notes import VERDICTS, Note, latest
from dashboard.order import nothing_but_aside
from dashboard.parts import (
    action,
    caution,
    cautions_of,
    choose_pack,
    empty,
    explained,
    following,
    graph,
    heading,
    level,
    no_logs,
    section,
    size_line,
)

TITLE, PATH = "Answers", "/answers"


@dataclass(frozen=True)
class Answer:
    """One finding as it stands on the page.

    Attributes
    ----------
    number
        In order of urgency, counted from 1.
    shown_by, in_log
        The diagnosis of the log that shows it, and its number there; None where no log of the pack does.
    note
        The last word on it.
    """

    number: int
    finding: Finding
    shown_by: Diagnosis | None
    in_log: int
    note: Note | None

    @property
    def log_id(self) -> str:
        """Id of the log that shows it."""
        return str(self.shown_by.log["id"]) if self.shown_by else ""

    @property
    def set_aside(self) -> bool:
        """Whether somebody set it aside."""
        return self.note is not None and self.note.verdict == "set_aside"


def whole(frame: Frame) -> bool:
    """Return whether all logs of the pack answer together."""
    return frame.view.whole and len(frame.logs) > 1


def diagnosis(frame: Frame) -> Diagnosis | None:
    """Return the diagnosis that the page shows: of the chosen log, or of all that are weighed."""
    if whole(frame) and frame.pack is not None:
        return frame.desk.standing(frame.pack.id)[0]
    return frame.diagnosis


def answers(frame: Frame) -> list[Answer]:
    """Return the findings that the page shows, in order of urgency."""
    weighed = diagnosis(frame)
    if weighed is None or frame.pack is None or frame.entry is None:
        return []
    notes = (
        frame.desk.notes_on(frame.pack.id)
        if whole(frame)
        else frame.desk.notes(frame.pack.id, frame.entry.id)
    )
    out = []
    for number, finding in enumerate(by_urgency(weighed.findings), 1):
        shown: tuple[Diagnosis | None, int] = (weighed, number)
        if whole(frame):
            shown = shown_by(finding, frame.desk.weighed(frame.pack.id)) or (None, 0)
        out.append(Answer(number, finding, *shown, latest(notes, finding)))
    return out


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    if frame.pack is None:
        return html.Div([heading("Answers"), choose_pack(frame.desk.packs(), PATH)])
    title = f"Answers for {frame.pack.vehicle}"
    if not frame.logs:
        return html.Div([heading(title), no_logs(frame.pack.id)])
    if frame.entry is None and not whole(frame):
        newest = action("The newest log", frame.view.but(log="").link(PATH), main=True)
        says = "The address names a log that this pack does not have."
        return html.Div([heading(title), _chooser(frame), empty("There is no such log", says, newest)])
    weighed = diagnosis(frame)
    waiting = frame.desk.standing(frame.pack.id)[1] if whole(frame) else 0
    more = following(frame.desk.waiting()) if whole(frame) else []
    if weighed is None:
        return html.Div([heading(title), _chooser(frame), _none(frame, waiting), *more])
    every = answers(frame)
    # one box for all, where the first card says what to do
    warned = list(dict.fromkeys(line for a in every for line in cautions_of(a.finding)))
    standing = [a for a in every if not a.set_aside]
    cards: list[Component] = [_card(frame, a, warned if n == 0 else []) for n, a in enumerate(standing)]
    left = [a for a in every if a.set_aside]
    aside = [_card(frame, a, warned if n == 0 and not cards else []) for n, a in enumerate(left)]
    tells = "What no log of this pack tells" if whole(frame) else "What this log cannot tell"
    return html.Div(
        [
            heading(title, _lead(frame, weighed, every), answer=_answer(frame, weighed, every)),
            _chooser(frame),
            *_beside(frame, waiting),
            *(cards or [nothing_but_aside(len(aside)) if aside else _nothing_found(whole(frame), weighed)]),
            section(tells, _unknown(frame, weighed, tells), id="unknown"),
            section("Set aside", *aside) if aside else None,
            *more,
        ]
    )


def _answer(frame: Frame, weighed: Diagnosis, every: list[Answer]) -> str:
    """Say what stands; what somebody set aside does not, and is counted by itself."""
    of = f"the {len(weighed.logs)} logs together" if whole(frame) else "this log"
    standing = tuple(a.finding for a in every if not a.set_aside)
    aside = len(every) - len(standing)
    if aside and not standing:
        return f"What was found in {of} was set aside, {aside} finding{'s' if aside != 1 else ''}: see below."
    return findings_says(replace(weighed, findings=standing), of=of)


def _chooser(frame: Frame) -> html.Div | None:
    """Return the choice between this log and all logs of the pack, where there is one."""
    if len(frame.logs) < 2:
        return None
    control = dmc.SegmentedControl(
        id="answers-of",
        value="whole" if whole(frame) else "log",
        data=[
            {"value": "log", "label": "This log"},
            {"value": "whole", "label": f"All {len(frame.logs)} logs of the pack"},
        ],
        **attributes(aria_label="Whose answers"),
    )
    return html.Div(control, className="controls")


def _none(frame: Frame, waiting: int) -> html.Div:
    """Return what stands where there is no diagnosis: not yet, or not at all."""
    if waiting:
        says = "The logs are being weighed; this page follows by itself."
        return html.Div([html.H2("Not weighed yet"), html.P(says, role="status")], className="empty")
    title = "No diagnosis of any log" if whole(frame) else "No diagnosis of this log"
    return empty(title, frame.no_diagnosis, action("See the log", frame.here.link("/log")))


def _lead(frame: Frame, weighed: Diagnosis, every: list[Answer]) -> list[Any]:
    aside = sum(1 for a in every if a.set_aside)
    counted = f" {aside} set aside." if aside else ""
    if not whole(frame):
        day = html.Strong(frame.when(weighed.log["start"]))
        return ["From the log of ", day, ".", counted]
    first, last = (frame.when(weighed.log[k], time=False) for k in ("start", "end"))
    count = f"{len(weighed.logs)} log{'s' if len(weighed.logs) != 1 else ''}"
    return [
        "From ",
        html.Strong(count),
        f" weighed together, {first} to {last}.{counted}",
    ]


def _beside(frame: Frame, waiting: int) -> list[Any]:
    """Say which work on the pack counted, and which logs did not."""
    if not whole(frame) or frame.pack is None:
        return []
    out: list[Any] = []
    if frame.pack.events:
        works = [
            f"{frame.when(e.date.isoformat(), time=False)}: {e.kind}, "
            + (e.where or "the whole pack")
            + (f" ({e.note})" if e.note else "")
            for e in frame.pack.events
        ]
        says = "Work on the pack: what an earlier log said of a place no longer counts once it was worked on."
        out.append(html.Details([html.Summary(says), html.Ul([html.Li(w) for w in works])]))
    if waiting:
        count = f"{waiting} log{'s are' if waiting != 1 else ' is'}"
        out.append(
            html.P(
                f"{count} still being weighed; this page follows by itself.", className="quiet", role="status"
            )
        )
    left = [
        html.Li(f"{frame.when(e.start)}: {reason}") for e, reason in frame.desk.not_weighed(frame.pack.id)
    ]
    if left:
        out.append(html.Div([html.P("Not among them, since no diagnosis can be made:"), html.Ul(left)]))
    return out


def _nothing_found(together: bool, weighed: Diagnosis) -> html.Div:
    says = "No finding stands." if together else "No finding."
    speaks = " That speaks for what could be determined below, and for nothing else: it does not call the pack safe."
    # a cell that lies apart, or is not known where the others are, is told before the rest
    apart = nothing_found(weighed.estimates)[1:]
    return html.Div([html.P(says + speaks), *(html.P(line) for line in apart)], className="answer")


def _card(frame: Frame, answer: Answer, warned: list[str]) -> html.Article:
    number, finding, weighed = answer.number, answer.finding, answer.shown_by
    picture = (
        frame.timed(_proof(frame, finding, weighed, answer.log_id), weighed.log["start"])
        if weighed
        else nothing("No log of this pack shows it by itself.", frame.look)
    )
    pointed = frame.view.finding == number
    there = frame.here.but(
        log=answer.log_id or frame.here.log, cells=finding.cells, finding=answer.in_log, module="", joint=0
    )
    return html.Article(
        [
            html.Div(
                [
                    level(finding.level),
                    html.Span(explained(finding.cause), className="cause"),
                    html.Span(f"{number}", className="quiet number"),
                ],
                className="card-head",
            ),
            html.H2(sentence(finding.says)),
            size_line(finding),
            html.H3(question(finding)),
            html.P(f"Drawn from the log of {frame.when(weighed.log['start'])}.", className="quiet")
            if whole(frame) and weighed
            else None,
            graph(picture, f"{question(finding)} {finding.says}", id={"pick": f"proof-{number}"}),
            html.Div(
                [
                    html.Div(
                        [
                            html.H3("What speaks for it"),
                            html.Ul([html.Li(plain_words(b)) for b in finding.because]),
                        ]
                    ),
                    html.Div(
                        [
                            html.H3("What to do next"),
                            caution(*warned) if warned else None,
                            html.Ol([html.Li(plain_words(n)) for n in finding.next]),
                        ]
                    ),
                ],
                className="halves",
            ),
            html.Div(
                [
                    action("See it in the log", there.but(sight=True, start="", end="").link("/log")),
                    action("See it in the pack", there.link("/pack")),
                ],
                className="actions",
            ),
            _meaning(finding.cause),
            _judgement(answer, frame),
        ],
        className=f"card answer-card {finding.level}{' pointed' if pointed else ''}",
        id=f"finding-{number}",
    )


def _proof(frame: Frame, finding: Finding, weighed: Diagnosis, log_id: str) -> Any:
    """Draw the proof of a finding; the log is read only where that was not done before."""

    def make() -> Any:
        drawn = proof_picture(finding, weighed, frame.desk.log(log_id), look=frame.look)
        return drawn.to_plotly_json()

    return frame.desk.drawn.get((finding, weighed), ("proof", frame.look), make)


def _meaning(cause: str) -> html.Details | None:
    """Return the page that explains a cause, folded up; its headings one step below those of the card."""
    if cause not in CAUSES:
        return None
    text = linked(page(cause), "/handbook?page={}").split("\n", 1)[1].replace("\n## ", "\n#### ")
    return html.Details(
        [html.Summary("What this means, and what looks like it"), dcc.Markdown(text)], className="meaning"
    )


def _judgement(answer: Answer, frame: Frame) -> html.Div:
    number, note = answer.number, answer.note
    seen = str(_judged(frame, answer))
    back = html.Button(
        "Take it back",
        id={"judge": number, "verdict": "take_back", "seen": seen},
        className="button",
        type="button",
    )
    said = (
        html.P(
            [
                html.Strong(VERDICTS[note.verdict]),
                f" by {note.name}, {frame.when(note.when)}: {note.reason}",
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
                                text,
                                id={"judge": number, "verdict": key, "seen": seen},
                                className="button",
                                type="button",
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
    return html.Div([said, html.Div(back, className="actions") if answer.set_aside else None, form])


def _judged(frame: Frame, answer: Answer) -> int:
    """Return how many judgements of a finding there are in the log that keeps them."""
    if frame.pack is None:
        return 0
    notes = frame.desk.notes(frame.pack.id, answer.log_id or frame.logs[0].id)
    return sum(n.belongs_to(answer.finding) for n in notes)


def _unknown(frame: Frame, weighed: Diagnosis, label: str) -> Any:
    assert frame.pack is not None
    rows = unknowns(weighed.estimates)
    if not rows:
        return html.P("Everything that was asked could be determined.")
    body = [
        html.Tr(
            [
                html.Th(explained(u.quantity), scope="row"),
                html.Td(_unbroken(u.of(frame.pack.cells_in_series))),
                html.Td(plain_words(u.why)),
                html.Td(plain_words(u.settle_by)),
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
        **attributes(aria_label=label),
    )


def _unbroken(text: str) -> str:
    """Return cell ranges that no line break parts: ``1-4`` with a hyphen that holds its line."""
    return text.replace("-", "\u2011")


def register(app: Dash, desk: Desk) -> None:
    """Choose whose answers are shown, and keep judgements."""

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("answers-of", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose(of: str | None, search: str) -> Any:
        view = parse(search)
        together = of == "whole"
        return no_update if together == view.whole else view.but(whole=together, finding=0).query()

    @app.callback(
        Output({"judge-says": ALL}, "children"),
        Output("revision", "data", allow_duplicate=True),
        Output("order-state", "data", allow_duplicate=True),
        Input({"judge": ALL, "verdict": ALL, "seen": ALL}, "n_clicks"),
        State({"judge-name": ALL}, "value"),
        State({"judge-reason": ALL}, "value"),
        State({"judge-name": ALL}, "id"),
        State("at", "search"),
        State("revision", "data"),
        State("order-by", "data"),
        prevent_initial_call=True,
    )
    def judge(
        clicks: list[int | None],
        names: list[str],
        reasons: list[str],
        ids: list[dict[str, int]],
        search: str,
        revision: int,
        by: str | None,
    ) -> Any:
        frame = Frame.of(desk, search)
        said: list[Any] = [no_update] * len(ids)
        if not any(clicks) or frame.pack is None or not isinstance(ctx.triggered_id, dict):
            return said, no_update, no_update
        number = int(ctx.triggered_id["judge"])
        at = next(i for i, one in enumerate(ids) if one["judge-name"] == number)
        answer = next((a for a in answers(frame) if a.number == number), None)
        if answer is None:
            return said, no_update, no_update
        name, reason = names[at] or "", reasons[at] or ""
        if ctx.triggered_id["verdict"] == "take_back":  # undoing needs no reason
            name, reason = name or by or "somebody", reason or "taken back"
        try:
            desk.judge(
                frame.pack.id,
                answer.log_id or frame.logs[0].id,
                answer.finding,
                ctx.triggered_id["verdict"],
                name,
                reason,
                int(ctx.triggered_id["seen"]),
            )
        except BmsLogsError as error:
            said[at] = html.P(f"✕ {error}", className="bad")
            return said, no_update, no_update
        return said, revision + 1, desk.state()
