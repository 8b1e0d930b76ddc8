"""Pack: as it is built, coloured by an estimate; whatever is picked here is picked everywhere."""

from __future__ import annotations

from typing import Any

import dash_ag_grid as dag
import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, html, no_update

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import HIGH_VOLTAGE
from bmslogs.base.results import Estimate
from bmslogs.faces.figures import pack_picture, per_cell, words
from bmslogs.faces.figures.fitting import fitted
from bmslogs.faces.figures.theme import PHONE
from bmslogs.faces.figures.words import (
    axis_title,
    conditions_line,
    say_estimate,
    sentence,
    short_place,
    shown_unit,
    title_of,
)
from bmslogs.faces.headlines import apart_says, findings_says
from dashboard import order_notes
from dashboard.address import parse
from dashboard.coloured import shows_first
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.order import aside_mark
from dashboard.parts import (
    NO_LOG,
    action,
    caution,
    choices,
    choose_pack,
    empty,
    finding_line,
    graph,
    heading,
    no_logs,
    section,
    select,
    split_rows,
)
from dashboard.units import figure_shown, shown, written

told = words.shown
TITLE, PATH = "Pack", "/pack"
TABLE_THEME = (
    "themeQuartz.withParams({fontFamily: 'inherit', fontSize: 13.5, headerFontSize: 13, accentColor: 'var(--main)', "
    "foregroundColor: 'var(--ink)', backgroundColor: 'var(--paper)', headerBackgroundColor: 'var(--panel)', "
    "headerTextColor: 'var(--ink)', borderColor: 'var(--line)', rowHoverColor: 'var(--panel)', "
    "oddRowBackgroundColor: 'var(--paper)', spacing: 6})"
)
"""The table in the page's colours; both schemes through the style sheet's variables."""
LEAST_COLUMN = 76
"""Width of a column [px] at which value and interval still stand on three lines: seven fit at 800 px."""
PER_CELL = [q.key for q in QUANTITIES.values() if q.per == "cell"]


def layout(frame: Frame) -> html.Div:
    """Lay the page out."""
    pack = frame.pack
    if pack is None:
        return html.Div([heading("Pack"), choose_pack(frame.desk.packs(), PATH)])
    says = (
        f"{pack.cells_in_series} cells {pack.chemistry}, {pack.nominal_capacity_Ah:g} Ah, "
        "counted from pack negative."
    )
    answer = findings_says(frame.diagnosis, why=frame.no_diagnosis) if frame.logs else NO_LOG
    head = heading(f"Pack of {pack.vehicle}", says, answer=answer)
    if not frame.logs:
        return html.Div(
            [head, graph(pack_picture(pack, look=frame.look), "the pack as it is built"), no_logs(pack.id)]
        )
    if frame.diagnosis is None:
        return html.Div(
            [
                head,
                graph(pack_picture(pack, look=frame.look), "the pack as it is built"),
                empty(
                    "No diagnosis of this log",
                    frame.no_diagnosis,
                    action("See the log", frame.here.link("/log")),
                ),
            ]
        )
    return html.Div(
        [
            head,
            _controls(frame),
            _drawn(frame),
            section("All cells of this log", _table(frame)),
            html.Div(
                [action("Change the pack's description", f"/describe?edit={pack.id}")], className="actions"
            ),
        ]
    )


def _drawn(frame: Frame) -> html.Div:
    """Return the pack as it is built, its cells in figures, and beside them what is picked."""
    return html.Div(
        [
            html.Div(
                [
                    graph(
                        picture(frame),
                        "the pack as it is built; pick cells, links and modules",
                        id={"pick": "pack"},
                    ),
                    html.P(apart(frame), id="pack-apart", className="picture-says"),
                    html.P(id="pack-note", children=note(frame), className="quiet"),
                    graph(
                        cells_figure(frame),
                        "the quantity over the cells with intervals",
                        id={"pick": "cells"},
                    ),
                ],
                className="wide",
            ),
            html.Aside(
                id="pack-side",
                children=side(frame),
                className="side",
                **attributes(aria_live="polite"),
            ),
        ],
        className="columns",
    )


def _controls(frame: Frame) -> Any:
    pack, have = frame.pack, quantities(frame)
    assert pack is not None
    return choices(
        frame.look,
        select(
            "Colour by",
            "quantity",
            [{"value": k, "label": title_of(k)} for k in have],
            quantity_of(frame),
            w=360,
            allowDeselect=False,
        ),
        dmc.SegmentedControl(
            id="since",
            value="base" if frame.view.since else "now",
            data=[
                {"value": "now", "label": "This log"},
                {"value": "base", "label": "Change since the first log"},
            ],
            **attributes(aria_label="Value or change"),
        ),
        dmc.Switch(id="warm", label="Temperatures", checked=frame.view.warm),
        dmc.MultiSelect(
            id="cells",
            label="Picked cells",
            data=[str(c) for c in range(1, pack.cells_in_series + 1)],
            value=[str(c) for c in frame.picked],
            searchable=True,
            clearable=True,
            w=230,
            placeholder=None if frame.picked else "pick here or in the picture",
            comboboxProps={"withinPortal": False},
        ),
        select(
            "Module",
            "module",
            [m.name for m in pack.modules],
            frame.view.module or None,
            clearable=True,
            w=130,
            placeholder="any",
        ),
        what="Colour by, cells and modules",
    )


def quantities(frame: Frame) -> list[str]:
    """Return the quantities that the log says anything of, determined ones first."""
    diagnosis = frame.diagnosis
    assert diagnosis is not None
    said = [k for k in PER_CELL if diagnosis.of(k)]
    return sorted(said, key=lambda k: not any(told(e) for e in diagnosis.of(k))) or [
        "resistance_10s_relative"
    ]


def quantity_of(frame: Frame) -> str:
    """Return the chosen quantity; where none is chosen that of the page's sentence, else the first that is known."""
    have, weighed = quantities(frame), frame.diagnosis
    if frame.view.quantity in have:
        return frame.view.quantity
    for key in shows_first(weighed) if weighed else ():
        if weighed and key in have and any(told(e) for e in weighed.of(key)):
            return key
    return (
        "resistance_10s_relative"
        if have[0] == "resistance_10s" and "resistance_10s_relative" in have
        else have[0]
    )


def _estimates(frame: Frame) -> list[Estimate]:
    return list(frame.diagnosis.of(quantity_of(frame))) if frame.diagnosis else []


def _baseline(frame: Frame) -> tuple[str, list[Estimate]]:
    if not frame.view.since or frame.pack is None or frame.entry is None:
        return "", []
    return frame.desk.baseline(frame.pack.id, frame.entry.id, quantity_of(frame))


def picture(frame: Frame) -> Any:
    """Draw the pack."""
    pack, weighed = frame.pack, frame.diagnosis
    assert pack is not None and weighed is not None
    base, before = _baseline(frame)
    warm = temperatures(frame) if frame.view.warm else None
    quantity = quantity_of(frame)

    def make() -> Any:
        return pack_picture(
            pack,
            _estimates(frame),
            quantity=quantity,
            findings=frame.findings,
            picked=frame.picked,
            baseline=before,
            temperatures=warm,
            look=frame.look,
        ).to_plotly_json()

    told = tuple(sorted(warm.items())) if warm else ()
    how = ("pack", quantity, frame.picked, base, told, frame.look)
    return frame.desk.drawn.get((pack, weighed, *before), how, make)


def apart(frame: Frame) -> str:
    """Say which cell lies furthest from the middle in what colours the picture."""
    assert frame.pack is not None
    return apart_says(quantity_of(frame), _estimates(frame), frame.pack)


def note(frame: Frame) -> str:
    """Say what the colours are counted from, and under which conditions the values hold."""
    known = [e for e in _estimates(frame) if e.status == "determined"]
    said = [conditions_line(known[0].conditions)] if known and known[0].conditions else []
    if frame.view.since:
        base, _ = _baseline(frame)
        entry = next((e for e in frame.logs if e.id == base), None)
        said.insert(
            0,
            f"Change since {frame.when(entry.start)}."
            if entry
            else "No earlier log determines this: the colours show this log alone.",
        )
    if frame.view.warm:
        said.append("Temperatures: mean of this log at the nearest sensor.")
    return " · ".join(s for s in said if s)


def temperatures(frame: Frame) -> dict[int, float]:
    """Return cell -> mean temperature of the log at the nearest sensor [degC]."""
    import numpy as np

    pack = frame.pack
    if pack is None or frame.entry is None:
        return {}
    means = {
        n: float(np.nanmean(v))
        for n, v in frame.desk.open(frame.entry.id).temperatures.items()
        if np.isfinite(v).any()
    }
    out = {}
    for cell in range(1, pack.cells_in_series + 1):
        column = pack.sensor_column_of(cell)
        if column and pack.sensor_name(column) in means:
            out[cell] = means[pack.sensor_name(column)]
    return out


def cells_figure(frame: Frame) -> Any:
    """Draw the quantity over the cells."""
    pack, weighed, quantity = frame.pack, frame.diagnosis, quantity_of(frame)
    assert pack is not None and weighed is not None
    named = {c for f in frame.findings for c in f.cells}

    def make() -> Any:
        drawn = per_cell(pack, _estimates(frame), quantity, named=named, picked=frame.picked, look=frame.look)
        return drawn.to_plotly_json()

    return frame.desk.drawn.get((pack, weighed), ("cells", quantity, frame.picked, frame.look), make)


def side(frame: Frame) -> list[Any]:
    """Say what is picked, what is known of it, and where it shows."""
    pack, diagnosis = frame.pack, frame.diagnosis
    assert pack is not None and diagnosis is not None
    if frame.view.joint:
        return _joint(frame, frame.view.joint)
    if not frame.picked:
        lines = [
            finding_line(
                f, frame.here.but(finding=i, cells=f.cells).link("/answers"), *aside_mark(f, frame.judgements)
            )
            for i, f in enumerate(frame.findings, 1)
        ]
        return [
            html.H2("Nothing picked"),
            html.P("Pick a cell, a link or a module in the picture, or in the lists above."),
            html.H3("Findings of this log"),
            html.Ul(lines, className="findings") if lines else html.P("none"),
            _in_log(frame, 1) if lines else None,
        ]
    out: list[Any] = []
    if frame.view.module:
        out.append(html.H2(f"Module {frame.view.module}"))
    for cell in frame.picked[:4]:
        out += [
            html.H3(sentence(pack.place(cell))),
            *split_rows([e for e in diagnosis.estimates if e.cell == cell]),
        ]
    if len(frame.picked) > 4:
        out.append(html.P(f"and {len(frame.picked) - 4} more cells: see the table below", className="quiet"))
    mine = [(i, f) for i, f in enumerate(frame.findings, 1) if set(f.cells) & set(frame.picked)]
    out += [
        html.H3("Findings"),
        html.Ul(
            [
                finding_line(f, frame.here.but(finding=i).link("/answers"), *aside_mark(f, frame.judgements))
                for i, f in mine
            ],
            className="findings",
        )
        if mine
        else html.P("none for what is picked"),
    ]
    out += [_in_log(frame, mine[0][0] if mine else 0)]
    out += order_notes.of_cells(frame)
    if mine:
        out.append(caution(HIGH_VOLTAGE, title="Before the box is opened"))
    return out


def _in_log(frame: Frame, finding: int, cells: tuple[int, ...] = ()) -> html.Div:
    """Return the way to the log: with a finding, to the window where that is plainest."""
    there = frame.here.but(cells=cells or frame.here.cells)
    if finding:
        there = there.but(finding=finding, sight=True, start="", end="", module="", joint=0)
    return html.Div([action("See in the log", there.link("/log"), main=True)], className="actions")


def _joint(frame: Frame, later: int) -> list[Any]:
    pack, diagnosis = frame.pack, frame.diagnosis
    assert pack is not None and diagnosis is not None
    tap = next((c for c in pack.joint_cells() if c in (later, later - 1)), later)
    return [
        html.H2(f"Link, cell {later - 1} to cell {later}"),
        html.P(
            f"{pack.place(later - 1)} to {pack.place(later)}. It lies in the tap of cell {tap}: "
            "its resistance shows there."
        ),
        *split_rows([e for e in diagnosis.estimates if e.cell == tap and "resistance" in e.quantity]),
        _in_log(frame, next((i for i, f in enumerate(frame.findings, 1) if tap in f.cells), 0), (tap,)),
        caution(HIGH_VOLTAGE, title="Before the link is touched"),
    ]


def _table(frame: Frame) -> Any:
    pack, diagnosis = frame.pack, frame.diagnosis
    assert pack is not None and diagnosis is not None
    keys = [k for k in PER_CELL if any(told(e) for e in diagnosis.of(k))]
    columns: list[dict[str, Any]] = [
        {
            "field": "cell",
            "headerName": "Place",
            "pinned": "left",
            "width": 104,
            "tooltipField": "place",
            "valueFormatter": {"function": "params.data.short"},
        }
    ]
    values: dict[int, dict[str, Any]] = {
        c: {"cell": c, "place": pack.place(c), "short": short_place(pack, c)}
        for c in range(1, pack.cells_in_series + 1)
    }
    for key in keys:
        columns.append(
            {
                "field": key,
                "headerName": axis_title(key),
                "headerTooltip": QUANTITIES[key].question,
                "minWidth": LEAST_COLUMN,
                "flex": 1,
                "wrapText": True,
                "autoHeight": True,
                "valueFormatter": {"function": f"params.data['{key}_text'] || 'not known'"},
            }
        )
        for e in diagnosis.of(key):
            if e.cell in values:
                triple = told(e)
                values[e.cell][key] = round(triple[0], 6) if triple else None
                values[e.cell][f"{key}_text"] = _bare(e) if triple else "not known"
    if frame.look.room == PHONE:
        return _cards(list(values.values()), columns[1:])
    return dag.AgGrid(
        id="cell-table",
        columnDefs=columns,
        rowData=list(values.values()),
        className="table",
        defaultColDef={
            "sortable": True,
            "resizable": True,
            "wrapHeaderText": True,
            "autoHeaderHeight": True,
            "suppressHeaderMenuButton": True,
        },
        dashGridOptions={
            "domLayout": "autoHeight" if len(values) <= 24 else "normal",
            "animateRows": False,
            "icons": {"sortAscending": "<b>▴</b>", "sortDescending": "<b>▾</b>", "sortUnSort": ""},
            "enableCellTextSelection": True,
            "theme": {"function": TABLE_THEME},
        },
        style={"width": "100%", **({} if len(values) <= 24 else {"height": 460})},
    )


def _cards(rows: list[dict[str, Any]], columns: list[dict[str, Any]]) -> html.Table:
    """Return the table for a phone: a card a cell, where a column's name stands before each value."""
    heads = [str(c["headerName"]) for c in columns]
    keys = [str(c["field"]) for c in columns]
    lines = [
        html.Tr(
            [
                html.Th(row["short"], scope="row"),
                *(
                    html.Td(row.get(f"{k}_text") or "not known", **attributes(data_label=h))
                    for k, h in zip(keys, heads, strict=True)
                ),
            ]
        )
        for row in rows
    ]
    head = html.Tr([html.Th(h, scope="col") for h in ("Place", *heads)])
    return html.Table([html.Thead(head), html.Tbody(lines)], className="stacked")


def _bare(estimate: Estimate) -> str:
    """Return value and interval without the unit, which the head of the column has."""
    return say_estimate(estimate).replace(f" {shown_unit(estimate.quantity)}", "", 1)


def register(app: Dash, desk: Desk) -> None:
    """Let the page follow the address, and the address follow the page."""

    @app.callback(
        Output({"pick": "pack"}, "figure"),
        Output({"pick": "cells"}, "figure"),
        Output("pack-side", "children"),
        Output("pack-note", "children"),
        Output("pack-apart", "children"),
        Output("cells", "value"),
        Output("module", "value"),
        Input("at", "search"),
        State("scheme", "data"),
        prevent_initial_call=True,
    )
    def follow(search: str, scheme: str) -> tuple[Any, ...]:
        frame = Frame.of(desk, search, scheme)
        if frame.pack is None or frame.diagnosis is None:
            return (no_update,) * 7
        return (
            figure_shown(fitted(picture(frame))),
            figure_shown(fitted(cells_figure(frame))),
            shown(side(frame)),
            written(note(frame)),
            written(apart(frame)),
            [str(c) for c in frame.picked],
            frame.view.module or None,
        )

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("quantity", "value"),
        Input("since", "value"),
        Input("warm", "checked"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def choose(quantity: str, since: str, warm: bool, search: str) -> Any:
        frame = Frame.of(desk, search)
        view = frame.view
        # a page that comes shows its own choice in the control: that is nobody's wish, and draws nothing anew
        wanted = view.quantity if quantity == quantity_of(frame) else quantity or ""
        new = view.but(quantity=wanted, since="base" if since == "base" else "", warm=bool(warm))
        return no_update if new == view else new.query()

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("cells", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def pick_cells(cells: list[str], search: str) -> Any:
        frame = Frame.of(desk, search)
        wanted = tuple(sorted(int(c) for c in cells or []))
        return (
            no_update if wanted == frame.picked else frame.view.but(cells=wanted, module="", joint=0).query()
        )

    @app.callback(
        Output("at", "search", allow_duplicate=True),
        Input("module", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def pick_module(module: str | None, search: str) -> Any:
        view = parse(search)
        if (module or "") == view.module:
            return no_update
        return view.but(module=module or "", cells=() if module else view.cells, joint=0).query()
