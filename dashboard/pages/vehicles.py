"""Vehicles: the packs and what is known of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from bmslogs.base.cautions import HIGH_VOLTAGE
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Finding, by_urgency
from bmslogs.faces.answers import shown_by
from bmslogs.faces.figures import pack_picture
from bmslogs.faces.headlines import Standing, overview_says, vehicles_says
from bmslogs.faces.unknown import unknowns
from bmslogs.fleet import PackOverview, overview
from dashboard.address import View
from dashboard.coloured import coloured_by
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.notes import Note
from dashboard.order import aside_mark
from dashboard.parts import action, caution, empty, finding_line, following, graph, heading
from dashboard.shell import pack_name

TITLE, PATH = "Vehicles", "/"
SHOWN = 4  # findings on a card
MOST_CARDS = (
    24  # packs; more are shown one a line, from the datasets that a run over the store leaves (choice)
)
RUN = "bmslogs diagnose --all"
COLUMNS = (
    "Vehicle", "Pack", "Logs", "Newest weighed", "To act on", "To look at", "Noted", "Not known", "First of all",
)  # fmt: skip


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    packs = frame.desk.packs()
    if not packs:
        return _welcome()
    if len(packs) > MOST_CARDS:
        return _many(frame, packs)
    waiting = sum(frame.desk.standing(p.id)[1] for p in packs)
    count = f"{len(packs)} pack{'s' if len(packs) != 1 else ''} in this store."
    return html.Div(
        [
            heading("Vehicles", count, answer=vehicles_says([_standing(frame, packs, p) for p in packs])),
            html.Div(
                [action("Describe another pack", "/describe"), action("Bring logs in", "/bring")],
                className="actions",
            ),
            html.Div([_card(frame, p) for p in packs], className="cards"),
            *following(waiting),
        ]
    )


def _standing(frame: Frame, packs: list[Pack], pack: Pack) -> Standing:
    found = frame.desk.standing(pack.id)[0]
    logs = len(frame.desk.logs(pack.id))
    return Standing(pack_name(pack, packs), logs, tuple(found.findings) if found else None)


def _many(frame: Frame, packs: list[Pack]) -> html.Div:
    """Return one line a pack, the most urgent first, from what the last run over the store left."""
    weighed = overview(frame.desk.root)
    logs = Counter(e.pack for e in frame.desk.store.logs())
    behind = sum(logs.values()) - sum(min(p.logs, logs[p.pack]) for p in weighed)
    says: list[Any] = [
        f"{len(packs)} packs and {sum(logs.values())} logs in this store, the most urgent first. "
    ]
    if behind:
        says += [f"{behind} logs are not weighed yet: ", html.Code(RUN), " weighs them. "]
    described = {p.id: p for p in packs}
    weighed = [p for p in weighed if p.pack in described]
    lines = [_pack_line(frame, described[p.pack], logs[p.pack], p) for p in weighed]
    seen = {p.pack for p in weighed}
    lines += [_pack_line(frame, p, logs[p.id], None) for p in packs if p.id not in seen]
    return html.Div(
        [
            heading("Vehicles", says, answer=overview_says(weighed, len(packs) - len(weighed))),
            html.Div(
                [action("Describe another pack", "/describe"), action("Bring logs in", "/bring")],
                className="actions",
            ),
            html.Div(
                html.Table(
                    [html.Thead(html.Tr([html.Th(t, scope="col") for t in COLUMNS])), html.Tbody(lines)],
                    className="many",
                ),
                className="scroll",
            ),
            # what the page of cards has: the callback that follows the weighing looks for it
            dcc.Store(id="weighed", data=0),
            dcc.Interval(id="weighing", disabled=True),
        ]
    )


def _pack_line(frame: Frame, pack: Pack, logs: int, found: PackOverview | None) -> html.Tr:
    here = View(pack=pack.id)
    told = ["", "", "", "", "", "not weighed yet" if logs else "no log yet"]
    if found is not None:
        told = [
            frame.when(found.last, time=False),
            *(str(n) if n else "" for n in (found.act, found.look, found.note, found.not_known)),
            found.worst or "nothing found",
        ]
    return html.Tr(
        [
            html.Td(dcc.Link(pack.vehicle, href=here.link("/answers"))),
            html.Td(pack.id, className="mono"),
            html.Td(logs),
            *(html.Td(text) for text in told),
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
        whole=len(logs) > 1,
    )
    about = [f"{pack.cells_in_series} cells {pack.chemistry}", f"{pack.nominal_capacity_Ah:g} Ah"]
    about += [f"design {pack.design}"] if pack.design else []
    standing, waiting = frame.desk.standing(pack.id)
    picture, says = _thumbnail(frame, pack, standing)
    says = "" if waiting and standing is None else says
    links = [action("Pack", here.link("/pack")), action("Log", here.link("/log"))]
    links += [action("Answers", here.link("/answers"), main=True)]
    return html.Article(
        [
            html.H2(pack.vehicle),
            html.P([html.Span(pack.id, className="mono"), " · ", ", ".join(about)], className="quiet"),
            graph(picture, f"{pack.vehicle}: the pack. {says}", tools=False),
            html.P(says, className="quiet") if says else None,
            *_state(frame, pack, logs, standing, waiting, here),
            html.Div(
                links if logs else [action("Bring logs in", here.link("/bring"), main=True), links[0]],
                className="actions",
            ),
        ],
        className="card",
    )


def _thumbnail(frame: Frame, pack: Pack, standing: Diagnosis | None) -> tuple[Any, str]:
    for key in coloured_by(standing) if standing else ():
        estimates = standing.of(key) if standing else ()
        if any(e.status == "determined" for e in estimates):
            findings = standing.findings if standing else ()

            def make(key: str = key, estimates: Any = estimates, findings: Any = findings) -> Any:
                drawn = pack_picture(
                    pack, estimates, quantity=key, findings=findings, look=frame.look, small=True
                )
                return drawn.to_plotly_json()

            return frame.desk.drawn.get((pack, standing), ("thumbnail", key, frame.look), make), ""
    says = "Nothing that colours the cells is known yet." if standing else "As described; no log yet."
    return pack_picture(pack, look=frame.look, small=True), says


def _state(
    frame: Frame, pack: Pack, logs: list[Any], standing: Diagnosis | None, waiting: int, here: View
) -> list[Any]:
    if not logs:
        return [html.P("No log yet. Take the card out of the logger and bring its files in.")]
    count = f"{len(logs)} log{'s' if len(logs) != 1 else ''}, the newest of "
    newest: Component = html.P([count, html.Strong(frame.when(logs[0].start))])
    if waiting:
        word = (
            f"{waiting} log{'s are' if waiting != 1 else ' is'} being weighed; this page follows by itself."
        )
        newest = html.Div([newest, html.P(word, className="quiet", role="status")])
    if standing is None:
        reason = frame.desk.diagnosis_or_reason(logs[0].id) if not waiting else ""
        return [newest, html.P(f"No diagnosis: {reason}", className="quiet")] if not waiting else [newest]
    notes, weighed = frame.desk.notes_on(pack.id), frame.desk.weighed(pack.id)
    lines = [_line(frame, weighed, f, n, here, notes) for n, f in enumerate(by_urgency(standing.findings), 1)]
    if not lines:
        return [
            newest,
            html.P(
                f"Nothing was found. {len(unknowns(standing.estimates))} questions are open: see Answers."
            ),
        ]
    rest = len(lines) - SHOWN
    return [
        newest,
        html.Ul(lines[:SHOWN], className="findings"),
        html.P(f"and {rest} more: see Answers", className="quiet") if rest > 0 else None,
    ]


def _line(
    frame: Frame,
    weighed: Sequence[Diagnosis],
    finding: Finding,
    number: int,
    here: View,
    notes: Sequence[Note],
) -> html.Li:
    """Return a standing finding with the day of the newest log that shows it."""
    shown = shown_by(finding, weighed)
    link = here.but(finding=number, cells=finding.cells)
    if shown is None:
        return finding_line(finding, link.link("/answers"), *aside_mark(finding, notes))
    log, in_log = shown
    link = link.but(log=str(log.log["id"]), finding=number if here.whole else in_log)
    plain = here.but(log=str(log.log["id"]), finding=in_log, cells=finding.cells, whole=False, sight=True)
    says = frame.when(log.log["start"], time=False)
    day = html.Span(
        [says, " ", dcc.Link("see it in the log", href=plain.link("/log"))], className="quiet day"
    )
    return finding_line(finding, link.link("/answers"), day, *aside_mark(finding, notes))


def register(app: Dash, desk: Desk) -> None:
    """While logs are being weighed behind the page, lay it out again whenever one is done."""

    @app.callback(
        Output("revision", "data", allow_duplicate=True),
        Output("weighed", "data"),
        Input("weighing", "n_intervals"),
        State("weighed", "data"),
        State("revision", "data"),
        prevent_initial_call=True,
    )
    def follow(_n: int, before: int, revision: int) -> Any:
        waiting = desk.waiting()
        return (no_update, no_update) if waiting == before else (revision + 1, waiting)
