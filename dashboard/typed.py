"""What people type into the form of a pack, field by field: numbers as written anywhere, slips of unit, all at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from bmslogs.base.errors import BadPack, BmsLogsError
from bmslogs.base.pack import Pack
from dashboard.form import (
    LIMITS,
    NUMBERS,
    boards_of,
    boxes_of,
    events_of,
    ocv_of,
    pack_of,
    sensors_of,
)

REQUIRED = ("vehicle", "nominal_capacity_Ah", "cells_in_series")
WHOLE = ("cells_in_series", "cells_in_parallel")
CELL_V = (1.0, 5.0)
"""Between these lies every limit of a lithium cell [V] (common practice, no source)."""
TEMPERATURE_C = (-60.0, 150.0)
"""Between these lies every temperature that a cell's data sheet names [°C] (common practice, no source)."""
PAIRS = (
    ("voltage_min_V", "voltage_max_V", "the lowest voltage"),
    ("charge_temperature_min_C", "charge_temperature_max_C", "the coldest charging"),
)
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_HOMES = (
    ("module", "boxes"), ("box", "boxes"), ("temperature_sensor", "sensors"), ("sense_board", "boards"),
    ("event", "events"), ("ocv", "ocv"), ("soc", "ocv"),
)  # fmt: skip
"""Words of a refusal, and the field in which they are mended."""


def number_of(text: object) -> float | None:
    """Return the number that is typed, None where nothing is.

    One point or one comma is the decimal mark. Two marks, as in ``1.000,5`` or ``1,000.5``, are refused: they read
    differently in different countries.

    Raises
    ------
    BadPack
        No number, or one that can be read in two ways.
    """
    if isinstance(text, int | float) and not isinstance(text, bool):
        return float(text)
    plain = re.sub(r"[\s'\u2019\u00a0\u202f]", "", str(text or "")).replace("\u2212", "-")
    if not plain:
        return None
    if _NUMBER.fullmatch(plain):
        return float(plain.replace(",", "."))
    if re.fullmatch(r"[+-]?[\d.,]+", plain) and len(re.findall(r"[.,]", plain)) > 1:
        raise BadPack(
            f"{text} can be read in two ways", "one decimal mark and none between thousands, such as 1000,5"
        )
    raise BadPack(f"{text} is no number", "digits with one point or comma, the unit is in the label")


def checked(typed: Mapping[str, Any], old: Pack | None = None) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what is typed with its numbers read, and what is wrong, field by field; all mistakes at once.

    Parameters
    ----------
    typed
        As the form holds it.
    old
        The pack that is changed or copied.
    """
    read = dict(typed)
    wrong: dict[str, str] = {}
    for key in (*NUMBERS, *LIMITS):
        try:
            read[key] = _number_for(key, typed.get(key))
        except BmsLogsError as error:
            wrong[key] = _plain(error)
    wrong |= {k: "is needed" for k in REQUIRED if k not in wrong and read.get(k) in (None, "")}
    for low, high, name in PAIRS:
        a, b = read.get(low), read.get(high)
        if not {low, high} & set(wrong) and a is not None and b is not None and a >= b:
            wrong[high] = f"is not above {name}, {a:g}"
    for key, reader in (
        ("boxes", boxes_of), ("sensors", sensors_of), ("boards", boards_of), ("events", events_of), ("ocv", ocv_of),
    ):  # fmt: skip
        try:
            reader(str(typed.get(key) or ""))
        except BmsLogsError as error:
            wrong[key] = _plain(error)
    if not wrong:
        try:
            pack_of(read, old)
        except BmsLogsError as error:
            wrong[_home(error)] = _plain(error)
    return read, wrong


def _number_for(key: str, text: object) -> float | int | None:
    value = number_of(text)
    if value is None:
        return None
    if key in WHOLE:
        if value != int(value) or value < 1:
            raise BadPack(f"{text} is no whole number from 1 up", "")
        return int(value)
    if key in NUMBERS and value <= 0:
        raise BadPack("is not above nought", "")
    if key.endswith("_V") and not CELL_V[0] <= value <= CELL_V[1]:
        if CELL_V[0] <= value / 1000 <= CELL_V[1]:
            raise BadPack(f"{value:g} looks like mV", f"volts of one cell, {value / 1000:g}")
        raise BadPack(
            f"{value:g} V is no limit of one cell", f"volts of one cell, {CELL_V[0]:g} to {CELL_V[1]:g}"
        )
    if key.endswith("_C") and not TEMPERATURE_C[0] <= value <= TEMPERATURE_C[1]:
        raise BadPack(f"{value:g} is no temperature of a cell", "°C")
    return value


def _plain(error: BmsLogsError) -> str:
    """Return a refusal without the keys of the pack file."""
    labels = {**NUMBERS, **LIMITS, "ocv_table": "open-circuit table", "id": "short name"}
    text = str(error)
    for key, label in labels.items():
        text = re.sub(rf"\b{key}\b", label.split(" [")[0].lower(), text)
    text = text.replace("temperature_sensor", "temperature sensor").replace("sense_board", "sense board")
    return re.sub(r"^(?:column )?pack\.|^column \S+: ", "", text).replace("'", "")


def _home(error: BmsLogsError) -> str:
    """Return the field in which a refusal of the whole pack is mended."""
    column = str(getattr(error, "column", "") or "")
    if column in (*NUMBERS, *LIMITS, "id", "vehicle", "design", "zone", "chemistry"):
        return column
    last = column.rpartition(".")[2]
    if last in LIMITS:
        return last
    text = f"{column} {error}".lower()
    if "time zone" in text:
        return "zone"
    if "chemistry" in text:
        return "chemistry"
    return next((home for word, home in _HOMES if word in text), "id" if "'id'" in text else "boxes")
