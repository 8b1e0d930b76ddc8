"""Pages that follow a log while it grows: laid out again when the store holds more of what they show."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, no_update

from bmslogs.base.errors import StoreError
from dashboard.desk import Desk
from dashboard.frame import Frame

FOLLOWING = ("/log", "/charge", "/pack")
"""Pages of one log on which nothing is typed."""


def shown(
    desk: Desk, path: str | None, search: str | None, seen: list[str] | None = None
) -> list[str] | None:
    """Return what a page shows of the store, as far as it can grow: address, log, content; None where it cannot.

    Where `seen` is of the same address, its log alone is looked at, and not the whole store.
    """
    if path not in FOLLOWING:
        return None
    here = [str(path), search or ""]
    try:
        entry = desk.store.entry(seen[2]) if seen and seen[:2] == here else Frame.of(desk, search).entry
    except StoreError:  # taken out of the store meanwhile
        return None
    return [*here, entry.id, entry.sha256] if entry is not None else None


def register(app: Dash, desk: Desk) -> None:
    """Ask now and then whether the log has grown, and have the page laid out again if so."""

    @app.callback(
        Output("revision", "data", allow_duplicate=True),
        Output("live-seen", "data"),
        Input("live-clock", "n_intervals"),
        State("at", "pathname"),
        State("at", "search"),
        State("live-seen", "data"),
        State("revision", "data"),
        prevent_initial_call=True,
    )
    def follow(_n: int, path: str, search: str, seen: list[str] | None, revision: int) -> Any:
        now = shown(desk, path, search, seen)
        if now == seen:
            return no_update, no_update
        grown = now is not None and seen is not None and now[:3] == seen[:3]
        return (revision + 1 if grown else no_update), now
