"""One file looked at and planned: the steps that `inspect` and `import` share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Pack
from bmslogs.importers.dialect import HEAD_BYTES, Dialect, sniff
from bmslogs.importers.order import Corrections, usual_rows_per_stamp
from bmslogs.importers.plan import Plan
from bmslogs.importers.profile import Profile
from bmslogs.importers.recognise import recognise
from bmslogs.importers.sample import Sample, take_sample
from bmslogs.importers.source import Source, open_source
from bmslogs.importers.stamps import MISSING


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


def look_at(
    path: str | Path, profile: Profile | None = None, pack: Pack | None = None, modules: tuple[str, ...] | None = None
) -> Job:
    """Look at a file and plan its import.

    Raises
    ------
    BadInput
        Not a log at all. What stands in the way of an import otherwise is in ``plan.problems``.
    """
    source = open_source(path)
    head = source.head(HEAD_BYTES)
    dialect = sniff(head, source.path, whole=len(head) < HEAD_BYTES)
    sample = take_sample(source, head, dialect)
    plan = recognise(sample, dialect, profile or Profile(), pack, source.path, modules)
    return Job(source, dialect, sample, plan, _clock_corrections(sample, plan), _never(sample, plan), _regular(sample, plan))


def _clock_corrections(sample: Sample, plan: Plan) -> Corrections:
    """Say whether rows share stamps, by the sample."""
    if plan.clock is None:
        return Corrections()
    time = sample_time(sample, plan)
    sizes, twins = [], 0
    for w in np.unique(sample.window):
        here = time[(sample.window == w) & (time != MISSING)]
        if len(here) > 3:
            sizes.append(usual_rows_per_stamp(here))
            twins += int((np.diff(here) == 0).sum())
    usual = int(np.median(sizes)) if sizes else 1
    return replace(Corrections(), coarse=twins > 0, rows_per_stamp=max(usual, 1))


def sample_time(sample: Sample, plan: Plan) -> npt.NDArray[np.int64]:
    """Return the local stamps of the sample's rows in microseconds."""
    import pyarrow as pa

    assert plan.clock is not None
    columns = []
    for i in plan.clock.columns:
        column = sample.columns[i]
        if plan.clock.kind == "number":
            columns.append(pa.array(column.values))
        else:
            columns.append(pa.chunked_array([pa.array([t or "" for t in column.texts], pa.string())]))
    return plan.clock.raw(columns)


def _never(sample: Sample, plan: Plan) -> npt.NDArray[np.bool_]:
    """Say which sensors read one value throughout the sample."""
    out = []
    for taken in plan.of("temperature"):
        values = sample.columns[taken.index].values
        values = values[np.isfinite(values)]
        out.append(len(values) == 0 or float(np.ptp(values)) == 0.0)
    return np.array(out, dtype=bool)


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
        if here.sum() < 20:
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


