"""What people measured and typed at the bench, as the analysis takes it: readings of a sense loom, goods-in figures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bmslogs.analysis.loom import LoomReadings
from bmslogs.analysis.matching import Item
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.faces.typed_table import Row
from bmslogs.log import Log


def typed_readings(
    rows: Sequence[Row], pack: Pack, meter_total: float | None, ambient: float | None
) -> LoomReadings:
    """Return the readings of a typed table (columns `READINGS`); a cell that is not in it has none.

    Parameters
    ----------
    rows
        One a cell.
    pack
        Says how many cells there should be.
    meter_total, ambient
        The whole string by a rated meter [V]; air temperature by a thermometer [degC]; None where not measured.

    Raises
    ------
    BadInput
        A cell's number is none, or stands there twice.
    """
    highest = max([pack.cells_in_series, *(int(r.needed("cell")) for r in rows)])
    if highest > 1000:
        raise BadInput(f"cell {highest}", f"1..{pack.cells_in_series}", file=rows[0].file, column="cell")
    volts, meter = np.full(highest, np.nan), np.full(highest, np.nan)
    for row in rows:
        cell = row.needed("cell")
        if cell != int(cell) or cell < 1:
            raise BadInput(
                f"cell {cell:g}", f"1..{pack.cells_in_series}", file=row.file, line=row.line, column="cell"
            )
        if not np.isnan(volts[int(cell) - 1]):
            raise BadInput(
                f"cell {cell:g} twice", "each cell once", file=row.file, line=row.line, column="cell"
            )
        volts[int(cell) - 1] = row.needed("voltage_V")
        by_meter = row.number("meter_V")
        meter[int(cell) - 1] = np.nan if by_meter is None else by_meter
    return LoomReadings(
        volts, meter_total=meter_total, meter_cell=None if np.isnan(meter).all() else meter, ambient=ambient
    )


def logged_readings(log: Log, meter_total: float | None, ambient: float | None) -> LoomReadings:
    """Return the readings of a log at rest: the median of each channel."""
    middle = np.full(max(log.cells), np.nan)
    middle[np.array(log.cells) - 1] = np.nanmedian(log.cell_voltage, axis=0)
    bleed = None
    if log.bleed is not None:
        bleed = np.zeros(len(middle), dtype=bool)
        bleed[np.array(log.cells) - 1] = log.bleed.any(axis=0)
    current = None if log.current is None else float(np.nanmax(np.abs(log.current)))
    temperature = np.nanmedian(log.temperature, axis=0) if log.temperature.size else None
    return LoomReadings(middle, meter_total, None, temperature, ambient, bleed, current)


def measured_items(rows: Sequence[Row]) -> list[Item]:
    """Return the measured items (columns `MEASURED`) in the order of the rows, which is that of arrival."""
    return [
        Item(
            name=row.text("name") or f"line {row.line}",
            rest_voltage=row.needed("rest_voltage_V"),
            capacity=row.needed("capacity_Ah"),
            capacity_half_width=row.needed("capacity_half_width_Ah"),
            resistance=row.number("resistance_ohm"),
            resistance_half_width=row.number("resistance_half_width_ohm"),
            lot=row.text("lot"),
        )
        for row in rows
    ]
