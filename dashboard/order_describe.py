"""A pack described anew: from which day on it holds for the logs that are there, and nobody else overwritten."""

from __future__ import annotations

import datetime as dt
from typing import Any

import dash_mantine_components as dmc
from dash import Output, State, dcc, html

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.store import order
from dashboard.desk import Desk

HOLDS = {"later": "Logs to come", "day": "Logs from a day on, and those to come", "all": "All its logs"}
GIVEN = [
    State("describe-holds", "value"),
    State("describe-day", "value"),
    State("describe-seen", "data"),
    State("order-by", "data"),
]
"""What the callback that saves is given beside the form."""
SHOWN = [Output("describe-seen", "data"), Output("order-state", "data", allow_duplicate=True)]
"""What saving changes, so that the page knows its own words."""


def fields(pack: Pack | None, logs: int) -> html.Div:
    """Return what is asked beside the form: for which logs a changed description holds.

    Parameters
    ----------
    pack
        The pack that is changed; None for a new one.
    logs
        How many logs it has.
    """
    seen = dcc.Store(id="describe-seen", data=order.pack_version(pack))
    if pack is None or not logs:
        return html.Div([seen, dcc.Store(id="describe-holds"), dcc.Store(id="describe-day")])
    return html.Div(
        [
            seen,
            dmc.Select(
                id="describe-holds", label="It holds for", value="later", allowDeselect=False,
                data=[{"value": k, "label": v} for k, v in HOLDS.items()], comboboxProps={"withinPortal": False},
            ),
            dmc.TextInput(
                id="describe-day", label="The day (UTC), where it holds from a day on", placeholder="2026-05-13"
            ),
        ],
        className="controls",
    )  # fmt: skip


def since(holds: str | None, day: str | None) -> dt.date | None:
    """Return the day from which stored logs get the description; None for logs to come only.

    Raises
    ------
    BadInput
        No day where one is needed.
    """
    if holds == "all":
        return dt.date.min
    if holds != "day":
        return None
    try:
        return dt.date.fromisoformat((day or "").strip())
    except ValueError:
        raise BadInput(repr(day or ""), "a day such as 2026-05-13") from None


def save(desk: Desk, pack: Pack, holds: str | None, day: str | None, seen: str | None, by: str | None) -> str:
    """Keep the description; return what is said of it.

    Raises
    ------
    BmsLogsError
        It was refused, or somebody else has changed it meanwhile.
    """
    desk.release()
    given = order.describe_pack(desk.store, pack, since=since(holds, day), by=by or "", seen=seen or "")
    desk.changed(pack.id)
    if not given:
        return f"Saved as {pack.id}."
    return f"Saved as {pack.id}, and given to {len(given)} log{'s' if len(given) != 1 else ''}."


def shown(desk: Desk, pack_id: str) -> tuple[Any, Any]:
    """Return the values of `SHOWN` after saving."""
    return order.pack_version(desk.pack(pack_id)), desk.state()
