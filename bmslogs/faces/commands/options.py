"""Options that several commands share, and the store that they mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.places import DEFAULT_STORE, find_pack, store_at

if TYPE_CHECKING:
    from bmslogs.store import Store

__all__ = ["DEFAULT_STORE", "find_pack", "open_store", "stored_log"]

StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        envvar="BMSLOGS_STORE",
        metavar="DIR",
        help="Folder of the stored logs [default: bms_store].",
    ),
]
JsonOption = Annotated[
    str | None,
    typer.Option(
        "--json",
        metavar="FILE",
        help="Write the answer as JSON; - prints it and nothing else to standard output.",
    ),
]
PackOption = Annotated[
    Path | None,
    typer.Option("--pack", metavar="PACK.toml", help="Pack file, or the id of a pack that the store knows."),
]
SignalsOption = Annotated[
    Path | None,
    typer.Option(
        "--signals", metavar="PACK.dbc", help="Signal database of a CAN recording; kept with the pack."
    ),
]
ProfileOption = Annotated[
    Path | None,
    typer.Option(
        "--profile", metavar="P.toml", help="Logger profile, where the header does not speak for itself."
    ),
]


def open_store(place: Path | None, *, new: bool = False) -> Store:
    """Return the store at `place`, or the default one; see `store_at`."""
    return store_at(place or DEFAULT_STORE, new=new)


def stored_log(store: Store, name: str) -> str:
    """Return the id of the stored log that `name`, an id or enough of its beginning, means.

    Raises
    ------
    BadInput
        The store has no such log.
    """
    from bmslogs.faces.answers import find_log

    log_id = find_log(store, name)
    if log_id is None:
        raise BadInput(f"{name!r} is no log of the store", "an id from `bmslogs logs`")
    return log_id
