"""Bring logs in: drop files, confirm what each column is, see what was mended or why a file was refused."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

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
            ),
            html.Div(
                select(
                    "Of which pack?",
                    "bring-pack",
                    [{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
                    chosen,
                    allowDeselect=False,
                    w=300,
                    placeholder="choose it first",
                ),
                className="controls",
            ),
            html.Div(
                [
                    html.P(html.Strong("Drop log files here")),
                    html.Button("Choose files", id="drop-button", className="button main", type="button"),
                    html.P(f"up to {MOST_UPLOAD_BYTES // 2**30} GiB a file", className="quiet"),
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


def job_list(frame: Frame, jobs: Jobs) -> list[Any]:
    """Return all files brought in so far, newest first."""
    return [_job(frame, j) for j in reversed(jobs.all())]


def _job(frame: Frame, job: Job) -> html.Article:
    pack = frame.desk.pack(job.pack) if job.pack else None
    head = html.Div(
        [
            html.Span(job.name, className="file"),
            html.Span(SAYS[job.state], className=f"state {job.state}"),
            html.Span(f"{pack.vehicle}: {pack.id}" if pack else "", className="quiet"),
        ],
        className="card-head",
    )
    body: list[Any] = []
    if job.state in BUSY:
        done = {"value": f"{100 * job.fraction:.0f}"} if job.state == "importing" else {}
        body = [html.Progress(max="100", **done, **{"aria-label": f"{SAYS[job.state]}: {job.name}"})]
    elif job.state == "confirm":
        body = _confirm(job)
    elif job.state == "refused":
        body = _refused(job)
    elif job.state == "done":
        body = _done(frame, job)
    return html.Article([head, *body], className=f"card job {job.state}")


def _confirm(job: Job) -> list[Any]:
    return [
        html.P(job.says, className="bad", role="alert") if job.says else None,
        html.P("What each column was taken for. Look at the values; bring the log in when it is right."),
        columns_table(job.inspection),
        *_mapping(job, "Something is wrong: change the mapping"),
        html.Div(
            [
                html.Button(
                    "Bring this log in",
                    id={"job": job.token, "do": "import"},
                    className="button main",
                    type="button",
                ),
                html.Button(
                    "Leave it out", id={"job": job.token, "do": "drop"}, className="button", type="button"
                ),
            ],
            className="actions",
        ),
    ]


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
        prevent_initial_call=True,
    )
    def arrived(token: str | None, pack_id: str | None) -> Any:
        for waiting in jobs.claim():  # files that arrive at once are told of once
            work.inspect(jobs, waiting, desk.pack(pack_id or ""))
        return no_update

    @app.callback(
        Output("arrived", "data", allow_duplicate=True),
        Input("bring-pack", "value"),
        prevent_initial_call=True,
    )
    def choose(pack_id: str | None) -> Any:
        pack = desk.pack(pack_id or "")
        for job in jobs.all():
            if job.state in ("confirm", "refused") and pack is not None and job.pack != pack.id:
                work.inspect(jobs, job.token, pack, job.profile if job.changed else "")
        return no_update

    @app.callback(
        Output("jobs", "children"),
        Output("jobs-version", "data"),
        Output("revision", "data", allow_duplicate=True),
        Input("jobs-clock", "n_intervals"),
        State("jobs-version", "data"),
        State("at", "search"),
        State("scheme", "data"),
        State("zone", "data"),
        State("revision", "data"),
        prevent_initial_call=True,
    )
    def look(_n: int, version: int, search: str, scheme: str, zone: str, revision: int) -> Any:
        if version == jobs.version:
            return no_update, no_update, no_update
        now = jobs.version
        return job_list(Frame.of(desk, search, scheme, zone), jobs), now, no_update

    @app.callback(
        Output("jobs-clock", "interval"),
        Input({"job": ALL, "do": ALL}, "n_clicks"),
        State({"mapping": ALL}, "value"),
        State({"mapping": ALL}, "id"),
        State("bring-pack", "value"),
        prevent_initial_call=True,
    )
    def act(
        clicks: list[int | None], texts: list[str], ids: list[dict[str, str]], pack_id: str | None
    ) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
            return no_update
        token, what = ctx.triggered_id["job"], ctx.triggered_id["do"]
        job = jobs.get(token)
        if job is None:
            return no_update
        typed = next((t for t, i in zip(texts, ids, strict=True) if i["mapping"] == token), None) or ""
        pack = desk.pack(job.pack or pack_id or "")
        if what == "drop":
            jobs.drop(token)
        elif what == "again":
            work.inspect(jobs, token, desk.pack(pack_id or "") or pack, typed)
        elif what == "import" and pack is None:
            jobs.change(token, says="Choose the pack first, above.")
        elif what == "import":
            own = typed if job.changed or typed.strip() != job.profile.strip() else ""
            work.bring_in(jobs, token, desk, pack, own)
        return no_update
