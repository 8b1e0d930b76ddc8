"""Counters of charge and energy, and mode columns: what stands beside a current and tells its sign."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from bmslogs.importers.plan.beside import Beside, Counter, Mode
from bmslogs.importers.plan.plan import Taken
from bmslogs.importers.recognise.sign_words import directions_of
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.words import Header, plain

_UNIT = re.compile(r"(?<![^\W\d_])[mk]?(?:ahr?|whr?)(?![^\W\d_])")
"""Ah, mAh, Wh, kWh, with or without an r, as a word or unit of its own."""
MOST_TEXTS = 40
"""Choice: a column of more texts is no mode."""


def is_counter(head: Header, unit_text: str = "") -> bool:
    """Whether a header names an amount of charge or energy, not a flow of it."""
    if "counter" in head.means:
        return True
    return bool(_UNIT.search(plain(head.text)) or _UNIT.search(plain(unit_text)))


def find_beside(sample: Sample, headers: list[Header], taken: dict[int, Taken]) -> Beside:
    """Find the counters and the mode column among the columns that are kept as they are."""
    kept = [t for _, t in sorted(taken.items()) if t.role in ("extra", "soc")]
    return Beside(tuple(_counters(sample, headers, kept)), _mode(sample, headers, kept))


def _counters(sample: Sample, headers: list[Header], kept: list[Taken]) -> Iterable[Counter]:
    """Yield those that name a direction. A bare "charge" in Ah is an amount unless a discharge stands beside it."""
    able: list[tuple[Counter, bool]] = []
    for t in kept:
        head, column = headers[t.index], sample.columns[t.index]
        if column.style is None or not _moves(column):
            continue
        if t.role == "soc" or (
            "soc" in head.means and not head.means & {"cell", "limit", "summary", "other"}
        ):
            able.append((Counter(t.target, t.name, -1, level=True), True))
        elif not head.means & {"cell", "limit", "voltage", "temperature", "device"} and _unit_allows(head):
            direction, sure = _way(head, is_counter(head, column.unit_text))
            if direction:
                level = bool(head.means & {"left"} or set(head.tokens) & {"depth", "dod"})
                able.append((Counter(t.target, t.name, direction, level), sure))
    paired = {c.direction for c, _ in able if not c.level} >= {1, -1}
    for counter, sure in able:
        if sure or paired:
            yield counter


def _unit_allows(head: Header) -> bool:
    return head.unit is None or head.unit.kind in ("other", "fraction")


def _way(head: Header, counts: bool) -> tuple[int, bool]:
    """Return 1 for what grows on discharge, -1 for what grows on charge, 0 for neither; and whether that is sure."""
    words = set(head.tokens)
    if "depth" in words or "dod" in words:
        return 1, True
    if "left" in head.means:
        return (-1, True) if counts else (0, False)
    if "used" in head.means:
        return (1, True) if counts else (0, False)
    into, out = "charge" in head.means, "discharge" in head.means
    done = bool(words & {"charged", "discharged", "in", "out"}) or "done" in head.means
    if out and (not into or "out" in words or not _names_both(head)) and (counts or done):
        return 1, True
    if into and not out and (counts or done):
        return -1, done
    return 0, False


def _names_both(head: Header) -> bool:
    text = plain(head.text)
    return "charge" in text.replace("discharge", "") and "discharge" in text


def _moves(column: SampledColumn) -> bool:
    return bool(np.isfinite(column.values).sum() > 1)


def _mode(sample: Sample, headers: list[Header], kept: list[Taken]) -> Mode | None:
    """Return the column whose texts say charge and discharge; one of a mode or state before any other."""
    able: list[tuple[int, int, Mode]] = []
    for t in kept:
        head, column = headers[t.index], sample.columns[t.index]
        if t.role != "extra" or column.style is not None or column.filled < 0.5 * sample.rows:
            continue
        if head.means & {"contactor", "fault", "bleed", "limit", "device", "private", "owner"}:
            continue
        texts = [str(x) for x in column.array.drop_null().unique().to_pylist()]
        if not texts or len(texts) > MOST_TEXTS:
            continue
        found = directions_of(texts)
        if found:
            named = "mode" in head.means
            both = len(set(found.values()))
            able.append((2 * named + both, -t.index, Mode(t.target, t.name, tuple(sorted(found.items())))))
    return max(able, key=lambda a: a[:2])[2] if able else None
