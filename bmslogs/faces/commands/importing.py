"""`bmslogs inspect` and `bmslogs import`: from a logger's file to the store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.faces.commands.options import (
    JsonOption,
    PackOption,
    ProfileOption,
    SignalsOption,
    StoreOption,
    find_pack,
    open_store,
)
from bmslogs.faces.output import STDOUT, put, refuse, say, tell, write_json
from bmslogs.faces.progress import progress

if TYPE_CHECKING:
    from bmslogs.importers import Inspection
    from bmslogs.importers.plan.profile import Profile
    from bmslogs.store import Imported, ImportReport


def inspect_log(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A logger's file.")],
    pack: PackOption = None,
    profile: ProfileOption = None,
    store: StoreOption = None,
    signals: SignalsOption = None,
) -> None:
    """Say what each column was taken for and why; print the profile."""
    from bmslogs.importers import inspect_file

    kept = open_store(store, new=True)
    known = find_pack(pack, kept) if pack is not None else None
    if signals is None and known is not None:
        signals = kept.signals_of(known)
    inspection = inspect_file(file, pack=known, profile=read_profile(profile), signals=signals)
    put(inspection_text(inspection))


def inspection_text(inspection: Inspection) -> str:
    """Return the columns as comments, then the profile, so that the whole output is a profile file."""
    lines = []
    for column in inspection.columns:
        values = ", ".join(str(v) for v in column.values)
        lines.append(
            f"# {column.name!r}: {column.taken_for} - {column.why}" + (f" [{values}]" if values else "")
        )
    if inspection.signals:
        lines += [f"# {note}" for note in inspection.signals]
    return "\n".join([*lines, "", inspection.profile_toml().rstrip()])


def import_logs(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Loggers' files; each is one log.")],
    pack: Annotated[
        Path, typer.Option("--pack", metavar="PACK.toml", help="Pack file, or a pack id of the store.")
    ],
    profile: ProfileOption = None,
    store: StoreOption = None,
    json: JsonOption = None,
    together: Annotated[bool, typer.Option("--together", help="The files are parts of one log.")] = False,
    modules: Annotated[
        str | None,
        typer.Option(
            "--modules", metavar="F1,F2", help="Only these modules were logged (the pack was split)."
        ),
    ] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Refuse a log that would need any repair.")
    ] = False,
    signals: SignalsOption = None,
) -> None:
    """Normalise loggers' files into the store."""
    from bmslogs.faces.light import arrow_without_pandas

    arrow_without_pandas()
    kept = open_store(store, new=True)
    with progress("import", len(files)) as step:
        report = kept.import_files(
            files,
            find_pack(pack, kept),
            read_profile(profile),
            together=together,
            modules=split_names(modules),
            strict=strict,
            progress=step,
            signals=signals,
        )
    if json != STDOUT:
        for log in report.logs:
            say(imported_text(log))
    if json is not None:
        write_json(json, report.to_json())
    for one in report.refused:
        refuse(one.reason, one.file)
    if report.refused:
        raise typer.Exit(1 if report.logs else 2)


def read_profile(path: Path | None) -> Profile | None:
    """Return the logger profile of a file, None where none is given."""
    if path is None:
        return None
    from bmslogs.importers.plan.profile import load_profile

    return load_profile(path)


def split_names(text: str | None) -> list[str] | None:
    """Return the names of a list with commas."""
    return [name.strip() for name in text.split(",") if name.strip()] if text is not None else None


def imported_text(log: Imported) -> str:
    """Return what was imported: file, id, rows, span, whether new, repairs."""
    span = f"{log.start:%Y-%m-%d %H:%M} to {log.end:%Y-%m-%d %H:%M} UTC"
    state = "new" if log.status == "new" else "already known"
    repairs = [f"  mended: {repair}" for repair in log.repairs]
    repairs += [f"  note: {note}" for note in log.notes]
    repairs += [f"  replaces: log {old}" for old in log.replaces]
    return "\n".join([f"{Path(log.file).name}: log {log.id}, {log.rows} rows, {span}, {state}", *repairs])


def announce(report: ImportReport) -> None:
    """Say on standard error what a log file became, where another command imported it."""
    for log in report.logs:
        if log.status == "new":
            tell(imported_text(log))
