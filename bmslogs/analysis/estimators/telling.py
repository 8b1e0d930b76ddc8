"""From what a question found to estimates: a value with its interval, a bound, or the reason why not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bmslogs.analysis.estimators.declaring import QUANTITIES

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate

    Floats = npt.NDArray[np.float64]

UNTRUSTED = "the reading of this cell is not to be believed (see the sensing findings)"
MEND_LOOM = "Mend the sense loom, prove every tap with a meter, then log again."
"""What would settle a reading that is not to be believed."""
SHOWN_SHARE = 0.5
"""A value that surely differs from "like the others" is told in full where its half width is at most this share of the
difference, and as a bound beyond (choice)."""


def each_cell(
    k: Knowledge,
    quantity: str,
    value: Floats,
    half: Floats,
    conditions: dict[str, Any],
    most: float | Floats,
    why: str,
    alike: float | None = None,
    warmth: Floats | None = None,
) -> list[Estimate]:
    """Return one estimate a cell; refused where the half width is above `most`, a number or (cells,).

    A cell that surely is not as the others (the answer `alike`) is told however wide its interval is: as a bound where
    the width is large against the difference. `warmth` is each cell's own temperature [degC], where conditions want it.
    """
    import numpy as np

    from bmslogs.base.results import Estimate, refused

    common = conditions
    unit = QUANTITIES[quantity].unit
    out = []
    limit = np.broadcast_to(most, np.shape(value))
    away = np.zeros(len(value)) if alike is None else np.abs(np.nan_to_num(value - alike))
    among = _widest_of(int(k.study.harness.trusted.sum()))
    for i, cell in enumerate(k.study.readings.cells):
        if warmth is not None:
            conditions = common | {"temperature_C": float(warmth[i]) if np.isfinite(warmth[i]) else None}
        wide = bool(half[i] > limit[i]) and bool(half[i] > SHOWN_SHARE * away[i])
        if not k.study.harness.trusted[i] or (QUANTITIES[quantity].of_charge and k.place.shifted[i]):
            out.append(refused(quantity, unit, UNTRUSTED, MEND_LOOM, cell=cell))
        elif np.isfinite(half[i]) and wide and among * half[i] < away[i]:
            low, high = float(value[i] - half[i]), float(value[i] + half[i])
            below = alike is not None and high < alike
            out.append(
                Estimate(
                    quantity,
                    unit,
                    cell=cell,
                    low=None if below else low,
                    high=high if below else None,
                    status="bounded",
                    conditions=conditions,
                    why=why,
                    settle_by=QUANTITIES[quantity].settle_by,
                )
            )
        elif not (np.isfinite(value[i]) and np.isfinite(half[i])) or wide:
            out.append(refused(quantity, unit, why, QUANTITIES[quantity].settle_by, cell=cell))
        else:
            out.append(
                Estimate(
                    quantity,
                    unit,
                    cell=cell,
                    value=float(value[i]),
                    low=float(value[i] - half[i]),
                    high=float(value[i] + half[i]),
                    conditions=conditions,
                )
            )
    return out


def _widest_of(cells: int) -> float:
    """Return the half width that holds the widest of so many normal errors in 95 of 100 logs, in 95 % half widths.

    One cell of many is told apart although its interval is wide only where chance among all of them is excluded
    (Bonferroni's inequality).
    """
    from scipy.special import ndtri

    return float(ndtri(1.0 - 0.025 / max(cells, 1)) / ndtri(0.975))


def all_refused(k: Knowledge, quantity: str, why: str) -> list[Estimate]:
    """Return refusals of a quantity, one a cell, one a sensor or one, all with the same reason."""
    from bmslogs.base.results import refused

    unit = QUANTITIES[quantity].unit
    if QUANTITIES[quantity].per == "pack":
        return [refused(quantity, unit, why, QUANTITIES[quantity].settle_by)]
    if QUANTITIES[quantity].per == "sensor":
        return [
            refused(quantity, unit, why, QUANTITIES[quantity].settle_by, sensor=name) for name in sensors(k)
        ]
    return [
        refused(
            quantity,
            unit,
            why if ok else UNTRUSTED,
            QUANTITIES[quantity].settle_by if ok else MEND_LOOM,
            cell=cell,
        )
        for cell, ok in zip(k.study.readings.cells, k.study.harness.trusted, strict=True)
    ]


def sensors(k: Knowledge) -> list[str]:
    """Return the names of the temperature sensors that the log has."""
    return [
        k.study.readings.pack.sensor_name(j + 1) for j in range(k.study.readings.log.temperature.shape[1])
    ]


def whole(quantity: str, value: float, half: float, conditions: dict[str, Any]) -> list[Estimate]:
    """Return the one estimate of a quantity of the pack, `half` the half width of its interval."""
    from bmslogs.base.results import Estimate

    return [
        Estimate(
            quantity,
            QUANTITIES[quantity].unit,
            value=value,
            low=value - half,
            high=value + half,
            conditions=conditions,
        )
    ]
