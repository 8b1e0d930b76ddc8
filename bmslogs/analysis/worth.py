"""What a pack delivers as it is, and what balancing and replacing its weakest module would win, with intervals.

Each is a least value over the string, so errors of single cells do not average out: the least of many uncertain
values reads too low. The interval comes from drawing the string again and again about its estimates; how far the
draws lie from the estimate on average is taken off it, and stays inside the interval: estimates that were held
towards each other need it less than free ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.analysis.regression import Z95

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DRAWS, SEED = 1000, 20
FLOOR = 0.002
"""No interval is narrower than this share of the capacity, to either side (choice)."""


@dataclass(frozen=True)
class Worth:
    """Value with its 95 % interval [Ah]."""

    value: float
    low: float
    high: float


def string_worth(
    soc: Floats, capacity_Ah: Floats, covariance: Floats, common: Floats, module: Ints
) -> dict[str, Worth]:
    """Return usable charge, gain by balancing and gain by replacing.

    Parameters
    ----------
    soc, capacity_Ah
        (cells,) state of charge (0..1) and capacity [Ah].
    covariance
        (cells, 2, 2) covariance of the two per cell, independent between cells [1, Ah].
    common
        (3,) standard deviations of what all cells share: state of charge, and capacity and gain of the current
        sensor as fractions.
    module
        (cells,) number of the module of each cell; what is replaced is the module of the least cell, its cells then
        at the string's median.
    """
    rng = np.random.default_rng(SEED)
    root = np.linalg.cholesky(covariance + np.diag([1e-18, 1e-12]))
    step = np.einsum("cij,dcj->dci", root, rng.standard_normal((DRAWS, len(soc), 2)))
    all_cells = rng.standard_normal((DRAWS, 2)) * common[:2]
    z = soc + step[:, :, 0] + all_cells[:, :1]
    q = (capacity_Ah + step[:, :, 1]) * (1.0 + all_cells[:, 1:])
    found = _amounts(z, q, module)
    point = _amounts(soc[None], capacity_Ah[None], module)
    floor = FLOOR * float(np.median(capacity_Ah))
    out = {}
    for key, drawn in found.items():
        estimate = float(point[key][0])
        middle = float(drawn.mean())
        value = max(2.0 * estimate - middle, 0.0)
        half = float(np.sqrt(Z95**2 * (float(drawn.std()) ** 2 + (common[2] * value) ** 2) + floor**2))
        out[key] = Worth(value, max(min(value, middle) - half, 0.0), max(value + half, middle + 0.5 * half))
    return out


def _amounts(soc: Floats, capacity: Floats, module: Ints) -> dict[str, Floats]:
    """Return (draws,) amounts [Ah] of (draws, cells) strings; as `pack_charge`, for many strings at once."""
    z = np.clip(soc, -0.05, 1.05)
    usable = (capacity * z).min(axis=1) + (capacity * (1.0 - z)).min(axis=1)
    least = capacity.min(axis=1)
    middle = np.median(capacity, axis=1, keepdims=True)
    swapped = module[None, :] == module[capacity.argmin(axis=1)][:, None]
    renewed = np.where(swapped, np.maximum(capacity, middle), capacity).min(axis=1)
    return {
        "usable_charge": usable,
        "gain_by_balancing": least - usable,
        "gain_by_replacing": renewed - least,
    }
