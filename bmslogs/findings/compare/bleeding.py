"""How much charge each pack bleeds in a week of its life: packs side by side.

In the long run a cell is bled by as much as it leaks less than the leakiest one, so a pack whose weekly figure
stands out, or a cell that is never bled while all others are, asks for a look at its leaks.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import jackknife_se, t_factor
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.measured import started
from bmslogs.findings.compare.shape import BleedDifference, Bleeding, BleedRate, CellValue

Floats = npt.NDArray[np.float64]

LEAST_LOGS = 4  # with bleed flags; fewer do not tell how one week differs from the next (judgement)
LEAST_DAYS = 13.0  # two weeks, a day short (judgement)
WEEK_S = 7 * 86400.0
RESISTOR = 0.05  # half width of a bleed resistor where the estimate gives none (common practice, no source)
REMEDY = "Log every trip and charge with the bleed flags of all cells over two weeks or more."


def compare_bleeding(
    diagnoses_by_pack: Mapping[str, Sequence[Diagnosis]], packs: Mapping[str, Pack]
) -> Bleeding | None:
    """Return the commanded bleeding of each pack per week, and which packs differ; None where no log speaks of it.

    A log stands for the time from its beginning to that of the next one, the last for the mean of these; what was
    bled while the logger slept is in no log and therefore not in the figure.
    """
    if not any(d.of("bleed_done") for logs in diagnoses_by_pack.values() for d in logs):
        return None
    rates = {name: bleed_rate(packs[name], logs) for name, logs in diagnoses_by_pack.items()}
    known = {name: r for name, r in rates.items() if r.median is not None}
    missing = [f"{name}: {r.why_not}" for name, r in rates.items() if r.why_not]
    if len(rates) == 1 and known:
        missing = [f"{next(iter(rates))} alone; a second pack is needed"]
    return Bleeding(
        len(known) >= 2,
        tuple(rates.values()),
        tuple(_difference(a, b) for a, b in combinations(known.values(), 2)),
        why_not="; ".join(missing) or None,
    )


def bleed_rate(pack: Pack, logs: Sequence[Diagnosis]) -> BleedRate:
    """Return one pack's commanded bleeding per week, each cell's and their median, or why it cannot be had.

    The interval is that of leaving out one log at a time (Student's t), and the resistor's tolerance, which is the
    same in every log, in squares.
    """
    told = sorted((d for d in logs if any(e.status == "determined" for e in d.of("bleed_done"))), key=started)
    if not told:
        reason = (
            next((e.why for d in logs for e in d.of("bleed_done") if e.why), None)
            or "no log tells its bleeding"
        )
        return _refused(pack, 0, f"{reason.rstrip('.')}. {REMEDY}")
    starts = [started(d) for d in told]
    days = (starts[-1] - starts[0]) / dt.timedelta(days=1)
    if len(told) < LEAST_LOGS or days < LEAST_DAYS:
        count = f"{len(told)} log{'s' if len(told) != 1 else ''} with bleed flags over {days:.0f} days"
        return _refused(pack, len(told), f"{count}; {LEAST_LOGS} over two weeks are needed. {REMEDY}")
    cells = sorted(
        {e.cell for d in told for e in d.of("bleed_done") if e.cell is not None and e.value is not None}
    )
    done, tolerance = _done(told, cells)
    weeks = _weeks(starts)
    value = done.sum(axis=0) / weeks.sum()
    without = (done.sum(axis=0) - done) / (weeks.sum() - weeks)[:, None]
    t = t_factor(len(told))
    half = np.hypot(t * jackknife_se(without), tolerance * value)
    median = float(np.median(value))
    middles = np.median(without, axis=1)
    own = float(np.hypot(t * jackknife_se(middles[:, None])[0], float(np.median(tolerance)) * median))
    hours = [h for d in told if (h := _hours(d)) is not None]
    return BleedRate(
        pack.id, median, max(median - own, 0.0), median + own, len(told), float(weeks.sum()),
        float(np.sum(hours)) / float(weeks.sum()) if len(hours) == len(told) else None,
        tuple(
            CellValue(c, float(v), float(max(v - h, 0.0)), float(v + h))
            for c, v, h in zip(cells, value, half, strict=True)
        ),
    )  # fmt: skip


def _done(told: Sequence[Diagnosis], cells: Sequence[int]) -> tuple[Floats, Floats]:
    """Return (logs, cells) commanded charge [Ah] and (cells,) half width of the resistor as a fraction."""
    place = {c: i for i, c in enumerate(cells)}
    done = np.zeros((len(told), len(cells)))
    tolerance = np.full(len(cells), RESISTOR)
    for row, d in enumerate(told):
        for e in d.of("bleed_done"):
            if e.cell is None or e.value is None:
                continue
            done[row, place[e.cell]] = e.value
            if e.value > 0 and e.low is not None and e.high is not None:
                tolerance[place[e.cell]] = (e.high - e.low) / 2 / e.value
    return done, tolerance


def _weeks(starts: Sequence[dt.datetime]) -> Floats:
    """Return the time that each log stands for [weeks]."""
    apart = np.array([(b - a).total_seconds() for a, b in pairwise(starts)]) / WEEK_S
    return np.append(apart, apart.mean())


def _hours(d: Diagnosis) -> float | None:
    """Return the powered time of a log [h], which its duty estimates give as a condition."""
    for e in d.of("bleed_duty"):
        hours = e.conditions.get("hours")
        if isinstance(hours, int | float):
            return float(hours)
    return None


def _refused(pack: Pack, logs: int, why: str) -> BleedRate:
    return BleedRate(pack.id, None, None, None, logs, None, None, why_not=why)


def _difference(a: BleedRate, b: BleedRate) -> BleedDifference:
    """Return a - b with the root of both half widths in squares."""
    assert a.median is not None and a.high is not None and b.median is not None and b.high is not None
    half = float(np.hypot(a.high - a.median, b.high - b.median))
    apart = a.median - b.median
    return BleedDifference(a.pack, b.pack, apart, apart - half, apart + half)
