"""What surrounds every page: the bar with pack and log, the names of the pages, colours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from bmslogs.base.version import __version__
from dashboard.frame import Frame
from dashboard.parts import cautions_footer
from dashboard.take_away import of_tables

THEME: dict[str, Any] = {
    "fontFamily": 'system-ui, -apple-system, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif',
    "fontFamilyMonospace": 'ui-monospace, "Cascadia Mono", "DejaVu Sans Mono", monospace',
    "primaryColor": "petrol",
    "primaryShade": {"light": 7, "dark": 4},
    "defaultRadius": "sm",
    "headings": {"fontWeight": "650"},
    "colors": {
        "petrol": [
            "#e5f5f6",
            "#cfe9eb",
            "#a1d3d8",
            "#6fbcc3",
            "#52c4cd",
            "#2b97a2",
            "#16808c",
            "#00616e",
            "#00525d",
            "#00434c",
        ]
    },
}
"""Colours and type of the component library, in step with the figures."""


def shell(pages: Sequence[Any]) -> dmc.MantineProvider:
    """Return the frame that stays while pages change."""
    return dmc.MantineProvider(
        id="colours",
        theme=THEME,
        forceColorScheme="light",
        children=[
            dcc.Location(id="at", refresh="callback-nav"),
            dcc.Store(id="scheme", storage_type="local"),
            dcc.Store(id="revision", data=0),
            dcc.Store(id="laid-out"),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    html.Div(
                        [
                            html.Div(
                                [
                                    dcc.Link("bmslogs", href="/", className="name"),
                                    html.Span("what a pack's logs tell", className="quiet motto"),
                                ],
                                className="brand",
                            ),
                            html.Div(id="pickers", className="pickers"),
                            html.Button(
                                "Dark",
                                id="scheme-button",
                                className="button quiet-button",
                                type="button",
                                title="Light or dark",
                            ),
                        ],
                        className="bar",
                    ),
                    html.Nav(
                        [
                            dcc.Link(p.TITLE, href=p.PATH, id={"nav": p.PATH}, className="page-link")
                            for p in pages
                        ],
                        **{"aria-label": "Pages"},
                    ),
                ],
                className="top",
            ),
            html.Main(
                [
                    dcc.Loading(
                        html.Div(id="page-content"),
                        delay_show=400,
                        type="dot",
                        color="#00616e",
                        overlay_style={"visibility": "visible", "opacity": 0.6},
                    ),
                    of_tables(),
                ],
                id="page",
                tabIndex=-1,
            ),
            html.Footer(
                [cautions_footer(), html.Span(f"bmslogs {__version__}", className="quiet")], className="foot"
            ),
        ],
    )


def pickers(frame: Frame) -> list[Any]:
    """Return the choice of pack and log."""
    packs = frame.desk.packs()
    if not packs:
        return []
    chosen = frame.pack.id if frame.pack else None
    out = [
        dmc.Select(
            id="pack-picker",
            data=[{"value": p.id, "label": f"{p.vehicle}: {p.id}"} for p in packs],
            value=chosen,
            placeholder="Which pack?",
            size="sm",
            allowDeselect=False,
            w=260,
            **{"aria-label": "Pack"},
        )
    ]
    if frame.pack and frame.logs:
        out.append(
            dmc.Select(
                id="log-picker",
                size="sm",
                allowDeselect=False,
                w=400,
                value=frame.entry.id if frame.entry else None,
                data=[{"value": e.id, "label": log_name(frame, e)} for e in frame.logs],
                placeholder="Which log?",
                **{"aria-label": "Log"},
            )
        )
    return out


def log_name(frame: Frame, entry: Any) -> str:
    """Return a log's name for people: when it began and the file it came from."""
    source = str(getattr(entry, "source", "") or "")
    name = source.split(".")[0]  # the ending says nothing that helps to choose
    began = f"{frame.when(entry.start)} UTC"
    return f"{began} · {name}" if name else began
