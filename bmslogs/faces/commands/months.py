"""`bmslogs history`: what a pack's quantities did over all its logs."""

from __future__ import annotations

from typing import Annotated

import typer

from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.options import JsonOption, StoreOption, open_store
from bmslogs.faces.output import STDOUT, say, write_json, write_table
from bmslogs.faces.progress import progress


def history(
    pack: Annotated[str, typer.Argument(metavar="PACK", help="Pack id of the store.")],
    quantity: Annotated[
        str | None,
        typer.Option("--quantity", metavar="Q", help="Only this one: its key, or a word of its title."),
    ] = None,
    store: StoreOption = None,
    json: JsonOption = None,
    csv: Annotated[
        str | None,
        typer.Option("--csv", metavar="FILE", help="Write slopes and points as a table for a spreadsheet."),
    ] = None,
) -> None:
    """Say what each cell's quantities did over the months, and where they go."""
    from bmslogs.faces.answers import log_answers
    from bmslogs.faces.history_text import history_csv, history_text
    from bmslogs.findings.history.building import history_of, weigh
    from bmslogs.findings.history.topics import TOPICS
    from bmslogs.fleet.gathering import gather

    kept = open_store(store)
    wanted = None if quantity is None else topic_of(quantity)
    entries = kept.logs(pack)
    if not entries:
        log_answers(kept, pack)  # names the packs that there are
    described = kept.pack(pack)
    with progress("history", len(entries)) as step:
        gathered = gather(kept, described, progress=step)
        if gathered.unanswered:
            from bmslogs.faces.answers import answer

            for log_id in gathered.unanswered:
                step(log_id)
                answer(kept, log_id)
            gathered = gather(kept, described)
    weighed = weigh(gathered)
    topics = [wanted] if wanted else [k for k in TOPICS if k in weighed.told()]
    if json != STDOUT and csv != STDOUT:
        say(history_text(weighed, topics))
    if json is not None:
        write_json(json, history_of(weighed, topics).to_json())
    if csv is not None:
        write_table(csv, history_csv(weighed, topics))


def topic_of(name: str) -> str:
    """Return the topic that a key, a quantity of the JSON or a word of a title means.

    Raises
    ------
    BadInput
        None or several are meant.
    """
    from bmslogs.findings.history.topics import TOPICS

    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    also = {"resistance_10s_relative": "resistance_10s", "capacity_relative": "capacity"}
    if also.get(key, key) in TOPICS:
        return also.get(key, key)
    word = key.replace("_", " ")
    fits = [t.key for t in TOPICS.values() if f"{t.title.lower()} ".replace(",", " ").startswith(f"{word} ")]
    fits = fits[:1] or [t.key for t in TOPICS.values() if word in t.title.lower()]
    if len(fits) == 1:
        return fits[0]
    raise BadInput(
        f"no quantity of a history is named {name!r}"
        if not fits
        else f"{name!r} fits {len(fits)} quantities",
        f"one of: {', '.join(fits or TOPICS)}",
    )
