"""`bmslogs demo`, `serve`, `record` and `explain`: what is shown to people."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.options import JsonOption, StoreOption, open_store
from bmslogs.faces.output import STDOUT, say, tell, write_json, write_text
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


def serve(
    store: StoreOption = None,
    host: HostOption = "127.0.0.1",
    port: PortOption = 8050,
    zone: Annotated[
        str | None,
        typer.Option(
            "--zone", metavar="ZONE", help="Time zone of the workshop, such as Europe/Oslo; this machine's."
        ),
    ] = None,
) -> None:
    """Serve the dashboard; for other machines only with a password in BMSLOGS_PASSWORD."""
    from bmslogs.faces.serving import serve as run

    run(open_store(store, new=True).root, host, port, zone)


def explain(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="NAME", help="A quantity, cause, chapter or word; without it, all are listed."
        ),
    ] = None,
) -> None:
    """Say what a quantity, a cause or a word means; show a page of the handbook."""
    from bmslogs.faces import explain as pages

    if name is None:
        say(pages.listing())
    else:
        pages.show(pages.page(name))


def record(
    pack: Annotated[str, typer.Argument(metavar="PACK", help="Pack id of the store.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.html", help="File to write.")],
    store: StoreOption = None,
    json: JsonOption = None,
    baseline: Annotated[
        str | None,
        typer.Option(
            "--baseline",
            metavar="NAME",
            help="Compare with this baseline; where there is none of this name yet, this record makes it.",
        ),
    ] = None,
    insulation_ohm: Annotated[
        float | None,
        typer.Option("--insulation-ohm", min=0.0, metavar="OHM", help="Measured insulation resistance."),
    ] = None,
    instrument: Annotated[
        str | None, typer.Option("--instrument", metavar="TEXT", help="What it was measured with.")
    ] = None,
    note: Annotated[
        list[str] | None, typer.Option("--note", metavar="TEXT", help="A line to print; may be repeated.")
    ] = None,
) -> None:
    """Write the hand-over or service record of a pack, to print and sign."""
    if json == STDOUT and out == Path(STDOUT):
        raise BadInput("record and JSON both to standard output", "one of them in a file")
    kept = open_store(store)
    from bmslogs.faces.answers import pack_answer
    from bmslogs.faces.record import Typed, baselines, contents, keep_baseline, record_page
    from bmslogs.log import read_log

    typed = Typed(insulation_ohm, instrument, tuple(note or ()))
    with progress("record") as step:
        step("weighing the logs")
        diagnosis = pack_answer(kept, pack)
        known = {b.name: b for b in baselines(kept.root, pack)}
        against = known.get(baseline) if baseline else next(reversed(known.values()), None)
        made = contents(kept.pack(pack), diagnosis, typed=typed, baseline=against)
        step("drawing")
        logs = {str(log["id"]): read_log(kept.log_path(str(log["id"])), extra=False) for log in made.logs}
        page = record_page(made, logs)
    write_text(out, page)
    if json is not None:
        write_json(json, made.to_json())
    if baseline and against is None:
        keep_baseline(kept.root, made.as_baseline(baseline))
        tell(f"baseline {baseline!r} kept; later records of {pack} are compared with it")
    if json != STDOUT:
        say(f"{out}: {made.kind.lower()} of {pack}")
