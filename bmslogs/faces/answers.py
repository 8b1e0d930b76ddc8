"""Answers from the store: the stored one where the method is still the same, else a new one that is kept."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import BadInput
from bmslogs.base.results import Diagnosis, Finding, by_urgency

if TYPE_CHECKING:
    from bmslogs.store import Store


def answer(store: Store, log_id: str) -> Diagnosis:
    """Return the diagnosis of one stored log; one that was made anew is kept in the store."""
    known = store.answer(log_id)
    if known is not None:
        return Diagnosis.from_json(known)
    from bmslogs.findings import diagnose
    from bmslogs.log import read_log
    from bmslogs.store.order import log_version

    while True:
        entry = store.entry(log_id)
        seen = log_version(entry)
        made = diagnose(read_log(entry.path, extra=False))
        if log_version(store.entry(log_id)) == seen:  # else the pack was described anew meanwhile
            document = made.to_json()
            store.save_answer(document, log_id)
            return Diagnosis.from_json(document)  # the digits that everybody else is shown


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


def shown_by(finding: Finding, diagnoses: Iterable[Diagnosis]) -> tuple[Diagnosis, int] | None:
    """Return the newest of `diagnoses` with a finding of the same cause, cells and sensor, and its number there.

    A resistance that several logs told to be the cell's or the joint's was "cell or joint" in each of them: where no
    log has the very cause, one with the same cells and the same question will do.

    Returns
    -------
    The diagnosis and the finding's place in order of urgency, counted from 1; None where no log shows it.
    """
    newest = sorted(diagnoses, key=lambda d: str(d.log["start"]), reverse=True)
    for alike in (_same, _akin):
        for one in newest:
            for number, other in enumerate(by_urgency(one.findings), 1):
                if alike(finding, other):
                    return one, number
    return None


def _same(a: Finding, b: Finding) -> bool:
    return (a.cause, a.cells, a.sensor) == (b.cause, b.cells, b.sensor)


def _akin(a: Finding, b: Finding) -> bool:
    return a.cells == b.cells and a.cause.endswith("resistance_high") and b.cause.endswith("resistance_high")


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
