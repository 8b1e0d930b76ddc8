"""One file looked at and planned: the steps that `inspect` and `import` share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.reading.order import Corrections, usual_rows_per_stamp
from bmslogs.importers.reading.whole_rows import find_spread
from bmslogs.importers.recognise.columns import recognise
from bmslogs.importers.recognise.sign_sample import stamps_of
from bmslogs.importers.recordings.registry import as_table
from bmslogs.importers.text.dialect import HEAD_BYTES, Dialect, sniff
from bmslogs.importers.text.sample import Sample, take_sample
from bmslogs.importers.text.source import Source, open_source
from bmslogs.importers.text.stamps import MISSING

HEADS = 4
"""Choice: so many beginnings of files are kept with their dialect: a file that grows keeps its own at every look."""
MOST_REVERSED = 300 << 20
"""Bytes: a file with the newest row first is held in memory as a whole, so it may not be larger."""


@dataclass(frozen=True)
class Job:
    """A file, its plan, and what its sample says of clock and sensors."""

    source: Source
    dialect: Dialect
    sample: Sample
    plan: Plan
    corrections: Corrections
    never: npt.NDArray[np.bool_]
    regular: bool
    refresh: dict[str, float]


def look_at(
    path: str | Path,
    profile: Profile | None = None,
    pack: Pack | None = None,
    modules: tuple[str, ...] | None = None,
    source: Source | None = None,
) -> Job:
    """Look at a file and plan its import; `source` is its text where the file itself is none.

    Raises
    ------
    BadInput
        Not a log at all. What stands in the way of an import otherwise is in ``plan.problems``.
    """
    profile = profile or Profile()
    sheet = profile.file.sheet if profile.file is not None else None
    source = as_table(source or open_source(path), sheet, lambda s: _no_log(s, profile, pack, modules))
    try:
        job = _look(source, profile, pack, modules)
    except BadInput as error:
        raise source.told(error) from None
    if source.table is None:
        return job
    problems = tuple(source.told(p) for p in job.plan.problems)
    taken = source.table.origin.sheet if source.table.sheets > 1 else ""
    notes = (*job.plan.notes, *source.table.notes)
    return replace(job, plan=replace(job.plan, problems=problems, sheet=taken, notes=notes))


def _no_log(
    source: Source, profile: Profile, pack: Pack | None, modules: tuple[str, ...] | None
) -> str | None:
    """Return why a table is no log, None where it has a time and cells or a current."""
    try:
        plan = _look(source, profile, pack, modules).plan
    except Ambiguous:
        return None
    except BadInput as error:
        return error.found
    if plan.clock is None:
        return "no column of times"
    if plan.cells or plan.of("current", "charge current", "discharge current"):
        return None
    return "neither cells nor a current"


@lru_cache(maxsize=HEADS)
def _sniffed(head: bytes, file: Path, whole: bool, known: str | None) -> Dialect:
    return sniff(head, file, whole, known)


def _look(source: Source, profile: Profile, pack: Pack | None, modules: tuple[str, ...] | None) -> Job:
    head = source.head(HEAD_BYTES)
    whole = len(head) < HEAD_BYTES
    dialect = (sniff if whole else _sniffed)(head, source.path, whole, source.delimiter)
    sample = take_sample(source, head, dialect)
    dialect = replace(dialect, nulls=sample.nulls)
    plan = recognise(sample, dialect, profile, pack, source.path, modules)
    if _newest_first(sample, plan):
        if source.held_size > MOST_REVERSED:
            refusal = BadInput(
                "rows run back in time", "the oldest row first in a file of this size", file=source.path
            )
            plan = replace(plan, problems=(*plan.problems, refusal))
        plan = replace(plan, newest_first=True)
    if plan.long is not None:
        sensors = np.zeros(len(plan.of("temperature")), dtype=bool)
        return Job(source, dialect, sample, plan, Corrections(), sensors, False, {})
    spread = _spread(sample, plan)
    if spread > 1:
        plan = replace(plan, spread=spread)
        sensors = _never(sample, plan)
        return Job(source, dialect, sample, plan, Corrections(), sensors, False, {})
    refresh = find_refresh(sample, plan)
    slow = [t for t in plan.of("cell") if t.target in refresh]
    if slow:
        seconds = sorted(refresh[t.target] for t in slow)
        says = f"{len(slow)} cells are refreshed every {seconds[len(seconds) // 2]:g} s only, slower than the rows come"
        plan = replace(plan, notes=(*plan.notes, says))
    return Job(
        source,
        dialect,
        sample,
        plan,
        _clock_corrections(sample, plan),
        _never(sample, plan),
        _regular(sample, plan) or len(slow) > 0.5 * len(plan.cells),
        refresh,
    )


def _clock_corrections(sample: Sample, plan: Plan) -> Corrections:
    """Say whether rows share stamps, by the sample."""
    if plan.clock is None:
        return Corrections()
    time = sample_time(sample, plan)
    sizes, twins = [], 0
    for w in np.unique(sample.window):
        here = time[(sample.window == w) & (time != MISSING)]
        if len(here) > 3:
            usual_here = usual_rows_per_stamp(here)
            sizes += [usual_here] if usual_here else []
            twins += int((np.diff(here) == 0).sum())
    usual = int(np.median(sizes)) if sizes else 1
    return replace(Corrections(), coarse=twins > 0, rows_per_stamp=max(usual, 1))


def sample_time(sample: Sample, plan: Plan) -> npt.NDArray[np.int64]:
    """Return the local stamps of the sample's rows in microseconds."""
    assert plan.clock is not None
    return stamps_of(sample, plan.clock)


def _newest_first(sample: Sample, plan: Plan) -> bool:
    """Whether nearly all stamps step back."""
    if plan.clock is None or sample.rows < 3:
        return False
    time = sample_time(sample, plan)
    steps = np.diff(time[time != MISSING])
    moved = steps[steps != 0]
    return len(moved) > 1 and float(np.mean(moved < 0)) > 0.9


def _spread(sample: Sample, plan: Plan) -> int:
    """Return over how many rows each scan is spread."""
    cells = plan.of("cell")
    if not cells:
        return 1
    here = sample.window == sample.window[0]
    return find_spread(np.array([sample.columns[t.index].values[here] for t in cells]))


def _never(sample: Sample, plan: Plan) -> npt.NDArray[np.bool_]:
    """Say which sensors read one value throughout the sample."""
    out = []
    for taken in plan.of("temperature"):
        values = sample.columns[taken.index].values
        values = values[np.isfinite(values)]
        out.append(len(values) == 0 or float(np.ptp(values)) == 0.0)
    return np.array(out, dtype=bool)


def find_refresh(sample: Sample, plan: Plan) -> dict[str, float]:
    """Return the time between fresh readings [s] of the channels that are refreshed slower than the rows come.

    Only where the current moves, and only where the steps of the staircase are alike.
    """
    if plan.clock is None or not plan.of("cell"):
        return {}
    time = sample_time(sample, plan)
    channels = (*plan.of("cell"), *plan.of("pack voltage"), *plan.of("current"))
    block = np.array([sample.columns[t.index].values for t in channels])
    gaps: list[list[int]] = [[] for _ in channels]
    periods: list[float] = []
    for w in np.unique(sample.window):
        here = np.flatnonzero((sample.window == w) & (time != MISSING))
        if len(here) < 30:
            continue
        fresh = (np.diff(block[:, here]) != 0) & _busy(sample, plan, here)[1:]
        if fresh.mean() > 0.6:
            continue
        periods.append(float(time[here[-1]] - time[here[0]]) * 1e-6 / (len(here) - 1))
        for k, row in enumerate(fresh):
            gaps[k] += np.diff(np.flatnonzero(row)).tolist()
    out: dict[str, float] = {}
    for taken, steps in zip(channels, gaps):
        if len(steps) < 10:
            continue
        usual = float(np.median(steps))
        shares = np.array(steps) / usual
        # whole steps of the staircase may be missed where a reading happens to repeat
        alike = np.mean(np.abs(shares - np.rint(shares)) < 0.26)
        if usual >= 2 and alike > 0.8 and np.mean(np.array(steps) < usual - 0.5) < 0.1:
            out[taken.target] = round(usual * float(np.median(periods)), 3)
    return out


def _busy(sample: Sample, plan: Plan, here: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Return rows around which the current, or else the cells, move."""
    current = plan.of("current")
    columns = [sample.columns[t.index].values[here] for t in (current or plan.of("cell")[:8])]
    moved = np.zeros(len(here), dtype=float)
    for values in columns:
        moved[1:] += np.nan_to_num(np.diff(values)) != 0
    return np.asarray(np.convolve(moved, np.ones(21) / 21, "same") > 0.15, dtype=bool)


def _regular(sample: Sample, plan: Plan) -> bool:
    """Whether rows repeat the last frame so often that the logger just refreshes slowly."""
    cells = plan.of("cell")
    if not cells:
        return False
    block = np.array([sample.columns[t.index].values for t in cells])
    current = plan.of("current")
    amps = sample.columns[current[0].index].values if current else None
    held = moving = 0
    for w in np.unique(sample.window):
        here = sample.window == w
        if here.sum() < 30:
            continue
        piece = block[:, here]
        same = np.zeros(piece.shape[1], dtype=bool)
        same[1:] = (piece[:, 1:] == piece[:, :-1]).all(axis=0)
        if amps is not None:
            away = np.abs(np.diff(amps[here], prepend=np.nan)) > 0
            busy = np.convolve(np.nan_to_num(away).astype(float), np.ones(21) / 21, "same") > 0.15
        else:
            busy = np.convolve((~same).astype(float), np.ones(21) / 21, "same") > 0.15
        held += int((same & busy).sum())
        moving += int(busy.sum())
    return moving > 0 and held > 0.3 * moving
