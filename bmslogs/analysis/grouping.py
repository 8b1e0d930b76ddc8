"""Groups of like items: whether measurements tell them apart at all, and groups of level sums."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.optimize import Bounds, LinearConstraint, milp

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

HOMOGENEOUS_P = 0.05  # a lot whose spread is less sure than this is not sorted
Z95 = 1.959964


def told_apart(value: Floats, sd: Floats) -> bool:
    """Return whether values differ by more than their uncertainties: Cochran's homogeneity test at 5 %."""
    weight = 1.0 / np.maximum(sd, 1e-12) ** 2
    q = float(np.sum(weight * (value - np.average(value, weights=weight)) ** 2))
    return len(value) > 1 and bool(special.chdtrc(len(value) - 1, q) < HOMOGENEOUS_P)


def expected(value: Floats, sd: Floats) -> Floats:
    """Return the expected true values: measurements drawn towards the lot's mean by what they are unsure."""
    if len(value) < 2:  # one by itself has no lot to be drawn towards
        return value.copy()
    true = max(float(np.var(value, ddof=1)) - float(np.mean(sd**2)), 0.0)
    return np.asarray(value.mean() + (value - value.mean()) * true / (true + sd**2 + 1e-30))


def classes(value: Floats, sd: Floats) -> Ints:
    """Return a class number per value, rising: a new class begins where a value leaves the last one's interval.

    Within a class the measurements cannot tell which is larger, so nothing is sorted there.
    """
    order = np.argsort(value, kind="stable")
    out = np.zeros(len(value), dtype=np.intp)
    first = order[0]
    for i in order[1:]:
        new = value[i] - value[first] > Z95 * float(np.hypot(sd[i], sd[first]))
        out[i] = out[first] + (1 if new else 0)
        first = i if new else first
    return out


def level_groups(q: Floats, groups: int, time_limit: float, index: Ints | None = None) -> Ints:
    """Return (groups, size) members such that the smallest group sum is as large as can be.

    An integer program (scipy's milp); where it is stopped by the time limit its best plan is compared with dealing
    out in a serpentine, and the better one taken.
    """
    n = len(q)
    index = np.arange(n) if index is None else index
    size = n // groups
    if size == 1:
        return index.reshape(groups, 1)
    order = np.argsort(-q, kind="stable")
    serpentine = np.array(
        [order[k * groups : (k + 1) * groups][:: 1 if k % 2 == 0 else -1] for k in range(size)]
    ).T
    best = serpentine
    solved = _integer_groups(q, groups, size, time_limit)
    if solved is not None and q[solved].sum(axis=1).min() > q[best].sum(axis=1).min():
        best = solved
    return np.asarray(index[np.sort(best, axis=1)])


def _integer_groups(q: Floats, groups: int, size: int, time_limit: float) -> Ints | None:
    n = len(q)
    variables = n * groups + 1  # x[item, group], then the smallest sum
    cost = np.zeros(variables)
    cost[-1] = -1.0
    once = np.zeros((n, variables))
    full = np.zeros((groups, variables))
    least = np.zeros((groups, variables))
    for i in range(n):
        once[i, i * groups : (i + 1) * groups] = 1.0
        for g in range(groups):
            full[g, i * groups + g] = 1.0
            least[g, i * groups + g] = q[i]
    least[:, -1] = -1.0
    upper = np.ones(variables)
    upper[-1] = np.inf
    result = milp(
        cost,
        constraints=[
            LinearConstraint(once, 1.0, 1.0), LinearConstraint(full, size, size), LinearConstraint(least, 0.0, np.inf)
        ],
        integrality=np.append(np.ones(variables - 1), 0.0),
        bounds=Bounds(np.zeros(variables), upper),
        options={"time_limit": max(time_limit, 0.1), "mip_rel_gap": 1e-4},
    )  # fmt: skip
    if result.x is None:
        return None
    x = np.round(result.x[:-1]).reshape(n, groups)
    members = [np.flatnonzero(x[:, g] > 0.5) for g in range(groups)]
    return np.array(members) if all(len(m) == size for m in members) else None
