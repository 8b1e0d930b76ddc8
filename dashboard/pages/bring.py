"""Bring logs in: choose the pack, drop files, confirm what each column is, see what was mended or refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update, set_props

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.faces.signs import grouped
from dashboard import jobs as work
from dashboard.address import View
from dashboard.bring_card import card
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.jobs import QUEUE, Job, Jobs, ready
from dashboard.parts import action, empty, heading
from dashboard.remembered import forget
from dashboard.units import shown
from dashboard.uploads import MOST_UPLOAD_BYTES
from dashboard.watched import Watched

TITLE, PATH = "Bring logs in", "/bring"
CHOICES = 6
"""Choice: so many packs are offered side by side, more in a list."""
MINUTE = 60.0


def layout(frame: Frame, jobs: Jobs | None = None, watched: Watched | None = None) -> html.Div:
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
    alone = packs[0] if len(packs) == 1 else None
    return html.Div(
        [
            heading(
                "Bring logs in",
                "Files as the logger wrote them. Nothing leaves this machine.",
                answer=_answer(frame),
                chapter="profile",
            ),
            _which_pack(packs, alone),
            html.Div(
                [
                    dmc.MultiSelect(
                        id="bring-modules",
                        label="The pack is split: only these modules were logged",
                        data=[m.name for m in alone.modules] if alone else [],
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
            _drop_area(),
            html.Ul(id="upload-list", className="uploads", **attributes(aria_live="polite")),
            dcc.Store(id="arrived"),
            dcc.Store(id="jobs-seen", data=_seen(jobs) if jobs else None),
            dcc.Interval(id="jobs-clock", interval=700),
            html.Div(id="queue", children=queue(jobs) if jobs else []),
            html.Div(id="jobs", children=job_list(frame, jobs) if jobs else []),
            _watch_part(frame, watched),
        ]
    )


def _drop_area() -> html.Div:
    """Return where files are dropped or chosen."""
    return html.Div(
        [
            html.P(html.Strong("Drop log files here")),
            html.P("Drop a CAN recording together with its signal database.", className="quiet"),
            html.Button("Choose files", id="drop-button", className="button main", type="button"),
            html.P(
                "CSV, spreadsheets, Parquet, Arrow, JSON or line protocol, plain or packed; "
                f"up to {MOST_UPLOAD_BYTES // 2**30} GiB a file.",
                className="quiet",
            ),
        ],
        id="drop-area",
        className="drop",
    )


def _answer(frame: Frame) -> str:
    """Say what is here already."""
    packs = [frame.pack] if frame.pack else frame.desk.packs()
    ids = {p.id for p in packs}
    logs = [e for e in frame.desk.store.logs() if e.pack in ids]
    whose = packs[0].vehicle if len(packs) == 1 else f"{len(packs)} packs"
    if not logs:
        return f"No log of {whose} is here yet."
    many = f"{len(logs)} logs" if len(logs) > 1 else "One log"
    newest = frame.when(logs[-1].start, time=False)
    return f"{many} of {whose} {'are' if len(logs) > 1 else 'is'} here, the newest of {newest}."


def _which_pack(packs: list[Pack], alone: Pack | None) -> html.Div:
    """Return the choice of the pack: never one that was chosen before, unless it is the only one."""
    label = "Of which pack are the files that you drop next?"
    value = alone.id if alone else None
    if len(packs) <= CHOICES:
        one: Any = dmc.RadioGroup(
            dmc.Group([dmc.Radio(label=f"{p.vehicle}: {p.id}", value=p.id, size="md") for p in packs]),
            id="bring-pack",
            label=label,
            value=value,
        )
    else:
        one = dmc.Select(
            id="bring-pack",
            label=label,
            data=[{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
            value=value,
            allowDeselect=False,
            searchable=True,
            w=360,
            placeholder="choose it first",
            comboboxProps={"withinPortal": False},
        )
    return html.Div(one, className="which-pack")


def job_list(frame: Frame, jobs: Jobs, together: bool = False) -> list[Any]:
    """Return all files brought in so far, newest first; with `together` those to be confirmed make one log."""
    cards = [
        html.Article(card(frame, j, together), id={"card": j.token}, className=_looks(j))
        for j in reversed(jobs.all())
    ]
    return [*_as_one(jobs), *cards] if together else cards


def _looks(job: Job) -> str:
    return f"card job {job.state}"


def _seen(jobs: Jobs, together: bool = False) -> dict[str, Any]:
    """Return what a page shows: state and stamp of each file, and whether they are laid out as parts of one log."""
    return {"files": {j.token: [j.state, j.stamp] for j in jobs.all()}, "together": together}


def queue(jobs: Jobs) -> list[Any]:
    """Return how far all imports are, and what can be done with many files at once."""
    every = jobs.all()
    running = [j for j in every if j.state in QUEUE]
    able = [j for j in every if ready(j)]
    done = [j for j in every if j.state == "done"]
    out: list[Any] = []
    if running:
        size = sum(j.size for j in running) or 1
        part = sum(j.size * j.fraction for j in running) / size
        left = jobs.left_s()
        files = f"{len(running)} file{'s' if len(running) > 1 else ''} being brought in"
        out.append(
            html.Div(
                [
                    html.Strong(f"{files}: {100 * part:.0f} %"),
                    html.Span("" if left is None else f"about {_time_text(left)} left", className="quiet"),
                    html.Progress(value=f"{100 * part:.0f}", max="100", **attributes(aria_label="all files")),
                    _do("Cancel all", "cancel-all") if len(running) > 1 else None,
                ],
                className="queue",
            )
        )
    acts = [
        _do(f"Bring all {len(able)} in", "all", main=True) if len(able) > 1 else None,
        _do("Put finished cards away", "put-away") if done else None,
    ]
    if any(acts):
        out.append(html.Div(acts, className="actions"))
    return out


def _do(text: str, do: str, main: bool = False) -> html.Button:
    return html.Button(
        text, id={"job": "*", "do": do}, className="button main" if main else "button", type="button"
    )


def _time_text(seconds: float) -> str:
    return f"{max(1, round(seconds))} s" if seconds < 1.5 * MINUTE else f"{round(seconds / MINUTE)} min"


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


def _watch_part(frame: Frame, watched: Watched | None) -> html.Section:
    return html.Section(
        [
            html.H2("Watch a folder"),
            html.P(
                "What the logger writes there comes in by itself; a file that still grows is followed, and the pages "
                "with it. It goes to the pack chosen above, while this program runs.",
                className="quiet",
            ),
            html.Div(
                [
                    dmc.TextInput(
                        id="watch-folder",
                        label="Folder of this computer",
                        placeholder="such as D:\\logs",
                        value=watched.folder if watched else "",
                        w=420,
                    ),
                    dmc.Switch(id="watch-on", label="Watch it", checked=bool(watched and watched.on)),
                ],
                className="controls",
            ),
            html.Div(id="watch-says", children=watch_lines(frame, watched) if watched else [], role="status"),
        ],
        className="part",
    )


def watch_lines(frame: Frame, watched: Watched) -> list[Any]:
    """Return what the watched folder said last."""
    if not watched.on:
        return [html.P("No folder is watched.", className="quiet")]
    lines = []
    for name, event in watched.lines():
        if event.log is None:
            says: Any = html.Span(event.says, className="bad" if event.what == "refused" else "")
        else:
            word = {"new": "came in", "grown": "goes on", "known": "known already"}[event.what]
            rows = grouped(event.log.rows)
            says = f"{word}, {rows} rows to {frame.when(event.log.end)}"
        lines.append(html.Li([html.Span(name, className="file"), " ", says]))
    return [
        html.P([html.Strong("Watching "), watched.folder, " for pack ", html.Strong(watched.pack)]),
        html.Ul(lines) if lines else html.P("Nothing has come yet.", className="quiet"),
    ]


def register(app: Dash, desk: Desk, jobs: Jobs, watched: Watched) -> None:
    """Receive, inspect, import, and show how far it is."""
    _register_choices(app, desk, jobs)
    _register_cards(app, desk, jobs)
    _register_acts(app, desk, jobs)
    _register_watch(app, desk, watched)


def _register_choices(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """The pack of the files that come next, and of those that have none."""

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

    _register_pack_choices(app, desk, jobs)


def _register_pack_choices(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """The chosen pack, and which of its modules were logged."""

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
        """Give files the pack that have none yet, and the modules that those of it have; others stay as they are."""
        pack = desk.pack(pack_id or "")
        known = {m.name for m in pack.modules} if pack else set()
        wanted = tuple(m for m in modules or () if m in known)
        for job in jobs.all():
            if pack is None or job.pack not in ("", pack.id):
                continue
            if job.state in ("confirm", "refused") and (job.pack, job.modules) != (pack.id, wanted):
                work.inspect(jobs, job.token, pack, job.profile if job.changed else "", wanted, desk.store)
        return no_update

    @app.callback(
        Output("jobs-clock", "interval", allow_duplicate=True),
        Input({"of-pack": ALL}, "value"),
        State({"of-pack": ALL}, "id"),
        prevent_initial_call=True,
    )
    def of_pack(values: list[str | None], ids: list[dict[str, str]]) -> Any:
        for value, one in zip(values, ids, strict=True):
            job, pack = jobs.get(one["of-pack"]), desk.pack(value or "")
            if job is not None and pack is not None and not job.busy and job.pack != pack.id:
                work.inspect(jobs, job.token, pack, store=desk.store)
        return no_update


def _register_zone(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """The zone of a logger's clock."""

    @app.callback(
        Output("jobs-clock", "interval", allow_duplicate=True),
        Input({"zone-of": ALL}, "value"),
        State({"zone-of": ALL}, "id"),
        prevent_initial_call=True,
    )
    def zone_of(values: list[str | None], ids: list[dict[str, str]]) -> Any:
        for value, one in zip(values, ids, strict=True):
            job = jobs.get(one["zone-of"])
            if job is not None and value:
                work.put_zone(jobs, job.token, desk.pack(job.pack), value, desk.store)
        return no_update


def _register_cards(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """Cards follow what changed of them alone, so that what is being chosen in another is not lost."""

    @app.callback(
        Output("jobs", "children"),
        Output("jobs-seen", "data"),
        Input("jobs-clock", "n_intervals"),
        Input("bring-together", "checked"),
        State("jobs-seen", "data"),
        State("at", "search"),
        State("scheme", "data"),
        prevent_initial_call=True,
    )
    def look(_n: int, together: bool, seen: dict[str, Any] | None, search: str, scheme: str) -> Any:
        # What is laid out is compared, not what called: the browser drops an answer whose successor is on its way,
        # and on a slow machine the clock's call would swallow the switch's.
        now, seen = _seen(jobs, bool(together)), seen or {"files": {}, "together": False}
        files, files_before = now["files"], seen["files"]
        running = any(j.state in QUEUE for j in jobs.all())
        if now == seen:
            if running:
                set_props("queue", {"children": queue(jobs)})
                _move_bars(jobs)
            return no_update, no_update
        set_props("queue", {"children": queue(jobs)})
        frame = Frame.of(desk, search, scheme)
        if together or now["together"] != seen["together"] or list(files) != list(files_before):
            return shown(job_list(frame, jobs, bool(together))), now
        for job in jobs.all():
            if files.get(job.token) != files_before.get(job.token):
                set_props(
                    {"card": job.token}, {"children": shown(card(frame, job)), "className": _looks(job)}
                )
        return no_update, now


def _move_bars(jobs: Jobs) -> None:
    for job in jobs.all():
        if job.state == "importing":
            set_props({"bar": job.token}, {"value": f"{100 * job.fraction:.0f}"})


def _register_acts(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """Buttons of the cards, and their drop-downs."""

    _register_columns(app, desk, jobs)
    _register_zone(app, desk, jobs)

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
        _clicks: list[int | None],
        texts: list[str],
        ids: list[dict[str, str]],
        pack_id: str | None,
        modules: list[str] | None,
    ) -> Any:
        typed = {i["mapping"]: t or "" for t, i in zip(texts, ids, strict=True)}
        for token, what in _clicked(ctx.triggered_prop_ids, ctx.triggered):
            if token == "*":
                act_on_all(jobs, desk, what)
            elif (job := jobs.get(token)) is not None:
                pack = desk.pack(job.pack or pack_id or "")
                act_on_card(jobs, desk, job, pack, what, typed, modules or ())
        return no_update


def _clicked(ids: dict[str, Any], triggered: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """Return job and deed of the buttons that were clicked.

    Cards that are laid out meanwhile tell of their buttons in the same call, with no clicks yet: they must not hide
    the one that was clicked.
    """
    told = [ids[t["prop_id"]] for t in triggered if t["value"] and isinstance(ids.get(t["prop_id"]), dict)]
    return [(str(one["job"]), str(one["do"])) for one in told]


def _register_columns(app: Dash, desk: Desk, jobs: Jobs) -> None:
    """Drop-downs of the columns."""

    @app.callback(
        Output("jobs-clock", "interval", allow_duplicate=True),
        Input({"role": ALL, "of": ALL}, "value"),
        Input({"unit": ALL, "of": ALL}, "value"),
        prevent_initial_call=True,
    )
    def choose_column(_roles: list[str | None], _units: list[str | None]) -> Any:
        one, value = ctx.triggered_id, ctx.triggered[0]["value"] if ctx.triggered else None
        if not isinstance(one, dict) or not value or len(ctx.triggered) != 1:
            return no_update  # a card that is laid out tells of all its drop-downs at once
        job = jobs.get(str(one.get("role") or one.get("unit") or ""))
        if job is not None and job.inspection is not None and not job.busy:
            chosen = chosen_of(job, one, str(value))
            if chosen:
                work.choose(jobs, job.token, desk.pack(job.pack), chosen, store=desk.store)
        return no_update


def act_on_all(jobs: Jobs, desk: Desk, what: str) -> None:
    """Do what a button over all cards says."""
    if what == "all":
        work.bring_all_in(jobs, desk)
    elif what == "put-away":
        jobs.put_away()
    elif what == "cancel-all":
        for job in jobs.all():
            jobs.cancel(job.token)


def act_on_card(
    jobs: Jobs,
    desk: Desk,
    job: Job,
    pack: Pack | None,
    what: str,
    typed: Mapping[str, str],
    modules: Sequence[str],
) -> None:
    """Do what a button of one card says, where it needs what is typed or chosen over all cards."""
    own = typed.get(job.token, "")
    if what == "again":
        work.inspect(jobs, job.token, pack, own, job.modules or modules, desk.store)
    elif what in ("import", "together") and pack is None:
        jobs.change(job.token, says="Choose the pack first.")
    elif what == "together" and pack is not None:
        _bring_together(jobs, desk, pack, dict(typed))
    else:
        act_on(jobs, desk, job, pack, what, own)


def act_on(jobs: Jobs, desk: Desk, job: Job, pack: Pack | None, what: str, typed: str = "") -> None:
    """Do what a button of one card says."""
    token = job.token
    if what == "drop":
        jobs.drop(token)
    elif what == "cancel":
        jobs.cancel(token)
    elif what.startswith("answer "):
        work.answer_question(jobs, token, pack, what.removeprefix("answer "), desk.store)
    elif what == "unfold":
        jobs.change(token, folded=False)
    elif what == "apart":
        jobs.change(token, apart=not job.apart)
    elif what in ("sign-positive", "sign-negative"):
        work.choose(jobs, token, pack, {}, what.removeprefix("sign-"), store=desk.store)
    elif what == "forget" and pack is not None and job.inspection is not None:
        forget(desk.store.root, pack.id, [t.name for t in job.inspection.plan.columns])
        work.inspect(jobs, token, pack, "", job.modules, desk.store)
    elif what == "import" and pack is not None and ready(job):
        work.bring_in(jobs, token, desk, pack, own_mapping(job, typed))


def chosen_of(job: Job, one: dict[str, Any], value: str) -> dict[int, tuple[str, str]]:
    """Return role and unit by index that a drop-down says otherwise than what holds; empty where it says the same."""
    from dashboard.mapping import UNITS, columns_of

    held = {c.index: c for c in columns_of(job.inspection.plan, job.chosen)}
    out = {}
    for text in str(one.get("of", "")).split(","):
        column = held.get(int(text)) if text.isdigit() else None
        if column is None:
            continue
        if "role" in one:
            unit = column.unit if column.unit in UNITS.get(value, ()) else ""
            new = (value, unit)
        else:
            new = (column.role, value)
        if new != (column.role, column.unit):
            out[column.index] = new
    return out


def own_mapping(job: Job, typed: str) -> str:
    """Return the mapping that the reader wrote, empty where it is the one that was worked out."""
    return typed if typed and (job.changed or typed.strip() != job.profile.strip()) else ""


def _bring_together(jobs: Jobs, desk: Desk, pack: Pack, typed: dict[str, str]) -> None:
    """Bring the files to be confirmed in as one log; they share one mapping."""
    parts = parts_of_one(jobs)
    own = list(dict.fromkeys(m for j in parts if (m := own_mapping(j, typed.get(j.token, "")))))
    if len(own) > 1:
        jobs.change(parts[0].token, says="Parts of one log share one mapping; two were changed, and differ.")
    elif len(parts) > 1:
        work.bring_in_together(jobs, [j.token for j in parts], desk, pack, own[0] if own else "")


def _register_watch(app: Dash, desk: Desk, watched: Watched) -> None:
    """The switch of the watched folder."""

    def lines() -> list[Any]:
        return watch_lines(Frame(desk, View(pack=watched.pack)), watched)

    @app.callback(
        Output("watch-says", "children"),
        Output("watch-on", "checked"),
        Output("watch-folder", "error"),
        Input("watch-on", "checked"),
        State("watch-folder", "value"),
        State("bring-pack", "value"),
        prevent_initial_call=True,
    )
    def switch(on: bool, folder: str | None, pack_id: str | None) -> Any:
        if not on:
            watched.stop()
            return lines(), False, None
        if watched.on and watched.folder == (folder or "").strip():
            return no_update, no_update, no_update
        pack = desk.pack(pack_id or "")
        if pack is None:
            return lines(), watched.on, "Choose the pack first, above."
        try:
            watched.start(folder or "", pack)
        except BadInput as error:
            return lines(), watched.on, str(error)
        return lines(), True, None

    @app.callback(
        Output("watch-says", "children", allow_duplicate=True),
        Input("jobs-clock", "n_intervals"),
        prevent_initial_call=True,
    )
    def tell(_n: int) -> Any:
        return lines() if watched.on else no_update
