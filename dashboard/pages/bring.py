"""Bring logs in: drop files, confirm what each column is, see what was mended or why a file was refused."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from bmslogs.base.pack import Pack
from dashboard import jobs as work
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.jobs import BUSY, Job, Jobs
from dashboard.parts import action, empty, heading, select
from dashboard.uploads import MOST_UPLOAD_BYTES

TITLE, PATH = "Bring logs in", "/bring"
SAYS = {
    "waiting": "waiting",
    "inspecting": "looking at its columns",
    "confirm": "to be confirmed",
    "importing": "being brought in",
    "done": "done",
    "refused": "✕ refused",
}


def layout(frame: Frame, jobs: Jobs | None = None) -> html.Div:
    """Lay the page out."""
    packs = frame.desk.packs()
    if not packs:
        return html.Div(
            [
                heading("Bring logs in"),
                empty(
                    "Describe the pack first",
                    "A log is always of one pack: its cells, modules and sensors give the columns their "
                    "places.",
                    action("Describe a pack", "/describe", main=True),
                ),
            ]
        )
    chosen = frame.pack.id if frame.pack else None
    return html.Div(
        [
            heading(
                "Bring logs in",
                "Files as the logger wrote them: CSV or text, also packed as gz or zip. Nothing leaves this "
                "machine.",
                chapter="profile",
            ),
            html.Div(
                [
                    select(
                        "Of which pack?",
                        "bring-pack",
                        [{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
                        chosen,
                        allowDeselect=False,
                        w=300,
                        placeholder="choose it first",
                    ),
                    dmc.MultiSelect(
                        id="bring-modules",
                        label="The pack is split: only these modules were logged",
                        data=[m.name for m in frame.pack.modules] if frame.pack else [],
                        value=[],
                        clearable=True,
                        w=380,
                        placeholder="no, the whole pack",
                        comboboxProps={"withinPortal": False},
                    ),
                    dmc.Switch(id="bring-together", label="These files are parts of one log", checked=False),
                ],
                className="controls",
            ),
            html.Div(
                [
                    html.P(html.Strong("Drop log files here")),
                    html.P("a CAN recording with its signal database", className="quiet"),
                    html.Button("Choose files", id="drop-button", className="button main", type="button"),
                    html.P(
                        "CSV, spreadsheets, Parquet, Arrow, JSON or line protocol, plain or packed; "
                        f"up to {MOST_UPLOAD_BYTES // 2**30} GiB a file",
                        className="quiet",
                    ),
                ],
                id="drop-area",
                className="drop",
            ),
            html.Ul(id="upload-list", className="uploads", **{"aria-live": "polite"}),
            dcc.Store(id="arrived"),
            dcc.Store(id="jobs-version", data=-1),
            dcc.Interval(id="jobs-clock", interval=700),
            html.Div(id="jobs", children=job_list(frame, jobs) if jobs else []),
        ]
    )


def job_list(frame: Frame, jobs: Jobs, together: bool = False) -> list[Any]:
    """Return all files brought in so far, newest first; with `together` those to be confirmed make one log."""
    cards = [_job(frame, j, together) for j in reversed(jobs.all())]
    return [*_as_one(jobs), *cards] if together else cards


def parts_of_one(jobs: Jobs) -> list[Job]:
    """Return the files that are to be confirmed, in the order of their names: parts are numbered or dated."""
    return sorted((j for j in jobs.all() if j.state == "confirm"), key=lambda j: (j.name, j.order))


def _as_one(jobs: Jobs) -> list[Any]:
    """Return the step that makes one log of the files to be confirmed."""
    parts = parts_of_one(jobs)
    if len(parts) < 2:
        says = "Parts of one log: drop all its files, at least two; they are then brought in with one button."
        return [html.P(says, className="judged")]
    return [
        html.Div(
            [
                html.P(
                    "Parts one after the other, or the current in one file and the cells in another. Look at the "
                    "columns of each below first.",
                ),
                html.Ol([html.Li(j.name, className="file") for j in parts]),
                html.Button(
                    f"Bring these {len(parts)} files in as one log",
                    id={"job": parts[0].token, "do": "together"},
                    className="button main",
                    type="button",
                ),
            ],
            className="answer",
        )
    ]


def _job(frame: Frame, job: Job, together: bool) -> html.Article:
    pack = frame.desk.pack(job.pack) if job.pack else None
    of = f"{pack.vehicle}: {pack.id}" if pack else ""
    of += f", only {', '.join(job.modules)}" if of and job.modules else ""
    head = html.Div(
        [
            html.Span(job.name, className="file"),
            html.Span(SAYS[job.state], className=f"state {job.state}"),
            html.Span(of, className="quiet"),
        ],
        className="card-head",
    )
    body: list[Any] = []
    if job.state in BUSY:
        done = {"value": f"{100 * job.fraction:.0f}"} if job.state == "importing" else {}
        body = [html.Progress(max="100", **done, **{"aria-label": f"{SAYS[job.state]}: {job.name}"})]
    elif job.state == "confirm":
        body = _confirm(job, together)
    elif job.state == "refused":
        body = _refused(job)
    elif job.state == "done":
        body = _done(frame, job)
    return html.Article([head, *body], className=f"card job {job.state}")


def _confirm(job: Job, together: bool) -> list[Any]:
    alone = html.Button(
        "Bring this log in", id={"job": job.token, "do": "import"}, className="button main", type="button"
    )
    leave = html.Button(
        "Leave it out", id={"job": job.token, "do": "drop"}, className="button", type="button"
    )
    return [
        html.P(job.says, className="bad", role="alert") if job.says else None,
        _doubts(job),
        _recorded(job),
        html.P("What each column was taken for. Look at the values; bring the log in when it is right."),
        columns_table(job.inspection),
        *_mapping(job, "Something is wrong: change the mapping"),
        html.Div([leave] if together else [alone, leave], className="actions"),
    ]


def _recorded(job: Job) -> html.Ul | None:
    """Say what was done to make a table of a CAN recording."""
    done = list(getattr(job.inspection, "signals", ()) or ())
    return html.Ul([html.Li(d) for d in done], className="quiet") if done else None


def _doubts(job: Job) -> html.Div | None:
    """Name what would have the file refused as it is mapped now."""
    doubts = list(getattr(job.inspection, "problems", ()) or ())
    if not doubts:
        return None
    says = "By itself, as it stands, this file would be refused:"
    return html.Div(
        [html.Strong(says), html.Ul([html.Li(d) for d in doubts])], className="caution", role="note"
    )


def _mapping(job: Job, title: str, opened: bool = False) -> list[Any]:
    return [
        html.Details(
            [
                html.Summary(title),
                html.P(
                    "The logger's profile: change a line, then look again. Keep a copy for this logger's other logs.",
                    className="quiet",
                ),
                dmc.Textarea(
                    id={"mapping": job.token},
                    value=job.profile,
                    autosize=True,
                    minRows=6,
                    maxRows=22,
                    className="mono",
                    **{"aria-label": f"Mapping of {job.name}"},
                ),
                html.Button(
                    "Look again", id={"job": job.token, "do": "again"}, className="button", type="button"
                ),
            ],
            open=opened,
        )
    ]


def _refused(job: Job) -> list[Any]:
    return [
        html.P(job.says, className="bad", role="alert"),
        *(_mapping(job, "Say what the columns are", opened=bool(job.profile))),
        html.Div(
            [
                html.Button(
                    "Leave it out", id={"job": job.token, "do": "drop"}, className="button", type="button"
                )
            ],
            className="actions",
        ),
    ]


def _done(frame: Frame, job: Job) -> list[Any]:
    if not job.log_id:
        return [html.P(job.says)]
    here = frame.view.but(
        pack=job.pack, log=job.log_id, cells=(), module="", joint=0, start="", end="", finding=0
    )
    mended = (
        html.Ul([html.Li(r) for r in job.repairs])
        if job.repairs
        else html.P("Nothing had to be mended.", className="quiet")
    )
    return [
        html.P(
            [
                f"{job.says}: ",
                html.Strong(f"{job.rows:,} rows".replace(",", " ")),
                ", log ",
                html.Span(job.log_id, className="mono"),
            ]
        ),
        html.H3("Mended on the way in") if job.repairs else None,
        mended,
        html.Ul([html.Li(n) for n in job.notes]) if job.notes else None,
        html.Div(
            [action("Answers", here.link("/answers"), main=True), action("Log", here.link("/log"))],
            className="actions",
        ),
    ]


def columns_table(inspection: Any) -> html.Div:
    """Return what each column was taken for, why, with five of its values."""
    rows = []
    for column in getattr(inspection, "columns", None) or []:
        values = ", ".join(str(v) for v in list(getattr(column, "values", ()))[:5])
        rows.append(
            html.Tr(
                [
                    html.Th(str(column.name), scope="row"),
                    html.Td(str(getattr(column, "taken_for", "") or "not understood")),
                    html.Td(str(getattr(column, "why", "") or "")),
                    html.Td(values, className="mono"),
                ]
            )
        )
    head = html.Tr([html.Th(t, scope="col") for t in ("Column", "Taken for", "Why", "Five values")])
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(rows)], className="mapping"),
        className="scroll tall",
        tabIndex=0,
        role="region",
        **{"aria-label": "Columns"},
    )


def register(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """Receive, inspect, import, and show how far it is."""

    @app.callback(
        Output("arrived", "data", allow_duplicate=True),
        Input("arrived", "data"),
        State("bring-pack", "value"),
        State("bring-modules", "value"),
        prevent_initial_call=True,
    )
    def arrived(token: str | None, pack_id: str | None, modules: list[str] | None) -> Any:
        for waiting in jobs.claim():  # files that arrive at once are told of once
            work.inspect(jobs, waiting, desk.pack(pack_id or ""), modules=modules or (), store=desk.store)
        return no_update

    @app.callback(
        Output("bring-modules", "data"),
        Output("bring-modules", "value"),
        Input("bring-pack", "value"),
        prevent_initial_call=True,
    )
    def offer(pack_id: str | None) -> Any:
        pack = desk.pack(pack_id or "")
        return [m.name for m in pack.modules] if pack else [], []

    @app.callback(
        Output("arrived", "data", allow_duplicate=True),
        Input("bring-pack", "value"),
        Input("bring-modules", "value"),
        prevent_initial_call=True,
    )
    def choose(pack_id: str | None, modules: list[str] | None) -> Any:
        pack = desk.pack(pack_id or "")
        known = {m.name for m in pack.modules} if pack else set()
        wanted = tuple(m for m in modules or () if m in known)
        for job in jobs.all():
            other = pack is not None and (job.pack, job.modules) != (pack.id, wanted)
            if job.state in ("confirm", "refused") and other:
                work.inspect(jobs, job.token, pack, job.profile if job.changed else "", wanted, desk.store)
        return no_update

    @app.callback(
        Output("jobs", "children"),
        Output("jobs-version", "data"),
        Input("jobs-clock", "n_intervals"),
        Input("bring-together", "checked"),
        State("jobs-version", "data"),
        State("at", "search"),
        State("scheme", "data"),
        prevent_initial_call=True,
    )
    def look(_n: int, together: bool, version: int, search: str, scheme: str) -> Any:
        if version == jobs.version and ctx.triggered_id != "bring-together":
            return no_update, no_update
        now = jobs.version
        return job_list(Frame.of(desk, search, scheme), jobs, bool(together)), now

    @app.callback(
        Output("jobs-clock", "interval"),
        Input({"job": ALL, "do": ALL}, "n_clicks"),
        State({"mapping": ALL}, "value"),
        State({"mapping": ALL}, "id"),
        State("bring-pack", "value"),
        State("bring-modules", "value"),
        prevent_initial_call=True,
    )
    def act(
        clicks: list[int | None],
        texts: list[str],
        ids: list[dict[str, str]],
        pack_id: str | None,
        modules: list[str] | None,
    ) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
            return no_update
        token, what = ctx.triggered_id["job"], ctx.triggered_id["do"]
        job = jobs.get(token)
        if job is None:
            return no_update
        typed = {i["mapping"]: t or "" for t, i in zip(texts, ids, strict=True)}
        pack = desk.pack(job.pack or pack_id or "")
        if what == "drop":
            jobs.drop(token)
        elif what == "again":
            again = desk.pack(pack_id or "") or pack
            work.inspect(jobs, token, again, typed.get(token, ""), modules or (), desk.store)
        elif pack is None:
            jobs.change(token, says="Choose the pack first, above.")
        elif what == "import":
            work.bring_in(jobs, token, desk, pack, own_mapping(job, typed.get(token, "")))
        elif what == "together":
            _bring_together(jobs, desk, pack, typed)
        return no_update


def own_mapping(job: Job, typed: str) -> str:
    """Return the mapping that the reader wrote, empty where it is the one that was worked out."""
    return typed if job.changed or typed.strip() != job.profile.strip() else ""


def _bring_together(jobs: Jobs, desk: Desk, pack: Pack, typed: dict[str, str]) -> None:
    """Bring the files to be confirmed in as one log; they share one mapping."""
    parts = parts_of_one(jobs)
    own = list(dict.fromkeys(m for j in parts if (m := own_mapping(j, typed.get(j.token, "")))))
    if len(own) > 1:
        jobs.change(parts[0].token, says="Parts of one log share one mapping; two were changed, and differ.")
    elif len(parts) > 1:
        work.bring_in_together(jobs, [j.token for j in parts], desk, pack, own[0] if own else "")
