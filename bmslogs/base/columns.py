"""The vocabulary of a normalised log: every column's name, unit, sign and type in one table.

Signs, fixed once: current is positive while the pack discharges; cells count 1..N from pack negative
to pack positive.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

SCHEMA = "bmslogs.log/1"
"""Schema name written into every normalised file."""


@dataclass(frozen=True)
class Column:
    """One kind of column of a normalised log.

    Attributes
    ----------
    pattern
        Regular expression over normalised column names.
    unit
        Unit as written in the field's metadata.
    dtype
        Arrow type name; where two are possible, the default one.
    says
        Meaning and sign, one line.
    """

    pattern: str
    unit: str
    dtype: str
    says: str


COLUMNS: dict[str, Column] = {
    "time": Column(r"time", "UTC", "timestamp[us, UTC]", "time of the reading, rising, no repeats"),
    "current": Column(r"current_A", "A", "float32", "pack current, positive while discharging"),
    "pack_voltage": Column(r"pack_V", "V", "float32", "pack voltage as the logger measured it"),
    "cell": Column(
        r"cell_(\d{3,})_mV", "mV", "int16", "cell voltage; float32 where the logger's step is finer than 1 mV"
    ),
    "temperature": Column(r"temperature_(\d{2,})_C", "degC", "float32", "temperature of one sensor"),
    "bleed": Column(r"bleed_(\d{3,})", "", "bool", "balancing resistor of the cell commanded on"),
    "ambient": Column(r"ambient_C", "degC", "float32", "air temperature outside the pack"),
    "soc": Column(r"logger_soc", "fraction", "float32", "state of charge as the logger reckoned it"),
    "contactor": Column(r"contactor", "", "string", "state of the main contactor, as the logger wrote it"),
    "fault": Column(r"fault", "", "string", "fault or alarm code, as the logger wrote it"),
    "extra": Column(r"extra_(.+)", "", "string", "kept as it was, not understood"),
}


def cell_column(cell: int) -> str:
    """Return the column name of cell number `cell` (1..N)."""
    return f"cell_{cell:03d}_mV"


def temperature_column(sensor: int) -> str:
    """Return the column name of temperature sensor number `sensor` (1..S, column order)."""
    return f"temperature_{sensor:02d}_C"


def bleed_column(cell: int) -> str:
    """Return the column name of the bleed flag of cell number `cell`."""
    return f"bleed_{cell:03d}"


def numbered(kind: str, name: str) -> int | None:
    """Return the number in column `name` where it is of the numbered `kind`, else None."""
    match = re.fullmatch(COLUMNS[kind].pattern, name)
    return int(match.group(1)) if match else None
