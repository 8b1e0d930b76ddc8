"""Describe a pack: a form that draws what is typed, checks it as typed, and saves the pack file."""

from __future__ import annotations

import re
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.faces.figures import nothing, pack_picture
from bmslogs.faces.figures.fitting import fitted
from dashboard import order_describe
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.form import LIMITS, NUMBERS, even_boxes, nowhere, pack_of, typed_of
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.pack_files import files, register_files
from dashboard.parts import action, graph, heading, section, select
from dashboard.typed import checked, number_of
from dashboard.zones import zone_choice

TITLE, PATH = "Describe a pack", "/describe"
TEXTS = ("vehicle", "id", "design", "zone", "chemistry", "boxes", "sensors", "boards", "events", "ocv")
FIELDS = (*TEXTS, *NUMBERS, *LIMITS)
FORM = "form"  # which form it is: of a new pack, of a copy, of a change
DIGITS = {"attributes": {"input": {"inputMode": "decimal"}}}  # a phone shows its keys for numbers
BELOW_NOUGHT = ("charge_temperature_min_C", "charge_temperature_max_C", "temperature_max_C")
"""May be below nought: the phone's keys for numbers have no minus."""
USUAL = {"chemistry": "NMC", "cells_in_parallel": 1}


def layout(frame: Frame) -> html.Div:
    """Lay the page out: empty, from a copy of another pack, or with the pack that is to be changed."""
    old = _old(frame.desk, frame.view)
    typed = typed_of(old) if old else dict(USUAL)
    if old and frame.view.copy:
        typed |= {"vehicle": "", "id": "", "events": ""}
    figure, says, _ = drawn(typed, frame, old)
    typed[FORM] = f"{frame.view.edit}-{frame.view.copy}-{len(frame.desk.packs())}"
    changing = bool(old and frame.view.edit)
    title = f"Change the description of {old.id}" if old and changing else "Describe a pack"
    return html.Div(
        [
            heading(
                title,
                "Once, by hand. Logs that were brought in keep the pack as it was described then.",
                answer=_answer(old if changing else None),
                chapter="pack-file",
            ),
            html.Div(
                [
                    html.Form(
                        _fields(typed, frame.desk.packs(), frame.view, changing),
                        className="form",
                        **attributes(aria_label="The pack"),
                    ),
                    html.Div(
                        [
                            graph(figure, "the pack as described so far", id="described"),
                            html.P(says, id="describe-says", className="judged", role="status"),
                            order_describe.fields(
                                old if changing else None,
                                len(frame.desk.logs(old.id)) if old and changing else 0,
                            ),
                            html.Div(
                                html.Button(
                                    "Save the pack",
                                    id="describe-save",
                                    className="button main",
                                    type="button",
                                ),
                                className="actions",
                            ),
                            html.Div(id="describe-saved", role="status"),
                        ],
                        className="side sticky",
                    ),
                ],
                className="columns even",
            ),
        ]
    )


def _answer(changed: Pack | None) -> str:
    """Say what is described, or what is needed before a log can be read."""
    if changed is None:
        return "Vehicle, chemistry, capacity and number of cells are enough to read a log; the rest names places."
    modules = f" in {len(changed.modules)} modules" if changed.modules else ", no modules named"
    cells = f"{changed.cells_in_series} cells in series{modules}"
    return (
        f"{changed.vehicle} is described: {cells}, {changed.chemistry}, {changed.nominal_capacity_Ah:g} Ah."
    )


def _old(desk: Desk, view: View) -> Pack | None:
    return desk.pack(view.edit or view.copy) if view.edit or view.copy else None


def _fields(typed: dict[str, Any], packs: list[Pack], view: View, changing: bool) -> list[Any]:
    copy = (
        select(
            "Start from a copy of",
            "copy-of",
            [{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
            view.copy or None,
            clearable=True,
            placeholder="nothing, an empty form",
        )
        if packs and not changing
        else None
    )
    chemistries = list(dict.fromkeys(["NMC", "LFP", typed.get("chemistry") or "NMC"]))
    return [
        copy,
        _pack_fields(typed, chemistries, changing, list(dict.fromkeys(p.zone for p in packs))),
        _box_fields(typed),
        _sensor_fields(typed),
        section(
            "Limits of one cell, from its data sheet",
            html.Div([_number(k, LIMITS[k], typed) for k in LIMITS], className="pairs"),
        ),
        _curve_fields(typed),
        _work_fields(typed),
    ]


def _work_fields(typed: dict[str, Any]) -> html.Section:
    """Return the field of the dated work."""
    return section(
        "Work on the pack",
        html.P(
            "One a line: date; joint remade, module swapped, sense wire moved, bench charged or other; where; why. "
            "Where is a box, a module or a cell; empty where it was all cells.",
            className="quiet",
        ),
        _area("events", "Work on the pack", typed, "2026-05-06; module swapped; F2; weak cell 7", 2),
    )


def _curve_fields(typed: dict[str, Any]) -> html.Section:
    """Return the field of the open-circuit table, typed or from a file."""
    return section(
        "Open-circuit table of the cells, if there is one",
        html.P(
            "Columns soc (0 to 1) and voltage_V, both rising, five rows or more: paste it, or take it from a "
            "CSV file. It then stands in for the built-in curve.",
            className="quiet",
        ),
        _area(
            "ocv",
            "Open-circuit table",
            typed,
            "soc,voltage_V\n0.0,3.10\n0.1,3.42\n...\n1.0,4.18",
            3,
            most=9,
        ),
        html.Div(
            html.Button("Take it from a CSV file", id="ocv-button", className="button", type="button"),
            className="actions",
        ),
        dcc.Store(id="ocv-file"),
        html.Div(id="ocv-says", role="status"),
        html.Div(id="ocv-drawn"),
    )


def _sensor_fields(typed: dict[str, Any]) -> html.Section:
    """Return the fields of what is measured where."""
    return section(
        "Temperature sensors and sense boards",
        html.P(
            "One a line: its name and the cells it sits nearest to, or reads. May stay empty.",
            className="quiet",
        ),
        _area("sensors", "Temperature sensors", typed, "T1 1-4\nT2 5-8", 3),
        _area("boards", "Sense boards", typed, "A 1-8\nB 9-16", 2),
    )


def _box_fields(typed: dict[str, Any]) -> html.Section:
    """Return the field of the boxes, and what lays them out evenly."""
    return section(
        "Boxes and modules",
        html.P(
            "One box a line: its name, a colon, then its modules with their cells, parted by semicolons. Cells "
            "count from pack negative.",
            className="quiet",
        ),
        _area("boxes", "Boxes and modules", typed, "front: F1 1-4; F2 5-8\nrear: R1 9-12; R2 13-16", 4),
        html.Div(
            [
                dmc.NumberInput(id="even-modules", label="Modules", value=4, min=1, max=500, w=110),
                dmc.NumberInput(id="even-boxes", label="Boxes", value=1, min=1, max=50, w=110),
                html.Button("Lay out evenly", id="even", className="button", type="button"),
            ],
            className="controls",
        ),
    )


def _pack_fields(
    typed: dict[str, Any], chemistries: list[str], changing: bool, likely: list[str | None]
) -> html.Section:
    """Return the fields of what every pack has."""
    return section(
        "The pack",
        _text("vehicle", "Vehicle", typed, placeholder="as you call it", required=True),
        _text(
            "id",
            "Short name of the pack",
            typed,
            placeholder="made from the vehicle's name",
            description="Its name in files and addresses: letters, digits, - and _",
            disabled=changing,
        ),
        _text(
            "design",
            "Design",
            typed,
            placeholder="optional",
            description="Packs of one design share places and are compared place by place.",
        ),
        zone_choice(
            {"field": "zone"},
            "Time zone",
            typed.get("zone"),
            likely,
            placeholder="that of this computer",
            description="By whose clock times are shown; type a part of a town's name. Stored times are UTC.",
            clearable=True,
            comboboxProps={"withinPortal": False},
            **_kept(typed),
        ),
        dmc.Autocomplete(
            id={"field": "chemistry"},
            label="Chemistry",
            data=chemistries,
            value=typed.get("chemistry") or "",
            persistence=typed[FORM],
            persistence_type="session",
            description="NMC and LFP have a built-in open-circuit curve; any other name needs a table of its own.",
            comboboxProps={"withinPortal": False},
        ),
        html.Div(
            [
                _number(k, NUMBERS[k], typed, required=k in ("nominal_capacity_Ah", "cells_in_series"))
                for k in NUMBERS
            ],
            className="pairs",
        ),
    )


def _text(key: str, label: str, typed: dict[str, Any], **more: Any) -> dmc.TextInput:
    return dmc.TextInput(id={"field": key}, label=label, value=typed.get(key) or "", **more, **_kept(typed))


def _area(
    key: str, label: str, typed: dict[str, Any], example: str, rows: int, most: int | None = None
) -> dmc.Textarea:
    return dmc.Textarea(
        id={"field": key},
        label=label,
        value=typed.get(key) or "",
        placeholder=example,
        minRows=rows,
        autosize=True,
        **({"maxRows": most} if most else {}),
        className="mono",
        **_kept(typed),
    )


def _number(key: str, label: str, typed: dict[str, Any], **more: Any) -> dmc.TextInput:
    value = typed.get(key)
    text = "" if value is None else f"{value:.12g}" if isinstance(value, int | float) else str(value)
    keys = {} if key in BELOW_NOUGHT else DIGITS
    return dmc.TextInput(id={"field": key}, label=label, value=text, **keys, **more, **_kept(typed))


def _kept(typed: dict[str, Any]) -> dict[str, Any]:
    """Return what keeps a field over a reload of the page; saving a pack begins a new form."""
    return {"persistence": typed[FORM], "persistence_type": "session"}


def short_name(vehicle: str) -> str:
    """Return a short name made from the vehicle's."""
    plain = re.sub(r"[^a-z0-9]+", "-", vehicle.lower()).strip("-")[:50]
    return f"{plain}-main" if plain else ""


def named(typed: dict[str, Any]) -> dict[str, Any]:
    """Return what is typed with the short name filled in where it was left empty."""
    return {**typed, "id": typed.get("id") or short_name(str(typed.get("vehicle") or ""))}


def drawn(typed: dict[str, Any], frame: Frame, old: Pack | None) -> tuple[Any, str, dict[str, str]]:
    """Draw what is typed so far, say how it stands, and what is wrong field by field."""
    if not typed.get("vehicle") and not typed.get("cells_in_series"):
        empty = nothing("The pack is drawn here as you fill the form in.", frame.look)
        return empty, "Begin with the vehicle's name.", {}
    read, wrong = checked(named(typed), old)
    if wrong:
        things = f"{len(wrong)} field{'s' if len(wrong) != 1 else ''}"
        return (
            nothing("Not a pack yet.", frame.look),
            f"Still wrong or missing: {things}, marked beside.",
            wrong,
        )
    pack = pack_of(read, old)
    says = "Nothing wrong with it as typed. Check the drawing against the pack."
    return pack_picture(pack, look=frame.look), " ".join(nowhere(pack)) or says, {}


def beside(wrong: dict[str, str], typed: dict[str, Any], *, whole: bool) -> list[str]:
    """Return the line beside each field; what is only missing is told there once the pack is to be saved."""
    bare = {k for k in wrong if typed.get(k) in (None, "")}
    return [wrong.get(k, "") if whole or k not in bare else "" for k in FIELDS]


def register(app: Dash, desk: Desk) -> None:
    """Draw as typed, lay out evenly, copy, save, give the files away."""
    register_files(app, desk)
    _draw(app, desk)
    _fill(app, desk)
    _save(app, desk)


def _draw(app: Dash, desk: Desk) -> None:
    """Draw the pack and check the fields as they are typed."""

    @app.callback(
        Output("described", "figure"),
        Output("describe-says", "children"),
        [Output({"field": k}, "error") for k in FIELDS],
        [Input({"field": k}, "value") for k in FIELDS],
        State("describe-save", "n_clicks"),
        State("scheme", "data"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def draw(*values: Any) -> Any:
        frame = Frame.of(desk, values[-1], values[-2])
        typed = dict(zip(FIELDS, values[:-3], strict=True))
        figure, says, wrong = drawn(typed, frame, _old(desk, frame.view))
        return [fitted(figure), says, *beside(wrong, typed, whole=bool(values[-3]))]


def _fill(app: Dash, desk: Desk) -> None:
    """Lay boxes out evenly; begin with a copy."""

    @app.callback(
        Output({"field": "boxes"}, "value"),
        Input("even", "n_clicks"),
        State({"field": "cells_in_series"}, "value"),
        State("even-modules", "value"),
        State("even-boxes", "value"),
        prevent_initial_call=True,
    )
    def even(clicks: int | None, cells: Any, modules: Any, boxes: Any) -> Any:
        try:
            count = number_of(cells) or 0
        except BmsLogsError:
            count = 0
        if not clicks or not 1 <= count <= 1000:
            return no_update
        return even_boxes(int(count), int(modules or 1), int(boxes or 1))

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("copy-of", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def copy(pack_id: str | None, search: str) -> Any:
        view = parse(search)
        return no_update if (pack_id or "") == view.copy else View(copy=pack_id or "").query()


def _save(app: Dash, desk: Desk) -> None:
    """Save the pack."""

    states = [State({"field": k}, "value") for k in FIELDS]

    @app.callback(
        Output("describe-saved", "children"),
        *order_describe.SHOWN,
        [Output({"field": k}, "error", allow_duplicate=True) for k in FIELDS],
        Input("describe-save", "n_clicks"),
        *states,
        State("at", "search"),
        *order_describe.GIVEN,
        prevent_initial_call=True,
    )
    def save(clicks: int | None, *values: Any) -> Any:
        unchanged = [no_update] * len(order_describe.SHOWN)
        if not clicks:
            return [no_update, *unchanged, *[no_update] * len(FIELDS)]
        asked, values = values[-len(order_describe.GIVEN) :], values[: -len(order_describe.GIVEN)]
        view, typed = parse(values[-1]), named(dict(zip(FIELDS, values[:-1], strict=True)))
        read, wrong = checked(typed, _old(desk, view))
        if not wrong and not view.edit and desk.pack(read["id"]) is not None:
            wrong = {"id": "is taken by another pack: type another short name, or change that one"}
        if wrong:
            count = f"{len(wrong)} field{'s' if len(wrong) != 1 else ''}"
            says = f"✕ Not saved: {count} to mend, marked in the form."
            return [html.P(says, className="bad"), *unchanged, *beside(wrong, typed, whole=True)]
        try:
            pack = pack_of(read, _old(desk, view))
            line = order_describe.save(desk, pack, *asked)
        except BmsLogsError as error:
            return [html.P(f"✕ Not saved: {error}", className="bad"), *unchanged, *([""] * len(FIELDS))]
        return [_saved(pack, line), *order_describe.shown(desk, pack.id), *([""] * len(FIELDS))]


def _saved(pack: Pack, line: str) -> html.Div:
    return html.Div(
        [
            html.P(line),
            html.Div(
                [
                    action("Bring its logs in", f"/bring?pack={pack.id}", main=True),
                    action("See the pack", f"/pack?pack={pack.id}"),
                ],
                className="actions",
            ),
            files(pack),
        ]
    )
