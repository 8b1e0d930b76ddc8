"""`bmslogs bin`, `bring-back`, `move`, `note`, `describe`, `rename-vehicle`, `remove-pack`: order in the store."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.options import StoreOption, open_store, stored_log
from bmslogs.faces.output import say, tell

if TYPE_CHECKING:
    from bmslogs.store import Store
    from bmslogs.store.order import Remark

ByOption = Annotated[
    str, typer.Option("--by", metavar="NAME", help="Who does it; told to whoever comes next.")
]
LogArgument = Annotated[str, typer.Argument(metavar="LOG", help="Log id, or enough of its beginning.")]


def bin_list(store: StoreOption = None) -> None:
    """List the removed logs and packs, and until when each can be brought back."""
    from bmslogs.store.order import empty_bin, in_bin, packs_in_bin

    kept = open_store(store)
    empty_bin(kept)
    items = in_bin(kept)
    for item in items:
        until = item.until()
        ends = f"until {until:%Y-%m-%d}" if until else "day of removal unknown: kept"
        say(f"{item.log}  {item.pack}  {item.source}  removed by {item.by or 'somebody'}, {ends}")
    packs = packs_in_bin(kept)
    for pack, removed, by in packs:
        say(f"{pack.id}  pack of {pack.vehicle}  removed by {by or 'somebody'} on {removed[:10]}")
    if not items and not packs:
        tell("nothing in the bin")


def bring_back(
    name: Annotated[
        str, typer.Argument(metavar="LOG", help="Log id as `bmslogs bin` lists it, or a pack id.")
    ],
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Bring a removed log, or a removed pack, back from the bin."""
    from bmslogs.store import order

    kept = open_store(store)
    if name in {p.id for p, _, _ in order.packs_in_bin(kept)}:
        say(f"{order.bring_back_pack(kept, name, by=by).id}: brought back")
        return
    fits = [item.log for item in order.in_bin(kept) if item.log.startswith(name)]
    if len(fits) != 1:
        found = f"{name!r} fits {len(fits)} logs of the bin"
        raise BadInput(found, f"one of: {', '.join(fits)}" if fits else "an id from `bmslogs bin`")
    entry = order.bring_back(kept, fits[0], by=by)
    say(f"{entry.id}: brought back to pack {entry.pack}")


def move(
    log: LogArgument,
    pack_id: Annotated[str, typer.Argument(metavar="PACK", help="Id of the pack that was logged in truth.")],
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Move a log to another pack of as many cells, with its notes; it is diagnosed anew there."""
    from bmslogs.store.order import move_log

    kept = open_store(store)
    old = stored_log(kept, log)
    entry = move_log(kept, old, pack_id, by=by)
    say(f"{old}: moved to {entry.vehicle} ({entry.pack}), as {entry.id}")


def note(
    where: Annotated[
        str, typer.Argument(metavar="LOG|PACK", help="Log id, or pack id for a note on a cell.")
    ],
    text: Annotated[
        str | None, typer.Argument(metavar="TEXT", help="Without it, the notes are listed.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="Moment in the log, UTC, such as 2026-05-13T09:12."),
    ] = None,
    cell: Annotated[
        int | None, typer.Option("--cell", min=1, metavar="N", help="The cell that it is about.")
    ] = None,
    take_out: Annotated[
        str | None,
        typer.Option("--take-out", metavar="NOTE", help="Take a note out, by the id that the list shows."),
    ] = None,
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Note something on a log, on a moment in it or on a cell; list the notes."""
    from bmslogs.store import order

    kept = open_store(store)
    pack, log = _subject(kept, where)
    if take_out is not None:
        order.take_out(kept, pack, log, take_out, by=by)
        say(f"{take_out}: taken out")
        return
    if text is None:
        for one in order.remarks(kept, pack, log):
            say(_line(one))
        return
    made = order.add_remark(kept, pack, text, log=log, at=_moment(at), cell=cell or 0, by=by)
    say(f"{made.id}: noted on {log or pack}")


def _subject(store: Store, where: str) -> tuple[str, str]:
    """Return pack and log that a name means; no log where it is a pack."""
    if where in {p.id for p in store.packs()}:
        return where, ""
    log = stored_log(store, where)
    return store.entry(log).pack, log


def _line(one: Remark) -> str:
    parts = [one.id, one.when[:10]]
    parts += [one.by] if one.by else []
    parts += [f"at {one.at[:19]} UTC"] if one.at else []
    parts += [f"cell {one.cell}"] if one.cell else []
    return "  ".join([*parts, " ".join(one.text.split())])


def _moment(text: str | None) -> dt.datetime | None:
    if text is None:
        return None
    try:
        when = dt.datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError:
        raise BadInput(repr(text), "a time such as 2026-05-13T09:12", column="--at") from None
    return when.replace(tzinfo=dt.UTC) if when.tzinfo is None else when


def describe(
    pack_file: Annotated[Path, typer.Argument(metavar="PACK.toml", help="Pack file.")],
    since: Annotated[
        str | None,
        typer.Option("--since", metavar="DATE", help="Give it to the logs from this day on (UTC), too."),
    ] = None,
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Keep a pack file in the store; --since gives it to the logs from a day on, too."""
    from bmslogs.base.pack import load_pack
    from bmslogs.store.order import describe_pack

    pack = load_pack(pack_file)
    try:
        day = dt.date.fromisoformat(since) if since is not None else None
    except ValueError:
        raise BadInput(repr(since), "a date such as 2026-05-13", column="--since") from None
    given = describe_pack(open_store(store, new=True), pack, since=day, by=by)
    say(f"{pack.id}: kept" + (f", given to {len(given)} logs" if day is not None else ""))


def rename_vehicle(
    vehicle: Annotated[str, typer.Argument(metavar="VEHICLE", help="As it is called now.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="As it is to be called.")],
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Give a vehicle another name, in its packs and all its logs."""
    from bmslogs.store.order import rename_vehicle as rename

    count = rename(open_store(store), vehicle, name, by=by)
    say(f"{vehicle}: now {name.strip()}, {count} log{'s' if count != 1 else ''}")


def remove_pack(
    pack_id: Annotated[str, typer.Argument(metavar="PACK", help="Pack id.")],
    store: StoreOption = None,
    by: ByOption = "",
) -> None:
    """Put the description of a pack that has no logs into the bin."""
    from bmslogs.store.order import remove_pack as put_into_bin

    pack = put_into_bin(open_store(store), pack_id, by=by)
    say(f"{pack.id}: removed; `bmslogs bring-back {pack.id}` undoes it")
