"""Options that several commands share, and the store that they mean."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.errors import BadInput, StoreError

if TYPE_CHECKING:
    from bmslogs.base.pack import Pack
    from bmslogs.store import Store

ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+:[/\\]")
"""How the address of a store on another filesystem begins; a drive of one letter is none."""
DEFAULT_STORE = Path("bms_store")

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
    """Return the store at `place`, or the default one.

    Parameters
    ----------
    place
        From ``--store`` or the environment; None for the default folder.
    new
        Whether it may be made by this command.

    Raises
    ------
    StoreError
        There is no such store, and this command only reads.
    """
    root = place or DEFAULT_STORE
    if ADDRESS.match(str(root)):
        raise StoreError(
            f"{root}: an address; found no folder, expected one. At an address `bmslogs diagnose --all` works; import "
            "into a folder and put its logs there (bmslogs.fleet.put_logs)"
        )
    if root.exists() and not root.is_dir():
        raise StoreError(f"{root}: found a file, expected the folder of a store")
    if not new and not root.is_dir():
        raise StoreError(
            f"{root}: no store here; import a log first (bmslogs import FILE --pack PACK.toml) "
            "or name the store with --store"
        )
    from bmslogs.store import Store

    return Store(root)


def find_pack(pack: Path, store: Store) -> Pack:
    """Return the pack of a pack file, or the one that the store knows by this id.

    Raises
    ------
    BadInput
        Neither a pack file nor a known id.
    """
    if not pack.exists() and pack.suffix == "" and len(pack.parts) == 1:
        known = {p.id: p for p in store.packs()} if store.root.is_dir() else {}
        if str(pack) in known:
            return known[str(pack)]
        raise BadInput(
            f"no pack file and no pack of the store named {str(pack)!r}",
            f"a pack file (TOML), or one of: {', '.join(known) or 'none stored yet'}",
        )
    from bmslogs.base.pack import load_pack

    return load_pack(pack)


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
