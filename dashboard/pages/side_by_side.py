"""Side by side: packs at reference conditions, places over vehicles, before and after a repair, over the months."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from itertools import islice
from typing import Any
from urllib.parse import quote

import dash_mantine_components as dmc
import flask
from dash import Dash, Input, Output, State, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.faces.answers import log_answers
from bmslogs.faces.comparison_text import bleeding_lines
from bmslogs.faces.figures import before_after, place_map, side_by_side
from bmslogs.faces.figures.places import effect_text
from bmslogs.faces.figures.words import is_difference, plain_words, short_place, title_of
from bmslogs.faces.headlines import compared_says
from bmslogs.faces.spreadsheet import comparison_csv
from bmslogs.findings.compare import Comparison, compare_before_after, compare_packs, fitted_positions
from dashboard.address import parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes, server_of
from dashboard.parts import (
    action,
    empty,
    explained,
    following,
    graph,
    heading,
    refused,
    section,
    select,
    table_response,
)  # fmt: skip
from dashboard.shell import LISTED, log_name, pack_names

TITLE, PATH = "Side by side", "/side-by-side"
TABLE = "/comparison.csv"
MOST_UNASKED = 12  # packs set side by side where nobody chose (choice)
FEW_VEHICLES = (
    "Whether one place suffers in every vehicle is told from three vehicles of one design up, each with a "
    "diagnosed log. Give packs of one design the same design name when they are described."
)


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    packs = frame.desk.with_logs()
    lead = "Packs of one design at the same temperature, charge and load, each with its interval."
    head = heading("Side by side", lead, chapter="between-vehicles")
    if not packs:
        return html.Div(
            [
                head,
                empty(
                    "Nothing to compare yet",
                    "At least one pack with a log is needed.",
                    action("Bring logs in", "/bring", main=True),
                ),
            ]
        )
    answer, parts = _packs(frame, packs)
    head = heading("Side by side", lead, answer=answer, chapter="between-vehicles")
    return html.Div([head, *parts, *_repair(frame, packs), *_months(frame)])


def _diagnoses(frame: Frame, pack_id: str) -> list[Diagnosis]:
    found = [frame.desk.diagnosis_or_reason(e.id) for e in reversed(frame.desk.logs(pack_id))]
    return [d for d in found if isinstance(d, Diagnosis)]


def _packs(frame: Frame, packs: list[Pack]) -> tuple[str, list[Any]]:
    """Return what the comparison says in one sentence, and its parts."""
    chosen = [p for p in packs if p.id in frame.view.packs] or _usual_packs(frame, packs)
    picker = html.Div(
        dmc.MultiSelect(
            id="packs",
            label="Packs",
            data=[{"value": i, "label": name} for i, name in pack_names(packs).items()],
            **({"limit": LISTED, "searchable": True} if len(packs) > LISTED else {}),
            value=[p.id for p in chosen],
            w=520,
            comboboxProps={"withinPortal": False},
        ),
        className="controls",
    )
    unread = sum(frame.desk.unread(p.id) for p in chosen)
    if unread:
        says = f"{unread} logs are still being read; this page follows by itself."
        return "The packs are set side by side as soon as their logs are read.", [
            picker,
            html.P(says, className="quiet", role="status"),
            *following(unread),
        ]
    diagnoses = {p.id: _diagnoses(frame, p.id) for p in chosen}
    every = pack_names(packs)
    names = {p.id: every[p.id] for p in chosen}
    try:
        result = frame.desk.drawn.get(
            _made_from(chosen, diagnoses),
            "compared",
            lambda: compare_packs(diagnoses, {p.id: p for p in chosen}),
        )
    except BmsLogsError as error:
        return "These packs cannot be set side by side.", [picker, refused(str(error))]
    return compared_says(result, names), [
        picker,
        html.Div(
            html.A(
                "Save as a table",
                href=table_address([p.id for p in chosen]),
                id="comparison-table",
                className="button",
                download="comparison.csv",
            ),
            className="actions",
        ),
        *_compared(frame, result, names),
        *_bled(result, names),
        section("Does a place always suffer?", *_places(frame, chosen, diagnoses), id="places"),
    ]


def _made_from(packs: list[Pack], diagnoses: dict[str, list[Diagnosis]]) -> list[object]:
    return [*packs, *(d for p in packs for d in diagnoses[p.id])]


def _places(frame: Frame, packs: list[Pack], diagnoses: dict[str, list[Diagnosis]]) -> list[Any]:
    """Draw what each place does in all vehicles of a design over its boxes, one picture a quantity."""
    told = frame.desk.drawn.get(
        _made_from(packs, diagnoses),
        "places",
        lambda: fitted_positions(diagnoses, {p.id: p for p in packs}),
    )
    if not told:
        return [html.P(FEW_VEHICLES)]
    out: list[Any] = [
        html.P(
            "What a place adds in every vehicle of one design, one odd vehicle not counted. A place that stands out is "
            "the frame's doing rather than one pack's: its cooling, its links, its clamping.",
        )
    ]
    for design in dict.fromkeys(p.design for p in told):
        of_design = [p for p in told if p.design == design]
        pack = next(p for p in packs if p.design == design)
        vehicles = len({p.vehicle for p in packs if p.design == design})
        out.append(html.H3(f"Design {design}, {vehicles} vehicles"))
        for quantity in dict.fromkeys(p.quantity for p in of_design):
            part = [p for p in of_design if p.quantity == quantity]
            effects = [{**p.to_json(), "stands_out": p.stands_out} for p in part]
            named = [e for e in effects if e["stands_out"]]
            out += [
                html.H4(explained(quantity)),
                html.Div(
                    [
                        graph(
                            frame.desk.drawn.get(
                                (told, pack),
                                ("place", design, quantity, frame.look),
                                partial(_mapped, pack, effects, quantity, frame),
                            ),
                            f"{title_of(quantity)}: effect of each place over the boxes of design {design}",
                        ),
                        _places_table(pack, effects, named, quantity),
                    ],
                    className="map-beside",
                ),
            ]
    return out


def _mapped(pack: Pack, effects: list[dict[str, Any]], quantity: str, frame: Frame) -> Any:
    return place_map(pack, effects, quantity, look=frame.look).to_plotly_json()


def _places_table(
    pack: Pack, effects: list[dict[str, Any]], named: list[dict[str, Any]], quantity: str
) -> html.Div:
    """List the places with their intervals: those that stand out first, then by size."""
    order = sorted(effects, key=lambda e: (not e["stands_out"], -abs(e["effect"])))
    rows = [
        html.Tr(
            [
                html.Th(_place_name(pack, str(e["position"])), scope="row"),
                html.Td(effect_text(e), className="whole"),
                html.Td(["◆ ", e["strength"]] if e["stands_out"] else "no"),
            ]
        )
        for e in order
    ]
    head = html.Tr([html.Th(t, scope="col") for t in ("Place", "Effect (95 % interval)", "Stands out")])
    says = (
        f"{len(named)} place{'s stand' if len(named) != 1 else ' stands'} out."
        if named
        else "No place stands out: what differs here differs from vehicle to vehicle."
    )
    return html.Div(
        [
            html.P(html.Strong(says)),
            html.Div(
                html.Table([html.Thead(head), html.Tbody(rows)], className="unknown"),
                className="scroll tall",
                tabIndex=0,
                role="region",
                **attributes(aria_label=f"{title_of(quantity)}: places with their intervals"),
            ),
        ]
    )


def _place_name(pack: Pack, position: str) -> str:
    number = position.removeprefix("cell ")
    if position.startswith("cell ") and number.isdigit() and int(number) <= pack.cells_in_series:
        return short_place(pack, int(number))
    return f"module {position}"


def _usual_packs(frame: Frame, packs: list[Pack]) -> list[Pack]:
    """Return what is set side by side where nothing is chosen: the chosen pack and those of its design and chemistry.

    Where no pack is chosen, or the chosen one has no log, the largest such group.
    """
    one = frame.pack if frame.pack is not None and frame.pack.id in {p.id for p in packs} else None
    groups = [_like(p, packs) for p in ([one] if one else packs)]
    return max(groups, key=len)[:MOST_UNASKED]


def _like(one: Pack, packs: list[Pack]) -> list[Pack]:
    alike = [
        p
        for p in packs
        if p.id != one.id
        and one.design is not None
        and (p.design, p.chemistry) == (one.design, one.chemistry)
    ]
    return [one, *alike]


def _drawn(
    frame: Frame, result: Comparison, document: dict[str, Any], quantity: str, names: dict[str, str]
) -> Any:
    """Draw one quantity of a comparison (`document` is its JSON, with the names of the packs)."""
    how = ("side by side", quantity, tuple(names.values()), frame.look)
    return frame.desk.drawn.get(
        (result,), how, lambda: side_by_side(document, quantity, look=frame.look).to_plotly_json()
    )


def _compared(frame: Frame, result: Comparison, names: dict[str, str]) -> list[Any]:
    """Return a section a quantity, those that differ beyond their intervals first."""
    differ = {d.quantity for d in result.differences if d.differ}
    told = {d.quantity for d in result.differences}
    shown, cannot = [], []
    document = result.to_json()
    for part in document["quantities"]:
        for p in part["packs"]:
            p["name"] = names.get(p["pack"], p["pack"])
    for one in sorted(result.quantities, key=lambda q: q.quantity not in differ):
        if one.comparable and is_difference(one.quantity) and not any(p.cells for p in one.packs):
            says = ": told at the sensors, and no cell of these packs has one of its own"
            cannot.append(html.Li([html.Strong(explained(one.quantity)), says]))
        elif one.comparable:
            shown.append(
                section(
                    explained(one.quantity),
                    html.P(_verdict(one.quantity, differ, told), className="quiet"),
                    graph(
                        _drawn(frame, result, document, one.quantity, names),
                        f"{title_of(one.quantity)}, packs side by side",
                    ),
                )
            )
        else:
            cannot.append(html.Li([html.Strong(explained(one.quantity)), f": {_reason(one.why_not)}"]))
    if cannot:
        count = f"{len(cannot)} quantit{'ies' if len(cannot) > 1 else 'y'}, each with the log that would settle it"
        shown.append(
            section(
                "Not comparable",
                html.Details([html.Summary(count), html.Ul(cannot, className="hatched")], open=not shown),
            )
        )
    if result.events:
        shown.append(
            section("Work on these packs", html.Ul([html.Li(_event(frame, e, names)) for e in result.events]))
        )
    return shown or [html.P("These packs have no quantity in common.")]


def _event(frame: Frame, line: str, names: dict[str, str]) -> str:
    """Return dated work with the vehicle's name for the pack's, and its day as elsewhere on the screen."""
    for pack_id, name in names.items():
        line = line.replace(f"{pack_id}: ", f"{name}: ")
    return re.sub(r"\d{4}-\d\d-\d\d", lambda day: frame.when(day[0]), line)


def _reason(why: str | None) -> str:
    """Return why packs or logs cannot be set side by side, in the words of the screen."""
    said = plain_words(why) if why else "no reason given"
    return said[:1].lower() + said[1:]


def _verdict(quantity: str, differ: set[str], told: set[str]) -> str:
    if is_difference(quantity):
        return "Each cell against the middle of its own pack: how far the cells of a pack part."
    if quantity in differ:
        return "◆ Differs by more than the intervals allow."
    return "No difference that these logs can tell." if quantity in told else "Not told against each other."


def bled_lines(lines: Sequence[str], names: dict[str, str]) -> list[str]:
    """Return what is told of bleeding, with the vehicles' names; what is not known stands with its reason."""
    told = [line for line in lines if not line.startswith("not comparable: ")]
    reason = "; " + "; ".join(line.removeprefix("not comparable: ") for line in lines[len(told) :])
    named = "|".join(map(re.escape, names)) or "(?!)"
    parts = re.split(rf"; ({named}): ", reason)
    why = dict(zip(parts[1::2], parts[2::2], strict=True))
    out = []
    for line in told:
        pack_id, _, says = line.partition(": ")
        if says == "not known" and pack_id in why:
            line = f"{pack_id}: not known, {why[pack_id]}"
        for one, name in names.items():
            line = line.replace(one, name)
        out.append(line)
    return out


def _bled(result: Comparison, names: dict[str, str]) -> list[Any]:
    items = [html.Li(line) for line in bled_lines(bleeding_lines(result.bleeding), names)]
    return [section("Bleeding commanded in a week", html.Ul(items))] if items else []


def table_address(packs: list[str]) -> str:
    """Return the address of the comparison as a table for a spreadsheet."""
    return f"{TABLE}?{'&'.join(f'pack={quote(p)}' for p in packs)}"


def _repair(frame: Frame, packs: list[Pack]) -> list[Any]:
    pack = frame.pack or (packs[0] if packs else None)
    logs = frame.desk.logs(pack.id) if pack else []
    if pack is None or len(logs) < 2:
        return [
            section(
                "Did the repair work?", html.P("Choose a pack with two logs or more at the top of the page.")
            )
        ]
    data = [{"value": e.id, "label": log_name(frame, e)} for e in logs]
    usual = _usual_pair(frame, logs)
    before = next((e for e in logs if e.id == frame.view.before), usual[0])
    after = next((e for e in logs if e.id == frame.view.after), usual[1])
    picker = html.Div(
        [
            select("Before", "before", data, before.id, w=380, allowDeselect=False),
            select("After", "after", data, after.id, w=380, allowDeselect=False),
        ],
        className="controls",
    )
    return [
        section(
            f"Did the repair work? {pack.vehicle}, before and after",
            picker,
            *_changes(frame, pack, before, after),
        )
    ]


def _usual_pair(frame: Frame, logs: list[Any]) -> tuple[Any, Any]:
    """Return the two latest logs that tell the resistances: most repairs are judged by these."""
    tells = (
        e
        for e in logs
        if isinstance(d := frame.desk.diagnosis_or_reason(e.id), Diagnosis)
        and any(x.status == "determined" for x in d.of("resistance_10s"))
    )
    telling = list(islice(tells, 2))
    return (telling[1], telling[0]) if len(telling) > 1 else (logs[-1], logs[0])


def _changes(frame: Frame, pack: Pack, before: Any, after: Any) -> list[Any]:
    if before.id == after.id:
        return [html.P("Choose two different logs.")]
    first, second = frame.desk.diagnosis_or_reason(before.id), frame.desk.diagnosis_or_reason(after.id)
    if isinstance(first, str) or isinstance(second, str):
        return [refused(first if isinstance(first, str) else str(second))]
    try:
        result = compare_before_after(first, second, pack)
    except BmsLogsError as error:
        return [refused(str(error))]
    changes = [c.to_json() for c in result.changes or ()]
    out: list[Any] = [html.Ul([html.Li(_event(frame, n, {})) for n in result.notes])] if result.notes else []
    for quantity in dict.fromkeys(c["quantity"] for c in changes):
        out.append(html.H3(explained(quantity)))
        out.append(
            graph(
                before_after(pack, changes, quantity, look=frame.look),
                f"{title_of(quantity)} after against before",
                id={"pick": f"change-{quantity}"},
            )
        )
    cannot = [q for q in result.quantities if not q.comparable]
    out += (
        [
            html.Ul(
                [html.Li([html.Strong(explained(q.quantity)), f": {_reason(q.why_not)}"]) for q in cannot],
                className="hatched",
            )
        ]
        if cannot
        else []
    )
    return out or [html.P("The two logs determine nothing in common.")]


def _months(frame: Frame) -> list[Any]:
    if frame.pack is None or not frame.logs:
        return []
    return [
        section(
            f"{frame.pack.vehicle} over its logs",
            html.P("What each cell did over the months, with slopes and dated work, has a page of its own."),
            action("History", frame.view.but(packs=(), before="", after="").link("/history"), main=True),
        )
    ]


def register(app: Dash, desk: Desk) -> None:
    """Put what is chosen into the address, and serve the comparison as a table."""

    @server_of(app).get(TABLE)
    def _comparison_table() -> flask.Response:
        wanted = flask.request.args.getlist("pack")
        try:
            packs = {p.id: p for p in desk.packs() if p.id in wanted}
            answers = {name: log_answers(desk.store, name) for name in packs}
            table = comparison_csv(compare_packs(answers, packs))
        except BmsLogsError as error:
            return flask.Response(str(error), 400, mimetype="text/plain")
        return table_response(table, "comparison.csv")

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("packs", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def packs(chosen: list[str], search: str) -> Any:
        view = parse(search)
        frame = Frame.of(desk, search)
        usual = {p.id for p in _usual_packs(frame, desk.with_logs())}
        wanted = () if not chosen or set(chosen) == usual else tuple(chosen)
        return no_update if set(wanted) == set(view.packs) else view.but(packs=wanted).query()

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("before", "value"),
        Input("after", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def repair(before: str, after: str, search: str) -> Any:
        view = parse(search)
        new = view.but(before=before or "", after=after or "")
        return no_update if new == view else new.query()
