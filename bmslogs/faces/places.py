"""Where things are: the store that is meant, and the pack that a pack file or an id means."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import BadInput, StoreError

if TYPE_CHECKING:
    from bmslogs.base.pack import Pack
    from bmslogs.store import Store

ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+:[/\\]")
"""How the address of a store on another filesystem begins; a drive of one letter is none."""
DEFAULT_STORE = Path("bms_store")


def store_at(root: Path, *, new: bool = False) -> Store:
    """Return the store in a folder.

    Parameters
    ----------
    root
        The folder.
    new
        Whether it may be made by what follows.

    Raises
    ------
    StoreError
        There is no such store, and it is only to be read.
    """
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
