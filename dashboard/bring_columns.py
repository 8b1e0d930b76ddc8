"""What the columns of a file are, with a drop-down each and five of their values, and the sign of the current."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import html

from dashboard.framework import attributes
from dashboard.jobs import Job
from dashboard.mapping import BESIDE, ROLES, SHOWN, UNITS, Column, alike, columns_of

VALUES = 5
MANY = 12
"""Choice: from so many columns on, those alike share their drop-downs until the reader wants each on its own."""
SIGNS = {
    "positive": "the pack is drawn from (driving)",
    "negative": "the pack is being charged",
}
"""What is going on where the logger's current is above nought, by the sign that it gives to discharge."""


def columns_table(job: Job) -> html.Div:
    """Return every column: what it was taken for, drop-downs to say otherwise, why, and five of its values."""
    plan = job.inspection.plan
    columns = columns_of(plan, job.chosen)
    told = {t.index: c for t, c in zip(plan.columns, job.inspection.columns, strict=True)}
    free = plan.long is None
    rows: list[Any] = []
    for group in [[c] for c in columns] if job.apart or len(columns) < MANY else alike(columns):
        if len(group) > 1:
            rows.append(_shared_row(job, group, free, told[group[0].index]))
            rows += [_row(job, c, told[c.index], None) for c in group]
        else:
            rows.append(_row(job, group[0], told[group[0].index], group if free else None))
    head = html.Tr([html.Th(t, scope="col") for t in ("Column", "What it is", "Unit", "Five values", "Why")])
    widths = html.Colgroup([html.Col(className=c) for c in ("", "of-role", "of-unit", "of-values", "")])
    table = html.Table([widths, html.Thead(head), html.Tbody(rows)], className="mapping stacked")
    return html.Div(
        [
            html.Div(
                table,
                className="scroll tall framed",
                tabIndex=0,
                role="region",
                **attributes(aria_label="Columns"),
            ),
            html.Div(
                [
                    html.Span(
                        [
                            f"{len(columns)} columns",
                            html.Span("; the table scrolls", className="on-wide"),
                            ".",
                        ],
                        className="quiet",
                    ),
                    _each_button(job) if free and len(columns) >= MANY else None,
                ],
                className="under-table",
            ),
        ]
    )


def _each_button(job: Job) -> html.Button:
    says = "Choose for alike columns together" if job.apart else "Choose for every column on its own"
    return html.Button(says, id={"job": job.token, "do": "apart"}, className="button", type="button")


def _shared_row(job: Job, group: Sequence[Column], free: bool, told: Any) -> html.Tr:
    """Return the row of columns alike; with the first one's values on a phone, which does not list them one by one."""
    name = f"{group[0].name} … {group[-1].name}"
    return html.Tr(
        [
            html.Th([name, html.Small(f"{len(group)} columns alike", className="quiet")], scope="row"),
            html.Td(_role(job, group, name) if free else ROLES[group[0].role]),
            html.Td(_unit(job, group, name) if free else SHOWN.get(group[0].unit, group[0].unit)),
            html.Td(
                _values(told), className="mono on-narrow", **attributes(data_label="values of the first")
            ),
            html.Td(_why(job, told), className="quiet on-narrow", **attributes(data_label="why")),
            html.Td(className="on-wide", colSpan=2),
        ],
        className="shared",
    )


def _row(job: Job, column: Column, told: Any, group: Sequence[Column] | None) -> html.Tr:
    taken = str(told.taken_for or "not understood")
    unit = SHOWN.get(column.unit, column.unit)
    what: list[Any] = [taken]
    if group is not None:
        more = column.role in ("cell", "temperature", "bleed") or column.role == BESIDE
        more = more and not taken.startswith("extra")
        what = [_role(job, group, column.name), html.Small(taken, className="quiet") if more else None]
    return html.Tr(
        [
            html.Th(column.name, scope="row"),
            html.Td(what),
            html.Td(_unit(job, group, column.name) if group is not None else unit),
            html.Td(_values(told), className="mono", **attributes(data_label="values")),
            html.Td(_why(job, told), className="quiet", **attributes(data_label="why")),
        ],
        className="" if group is not None else "member",
    )


def _values(told: Any) -> list[Any]:
    """Return the first values of a column, none of them broken over two lines."""
    values = [str(v) for v in list(told.values)[:VALUES]]
    last = len(values) - 1
    return [html.Span(v + (", " if k < last else ""), className="value") for k, v in enumerate(values)]


def _why(job: Job, told: Any) -> str:
    """Return why a column was taken for what it is; what the sign of the current rests on stands under its picture."""
    why, sign = str(told.why or ""), job.inspection.plan.sign_why
    return why.removesuffix(str(sign)).rstrip("; ") if sign and job.picture else why


def _key(group: Sequence[Column]) -> str:
    return ",".join(str(c.index) for c in group)


def _role(job: Job, group: Sequence[Column], name: str) -> dmc.Select:
    return dmc.Select(
        id={"role": job.token, "of": _key(group)},
        data=[{"value": k, "label": v} for k, v in ROLES.items()],
        value=group[0].role,
        allowDeselect=False,
        size="xs",
        w=190,
        comboboxProps={"withinPortal": True},
        **attributes(aria_label=f"What {name} is"),
    )


def _unit(job: Job, group: Sequence[Column], name: str) -> dmc.Select | str:
    able = UNITS.get(group[0].role)
    if able is None:
        return ""
    units = dict.fromkeys([*able, *([group[0].unit] if group[0].unit else [])])
    return dmc.Select(
        id={"unit": job.token, "of": _key(group)},
        data=[{"value": u, "label": SHOWN.get(u, u)} for u in units],
        value=group[0].unit or None,
        placeholder="as found",
        allowDeselect=False,
        size="xs",
        w=100,
        comboboxProps={"withinPortal": True},
        **attributes(aria_label=f"Unit of {name}"),
    )


def sign_choice(job: Job) -> html.Div | None:
    """Return the sign of the current: a picture of the file, and the two readings of it."""
    if not job.picture:
        return None
    plan = job.inspection.plan
    now = job.sign or {1: "positive", -1: "negative"}.get(plan.sign or 0, "")
    if job.sign:
        says = "You said so."
    elif plan.sign is not None:
        says = f"By itself: {plan.sign_why}."
    else:
        says = "Not certain from its beginning. The whole file may tell; else say it here."
    answer = {
        "falls": "Where the logger's current goes up, the cells fall.",
        "rises": "Where the logger's current goes up, the cells rise.",
        "hardly moves": "The cells hardly answer to this current.",
    }[job.answer]
    return html.Div(
        [
            html.H3("Which way does the current count?"),
            html.Div(
                [
                    html.Figure(
                        [
                            html.Img(
                                src=job.picture,
                                alt=f"Current above, mean of the cells below, from the file. {answer}",
                            ),
                            html.Figcaption(
                                [
                                    html.Span("current as logged", className="key current"),
                                    html.Span("mean of the cells", className="key cells"),
                                ]
                            ),
                        ],
                        className="sign-picture",
                    ),
                    html.Div(
                        [
                            html.P(f"{answer} Above the dashed line (nought),"),
                            html.Div(
                                [
                                    html.Button(
                                        f"{'✓ ' if key == now else ''}{text}",
                                        id={"job": job.token, "do": f"sign-{key}"},
                                        className="button choice" + (" chosen" if key == now else ""),
                                        type="button",
                                        **attributes(aria_pressed="true" if key == now else "false"),
                                    )
                                    for key, text in SIGNS.items()
                                ],
                                className="actions",
                            ),
                            html.P(says, className="quiet"),
                        ]
                    ),
                ],
                className="sign",
            ),
        ],
        className="sign-part",
    )
