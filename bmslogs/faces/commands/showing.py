"""`bmslogs demo`, `serve`, `record` and `explain`: what is shown to people."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bmslogs.faces.commands.options import StoreOption, open_store
from bmslogs.faces.output import say, tell, write_text
from bmslogs.faces.progress import progress

DEMO_STORE = Path("bms_demo_store")
"""The demonstration keeps its invented logs apart from a workshop's own."""

HostOption = Annotated[str, typer.Option("--host", help="Address to listen at.")]
PortOption = Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to listen at.")]


def demo(
    store: Annotated[
        Path, typer.Option("--store", metavar="DIR", help="Folder for the demonstration's store.")
    ] = DEMO_STORE,
    host: HostOption = "127.0.0.1",
    port: PortOption = 8050,
    build_only: Annotated[
        bool, typer.Option("--build-only", help="Build and diagnose, serve nothing.")
    ] = False,
) -> None:
    """Build a store of invented sample logs, diagnose it and serve the dashboard on it."""
    from bmslogs.faces.demo import build

    kept = open_store(store, new=True)
    with progress("demo") as step:
        count = build(kept, step)
    tell(f"{count} invented logs in {store}, all diagnosed")
    if not build_only:
        serve(store, host, port)


def serve(store: StoreOption = None, host: HostOption = "127.0.0.1", port: PortOption = 8050) -> None:
    """Serve the dashboard."""
    kept = open_store(store)
    from bmslogs.faces.serving import serve as run

    run(kept, host, port)


def explain(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="A quantity or cause; without it, all are listed.")
    ] = None,
) -> None:
    """Say what a quantity or a cause means, how it is estimated and what limits it."""
    from bmslogs.faces import explain as pages

    if name is None:
        say(pages.listing())
    else:
        pages.show(pages.page(name))


def record(
    pack: Annotated[str, typer.Argument(metavar="PACK", help="Pack id of the store.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.html", help="File to write.")],
    store: StoreOption = None,
) -> None:
    """Write the hand-over or service record of a pack, to print and sign."""
    kept = open_store(store)
    write_text(out, f"{kept}{pack}")
