"""Charging low modules on the bench where the pack's resistors would take longer than a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bmslogs.analysis.reference import bleed_hours
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Pack

A_DAY_H = 24.0
NEARLY_FULL_V = {"NMC": 4.1, "LFP": 3.45}  # [V] of a cell near the end of charge, for the bleed current
LEAST_AH = 0.002  # of the nominal capacity: less is left to the resistors
GENTLE_C = (
    0.1  # charging current per capacity on the bench, where the pack file sets no lower one (judgement)
)
STOP_V = {"NMC": 4.15, "LFP": 3.55}  # [V] of any cell: stop; below the cell's own limit (judgement)


@dataclass(frozen=True)
class BenchCharge:
    """Charge for one module (or cell) on the bench.

    Attributes
    ----------
    cells
        Cells that receive it together, in series.
    charge
        [Ah] to put in: what brings the fullest of them level with the pack's fullest cell.
    current
        [A] at most.
    hours
        At that current.
    stop
        [V] of any single cell: stop there, whatever the Ah say.
    left_to_bleed
        [Ah] that the module's other cells still lack afterwards, at most.
    """

    name: str
    cells: tuple[int, ...]
    charge: float
    current: float
    hours: float
    stop: float
    left_to_bleed: float


@dataclass(frozen=True)
class BenchPlan:
    """What to charge on the bench, and what that saves.

    Attributes
    ----------
    bleed_hours_now, bleed_hours_after
        [h] of powered time for the pack's resistors, without and with the bench charge; None where the pack file
        gives no resistor.
    wanted
        Whether bleeding alone would take longer than a day.
    """

    charges: tuple[BenchCharge, ...]
    bleed_hours_now: float | None
    bleed_hours_after: float | None
    wanted: bool
    limits: tuple[str, ...]
    cautions: tuple[str, ...]


def bench_plan(charge_to_full: Mapping[int, float], pack: Pack, *, duty: float = 1.0) -> BenchPlan:
    """Plan the bench charge from what each cell lacks to full.

    Parameters
    ----------
    charge_to_full
        [Ah] by cell, all at the end of the same charge.
    pack
        Modules (charged whole), bleed resistor, limits.
    duty
        Share of powered time in which the monitor bleeds.

    Raises
    ------
    NotEnoughData
        Fewer than two cells are known.
    """
    if len(charge_to_full) < 2:
        raise NotEnoughData(
            "what the cells lack to full is not known; a charge to the knee with a rest would tell"
        )
    fullest = min(charge_to_full.values())
    lack = {cell: ah - fullest for cell, ah in charge_to_full.items()}
    now = _hours(max(lack.values()), pack, duty)
    least = LEAST_AH * pack.nominal_capacity_Ah
    homes = [(m.name, tuple(m.cells)) for m in pack.modules] or [(f"cell {c}", (c,)) for c in lack]
    current = min(GENTLE_C * pack.nominal_capacity_Ah, pack.limits.charge_current_max_A or float("inf"))
    own_stop = pack.limits.voltage_max_V
    stop = STOP_V.get(pack.chemistry, own_stop or 4.1)
    stop = min(stop, own_stop) if own_stop else stop
    charges, after = [], dict(lack)
    unknown: list[str] = []
    for name, cells in homes:
        missing = [c for c in cells if c not in lack]
        if missing:  # a module is charged whole: which of its cells is the fullest must be known
            unknown += [name] if len(missing) < len(cells) else []
            continue
        charge = min(lack[c] for c in cells)
        if charge < least:
            continue
        for c in cells:
            after[c] = lack[c] - charge
        left = max(after[c] for c in cells)
        charges.append(BenchCharge(name, cells, charge, current, charge / current, stop, left))
    wanted = bool(charges) and (now is None or now > A_DAY_H)
    cold = pack.limits.charge_temperature_min_C
    limits = (
        f"at most {current:.3g} A, and stop at once when any cell reaches {stop:.2f} V, whatever the Ah say",
        f"cells above {cold if cold is not None else 5:.0f} degC, and stay with it: never unattended",
        "count the Ah on the bench supply's own counter or by current and time; charge module by module, taken out of "
        "the string, then check that all read alike at rest before they are joined (within 1 % of charge)",
        *(f"not {name}: what one of its cells lacks is not known" for name in unknown),
    )
    return BenchPlan(tuple(charges), now, _hours(max(after.values()), pack, duty), wanted, limits, CAUTIONS)


def _hours(charge: float, pack: Pack, duty: float) -> float | None:
    if pack.bleed_resistor_ohm is None:
        return None
    return float(bleed_hours(charge, NEARLY_FULL_V.get(pack.chemistry, 3.7), pack.bleed_resistor_ohm, duty))
