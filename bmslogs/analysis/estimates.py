"""From a study to estimates: each quantity with its interval and conditions, or the reason why not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.analysis.settle import SETTLE
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.nan_statistics import nanmedian
from bmslogs.base.results import Estimate, refused

Floats = npt.NDArray[np.float64]

UNTRUSTED = "the reading of this cell is not to be believed (see the sensing findings)"
NO_CURRENT = "the log has no current: without it a voltage says nothing of resistance or charge"
WITH_CURRENT = "Log the pack current beside the cells."
MOST_RELATIVE = 0.05
"""Half width above which a relative resistance is not said (half the least size of practical weight; choice)."""
MOST_ABSOLUTE = 0.20
MOST_OFFSET = 0.0125
MOST_SURE_OFFSET = 0.02
MOST_CAPACITY = 0.022
"""Half widths above which an offset or a relative capacity is not said; an offset larger than its half width is told
all the same, since which way a cell is off is known (choice)."""
MOST_WORTH = {"usable_charge": 0.1, "gain_by_balancing": 0.05, "gain_by_replacing": 0.05}
"""Widths of intervals, as shares of the nominal capacity, above which the worth of a pack is not said (choice)."""
CHARGE = (
    "soc_offset",
    "capacity_relative",
    "capacity",
    "charge_to_full",
    "bleed_needed",
    "leak_current_relative",
)
"""Quantities that a shifted reading spoils."""


SHOWN_SHARE = 0.5
"""A value that surely differs from "like the others" is told in full where its half width is at most this share of the
difference, and as a bound beyond (choice)."""


def _cells(
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
        if not k.study.harness.trusted[i] or (quantity in CHARGE and k.shifted[i]):
            out.append(refused(quantity, unit, UNTRUSTED, SETTLE["loom"], cell=cell))
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
                    settle_by=SETTLE[quantity],
                )
            )
        elif not (np.isfinite(value[i]) and np.isfinite(half[i])) or wide:
            out.append(refused(quantity, unit, why, SETTLE[quantity], cell=cell))
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
    return float(ndtri(1.0 - 0.025 / max(cells, 1)) / ndtri(0.975))


def _all_refused(k: Knowledge, quantity: str, why: str) -> list[Estimate]:
    unit = QUANTITIES[quantity].unit
    if QUANTITIES[quantity].per == "pack":
        return [refused(quantity, unit, why, SETTLE[quantity])]
    if QUANTITIES[quantity].per == "sensor":
        return [refused(quantity, unit, why, SETTLE[quantity], sensor=name) for name in _sensors(k)]
    return [
        refused(
            quantity, unit, why if ok else UNTRUSTED, SETTLE[quantity] if ok else SETTLE["loom"], cell=cell
        )
        for cell, ok in zip(k.study.readings.cells, k.study.harness.trusted, strict=True)
    ]


def _sensors(k: Knowledge) -> list[str]:
    readings = k.study.readings
    return [readings.pack.sensor_name(j + 1) for j in range(readings.log.temperature.shape[1])]


def _pack(quantity: str, value: float, half: float, conditions: dict[str, Any]) -> list[Estimate]:
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


def resistance_10s(k: Knowledge) -> list[Estimate]:
    """Resistance of every cell 10 s into a load [ohm]."""
    found = k.resistance
    if isinstance(found, str):
        return _all_refused(k, "resistance_10s", found)
    return _cells(
        k,
        "resistance_10s",
        found.ohm,
        found.half_ohm,
        found.conditions,
        MOST_ABSOLUTE * found.middle,
        found.why,
        alike=found.middle,
        warmth=found.warmth,
    )


def resistance_10s_relative(k: Knowledge) -> list[Estimate]:
    """Resistance of every cell over the pack median."""
    found = k.resistance
    if isinstance(found, str):
        return _all_refused(k, "resistance_10s_relative", found)
    return _cells(
        k,
        "resistance_10s_relative",
        found.relative,
        found.half_relative,
        found.conditions | {"temperature_corrected": False},
        MOST_RELATIVE,
        found.why,
        alike=1.0,
        warmth=found.warmth,
    )


def soc_offset(k: Knowledge) -> list[Estimate]:
    """State of charge of every cell against the median, at the first row."""
    found = k.offset
    if isinstance(found, str):
        return _all_refused(k, "soc_offset", found)
    most = np.maximum(MOST_OFFSET, np.minimum(np.abs(found.value), MOST_SURE_OFFSET))
    return _cells(k, "soc_offset", found.value, found.half, found.conditions, most, found.why, alike=0.0)


def capacity_relative(k: Knowledge) -> list[Estimate]:
    """Capacity of every cell over the median."""
    found = k.capacity
    if isinstance(found, str):
        return _all_refused(k, "capacity_relative", found)
    return _cells(
        k,
        "capacity_relative",
        found.relative,
        found.half_relative,
        found.conditions,
        MOST_CAPACITY,
        found.why,
        alike=1.0,
    )


def capacity(k: Knowledge) -> list[Estimate]:
    """Capacity of every cell [Ah]."""
    found = k.capacity
    if isinstance(found, str):
        return _all_refused(k, "capacity", found)
    if not found.absolute_known:
        return _all_refused(k, "capacity", found.why_absolute)
    return _cells(
        k,
        "capacity",
        found.ampere_hours,
        found.half_ampere_hours,
        found.conditions,
        0.08 * k.study.readings.capacity,
        found.why,
        alike=float(nanmedian(found.ampere_hours)),
    )


def charge_to_full(k: Knowledge) -> list[Estimate]:
    """Charge that every cell lacks to its own full when the charge ended [Ah]."""
    found = k.top
    if isinstance(found, str):
        return _all_refused(k, "charge_to_full", found)
    return _cells(
        k,
        "charge_to_full",
        found.missing,
        found.half_missing,
        found.conditions,
        found.most,
        found.why,
        alike=float(nanmedian(found.missing)),
    )


def bleed_needed(k: Knowledge) -> list[Estimate]:
    """Charge to bleed from every cell so that all are full together [Ah]."""
    found = k.top
    if isinstance(found, str):
        return _all_refused(k, "bleed_needed", found)
    return _cells(
        k,
        "bleed_needed",
        found.needed,
        found.half_needed,
        found.conditions,
        found.most,
        found.why,
        alike=float(nanmedian(found.needed)),
    )


def balancing_time(k: Knowledge) -> list[Estimate]:
    """Time that the pack's resistors need [h]."""
    found = k.top
    if isinstance(found, str):
        return _all_refused(k, "balancing_time", found)
    resistor = k.study.readings.resistor
    if resistor is None:
        return _all_refused(k, "balancing_time", "the pack file gives no bleed_resistor_ohm")
    good = np.isfinite(found.needed) & (found.half_needed <= found.most)
    if not good.any():
        return _all_refused(k, "balancing_time", found.why)
    i = int(np.nanargmax(np.where(good, found.needed, np.nan)))
    amps = found.end_volts / resistor
    return _pack(
        "balancing_time",
        float(found.needed[i] / amps),
        float(found.half_needed[i] / amps),
        {
            "resistor_ohm": resistor,
            "duty": 1.0,
            "voltage_V": found.end_volts,
            "cell": k.study.readings.cells[i],
        },
    )


def bleed_done(k: Knowledge) -> list[Estimate]:
    """Charge that the commanded bleeding took, if it worked [Ah]."""
    s = k.study
    if s.readings.log.bleed is None:
        return _all_refused(k, "bleed_done", "the log has no bleed columns")
    if s.readings.resistor is None:
        return _all_refused(k, "bleed_done", "the pack file gives no bleed_resistor_ohm")
    total = np.zeros(len(s.readings.cells)) if s.counted.bled is None else s.counted.bled[-1]
    return [
        Estimate(
            "bleed_done",
            "Ah",
            cell=cell,
            value=float(v),
            low=0.95 * float(v),
            high=1.05 * float(v),
            conditions={"commanded": True, "resistor_ohm": s.readings.resistor},
        )
        for cell, v in zip(s.readings.cells, total, strict=True)
    ]


def bleed_duty(k: Knowledge) -> list[Estimate]:
    """Share of the powered time in which bleeding was commanded."""
    s = k.study
    if s.readings.log.bleed is None:
        return _all_refused(k, "bleed_duty", "the log has no bleed columns")
    step = np.diff(s.readings.seconds, append=s.readings.seconds[-1])
    step[np.diff(s.flow.section, append=s.flow.section[-1]) != 0] = 0.0
    on = step @ s.readings.log.bleed / max(step.sum(), 1e-9)
    return [
        Estimate(
            "bleed_duty",
            "fraction",
            cell=cell,
            value=float(v),
            low=float(v),
            high=float(v),
            conditions={"commanded": True, "hours": float(step.sum() / 3600.0)},
        )
        for cell, v in zip(s.readings.cells, on, strict=True)
    ]


BLED = "it was bled while parked: what it lost by itself does not show"


def leak_current_relative(k: Knowledge) -> list[Estimate]:
    """Current by which every cell empties faster than the middle one [A]."""
    found = k.leak
    if isinstance(found, str):
        return _all_refused(k, "leak_current_relative", found)
    out = _cells(
        k, "leak_current_relative", found.amps, found.half, found.conditions, found.most, found.why, alike=0.0
    )
    bled = k.study.harness.trusted & np.isnan(found.amps)
    return [replace(e, why=BLED) if bled[i] else e for i, e in enumerate(out)]


def heating(k: Knowledge) -> list[Estimate]:
    """Rise per ampere squared of every sensor less the median sensor's [K/A^2]."""
    s = k.study
    names = _sensors(k)
    unit = QUANTITIES["heating"].unit
    if not names:
        return []
    try:
        found = s.temperatures.heating
    except NotEnoughData as reason:
        return _all_refused(k, "heating", str(reason))
    middle = float(nanmedian(found.slope))
    out = []
    for j, name in enumerate(names):
        half = float(found.relative_half_width[j])
        if not s.temperatures.trusted[j]:
            why = "the reading of this sensor is not to be believed (see the sensing findings)"
            out.append(refused("heating", unit, why, SETTLE["loom"], sensor=name))
        elif (
            not np.isfinite(half)
            or middle <= 0
            or half > 0.5 * max(middle, abs(float(found.slope[j]) - middle))
        ):
            why = "the places did not warm enough to tell them apart"
            out.append(refused("heating", unit, why, SETTLE["heating"], sensor=name))
        else:
            value = float(found.slope[j]) - middle
            half = float(np.hypot(half, 0.02 * middle))
            out.append(
                Estimate(
                    "heating",
                    unit,
                    sensor=name,
                    value=value,
                    low=value - half,
                    high=value + half,
                    conditions={
                        "tau_s": found.tau_s,
                        "median_K_per_A2": middle,
                        "current_rms_A": k.current_rms,
                    },
                )
            )
    return out


def resistance_outside_taps(k: Knowledge) -> list[Estimate]:
    """Resistance that no tap sees [ohm]."""
    try:
        ohm, half, shift = k.study.chain.outside_taps
    except NotEnoughData as reason:
        return _all_refused(k, "resistance_outside_taps", str(reason))
    if half > max(0.5 * abs(ohm), 3e-4):
        return _all_refused(k, "resistance_outside_taps", "the pack voltage answers the current too faintly")
    return _pack(
        "resistance_outside_taps", ohm, half, {"current_rms_A": k.current_rms, "pack_reading_shift_V": shift}
    )


SUPPLY_A = 0.1
"""What a BMS and its relays draw from the pack through the sensor while nothing else does [A] (common practice, no
source)."""


def current_zero(k: Knowledge) -> list[Estimate]:
    """Reading of the current sensor when nothing flows [A]."""
    found = k.zero
    if isinstance(found, str):
        return _all_refused(k, "current_zero", found)
    value, half, rest_s = found
    standing = k.study.flow.standing
    unsettled = standing is None or standing.kind == "either"
    may_flow = value > half and unsettled
    # what is drawn at rest may be a load that stays on: then the sensor's zero lies anywhere between, and under it
    supply = SUPPLY_A if unsettled else 0.0
    return [
        Estimate(
            "current_zero",
            QUANTITIES["current_zero"].unit,
            value=value,
            low=min(-half if may_flow else np.inf, value - half - supply),
            high=value + half,
            conditions={"rest_min": rest_s / 60.0, "load_possible": may_flow},
        )
    ]


def current_lag(k: Knowledge) -> list[Estimate]:
    """Time by which the current is read later than the voltages [s]."""
    try:
        lag, half = k.study.chain.current_lag
    except NotEnoughData as reason:
        return _all_refused(k, "current_lag", str(reason))
    if half > 0.6 or abs(lag) > 1.9:
        return _all_refused(
            k, "current_lag", "the voltages answer the current too faintly to place it in time"
        )
    return _pack("current_lag", lag, half, {"refresh_s": k.study.refresh.period_s})


def usable_charge(k: Knowledge) -> list[Estimate]:
    """Charge between empty and full of the string as it is [Ah]."""
    return _worth(k, "usable_charge")


def gain_by_balancing(k: Knowledge) -> list[Estimate]:
    """Charge that balancing would win [Ah]."""
    return _worth(k, "gain_by_balancing")


def gain_by_replacing(k: Knowledge) -> list[Estimate]:
    """Charge that replacing the weakest module would win after balancing [Ah]."""
    if not k.study.readings.pack.modules:
        return _all_refused(k, "gain_by_replacing", "the pack file describes no modules")
    return _worth(k, "gain_by_replacing")


def _worth(k: Knowledge, quantity: str) -> list[Estimate]:
    found = k.worth
    if isinstance(found, str):
        return _all_refused(k, quantity, found)
    worth = found.values[quantity]
    conditions: dict[str, Any] = {"weakest_cell": found.weakest_cell}
    if quantity == "gain_by_replacing":
        conditions["module"] = found.module
    if worth.high - worth.low > MOST_WORTH[quantity] * k.study.readings.capacity:
        return _all_refused(k, quantity, "capacities or offsets are not known well enough")
    return [
        Estimate(
            quantity,
            QUANTITIES[quantity].unit,
            value=worth.value,
            low=worth.low,
            high=worth.high,
            conditions=conditions,
        )
    ]


ESTIMATORS: dict[str, Callable[[Knowledge], list[Estimate]]] = {
    f.__name__: f
    for f in (
        resistance_10s,
        resistance_10s_relative,
        soc_offset,
        capacity_relative,
        capacity,
        charge_to_full,
        bleed_needed,
        bleed_done,
        bleed_duty,
        leak_current_relative,
        heating,
        resistance_outside_taps,
        current_zero,
        current_lag,
        balancing_time,
        usable_charge,
        gain_by_balancing,
        gain_by_replacing,
    )
}
"""The function of each quantity of the registry."""
assert list(ESTIMATORS) == list(QUANTITIES), (
    "ESTIMATORS must have one function for each quantity of registry.py, of its name and in its order; unlike: "
    + ", ".join(sorted(set(ESTIMATORS) ^ set(QUANTITIES)) or ["the order"])
)
assert set(QUANTITIES) <= set(SETTLE), "settle.py must name the log that would settle: " + ", ".join(
    sorted(set(QUANTITIES) - set(SETTLE))
)


def estimate_all(k: Knowledge) -> list[Estimate]:
    """Return every estimate of the registry, in its order."""
    if not k.study.flow.has_current:
        return [
            estimate
            for key in QUANTITIES
            for estimate in (
                ESTIMATORS[key](k)
                if QUANTITIES[key].without_current
                else [
                    replace(e, settle_by=f"{WITH_CURRENT} {e.settle_by}")
                    for e in _all_refused(k, key, NO_CURRENT)
                ]
            )
        ]
    return [estimate for key in QUANTITIES for estimate in ESTIMATORS[key](k)]
