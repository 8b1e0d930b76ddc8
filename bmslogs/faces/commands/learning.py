"""`bmslogs own-curve`: a pack's own open-circuit curve from a slow charge, kept with the pack."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bmslogs.base.errors import BadInput, NotEnoughData
from bmslogs.faces.commands.options import JsonOption, StoreOption, open_store, stored_log
from bmslogs.faces.output import STDOUT, say, write_json


def own_curve(
    log: Annotated[str, typer.Argument(metavar="LOG", help="Log id, as `bmslogs logs` lists it.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.csv", help="Write the table for a pack file's ocv_table."),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep it with the pack in the store: logs brought in later use it.")
    ] = False,
    store: StoreOption = None,
    json: JsonOption = None,
) -> None:
    """Learn a pack's own open-circuit curve from a slow charge between two rests."""
    kept = open_store(store)
    from bmslogs.analysis import own_curve as learning
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.analysis.study import Study
    from bmslogs.base.cautions import CAUTIONS
    from bmslogs.base.pack import dump_ocv_table
    from bmslogs.faces.documents import curve_document
    from bmslogs.log import read_log
    from bmslogs.store.files import write_atomic

    log_id = stored_log(kept, log)
    try:
        read = read_log(kept.log_path(log_id), extra=False)
        found = learning.own_curve(Knowledge(Study(read)))
    except NotEnoughData as reason:
        wanted = "a slow charge with a rest before and after it"
        raise BadInput(f"log {log_id} tells no curve: {reason}", wanted) from None
    if out is not None:
        write_atomic(out, dump_ocv_table(found.table, found.source))
    if keep:
        pack = kept.pack(read.pack.id)
        kept.save_pack(pack.model_copy(update={"ocv": found.table, "ocv_table": f"ocv-{log_id}.csv"}))
    if json != STDOUT:
        say(f"{read.pack.id}: {found.source}")
        say(f"it differs from the table that stood before by {found.moved_V * 1e3:.1f} mV (root mean square)")
        if out is not None:
            say(f'written to {out}; in the pack file: ocv_table = "{out.name}"')
        if keep:
            say("kept with the pack: logs brought in from now on use it")
        say(CAUTIONS[0])
    if json is not None:
        write_json(json, curve_document(log_id, read.pack.id, found))
