"""One pack before and after work on it, paired by cell."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import stats

from bmslogs.analysis.statistics import outliers, robust_scale
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Event, Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.measured import Measured, cells_of, measured, started, touches
from bmslogs.findings.compare.shape import CellValue, Change, Compared, Comparison, PackValue

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

PAIRED = {"resistance_10s": 0.05, "capacity_relative": 0.03}
"""Quantities paired by cell and the least change that may be a finding (judgement: common practice, no source)."""
LEAST_UNTOUCHED = 5  # cells that nobody touched, for centre and scatter
TOUCHED_ALPHA = 0.01  # level for cells that the pack file says were worked on, over all of them
MOST_TEMPERATURE_K = 15.0  # [K] between the logs; ratios of cells still hold, a joint's share does not (judgement)
LEAST_SCATTER = 0.003  # of a ratio of two resistances of one cell, 1 sd (judgement)
MOST_LAG_CHANGE_S = 0.5  # [s] of the current against the voltages: more means other averaging (judgement)
OTHER_ORDERS: dict[str, Callable[[Floats], Floats]] = {
    "in reversed order": np.flip,
    "one place on": lambda x: np.roll(x, 1),
    "one place back": lambda x: np.roll(x, -1),
}
MOST_BLED_UNDER_LOAD = 0.10  # share of the readings under load in which a cell was bled (judgement)
LEAST_ALIKE, SURELY_ALIKE = 0.5, 0.9
"""Rank correlation of the cells' values in both logs: below the first the order may have changed, above the second
another order explains them (judgement)."""
LEAST_FOR_ORDER, LEAST_SPREAD = 8, 0.03  # cells, and their spread as a fraction, that an order shows in (judgement)
DRIFT_OF_CAPACITY = 1.0 / 200.0  # current zero beyond C/200 refuses


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
    unnamed = _names_unlike(before, after)
    between = [e for e in pack.events if started(before).date() <= e.date <= started(after).date()]
    bare = pack.model_copy(update={"events": ()})  # the log before the work is wanted here
    compared, changes = [], []
    for quantity, least in PAIRED.items():
        first, second = (measured(quantity, [d], bare) for d in (before, after))
        if not first.columns and not second.columns:
            continue
        why = _refusal(quantity, before, after, first, second)
        shown = tuple(_pack_value(m) for m in (first, second))
        compared.append(Compared(quantity, why is None, shown, _reference(first, second), why))
        if why is None:
            own = _own_half_widths(quantity, before, after, bare)
            changes += _changes(quantity, least, first, second, own, between, pack)
    return Comparison(
        tuple(compared),
        changes=tuple(changes),
        events=tuple(f"{e.date.isoformat()} {e.kind}" + (f" ({e.where})" if e.where else "") for e in between),
        notes=(*unnamed, *_notes(between, pack)),
    )


def _names_unlike(before: Diagnosis, after: Diagnosis) -> tuple[str, ...]:
    """Return a note where the logger names its cells otherwise since, so that names do not tell the order."""
    was, now = (_names(d) for d in (before, after))
    if not was or not now or sorted(was) == sorted(now):
        return ()
    return (
        f"the logger calls its cells {now[0]!r} to {now[-1]!r} now and called them {was[0]!r} to {was[-1]!r} before: "
        "names do not tell that the order is the same; a touch test does",
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
    placed = [e for e in between if e.where is not None]
    touched = _among(cells, {c for e in placed if touches(e, quantity) for c in cells_of(e, pack)})
    new = _among(cells, {c for e in placed if e.kind == "module swapped" for c in cells_of(e, pack)})
    anywhere = any(e.where is None and e.kind == "module swapped" for e in between)
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


def _refusal(
    quantity: str, before: Diagnosis, after: Diagnosis, first: Measured, second: Measured
) -> str | None:
    """Return why the two logs are not comparable in this quantity, None where they are."""
    if before.pack["cells"] != after.pack["cells"]:
        return f"the log before has {before.pack['cells']} cells, the log after {after.pack['cells']}"
    for when, m in (("before", first), ("after", second)):
        if not np.isfinite(m.value).any():
            return f"the log {when} does not tell: {m.refusal}"
    for when, d in (("before", before), ("after", after)):
        swapped = [f for f in d.findings if f.cause == "taps_swapped"]
        if swapped:
            return f"sense wires are swapped in the log {when}: {swapped[0].says}"
        zero = next((e.value for e in d.of("current_zero") if e.value is not None), None)
        if zero is not None and abs(zero) > DRIFT_OF_CAPACITY * first.pack.nominal_capacity_Ah:
            return f"the current reads {zero:.2f} A at rest in the log {when}, more than C/200"
    lag = _lag_change(before, after)
    if lag is not None:
        return (
            f"the voltages answer the current {lag:+.1f} s later than before: averaging or polling changed; a log with "
            "the settings of the first would settle it"
        )
    moved = _order_changed(before, after, first, second)
    if moved is not None:
        return moved
    for when, d in (("before", before), ("after", after)):
        bled = _setting(d, "bled_under_load")
        if quantity == "resistance_10s" and isinstance(bled, int | float) and bled > MOST_BLED_UNDER_LOAD:
            return (
                f"a cell was bled for {100 * bled:.0f} % of the time under load in the log {when}; a drive with "
                "bleeding off would settle it"
            )
    for key, what in (
        ("refresh_s", "rate of the cell readings"),
        ("voltage_step_V", "step of the cell readings"),
        ("averaging_s", "averaging of the readings"),
    ):
        a, b = _setting(before, key), _setting(after, key)
        if a is not None and b is not None and _unlike(a, b):
            return f"the {what} changed from {a} to {b}; a log with the settings of the first would settle it"
    apart = abs(_median(first.temperature) - _median(second.temperature))
    if quantity == "resistance_10s" and apart > MOST_TEMPERATURE_K:
        return (
            f"the logs lie {apart:.0f} K apart; a log within {MOST_TEMPERATURE_K:.0f} K of the first would settle it"
        )
    shared = min(first.soc_high[0], second.soc_high[0]) - max(first.soc_low[0], second.soc_low[0])
    if quantity == "resistance_10s" and shared <= 0:
        return (
            f"the log before lies at {100 * first.soc_low[0]:.0f} to {100 * first.soc_high[0]:.0f} % charge, the log "
            f"after at {100 * second.soc_low[0]:.0f} to {100 * second.soc_high[0]:.0f} %; a drive there would settle it"
        )
    return None


def _setting(d: Diagnosis, key: str) -> object:
    """Return a setting of the logger: given with the log, or as a condition of the estimates."""
    for given in (d.log.get("settings", {}), d.log):
        if key in given:
            return given[key]
    return next((e.conditions[key] for e in d.estimates if key in e.conditions), None)


def _order_changed(before: Diagnosis, after: Diagnosis, first: Measured, second: Measured) -> str | None:
    """Return what says that the cells are not in the same order in both logs; None where nothing does."""
    settle = "; map the columns of both logs alike (a logger profile), or prove each tap by a touch test"
    was, now = (_names(d) for d in (before, after))
    if was != now and sorted(was) == sorted(now):
        cell = next(i for i, (a, b) in enumerate(zip(was, now)) if a != b)
        return (
            f"the order of the cells changed: {was[cell]!r} of the logger was cell {cell + 1} before and is cell "
            f"{now.index(was[cell]) + 1} after{settle}"
        )
    for how, moved in OTHER_ORDERS.items():
        straight, turned = (_alike(first, second, put) for put in (np.asarray, moved))
        if straight < LEAST_ALIKE and turned > SURELY_ALIKE:
            return f"the cells of the log before are found {how} in the log after{settle}"
    return None


def _alike(first: Measured, second: Measured, moved: Callable[[Floats], Floats]) -> float:
    """Return the correlation over cells of the logarithms of both logs' values, those of the first moved."""
    if first.columns != second.columns or len(first.columns) < LEAST_FOR_ORDER:
        return 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        a, b = np.log(moved(first.value[0])), np.log(second.value[0])
    known = np.isfinite(a) & np.isfinite(b)
    if known.sum() < LEAST_FOR_ORDER or min(np.ptp(a[known]), np.ptp(b[known])) < LEAST_SPREAD:
        return 0.0
    return float(stats.spearmanr(a[known], b[known]).statistic)


def _names(d: Diagnosis) -> list[str]:
    """Return what the logger called the cells, in their order; nothing where the log does not say."""
    given = _setting(d, "cell_columns")
    return [str(name) for name in given] if isinstance(given, list) else []


def _lag_change(before: Diagnosis, after: Diagnosis) -> float | None:
    """Return by how much the lag between current and voltages changed [s], where that is sure; None else.

    Averaging of the voltages alone looks like a lag.
    """
    a, b = (next((e for e in d.of("current_lag") if e.value is not None), None) for d in (before, after))
    if a is None or b is None or a.value is None or b.value is None:
        return None
    unsure = sum((e.high - e.low) / 2 for e in (a, b) if e.high is not None and e.low is not None)
    change = a.value - b.value  # the lag of the current falls as the voltages come later
    return change if abs(change) > MOST_LAG_CHANGE_S + unsure else None


def _unlike(a: object, b: object) -> bool:
    if isinstance(a, int | float) and isinstance(b, int | float) and a > 0 and b > 0:
        return max(a / b, b / a) > 2.0
    return a != b


def _reference(first: Measured, second: Measured) -> dict[str, float]:
    with np.errstate(all="ignore"):
        out = {
            "temperature_before_C": _median(first.temperature),
            "temperature_after_C": _median(second.temperature),
            "soc_low": float(np.fmax(first.soc_low[0], second.soc_low[0])),
            "soc_high": float(np.fmin(first.soc_high[0], second.soc_high[0])),
        }
    return {k: v for k, v in out.items() if np.isfinite(v)}


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _pack_value(m: Measured) -> PackValue:
    value, half = m.value[0], m.half_width[0]
    cells = tuple(
        CellValue(c, *((float(v), float(v - h), float(v + h)) if np.isfinite(v) else (None, None, None)))
        for c, v, h in zip(m.columns, value, half)
        if isinstance(c, int)
    )
    middle, wide = _median(value), _median(half)
    if not np.isfinite(middle):
        return PackValue(m.pack.id, None, None, None, 1, cells)
    return PackValue(m.pack.id, middle, middle - wide, middle + wide, 1, cells)


def _notes(between: list[Event], pack: Pack) -> list[str]:
    out = []
    for event in between:
        if event.where is None and event.kind != "other":
            out.append(
                f"the pack file does not say where the {event.kind.split()[0]} of {event.date.isoformat()} was "
                f"{event.kind.split(maxsplit=1)[1]}; the cells' own change has to tell"
            )
        elif event.kind == "module swapped":
            cells = ", ".join(str(c) for c in cells_of(event, pack))
            out.append(f"cells {cells} are new since {event.date.isoformat()}: they took no part in centre and scatter")
    return out

