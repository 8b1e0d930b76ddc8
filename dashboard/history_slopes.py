"""The slopes and figures of a history as a table, why there are none, dated work and the logs that could not tell."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from dash import html

from bmslogs.faces.explain import page as explained
from bmslogs.faces.history_sheet import Row, Sheet, rows_of
from bmslogs.faces.numbers import cells_named
from bmslogs.faces.signs import grouped
from bmslogs.findings.history.building import Weighed
from bmslogs.findings.history.topics import TOPICS
from bmslogs.findings.history.words import day_words
from dashboard.framework import attributes
from dashboard.parts import section

SHOWN_ROWS = 12  # lines of the table before the rest is folded away (choice)


def counter_sentence(w: Weighed, key: str) -> str:
    """Return what a topic without slopes says: how much in all, or how far the places part."""
    if key == "temperature_spread":
        spread = w.gathered.counters["spread_K"]
        known = spread[np.isfinite(spread)]
        if not known.size:
            return "No log has two temperatures."
        return (
            f"The warmest and the coldest place usually lie {np.median(known):.1f} K apart, "
            f"{known.max():.1f} K in the widest log."
        )
    names = (
        ("drawn_Ah", "charged_Ah", "Ah") if key == "charge_counted" else ("drawn_kWh", "charged_kWh", "kWh")
    )
    drawn, charged = (float(np.nansum(w.gathered.counters[n])) for n in names[:2])
    return (
        f"{grouped(drawn)} {names[2]} drawn and {grouped(charged)} {names[2]} charged in these logs; what flowed "
        "while the logger slept is in none."
    )


def table(w: Weighed, key: str) -> list[Any]:
    """Return the table of a topic, its first lines shown, with why some have no slope yet."""
    rows = rows_of(w, key)
    if not TOPICS[key].sloped:
        says = {
            "temperature_spread": "How far places part follows the day's load and air: no slope is told of it.",
        }.get(key, "Added up over the logs that have a current.")
        return [html.P(says), table_rows(rows[:SHOWN_ROWS], key)]
    first, rest = folded(rows)
    # hundreds of cells of a table take the browser longer than the picture: they come when they are asked for
    unfold = html.Summary(f"{len(rest)} more", id="history-unfold", n_clicks=0)
    more = html.Details([unfold, html.Div(id="history-rest")]) if rest else None
    how = html.Details(
        [html.Summary("How slopes are told", id="history-how", n_clicks=0), html.Div(id="history-method")]
    )
    return [table_rows(first, key), more, _lacking(rows), how]


def folded(rows: list[Row]) -> tuple[list[Row], list[Row]]:
    """Return the lines that are shown, and those that are folded away."""
    first = [r for k, r in enumerate(rows) if k < SHOWN_ROWS or r.drift or r.column is None]
    return first, [r for r in rows if r not in first]


def _lacking(rows: list[Row]) -> html.Div | None:
    """Return why lines have no slope yet, one line a reason."""
    reasons: dict[str, list[Row]] = {}
    for r in rows:
        if r.note:
            reasons.setdefault(r.note, []).append(r)
    if not reasons:
        return None
    lines = []
    for why, of in reasons.items():
        cells = [r.column for r in of if isinstance(r.column, int)]
        names = [cells_named(cells)] if cells else []
        names += [r.place[:1].lower() + r.place[1:] for r in of if not isinstance(r.column, int)]
        lines.append(html.Li([html.Strong(f"{', '.join(names)}: "), why]))
    return html.Div([html.H3("No slope yet"), html.Ul(lines, className="hatched")])


def method_text() -> str:
    """Return how slopes are told, as Markdown that stands below a heading of the page."""
    text = explained("history")
    return text.split("\n", 1)[1].replace("\n## ", "\n#### ")


def table_rows(rows: list[Row], key: str) -> html.Div:
    """Return lines of the table, as cards where the screen is narrow."""
    heads: tuple[str, ...] = ("Place", "Now (95 % interval)", "Slope (95 % interval)", "Since")
    if not TOPICS[key].sloped:
        heads = ("Place", "Last log")
    lines = []
    for r in rows:
        cells = [
            html.Th([html.Span("◆ ", title="drifts") if r.drift else "", r.place], scope="row"),
            html.Td(r.now, **attributes(data_label=heads[1])),
        ]
        if TOPICS[key].sloped:
            cells += [
                html.Td(
                    html.Strong(r.slope) if r.drift else r.slope,
                    className="untold" if r.note else None,
                    **attributes(data_label=heads[2]),
                ),
                html.Td(r.since, className="whole", **attributes(data_label=heads[3])),
            ]
        lines.append(html.Tr(cells))
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    return html.Div(html.Table([head, html.Tbody(lines)], className="stacked"), className="scroll")


def beside(sheet: Sheet) -> html.Div:
    """Return dated work, and the logs that could not tell gathered by reason."""
    work = [
        html.Li(
            [
                html.Strong(day_words(e.date)),
                f" {e.kind}{f', {e.where}' if e.where else ''}",
                " (leaves this quantity as it was)" if sheet.topic.sloped and not e.restarts else "",
            ]
        )
        for e in sheet.marks
    ]
    reasons = Counter(why for _, why in sheet.gaps).most_common()
    gaps = [html.Li(f"{count} log{'s' if count != 1 else ''}: {why}") for why, count in reasons]
    return html.Div(
        [
            section(
                "Work on the pack",
                html.P("Slopes begin anew at work that touches the quantity, where it was done."),
                html.Ul(work) if work else html.P("No dated work is described. It is entered under Describe a pack."),
            ),
            section(
                "Logs that could not tell",
                html.Details(
                    [
                        html.Summary(f"{len(sheet.gaps)} of {len(sheet.ids)} logs, by reason"),
                        html.Ul(gaps, className="hatched"),
                    ]
                ) if gaps else html.P("Every log tells it."),
            ),
        ],
        className="halves",
    )  # fmt: skip
