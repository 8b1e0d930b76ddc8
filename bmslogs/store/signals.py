"""The signal database of a pack, kept with it so that the next recording needs none."""

from __future__ import annotations

import json
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.importers.can.database import Definitions, load_definitions
from bmslogs.store.files import folder_name, write_atomic

if TYPE_CHECKING:
    from bmslogs.base.pack import Pack
    from bmslogs.store.store import Store


class KeptSignals:
    """What frames mean in recordings of a pack.

    Parameters
    ----------
    given
        A database file; None takes that which is kept.
    """

    def __init__(self, store: Store, pack: Pack, given: Path | None) -> None:
        self._folder = store.root / "_signals" / folder_name("pack", pack.id).removeprefix("pack=")
        self._given = given

    @cached_property
    def definitions(self) -> Definitions | None:
        """The definitions; None where no database is given and none is kept.

        Raises
        ------
        BadInput
            The file is no database.
        """
        path = self._given or self.kept()
        return None if path is None else load_definitions(path)

    def mapping(self, mapping: str) -> str:
        """Return a mapping of a log with the database in it."""
        held = json.loads(mapping)
        held["signals"] = self.definitions.sha256 if self.definitions is not None else None
        return json.dumps(held, sort_keys=True)

    def keep(self) -> None:
        """Keep the given database with the pack, in the place of another."""
        if self._given is None or self.definitions is None:
            return
        raw = self._given.read_bytes()
        target = self._folder / self._given.name
        if not target.exists() or target.read_bytes() != raw:
            write_atomic(target, raw)
        for other in self._folder.iterdir():
            if other != target:
                other.unlink(missing_ok=True)

    def kept(self) -> Path | None:
        """Return the database that is kept with the pack, None where none is."""
        held = sorted(p for p in self._folder.glob("*.*") if not p.name.startswith((".", "_")))
        return held[0] if held else None
