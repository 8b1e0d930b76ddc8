"""`bmslogs diagnose --all`: every log of a store that has no current diagnosis, in parallel."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from bmslogs.faces.commands.options import DEFAULT_STORE
from bmslogs.faces.output import STDOUT, refuse, say, write_json
from bmslogs.faces.progress import progress

if TYPE_CHECKING:
    from bmslogs.fleet import FleetRun, PackOverview

SOME_FAILED = 1
MOST_LINES = 40


def diagnose_all(store: Path | None, workers: int | None, scheduler: str | None, json: str | None) -> None:
    """Diagnose all logs of a store and print one line a pack.

    Raises
    ------
    typer.Exit
        Code 1 where some logs failed; each is named on standard error.
    """
    from bmslogs.fleet import diagnose_store, overview

    root = address(store or DEFAULT_STORE)
    with progress("diagnose") as step:
        run = diagnose_store(root, workers=workers, scheduler=scheduler, progress=step)
    if json != STDOUT:
        say(run_text(run, overview(root)))
    if json is not None:
        write_json(json, run.to_json())
    for outcome in run.of("failed"):
        refuse(f"{outcome.log}: {outcome.reason}")
    if run.of("failed"):
        raise typer.Exit(SOME_FAILED)


def address(store: Path) -> str:
    """Return a store's folder, or its address with the two slashes that a path takes away."""
    return re.sub(r"^([a-z][a-z0-9+.-]+):[/\\]+", r"\1://", str(store))


def run_text(run: FleetRun, packs: list[PackOverview]) -> str:
    """Return what was done, and one line a pack, the most urgent first."""
    done, known, failed = (len(run.of(s)) for s in ("done", "known", "failed"))
    lines = [f"{done} logs diagnosed in {run.seconds:.1f} s, {known} known already, {failed} failed"]
    for p in packs[:MOST_LINES]:
        found = ", ".join(f"{n} to {level}" if level != "note" else f"{n} noted" for n, level in (
            (p.act, "act"), (p.look, "look"), (p.note, "note")
        ) if n)  # fmt: skip
        lines.append(
            f"  {p.pack} ({p.vehicle}), {p.logs} logs, last {p.last:%Y-%m-%d}: {found or 'nothing found'}"
            + (f"; {p.worst}" if p.worst else "")
        )
    if len(packs) > MOST_LINES:
        lines.append(f"  ... and {len(packs) - MOST_LINES} packs more")
    return "\n".join(lines)
