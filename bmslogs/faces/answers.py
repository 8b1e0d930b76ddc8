"""Answers from the store: the stored one where the method is still the same, else a new one that is kept."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import BadInput
from bmslogs.base.results import Diagnosis

if TYPE_CHECKING:
    from bmslogs.store import Store

LOG_ID = re.compile(r"\d{8}-\d{4}-[0-9a-f]{12}")


def answer(store: Store, log_id: str) -> Diagnosis:
    """Return the diagnosis of one stored log; one that was made anew is kept in the store."""
    known = store.answer(log_id)
    if known is not None:
        return Diagnosis.from_json(known)
    from bmslogs.findings import diagnose
    from bmslogs.log import read_log

    made = diagnose(read_log(store.log_path(log_id), extra=False))
    store.save_answer(made.to_json(), log_id)
    return made


def log_answers(store: Store, pack_id: str) -> list[Diagnosis]:
    """Return the diagnoses of all logs of one pack, oldest first.

    Raises
    ------
    BadInput
        The store holds no log of this pack.
    """
    entries = store.logs(pack_id)
    if not entries:
        known = sorted({e.pack for e in store.logs()})
        raise BadInput(
            f"no log of pack {pack_id!r} in the store", f"one of: {', '.join(known) or 'none stored yet'}"
        )
    return [answer(store, e.id) for e in sorted(entries, key=lambda e: e.start)]


def pack_answer(store: Store, pack_id: str) -> Diagnosis:
    """Return the diagnosis that weighs all logs of one pack."""
    from bmslogs.findings import diagnose_pack

    return diagnose_pack(log_answers(store, pack_id), store.pack(pack_id))


def find_log(store: Store, name: str) -> str | None:
    """Return the id of a stored log named by its id, or by enough of its beginning; None where there is none.

    Raises
    ------
    BadInput
        The beginning fits several logs.
    """
    if Path(name).name != name or not re.fullmatch(r"\d{8}[0-9a-f-]*", name):
        return None
    fits = [e.id for e in store.logs() if e.id.startswith(name)]
    if name in fits or len(fits) == 1:
        return name if name in fits else fits[0]
    if fits:
        raise BadInput(f"{name!r} fits {len(fits)} logs", f"one of: {', '.join(fits)}")
    return None
