"""One pack before and after work on it, paired by cell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

from bmslogs.analysis.statistics import outliers, robust_scale
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Event, Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.like_logs import middle_of, names_unlike, refusal
from bmslogs.findings.compare.measured import Measured, cells_of, measured, started, touches
from bmslogs.findings.compare.shape import CellValue, Change, Compared, Comparison, PackValue

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

PAIRED = {"resistance_10s": 0.05, "capacity_relative": 0.03}
"""Quantities paired by cell and the least change that may be a finding (judgement: common practice, no source)."""
LEAST_UNTOUCHED = 5  # cells that nobody touched, for centre and scatter
TOUCHED_ALPHA = 0.01  # level for cells that the pack file says were worked on, over all of them
LEAST_SCATTER = 0.003  # of a ratio of two resistances of one cell, 1 sd (judgement)


def compare_before_after(before: Diagnosis, after: Diagnosis, pack: Pack) -> Comparison:
    """Compare one pack before and after work, cell by cell.

    The logarithm of after over before, centred by the median of the cells that nobody touched: temperature,
    current gain and common ageing go out. A cell changed where the outlier test says so, or, where the pack file's
    events name it, where it leaves the scatter of the untouched ones; and by more than a practical size.

    Parameters
    ----------
    before, after
        Diagnoses of two logs of the pack.
    pack
        With its dated events: work between the two logs says which cells are touched and which are new.

    Raises
    ------
    BadInput
        Logs of two packs, or in the wrong order.
    """
    if before.pack["id"] != after.pack["id"]:
        raise BadInput(
            f"logs of two packs, {before.pack['id']} and {after.pack['id']}", "two logs of one pack"
        )
    if started(before) >= started(after):
        raise BadInput(
            f"the log before began {before.log['start']}, the log after {after.log['start']}",
            "them the other way round",
        )
    unnamed = names_unlike(before, after)
    between = [e for e in pack.events if started(before).date() <= e.date <= started(after).date()]
    bare = pack.model_copy(update={"events": ()})  # the log before the work is wanted here
    compared, changes = [], []
    for quantity, least in PAIRED.items():
        first, second = (measured(quantity, [d], bare) for d in (before, after))
        if not first.columns and not second.columns:
            continue
        why = refusal(quantity, before, after, first, second)
        shown = tuple(_pack_value(m) for m in (first, second))
        compared.append(
            Compared(quantity, why is None, shown, reference=_reference(first, second), why_not=why)
        )
        if why is None:
            own = _own_half_widths(quantity, before, after, bare)
            changes += _changes(quantity, least, first, second, own, between, pack)
    return Comparison(
        tuple(compared),
        changes=tuple(changes),
        events=tuple(
            f"{e.date.isoformat()} {e.kind}" + (f" ({e.where})" if e.where else "") for e in between
        ),
        notes=(*unnamed, *_notes(between, pack)),
    )


def _own_half_widths(quantity: str, before: Diagnosis, after: Diagnosis, pack: Pack) -> dict[int, float]:
    """Return by cell the half width (fraction) of after over before that the logs' own intervals make.

    Of resistance that of the ratio to the pack median: what errs alike in all cells leaves a centred ratio.
    """
    relative = "resistance_10s_relative" if quantity == "resistance_10s" else quantity
    total: dict[int, float] = {}
    for d in (before, after):
        m = measured(relative, [d], pack)
        for cell, value, half in zip(m.columns, m.value[0], m.half_width[0]):
            if isinstance(cell, int) and np.isfinite(value) and value > 0:
                total[cell] = float(np.hypot(total.get(cell, 0.0), half / value))
    return total


def _changes(
    quantity: str,
    least: float,
    first: Measured,
    second: Measured,
    own_half: dict[int, float],
    between: list[Event],
    pack: Pack,
) -> list[Change]:
    cells = [c for c in first.columns if c in second.columns and isinstance(c, int)]
    a, b = ([m.columns.index(c) for c in cells] for m in (first, second))
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = np.log(second.value[0, b] / first.value[0, a])
    own = np.array([own_half.get(c, 0.0) for c in cells])
    # work whose place the pack file does not name may be anywhere: the cells themselves have to tell where
    placed = [e for e in between if _is_placed(e, pack)]
    touched = _among(cells, {c for e in placed if touches(e, quantity) for c in cells_of(e, pack)})
    new = _among(cells, {c for e in placed if e.kind == "module swapped" for c in cells_of(e, pack)})
    anywhere = any(e.kind == "module swapped" and not _is_placed(e, pack) for e in between)
    known = np.isfinite(raw)
    untouched = known & ~touched
    if untouched.sum() < LEAST_UNTOUCHED:
        untouched = known & ~new
    if not untouched.any():
        return []
    moved = raw - np.median(raw[untouched])
    scatter = robust_scale(moved[untouched], LEAST_SCATTER)
    most = 1 + max((len(m.cells) for m in pack.modules), default=3) if anywhere else 0
    n = int(untouched.sum())
    half = np.maximum(stats.t.ppf(0.975, max(n - 1, 1)) * scatter * np.sqrt(1 + 1 / n), own)
    found = _found(moved, untouched, touched & known, scatter, most)
    found = found & (np.abs(moved) >= least) & (np.abs(moved) > half)
    return [
        Change(
            cell, quantity, float(np.exp(moved[i])), float(np.exp(moved[i] - half[i])),
            float(np.exp(moved[i] + half[i])), bool(found[i]), float(np.exp(raw[i])), bool(new[i]),
        )
        for i, cell in enumerate(cells)
        if known[i]
    ]  # fmt: skip


def _is_placed(event: Event, pack: Pack) -> bool:
    """Whether the pack file says where the work was done, by a name that it has."""
    return event.where is not None and bool(cells_of(event, pack))


def _found(moved: Floats, untouched: Bools, touched: Bools, scatter: float, most: int) -> Bools:
    n = int(untouched.sum())
    usual = min(3, n // 4)
    found = outliers(
        np.where(untouched, moved, np.nan), floor=LEAST_SCATTER, most=max(usual, min(most, n // 2 - 1))
    )
    if touched.any() and untouched.sum() >= LEAST_UNTOUCHED:
        t = np.abs(moved) / (scatter * np.sqrt(1 + 1 / n))
        found = found | (touched & (t > stats.t.isf(TOUCHED_ALPHA / 2 / touched.sum(), n - 1)))
    return found


def _among(cells: list[int], wanted: set[int]) -> Bools:
    return np.array([c in wanted for c in cells], dtype=bool)


def _reference(first: Measured, second: Measured) -> dict[str, float]:
    with np.errstate(all="ignore"):
        out = {
            "temperature_before_C": middle_of(first.temperature),
            "temperature_after_C": middle_of(second.temperature),
            "soc_low": float(np.fmax(first.soc_low[0], second.soc_low[0])),
            "soc_high": float(np.fmin(first.soc_high[0], second.soc_high[0])),
        }
    return {k: v for k, v in out.items() if np.isfinite(v)}


def _pack_value(m: Measured) -> PackValue:
    value, half = m.value[0], m.half_width[0]
    cells = tuple(
        CellValue(c, *((float(v), float(v - h), float(v + h)) if np.isfinite(v) else (None, None, None)))
        for c, v, h in zip(m.columns, value, half)
        if isinstance(c, int)
    )
    middle, wide = middle_of(value), middle_of(half)
    if not np.isfinite(middle):
        return PackValue(m.pack.id, None, None, None, 1, cells)
    return PackValue(m.pack.id, middle, middle - wide, middle + wide, 1, cells)


def _notes(between: list[Event], pack: Pack) -> list[str]:
    out = []
    for event in between:
        if not _is_placed(event, pack) and event.kind != "other":
            out.append(
                f"the pack file does not say where the work of {event.date.isoformat()} ({event.kind}) was done; the "
                "cells' own change has to tell"
            )
        elif event.kind == "module swapped":
            cells = ", ".join(str(c) for c in cells_of(event, pack))
            out.append(
                f"cells {cells} are new since {event.date.isoformat()}: they took no part in centre and scatter"
            )
    return out
