"""Pieces that several pages share: headings, cautions, empty states, findings, figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
import flask
import plotly.graph_objects as go
from dash import dcc, html

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import COLD_CHARGE, DAMAGED_CELLS, HIGH_VOLTAGE, LOCAL_RULES
from bmslogs.base.results import Estimate, Finding
from bmslogs.faces.figures.fitting import fitted
from bmslogs.faces.figures.theme import PHONE, Look
from bmslogs.faces.figures.words import (
    LEVEL_SAYS,
    LEVEL_SHAPES,
    LEVEL_WORDS,
    conditions_line,
    say_estimate,
    say_size,
    sentence,
    title_of,
)
from dashboard.framework import attributes
from dashboard.take_away import of_plot

DAYS = {
    "dateTime": "%-d %b %Y, %H:%M:%S", "date": "%-d %b %Y", "time": "%H:%M:%S", "periods": ["am", "pm"],
    "days": ["Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday"],
    "shortDays": ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"],
    "months": [
        "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
        "November", "December",
    ],
    "shortMonths": ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
    "year": "%Y", "month": "%b %Y", "dayMonth": "%-d %b", "dayMonthYear": "%-d %b %Y",
}  # fmt: skip
"""Dates on the axes as everywhere on the pages: day, month, year."""
GRAPH: Any = {
    "displayModeBar": False, "displaylogo": False, "responsive": True, "plotlyServerURL": "", "showTips": False,
    "locale": "en-pages", "locales": {"en-pages": {"dictionary": {}, "format": DAYS}},
}  # fmt: skip
"""How every figure behaves: no bar of the library over it, no link to anybody; its tools stand below it."""
COLD_CAUSES = ("cold_charge",)
CELL_CAUSES = ("limit_exceeded", "self_discharge_high", "runs_hot")


def graph(
    figure: go.Figure | dict[str, Any], label: str, *, id: Any = None, tools: bool = True, values: bool = True
) -> html.Div:
    """Return a figure with a name for those who do not see it, and below it the ways to take it away."""
    more = {"id": id} if id is not None else {}
    return html.Div(
        [
            dcc.Graph(figure=fitted(figure), config=GRAPH, **more),
            of_plot(label, values=values) if tools else None,
        ],
        className="figure",
        role="group",
        **attributes(aria_label=label),
    )


def heading(title: str, says: Any = None, *, answer: Any = None, chapter: str | None = None) -> html.Div:
    """Return the title of a page, its answer in one sentence, a quieter line, and the chapter that tells more."""
    line = [*says] if isinstance(says, list) else [says]
    line += [" ", explained(chapter, "More in the handbook.")] if chapter else []
    return html.Div(
        [
            html.H1(title),
            html.P(answer, className="sentence", id="page-answer") if answer else None,
            html.P(line, className="lead") if says else None,
        ],
        className="heading",
    )


def section(title: Any, *content: Any, id: str | None = None) -> html.Section:
    """Return a titled part of a page."""
    more: dict[str, Any] = {"id": id} if id else {}
    return html.Section([html.H2(title), *content], className="part", **more)


def caution(*lines: str, title: str = "Before you touch it") -> html.Div:
    """Return cautions in a frame of their own."""
    return html.Div(
        [html.Strong(["⚠ ", title]), *[html.P(line) for line in lines]], className="caution", role="note"
    )


def cautions_of(finding: Finding) -> list[str]:
    """Return the cautions that belong to acting on a finding."""
    lines = [] if finding.cause == "log_quality" else [HIGH_VOLTAGE]
    if finding.cause in COLD_CAUSES:
        lines.append(COLD_CHARGE)
    if finding.cause in CELL_CAUSES:
        lines.append(DAMAGED_CELLS)
    return lines


def empty(title: str, says: Any, *actions: Any) -> html.Div:
    """Return what stands where there is nothing yet: why, and what to do."""
    return html.Div(
        [html.H2(title), html.P(says), html.Div(list(actions), className="actions")], className="empty"
    )


def refused(says: str, *actions: Any) -> html.Div:
    """Return what stands where something was refused."""
    return html.Div(
        [html.Strong("✕ Refused"), html.P(says), html.Div(list(actions), className="actions")],
        className="refused",
        role="alert",
    )


def action(text: str, href: str, *, main: bool = False) -> dcc.Link:
    """Return a link that looks like what it is: the next step."""
    return dcc.Link(text, href=href, className="button main" if main else "button")


def level(name: str) -> html.Span:
    """Return urgency as a shape and a word."""
    return html.Span(
        [html.Span(LEVEL_SHAPES[name], **attributes(aria_hidden="true")), f" {LEVEL_WORDS[name]}"],
        className=f"level {name}",
        title=LEVEL_SAYS[name],
    )


def finding_line(finding: Finding, href: str, *more: Any) -> html.Li:
    """Return one finding as a line that leads to where it shows."""
    return html.Li([level(finding.level), html.Div([dcc.Link(sentence(finding.says), href=href), *more])])


def size_line(finding: Finding) -> html.P | None:
    """Return size and interval of a finding."""
    size = say_size(finding)
    return (
        html.P(
            [
                html.Span("Size ", className="key"),
                html.Strong(size),
                html.Span(" (95 % interval)" if finding.low is not None else "", className="quiet"),
            ],
            className="size",
        )
        if size
        else None
    )


def explained(key: str, text: str | None = None) -> dcc.Link:
    """Return the title of a quantity or cause, or another text, as a link to its page of the handbook."""
    asks = QUANTITIES[key].question if key in QUANTITIES else None
    return dcc.Link(text or title_of(key), href=f"/handbook?page={key}", className="explained", title=asks)


def facts(rows: Sequence[tuple[Any, Any]]) -> html.Table:
    """Return a table of names and values."""
    return html.Table(
        html.Tbody([html.Tr([html.Th(k, scope="row"), html.Td(v)]) for k, v in rows]), className="facts"
    )


def estimate_rows(estimates: Sequence[Estimate]) -> list[tuple[Any, Any]]:
    """Return estimates as rows: title, value with interval and conditions."""
    rows: list[tuple[Any, Any]] = []
    for e in estimates:
        note = conditions_line(e.conditions) if e.status != "not_determinable" else (e.settle_by or "")
        value = [html.Span(say_estimate(e)), html.Small(note, className="quiet")] if note else say_estimate(e)
        rows.append((explained(e.quantity), value))
    return rows


def split_rows(estimates: Sequence[Estimate]) -> list[Any]:
    """Return what is determined as a table, and what is not behind one line."""
    known = [e for e in estimates if e.status != "not_determinable"]
    unknown = [e for e in estimates if e.status == "not_determinable"]
    out: list[Any] = [facts(estimate_rows(known))] if known else []
    if unknown:
        count = f"{len(unknown)} quantit{'y is' if len(unknown) == 1 else 'ies are'} not known from this log"
        out.append(html.Details([html.Summary(count), facts(estimate_rows(unknown))]))
    return out


def cautions_footer() -> html.Div:
    """Return the rule that stands under every page."""
    return html.Div(LOCAL_RULES, className="rules")


def choose_pack(packs: Sequence[Any], path: str) -> html.Div:
    """Return what a page shows that needs a pack when none is chosen."""
    if not packs:
        return empty(
            "No pack is described yet",
            "A pack is described once, by hand: vehicle, cells, boxes and modules.",
            action("Describe a pack", "/describe", main=True),
        )
    return empty(
        "Which pack?",
        "Choose the pack to look at.",
        *[action(f"{p.vehicle}: {p.id}", f"{path}?pack={p.id}") for p in packs],
    )


NO_LOG = "No log yet: nothing is known of this pack but its description."


def no_logs(pack_id: str) -> html.Div:
    """Return what a page shows that needs a log when the pack has none."""
    return empty(
        "This pack has no log yet",
        "Take the card out of the logger and drop its files here.",
        action("Bring logs in", f"/bring?pack={pack_id}", main=True),
    )


def following(waiting: int) -> list[Any]:
    """Return what lays a page out again while `waiting` logs are weighed behind it."""
    return [
        dcc.Store(id="weighed", data=waiting),
        dcc.Interval(id="weighing", interval=2000, disabled=not waiting),
    ]


def select(label: str, id: Any, data: Sequence[Any], value: Any = None, **more: Any) -> dmc.Select:
    """Return a list to choose one from."""
    return dmc.Select(
        label=label, id=id, data=list(data), value=value, comboboxProps={"withinPortal": False}, **more
    )


def choices(look: Look, *controls: Any, what: str) -> html.Div | html.Details:
    """Return the controls of a page; on a phone folded away behind `what`, so that the picture is in sight."""
    row = html.Div(list(controls), className="controls")
    return html.Details([html.Summary(what), row], className="choices") if look.room == PHONE else row


def table_response(table: str, name: str) -> flask.Response:
    """Return a CSV table to be saved; the byte order mark tells a spreadsheet that it is UTF-8."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return flask.Response(table.encode("utf-8-sig"), 200, headers, mimetype="text/csv")
