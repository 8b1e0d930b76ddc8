"""One file on its way into the store, as a card: what is asked, how far it is, what came of it."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from typing import Any

import dash_mantine_components as dmc
from dash import html

from bmslogs.base.pack import Pack
from bmslogs.faces.signs import grouped
from dashboard.bring_columns import SIGNS, columns_table, sign_choice
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.jobs import BUSY, QUEUE, Job, by_local_clock, offers_of, ready
from dashboard.mapping import ROLES, columns_of
from dashboard.parts import action
from dashboard.zones import zone_choice

SAYS = {
    "waiting": "waiting",
    "inspecting": "looking at its columns",
    "confirm": "to be confirmed",
    "queued": "waits its turn",
    "importing": "being brought in",
    "done": "done",
    "refused": "✕ refused",
}
STOPS = "being cancelled"
"""State of a file that was taken back: it leaves the queue at its turn, or at the next piece that is read."""


def button(job: Job, do: str, text: str, *, main: bool = False, disabled: bool = False) -> html.Button:
    """Return a button of a card."""
    return html.Button(
        text,
        id={"job": job.token, "do": do},
        className="button main" if main else "button",
        type="button",
        disabled=disabled,
    )


def card(frame: Frame, job: Job, together: bool = False) -> list[Any]:
    """Return what a card shows."""
    pack = frame.desk.pack(job.pack) if job.pack else None
    of = f"{pack.vehicle}: {pack.id}" if pack else ""
    of += f", only {', '.join(job.modules)}" if of and job.modules else ""
    head = html.Div(
        [
            html.Span(job.name, className="file"),
            html.Span(
                "looking again" if job.looking else _state(job), className=f"state {job.state}", role="status"
            ),
            html.Span(of, className="quiet"),
        ],
        className="card-head",
    )
    if job.state in BUSY:
        body = _busy(job)
    elif job.state == "confirm":
        body = _confirm(frame, job, pack, together)
    elif job.state == "refused":
        body = _refused(frame, job, pack)
    else:
        body = _done(frame, job)
    return [head, *body]


def _state(job: Job) -> str:
    if job.cancelled:
        return STOPS
    asked = job.state == "confirm" and bool(getattr(job.inspection, "problems", ()))
    return "asks" if asked else SAYS[job.state]


def _busy(job: Job) -> list[Any]:
    done: dict[str, Any] = {"value": f"{100 * job.fraction:.0f}"} if job.state in QUEUE else {}
    bar = html.Progress(
        max="100", id={"bar": job.token}, **done, **attributes(aria_label=f"{SAYS[job.state]}: {job.name}")
    )
    cancel = [button(job, "cancel", "Cancel", disabled=job.cancelled)] if job.state in QUEUE else []
    return [bar, html.Div(cancel, className="actions") if cancel else None]


def _confirm(frame: Frame, job: Job, pack: Pack | None, together: bool) -> list[Any]:
    return [
        html.P(job.says, className="bad", role="alert") if job.says else None,
        _pack_choice(frame, job),
        asked(job),
        _offers(job),
        _remembered(job),
        _recorded(job),
        *(_in_brief(job) if job.folded else _in_full(frame, job)),
        html.P(_promise(job, pack), className="sentence promise")
        if pack and not together and ready(job)
        else None,
        html.Div(
            [
                None
                if together
                else button(
                    job, "import", "Bring this log in", main=ready(job), disabled=bool(not ready(job))
                ),
                button(job, "drop", "Leave it out"),
            ],
            className="actions",
        ),
    ]


def _in_full(frame: Frame, job: Job) -> list[Any]:
    return [
        _zone_of(frame, job),
        html.P("What each column was taken for. Look at the values; change what is wrong in its row."),
        columns_table(job),
        sign_choice(job),
        *_typed(job, "The mapping as text, for what the drop-downs cannot say"),
    ]


def _in_brief(job: Job) -> list[Any]:
    """Say what the columns were taken for in a line, and offer to look at them one by one."""
    return [
        html.P(brief(job)),
        html.Div([button(job, "unfold", "Look at its columns")], className="actions"),
    ]


def _zone_of(frame: Frame, job: Job) -> Any:
    """Return the choice of the zone in which the logger's clock stood; none where its stamps say it themselves."""
    if not by_local_clock(job):
        return None
    pack, named = frame.desk.pack(job.pack) if job.pack else None, getattr(frame.desk.zone, "key", None)
    return zone_choice(
        {"zone-of": job.token},
        "The logger's clock stood in",
        job.inspection.plan.clock.zone,
        (pack.zone if pack else None, named),
        allowDeselect=False,
        w=300,
        comboboxProps={"withinPortal": True},
    )


def brief(job: Job) -> str:
    """Return in a sentence what the columns of a file were taken for, and which way its current counts."""
    plan = job.inspection.plan
    many = Counter(ROLES[c.role] for c in columns_of(plan, job.chosen))
    taken = ", ".join(f"{n} × {role}" if n > 1 else role for role, n in many.items())
    way = {1: SIGNS["positive"], -1: SIGNS["negative"]}.get(plan.sign or 0)
    if job.sign:
        way = SIGNS[job.sign]
    counts = f"Above nought {way}." if way else "Which way the current counts, the whole file has to tell."
    clock = f" Its clock stood in {plan.clock.zone}." if by_local_clock(job) else ""
    return f"{sum(many.values())} columns: {taken}. {counts}{clock}"


def _promise(job: Job, pack: Pack) -> str:
    """Repeat what is about to be stored: the vehicle, the pack, the day."""
    clock = job.inspection.plan.clock
    first = _first_time(job)
    first += f" by the clock of {clock.zone}" if first and by_local_clock(job) else ""
    day = f", begins {first}" if first and clock is not None and clock.dated else ""
    part = f", only {', '.join(job.modules)}" if job.modules else ""
    return f"Goes to {pack.vehicle}, pack {pack.id}{part}{day}."


def _first_time(job: Job) -> str:
    """Return the first stamp as the file writes it; counted seconds as the day that they mean."""
    times = [t for t in job.inspection.plan.columns if t.role == "time"]
    text = " ".join(t.examples[0] for t in times if t.examples)[:40]
    if re.fullmatch(r"\d{10}(\d{3})?(\.\d+)?", text):
        seconds = float(text) / (1000 if len(text.partition(".")[0]) == 13 else 1)
        return f"{dt.datetime.fromtimestamp(seconds, dt.UTC):%Y-%m-%d %H:%M:%S} UTC"
    if re.fullmatch(r"[\d.,]+", text):
        return ""
    return re.sub(r"(?<=\d)T(?=\d)", " ", text).replace("Z", " UTC").replace("+00:00", " UTC")


def _pack_choice(frame: Frame, job: Job) -> dmc.Select | None:
    """Return the choice of the pack; none where there is only one, and the file is of it."""
    packs = frame.desk.packs()
    if [p.id for p in packs] == [job.pack]:
        return None
    return dmc.Select(
        id={"of-pack": job.token},
        label="This log is of",
        data=[{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
        value=job.pack or None,
        placeholder="choose the pack",
        allowDeselect=False,
        w=300,
        comboboxProps={"withinPortal": True},
    )


def asked(job: Job) -> html.Div | None:
    """Name what would have the file refused as it is mapped now."""
    doubts = list(getattr(job.inspection, "problems", ()) or ())
    if not doubts:
        return None
    says = "This file asks before it can come in. Answer below:"
    return html.Div(
        [html.Strong(says), html.Ul([html.Li(_bare(d)) for d in doubts])], className="caution", role="note"
    )


def _offers(job: Job) -> html.Div | None:
    """Offer the answers that a question of the clock has."""
    answers = [
        button(job, f"answer {offer.line}", offer.says, main=True, disabled=job.looking)
        for offer in offers_of(job)
    ]
    return html.Div(answers, className="actions") if answers else None


def _bare(line: str) -> str:
    """Return a question without the file's name, which stands above, and without what a profile would say to it."""
    head, found, rest = line.partition(": ")
    says = rest if found and "." in head and " " not in head else line
    what, found, expected = says.partition("; expected ")
    return what if found and "profile" in expected else says


def _remembered(job: Job) -> html.P | None:
    if not job.remembered:
        return None
    return html.P(
        [
            f"Read as you mapped this logger for {job.remembered}. ",
            button(job, "forget", "Forget that mapping"),
        ],
        className="judged",
    )


def _recorded(job: Job) -> html.Ul | None:
    """Say what was done to make a table of a CAN recording."""
    done = list(getattr(job.inspection, "signals", ()) or ())
    return html.Ul([html.Li(d) for d in done], className="quiet") if done else None


def _typed(job: Job, title: str) -> list[Any]:
    return [
        html.Details(
            [
                html.Summary(title),
                html.P(
                    "The logger's profile: change a line, then look again. Keep a copy for other machines.",
                    className="quiet",
                ),
                dmc.Textarea(
                    id={"mapping": job.token},
                    value=job.profile,
                    autosize=True,
                    minRows=6,
                    maxRows=22,
                    className="mono",
                    **attributes(aria_label=f"Mapping of {job.name}"),
                ),
                button(job, "again", "Look again"),
            ],
        )
    ]


def _refused(frame: Frame, job: Job, pack: Pack | None) -> list[Any]:
    known: list[Any] = []
    if job.inspection is not None:
        known = [
            html.P("Where the reason is what a column or the sign was taken for, say it here:"),
            *(_in_brief(job) if job.folded else [_zone_of(frame, job), columns_table(job), sign_choice(job)]),
        ]
    return [
        html.P(_bare(job.says), className="bad", role="alert"),
        _offers(job),
        _pack_choice(frame, job),
        *known,
        *_typed(job, "The mapping as text, for what the drop-downs cannot say"),
        html.Div([button(job, "drop", "Leave it out")], className="actions"),
    ]


def _done(frame: Frame, job: Job) -> list[Any]:
    away = button(job, "drop", "Put this card away")
    if not job.log_id:
        return [html.P(job.says), html.Div([away], className="actions")]
    pack = frame.desk.pack(job.pack)
    here = frame.view.but(
        pack=job.pack, log=job.log_id, cells=(), module="", joint=0, start="", end="", finding=0
    )
    rows = f"{grouped(job.rows)} rows"
    whose = f"{pack.vehicle}, pack {pack.id}: " if pack else ""
    when = f", {frame.span(job.start, job.end)}" if job.start is not None else ""
    mended = (
        html.Details(
            [
                html.Summary(f"Mended on the way in: {len(job.repairs)} kinds"),
                html.Ul([html.Li(r) for r in job.repairs]),
            ],
            open=len(job.repairs) < 4,
        )
        if job.repairs
        else html.P("Nothing had to be mended.", className="quiet")
    )
    return [
        html.P([whose, f"{job.says}, ", html.Strong(rows), when]),
        mended,
        html.Ul([html.Li(n) for n in job.notes]) if job.notes else None,
        html.Div(
            [
                action("Answers", here.link("/answers"), main=True),
                action("Log", here.link("/log")),
                away,
            ],
            className="actions",
        ),
    ]
