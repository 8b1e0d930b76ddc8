"""`bmslogs watch`: files of a folder come in by themselves, and those that grow are followed."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.importing import imported_text, read_profile, split_names
from bmslogs.faces.commands.options import ProfileOption, StoreOption, find_pack, open_store
from bmslogs.faces.output import refuse, say, tell

if TYPE_CHECKING:
    from bmslogs.store.watching import Event

GROWN_S = 60.0
"""Choice [s]: a log that grows is told of no more often."""


def watch_folder(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that a logger writes to.")],
    pack: Annotated[
        Path, typer.Option("--pack", metavar="PACK.toml", help="Pack file, or a pack id of the store.")
    ],
    profile: ProfileOption = None,
    store: StoreOption = None,
    modules: Annotated[
        str | None,
        typer.Option(
            "--modules", metavar="F1,F2", help="Only these modules were logged (the pack was split)."
        ),
    ] = None,
    every: Annotated[
        float, typer.Option("--every", min=0.2, metavar="SECONDS", help="Longest time between two looks.")
    ] = 2.0,
    once: Annotated[bool, typer.Option("--once", help="Bring in what is there, and end.")] = False,
) -> None:
    """Bring in the new and growing files of a folder as they come."""
    from bmslogs.faces.light import arrow_without_pandas
    from bmslogs.store.watching import Watch, watch

    arrow_without_pandas()
    if not folder.is_dir():
        raise BadInput("no such folder", "the folder that the logger writes to", file=folder)
    kept = open_store(store, new=True)
    names = split_names(modules)
    looks = Watch(kept, folder, find_pack(pack, kept), read_profile(profile), tuple(names) if names else None)
    teller = Teller()
    if once:
        for event in looks.look(last=True):
            teller.tell(event)
        looks.close()
        if teller.refused:
            raise typer.Exit(1 if teller.stored else 2)
        return
    tell(f"watching {folder}; Ctrl+C ends it")
    stop = threading.Event()
    try:
        watch(looks, teller.tell, stop, every)
    except KeyboardInterrupt:
        stop.set()


class Teller:
    """Prints what happens in the folder, a line each; of a log that grows, a line a minute."""

    def __init__(self) -> None:
        self.stored = self.refused = 0
        self._last: dict[str, float] = {}

    def tell(self, event: Event) -> None:
        """Print one event."""
        if event.log is None:
            self.refused += event.what == "refused"
            refuse(event.says, event.file)
            return
        self.stored += 1
        if event.what != "grown":
            say(imported_text(event.log))
        elif time.monotonic() - self._last.get(event.file, -GROWN_S) >= GROWN_S:
            self._last[event.file] = time.monotonic()
            name = Path(event.file).name
            say(f"{name}: log {event.log.id} goes on, {event.log.rows} rows to {event.log.end:%H:%M:%S} UTC")
