"""`bmslogs logs`, `remove` and `verify`: the store, looked after."""

from __future__ import annotations

from typing import Annotated

import typer

from bmslogs.faces.commands.options import JsonOption, StoreOption, open_store
from bmslogs.faces.documents import logs_document
from bmslogs.faces.output import STDOUT, say, tell, write_json


def logs(
    pack_id: Annotated[
        str | None, typer.Option("--pack-id", metavar="ID", help="Only this pack's logs.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = None,
) -> None:
    """List the stored logs."""
    entries = open_store(store).logs(pack_id)
    if json is not None:
        write_json(json, logs_document(entries))
    if json == STDOUT:
        return
    if not entries:
        tell("no logs" + (f" of pack {pack_id}" if pack_id else ""))
        return
    wide = max(len(e.pack) for e in entries)
    for e in entries:
        say(
            f"{e.id}  {e.pack:<{wide}}  {e.start:%Y-%m-%d %H:%M} to {e.end:%Y-%m-%d %H:%M}"
            f"  {e.rows:>8} rows  {e.source}"
        )


def remove(
    log: Annotated[str, typer.Argument(metavar="LOG", help="Log id.")],
    store: StoreOption = None,
    by: Annotated[
        str, typer.Option("--by", metavar="NAME", help="Who does it; told to whoever comes next.")
    ] = "",
) -> None:
    """Put one log into the bin for thirty days, its answers gone; the logger's own file is not touched."""
    open_store(store).remove(log, by=by)
    say(f"{log}: removed; `bmslogs bring-back {log}` undoes it for 30 days")


def verify(store: StoreOption = None) -> None:
    """Verify that every stored log is whole and is what its name says."""
    kept = open_store(store)
    report = kept.check()
    for problem in report.problems:
        tell(str(problem))
    say(f"{report.logs} logs, {len(report.problems)} problems")
    if report.problems:
        raise typer.Exit(1)
