"""Why two logs of one pack cannot be compared cell by cell: other cells, another order, other settings, other days."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
from scipy import stats

from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare.measured import Measured

Floats = npt.NDArray[np.float64]

MOST_TEMPERATURE_K = (
    15.0  # [K] between the logs; ratios of cells still hold, a joint's share does not (judgement)
)
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
LEAST_FOR_ORDER, LEAST_SPREAD = (
    8,
    0.03,
)  # cells, and their spread as a fraction, that an order shows in (judgement)
DRIFT_OF_CAPACITY = 1.0 / 200.0  # current zero beyond C/200 refuses


def refusal(
    quantity: str, before: Diagnosis, after: Diagnosis, first: Measured, second: Measured
) -> str | None:
    """Return why the two logs are not comparable in this quantity, None where they are."""
    if before.pack["cells"] != after.pack["cells"]:
        return f"the log before has {before.pack['cells']} cells, the log after {after.pack['cells']}"
    for when, m in (("before", first), ("after", second)):
        if not np.isfinite(m.value).any():
            return f"the log {when} does not tell: {m.refusal}"
    wrong = _sensed_wrong(before, after, first.pack.nominal_capacity_Ah)
    if wrong is not None:
        return wrong
    lag = _lag_change(before, after)
    if lag is not None:
        return (
            f"the voltages answer the current {lag:+.1f} s later than before: averaging or polling changed; a log with "
            "the settings of the first would settle it"
        )
    moved = _order_changed(before, after, first, second)
    if moved is not None:
        return moved
    if quantity == "resistance_10s":
        bled = _bled_under_load(before, after)
        if bled is not None:
            return bled
    changed = _setting_changed(before, after)
    if changed is not None or quantity != "resistance_10s":
        return changed
    return _conditions_apart(first, second)


def _sensed_wrong(before: Diagnosis, after: Diagnosis, capacity_Ah: float) -> str | None:
    """Return what is wrong with a log's wires or its current, None where nothing is."""
    for when, d in (("before", before), ("after", after)):
        swapped = [f for f in d.findings if f.cause == "taps_swapped"]
        if swapped:
            return f"sense wires are swapped in the log {when}: {swapped[0].says}"
        zero = next((e.value for e in d.of("current_zero") if e.value is not None), None)
        if zero is not None and abs(zero) > DRIFT_OF_CAPACITY * capacity_Ah:
            return f"the current reads {zero:.2f} A at rest in the log {when}, more than C/200"
    return None


def _bled_under_load(before: Diagnosis, after: Diagnosis) -> str | None:
    """Return which log was taken under load while cells were bled, None where neither was."""
    for when, d in (("before", before), ("after", after)):
        bled = _setting(d, "bled_under_load")
        if isinstance(bled, int | float) and bled > MOST_BLED_UNDER_LOAD:
            return (
                f"a cell was bled for {100 * bled:.0f} % of the time under load in the log {when}; a drive with "
                "bleeding off would settle it"
            )
    return None


def _setting_changed(before: Diagnosis, after: Diagnosis) -> str | None:
    """Return which setting of the logger changed, None where none did."""
    for key, what in (
        ("refresh_s", "rate of the cell readings"),
        ("voltage_step_V", "step of the cell readings"),
        ("averaging_s", "averaging of the readings"),
    ):
        a, b = _setting(before, key), _setting(after, key)
        if a is not None and b is not None and _unlike(a, b):
            return f"the {what} changed from {a} to {b}; a log with the settings of the first would settle it"
    return None


def _conditions_apart(first: Measured, second: Measured) -> str | None:
    """Return why resistances of two drives are not of the same conditions, None where they are."""
    apart = abs(middle_of(first.temperature) - middle_of(second.temperature))
    if apart > MOST_TEMPERATURE_K:
        return f"the logs lie {apart:.0f} K apart; a log within {MOST_TEMPERATURE_K:.0f} K of the first would settle it"
    shared = min(first.soc_high[0], second.soc_high[0]) - max(first.soc_low[0], second.soc_low[0])
    if shared <= 0:
        return (
            f"the log before lies at {100 * first.soc_low[0]:.0f} to {100 * first.soc_high[0]:.0f} % charge, the log "
            f"after at {100 * second.soc_low[0]:.0f} to {100 * second.soc_high[0]:.0f} %; a drive there would settle it"
        )
    return None


def names_unlike(before: Diagnosis, after: Diagnosis) -> tuple[str, ...]:
    """Return a note where the logger names its cells otherwise since, so that names do not tell the order."""
    was, now = (_names(d) for d in (before, after))
    if not was or not now or sorted(was) == sorted(now):
        return ()
    return (
        f"the logger calls its cells {now[0]!r} to {now[-1]!r} now and called them {was[0]!r} to {was[-1]!r} before: "
        "names do not tell that the order is the same; a touch test does",
    )


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


def _setting(d: Diagnosis, key: str) -> object:
    """Return a setting of the logger: given with the log, or as a condition of the estimates."""
    places: tuple[Mapping[str, object], ...] = (d.log.get("settings", {}), d.log)
    for given in places:
        if key in given:
            return given[key]
    return next((e.conditions[key] for e in d.estimates if key in e.conditions), None)


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


def middle_of(values: Floats) -> float:
    """Return the median of what is finite; NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
