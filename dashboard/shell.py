"""What surrounds every page: the bar with pack and log, the names of the pages, colours."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from bmslogs.base.version import __version__
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.order import bar
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


LISTED = 200
"""Entries of the lists of packs and logs that are laid out at once (choice); more are found by typing."""
LIVE_MS = 3000
"""How often a page asks whether its log has grown [ms] (choice)."""


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
            dcc.Store(id="live-seen"),
            dcc.Interval(id="live-clock", interval=LIVE_MS),
            html.A("Skip to the page", href="#page", className="skip"),
            _head(pages),
            bar(),
            _page(),
            html.Footer(
                [
                    cautions_footer(),
                    html.Span(id="clock", className="quiet"),
                    html.Span(f"bmslogs {__version__}", className="quiet"),
                ],
                className="foot",
            ),
        ],
    )


def _page() -> html.Main:
    """Return the place where pages are laid out."""
    return html.Main(
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
    )


def _head(pages: Sequence[Any]) -> html.Header:
    """Return the name, the pickers and the ways to the pages."""
    return html.Header(
        [
            html.Div(
                [
                    dcc.Link(
                        [
                            html.Span(className="mark", **attributes(aria_hidden="true")),
                            html.Span("bmslogs"),
                        ],
                        href="/",
                        className="name",
                    ),
                    html.Span("what a pack's logs tell", className="quiet motto"),
                    html.Div(id="pickers", className="pickers"),
                ],
                className="bar",
            ),
            html.Div(
                [
                    html.Nav(
                        [
                            dcc.Link(p.TITLE, href=p.PATH, id={"nav": p.PATH}, className="page-link")
                            for p in pages
                        ],
                        **attributes(aria_label="Pages"),
                    ),
                    html.Button(
                        "Dark",
                        id="scheme-button",
                        className="button quiet-button",
                        type="button",
                        title="Light or dark",
                    ),
                ],
                className="ways",
            ),
        ],
        className="top",
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
            data=[{"value": i, "label": name} for i, name in pack_names(packs).items()],
            **_long(len(packs)),
            value=chosen,
            placeholder="Which pack?",
            size="sm",
            allowDeselect=False,
            **attributes(aria_label="Pack"),
        )
    ]
    if frame.pack and frame.logs:
        out.append(
            dmc.Select(
                id="log-picker",
                size="sm",
                allowDeselect=False,
                value=frame.entry.id if frame.entry else None,
                data=[{"value": e.id, "label": log_name(frame, e)} for e in frame.logs],
                placeholder="Which log?",
                className="log-pick",
                classNames={"dropdown": "log-list"},
                **_long(len(frame.logs)),
                **attributes(aria_label="Log"),
            )
        )
    return out


def clock(frame: Frame) -> str:
    """Say once by which clock a page's times are."""
    if frame.entry is None:
        return f"Times by the clock of {getattr(frame.zone, 'key', 'this computer')}."
    words = frame.clock_words(frame.entry.start)
    return f"Times in {words}." if words.startswith("UTC") else f"Times by the clock of {words}."


def _long(count: int) -> dict[str, Any]:
    """Return what a long list needs: words or a day to find an entry by, since no more than `LISTED` are laid out."""
    return {"searchable": True, "limit": LISTED} if count > LISTED else {}


def pack_names(packs: Sequence[Any]) -> dict[str, str]:
    """Return the names of packs for people by id, as `pack_name` gives them."""
    of_vehicle = Counter(p.vehicle for p in packs)
    return {p.id: str(p.vehicle) if of_vehicle[p.vehicle] == 1 else f"{p.vehicle}: {p.id}" for p in packs}


def pack_name(pack: Any, packs: Sequence[Any]) -> str:
    """Return a pack's name for people: its vehicle, with the short name where a vehicle has several packs."""
    return pack_names(packs)[pack.id]


def log_name(frame: Frame, entry: Any) -> str:
    """Return a log's name for people: when it began and the file it came from."""
    source = str(getattr(entry, "source", "") or "")
    name = source.split(".")[0]  # the ending says nothing that helps to choose
    began = frame.when(entry.start)
    return f"{began} · {name}" if name else began
