"""`bmslogs diagnose` and `bmslogs compare`: the questions put to the stored logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.importing import announce, read_profile
from bmslogs.faces.commands.options import (
    JsonOption,
    PackOption,
    ProfileOption,
    StoreOption,
    find_pack,
    open_store,
    stored_log,
)
from bmslogs.faces.output import STDOUT, say, write_json, write_table
from bmslogs.faces.progress import progress

if TYPE_CHECKING:
    from bmslogs.findings.compare import Comparison
    from bmslogs.store import Store


def diagnose_log(
    log: Annotated[str | None, typer.Argument(metavar="LOG", help="Log id, or a logger's file.")] = None,
    pack: PackOption = None,
    profile: ProfileOption = None,
    pack_id: Annotated[
        str | None, typer.Option("--pack-id", metavar="ID", help="Weigh all stored logs of this pack.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = None,
    csv: Annotated[
        str | None,
        typer.Option(
            "--csv", metavar="FILE", help="Write estimates and findings as a table for a spreadsheet."
        ),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Diagnose every log of the store that has no current diagnosis.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, metavar="N", help="With --all: processes at once.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="ADDRESS", help="With --all: run on this Dask cluster."),
    ] = None,
) -> None:
    """Say what is wrong with a pack, how surely, and what the log cannot tell."""
    if everything:
        if log is not None or pack_id is not None or csv is not None:
            raise BadInput("--all with a log, a pack or --csv", "--all by itself, with --store and --json")
        from bmslogs.faces.commands.many import diagnose_all

        diagnose_all(store, workers, scheduler, json)
        return
    if workers is not None or scheduler is not None:
        raise BadInput("--workers or --scheduler without --all", "them with --all")
    if (log is None) == (pack_id is None):
        raise BadInput(
            "no log and no pack" if log is None else "a log and a pack", "LOG or --pack-id ID, one of them"
        )
    from bmslogs.faces.answers import answer, pack_answer
    from bmslogs.faces.text import diagnosis_text

    if pack_id is not None:
        kept = open_store(store)
        with progress("diagnose") as step:
            step(pack_id)
            diagnosis = pack_answer(kept, pack_id)
    else:
        kept, log_id = _stored(str(log), pack, profile, store)
        with progress("diagnose") as step:
            step(log_id)
            diagnosis = answer(kept, log_id)
    if json != STDOUT and csv != STDOUT:
        say(diagnosis_text(diagnosis, kept.pack(str(diagnosis.pack["id"]))))
    if json is not None:
        write_json(json, diagnosis.to_json())
    if csv is not None:
        from bmslogs.faces.spreadsheet import diagnosis_csv

        write_table(csv, diagnosis_csv(diagnosis))


def _stored(log: str, pack: Path | None, profile: Path | None, store: Path | None) -> tuple[Store, str]:
    """Return the store and the id of `log`, imported first where it is a logger's file."""
    from bmslogs.faces.answers import find_log

    path = Path(log)
    if not path.exists():
        kept = open_store(store)
        known = find_log(kept, log)
        if known is None:
            raise BadInput(
                f"{log!r} is no file and no log of the store", "a logger's file or an id from `bmslogs logs`"
            )
        return kept, known
    if pack is None:
        raise BadInput("a logger's file without its pack", "--pack PACK.toml as well", file=path)
    kept = open_store(store, new=True)
    with progress("import", 1) as step:
        report = kept.import_files([path], find_pack(pack, kept), read_profile(profile), progress=step)
    announce(report)
    if report.refused:
        raise BadInput(report.refused[0].reason)
    if len(report.logs) != 1:
        ids = ", ".join(one.id for one in report.logs)
        raise BadInput(
            f"it holds {len(report.logs)} logs", f"one; they are stored now, diagnose each: {ids}", file=path
        )
    return kept, report.logs[0].id


def compare(
    packs: Annotated[
        list[str] | None, typer.Argument(metavar="PACK...", help="Pack ids of the store.")
    ] = None,
    before: Annotated[
        str | None, typer.Option("--before", metavar="LOG", help="Log before the repair.")
    ] = None,
    after: Annotated[str | None, typer.Option("--after", metavar="LOG", help="Log after the repair.")] = None,
    store: StoreOption = None,
    json: JsonOption = None,
    csv: Annotated[
        str | None,
        typer.Option("--csv", metavar="FILE", help="Write the comparison as a table for a spreadsheet."),
    ] = None,
) -> None:
    """Set packs side by side, or one pack before and after a repair."""
    if bool(packs) == (before is not None or after is not None):
        raise BadInput("what to compare is not clear", "PACK... or --before LOG --after LOG")
    if (before is None) != (after is None):
        raise BadInput("only one of --before and --after", "both")
    kept = open_store(store)
    made = _before_after(kept, str(before), str(after)) if before else _side_by_side(kept, packs or [])
    if json != STDOUT and csv != STDOUT:
        from bmslogs.faces.comparison_text import comparison_text

        say(comparison_text(made))
    if json is not None:
        write_json(json, made.to_json())
    if csv is not None:
        from bmslogs.faces.spreadsheet import comparison_csv

        write_table(csv, comparison_csv(made))


def _side_by_side(store: Store, packs: list[str]) -> Comparison:
    from bmslogs.faces.answers import log_answers
    from bmslogs.findings.compare import compare_packs

    with progress("diagnose", len(packs)) as step:
        answers = {}
        for pack in packs:
            step(pack)
            answers[pack] = log_answers(store, pack)
    return compare_packs(answers, {pack: store.pack(pack) for pack in answers})


def _before_after(store: Store, before: str, after: str) -> Comparison:
    from bmslogs.faces.answers import answer
    from bmslogs.findings.compare import compare_before_after

    made = []
    with progress("diagnose", 2) as step:
        for name in (before, after):
            step(name)
            made.append(answer(store, stored_log(store, name)))
    return compare_before_after(made[0], made[1], store.pack(str(made[0].pack["id"])))
