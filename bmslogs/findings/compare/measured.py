"""What a pack's logs measured of one quantity, as arrays: one row a log, one column a cell or sensor."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.pack import Event, Pack
from bmslogs.base.results import Diagnosis, Estimate

Floats = npt.NDArray[np.float64]

SENSING = frozenset({"tap_open", "tap_resistive", "taps_swapped", "channel_stuck", "channel_offset"})
"""Causes that spoil a cell's reading: such a cell takes no part in a comparison."""
LEAST_RELATIVE_HALF_WIDTH = 1e-4
"""An interval narrower than this is taken as this wide, so that no log weighs without bound."""

RESISTANCE = ("resistance_10s", "resistance_10s_relative")
CHARGE = (
    "soc_offset",
    "charge_to_full",
    "bleed_needed",
    "balancing_time",
    "usable_charge",
    "gain_by_balancing",
)
TOUCHES: dict[str, tuple[str, ...] | None] = {
    "module swapped": None,
    "joint remade": RESISTANCE,
    "sense wire moved": RESISTANCE,
    "bench charged": CHARGE,
    "other": (),
}
"""Quantities of a cell that work of each kind changes; None = all."""


@dataclass(frozen=True)
class Measured:
    """One quantity of one pack over its logs, oldest first.

    Attributes
    ----------
    value, half_width
        (logs, columns) [unit of the quantity], NaN where a log does not tell.
    temperature
        (logs, columns) [degC], NaN where the estimate does not say.
    soc_low, soc_high, current_rms
        (logs,) conditions: fractions and [A], NaN where the estimates do not say.
    columns
        Cell numbers, sensor names, or a single None for the pack.
    start
        (logs,) when each log began.
    why, settle_by
        Reason and remedy of the latest refusal, where there is one.
    """

    quantity: str
    pack: Pack
    value: Floats
    half_width: Floats
    temperature: Floats
    soc_low: Floats
    soc_high: Floats
    current_rms: Floats
    columns: tuple[int | str | None, ...]
    start: tuple[dt.datetime, ...]
    why: str | None
    settle_by: str | None

    @property
    def telling(self) -> npt.NDArray[np.bool_]:
        """(logs,) whether a log gives at least half of the columns."""
        count = len(self.columns)
        return np.asarray(2 * np.isfinite(self.value).sum(axis=1) >= max(count, 1))

    @property
    def refusal(self) -> str:
        """Why no log tells, and the log that would, as sentences."""
        reason = (self.why or "its logs do not hold this quantity").rstrip(".")
        return f"{reason}. {self.settle_by}" if self.settle_by else reason

    def rows(self, keep: npt.NDArray[np.bool_]) -> Measured:
        """Return the same of some logs only."""
        return Measured(
            self.quantity, self.pack, self.value[keep], self.half_width[keep], self.temperature[keep],
            self.soc_low[keep], self.soc_high[keep], self.current_rms[keep], self.columns,
            tuple(s for s, k in zip(self.start, keep) if k), self.why, self.settle_by,
        )  # fmt: skip


def measured(quantity: str, diagnoses: Sequence[Diagnosis], pack: Pack) -> Measured:
    """Gather one quantity from a pack's diagnoses.

    Readings of a cell from before work that changed it are left out, and so are those of a cell whose sense
    wires or channel a finding of the same log blames.
    """
    logs = sorted(diagnoses, key=started)
    found = [d.of(quantity) for d in logs]
    columns = _columns(found)
    shape = (len(logs), len(columns))
    value, half, temperature = (np.full(shape, np.nan) for _ in range(3))
    low, high, rms = (np.full(len(logs), np.nan) for _ in range(3))
    place = {c: i for i, c in enumerate(columns)}
    why = settle = None
    for row, (log, estimates) in enumerate(zip(logs, found)):
        spoiled = {c for f in log.findings if f.cause in SENSING for c in f.cells}
        for e in estimates:
            if e.status != "determined" or e.value is None:
                why, settle = e.why or why, e.settle_by or settle
                continue
            if e.cell in spoiled:
                continue
            at = (row, place[_column(e)])
            value[at] = e.value
            if e.low is not None and e.high is not None:
                half[at] = max((e.high - e.low) / 2, LEAST_RELATIVE_HALF_WIDTH * abs(e.value), 1e-12)
            temperature[at] = _condition(e, "temperature_C")
        low[row], high[row], rms[row] = (
            _middle([_condition(e, key) for e in estimates if e.status == "determined"])
            for key in ("soc_low", "soc_high", "current_rms_A")
        )
    gone = _leave_out_before_work(value, quantity, logs, columns, pack)
    if gone is not None and not np.isfinite(value).any():
        where = f" ({gone.where})" if gone.where else ""
        why = f"the logs that tell it are from before the work of {gone.date.isoformat()}: {gone.kind}{where}"
        settle = settle or "A log like those, taken since then, would settle it."
    starts = tuple(started(d) for d in logs)
    return Measured(quantity, pack, value, half, temperature, low, high, rms, columns, starts, why, settle)


def started(diagnosis: Diagnosis) -> dt.datetime:
    """Return when the log began, UTC."""
    return dt.datetime.fromisoformat(str(diagnosis.log["start"]).replace("Z", "+00:00"))


def cells_of(event: Event, pack: Pack) -> tuple[int, ...]:
    """Return the cells that an event touched: of the module, box or cell it names, all where it names none.

    A place that the pack does not have touches none. A joint remade at a module also touches the cell of the next
    module whose tap holds the link between them.
    """
    everything = tuple(range(1, pack.cells_in_series + 1))
    if event.where is None:
        return everything
    where = event.where.strip()
    modules = {m.name: tuple(m.cells) for m in pack.modules}
    boxes = {b.name: tuple(c for m in b.modules for c in modules[m]) for b in pack.boxes}
    number = where.lower().removeprefix("cell").strip()
    cells = modules.get(where) or boxes.get(where) or ((int(number),) if number.isdecimal() else ())
    if event.kind == "joint remade" and where in modules:
        cells += tuple(c for c in pack.joint_cells() if c - 1 in cells or c + 1 in cells)
    return tuple(sorted(set(cells)))


def touches(event: Event, quantity: str) -> bool:
    """Return whether work of this kind changes this quantity."""
    kinds = TOUCHES[event.kind]
    return kinds is None or quantity in kinds


def _leave_out_before_work(
    value: Floats, quantity: str, logs: Sequence[Diagnosis], columns: tuple[int | str | None, ...], pack: Pack
) -> Event | None:
    """Make the readings of cells from before work on them nothing; return the latest work that took some, if any."""
    last = None
    for event in sorted(pack.events, key=lambda e: e.date):
        if touches(event, quantity):
            cells = set(cells_of(event, pack))
            before = [started(d).date() < event.date for d in logs]
            here = np.ix_(before, [_is_among(c, cells, pack) for c in columns])
            if np.isfinite(value[here]).any():
                last = event
            value[here] = np.nan
    return last


def _is_among(column: int | str | None, cells: set[int], pack: Pack) -> bool:
    """Whether a cell is one of some cells, or a sensor sits at one."""
    near = next((s.cells for s in pack.temperature_sensors if s.name == column), ())
    return column in cells or bool(cells & set(near))


def _columns(found: Sequence[Sequence[Estimate]]) -> tuple[int | str | None, ...]:
    seen = {_column(e): None for estimates in found for e in estimates}
    cells = sorted(c for c in seen if isinstance(c, int))
    return (*cells, *(c for c in seen if isinstance(c, str))) or tuple(seen)


def _column(e: Estimate) -> int | str | None:
    return e.cell if e.cell is not None else e.sensor


def _condition(e: Estimate, key: str) -> float:
    given = e.conditions.get(key)
    return float(given) if isinstance(given, int | float) else float("nan")


def _middle(values: Sequence[float]) -> float:
    known = [v for v in values if np.isfinite(v)]
    return float(np.median(known)) if known else float("nan")
