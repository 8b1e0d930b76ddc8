"""The choice of a time zone: a list to search, with the likely ones first."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import dash_mantine_components as dmc

from bmslogs.base.zone import machine_zone, zones

SHOWN_ZONES = 60
"""Zones that are laid out at once (choice); more are found by typing a part of the name."""


def zone_names(now: str | None, likely: Iterable[str | None] = ()) -> list[str]:
    """Return the zones of the list: the likely ones, this machine's, then all; one that was typed before stays in it.

    Parameters
    ----------
    now
        The zone that holds; empty where none was named.
    likely
        Zones that stand first, such as the pack's; empty ones are left out.
    """
    return list(dict.fromkeys(n for n in (*likely, machine_zone(), *zones(), now) if n))


def zone_choice(id: Any, label: str, now: str | None, likely: Iterable[str | None] = (), **more: Any) -> Any:
    """Return the drop-down of a time zone."""
    named = [
        {"value": n, "label": n.replace("_", " ")} for n in zone_names(now, likely)
    ]  # as people type them
    return dmc.Select(
        id=id, label=label, data=named, value=now or None, searchable=True, limit=SHOWN_ZONES,
        nothingFoundMessage="No such zone: type a part of a town's name", **more,
    )  # fmt: skip
