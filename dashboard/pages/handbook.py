"""Handbook: what every quantity, cause and word means, stories, mathematics, files; searched as one types."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html

from bmslogs.base.errors import BadInput
from bmslogs.faces.handbook import Page, found, linked, page_of, pages
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.framework import attributes
from dashboard.parts import heading, refused

TITLE, PATH = "Handbook", "/handbook"
FIRST = "first-evening"
"""The page that is open where none is asked for."""


def layout(frame: Frame) -> html.Div:
    """Lay the page out: the chapters on one side, the page asked for on the other."""
    view = frame.view
    return html.Div(
        [
            heading(
                "Handbook", "What the words and figures mean, how they come about, and what to do with them."
            ),
            html.Div(
                [
                    html.Article(shown(view), className="wide handbook", id="handbook-page"),
                    html.Div(
                        [
                            dmc.TextInput(
                                id="handbook-find",
                                label="Search the handbook",
                                placeholder="knee, bleed, interval ..",
                                debounce=250,
                            ),
                            html.Div(contents(view), id="handbook-found", **attributes(aria_live="polite")),
                        ],
                        className="side handbook-side",
                    ),
                ],
                className="columns handbook-columns",
            ),
        ]
    )


def address(view: View, name: str) -> str:
    """Return the address of a page of the handbook; pack and log stay chosen."""
    return view.but(page=name).link(PATH)


def shown(view: View) -> Any:
    """Return the page that is asked for; where there is none, which ones come near."""
    try:
        page = page_of(view.page or FIRST)
    except BadInput as error:
        return refused(str(error))
    return dcc.Markdown(linked(page.text, address(view, "NAME").replace("NAME", "{}")), className="prose")


def contents(view: View) -> list[Any]:
    """Return the list of all pages by group; the groups with many pages are folded up unless one of theirs is open."""
    here = view.page or FIRST
    out: list[Any] = []
    for group, listed in groupby(pages().values(), key=lambda page: page.group):
        held = list(listed)
        opened = any(page.name == here for page in held)
        lines = html.Ul([html.Li(_link(view, page, page.name == here)) for page in held])
        out.append(html.Details([html.Summary(group), lines], open=opened or len(held) <= 3))
    return out


def results(view: View, text: str) -> list[Any]:
    """Return what a search found; the contents where nothing is searched for."""
    if not text.strip():
        return contents(view)
    hits = found(text)
    if not hits:
        return [html.P(f"No page holds {text.strip()!r}. Try one word, or part of one.", className="quiet")]
    lines = [html.Li([_link(view, page), html.Small(line, className="quiet")]) for page, line in hits]
    return [html.Ul(lines, className="hits")]


def _link(view: View, page: Page, here: bool = False) -> dcc.Link:
    return dcc.Link(page.title, href=address(view, page.name), className="here" if here else "")


def register(app: Dash, desk: Desk) -> None:
    """Search as one types."""

    @app.callback(
        Output("handbook-found", "children"),
        Input("handbook-find", "value"),
        State("at", "search"),
        prevent_initial_call=True,
    )
    def search(text: str | None, where: str) -> Any:
        return results(parse(where), (text or "")[:80])
