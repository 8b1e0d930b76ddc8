"""How the three invented loggers write: delimiter, decimal mark, language, units, counting, sign."""

from __future__ import annotations

import datetime as dt
import gzip
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sample_logs.meter import Logged


@dataclass(frozen=True)
class Dialect:
    """One logger's habits.

    Attributes
    ----------
    preamble
        Lines before the header.
    header
        Cells, sensors, cells of each module -> column names.
    rows
        Start, log, cells of each module -> one list of text columns, in the header's order.
    """

    delimiter: str
    preamble: tuple[str, ...]
    header: Callable[[int, int, list[np.ndarray], bool], list[str]]
    rows: Callable[[dt.datetime, Logged], list[list[str]]]
    encoding: str = "utf-8"


def write(
    path: Path, dialect: Dialect, start: dt.datetime, logged: Logged, modules: list[np.ndarray]
) -> None:
    """Write `logged` as this logger would have; gzip where the name ends so."""
    cells, sensors = logged.volts.shape[1], logged.temperature.shape[1]
    header = dialect.header(cells, sensors, modules, logged.bleed is not None)
    columns = dialect.rows(start, logged)
    lines = [*dialect.preamble, dialect.delimiter.join(header)]
    lines += [dialect.delimiter.join(row) for row in zip(*columns, strict=True)]
    data = ("\n".join(lines) + "\n").encode(dialect.encoding)
    if path.suffix == ".gz":
        # No name and no time inside: the same seed gives the same bytes.
        data = gzip.compress(data, 9, mtime=0)
    path.write_bytes(data)


def _fixed(values: np.ndarray, digits: int, comma: bool = False) -> list[str]:
    text = [f"{v:.{digits}f}" if np.isfinite(v) else "" for v in values]
    return [t.replace(".", ",") for t in text] if comma else text


def _times(start: dt.datetime, seconds: np.ndarray, form: str) -> list[str]:
    return [(start + dt.timedelta(seconds=float(s))).strftime(form) for s in seconds]


def _heron_header(cells: int, sensors: int, modules: list[np.ndarray], bleed: bool) -> list[str]:
    out = ["time_utc", "pack_current_A", "pack_voltage_V"]
    out += [f"cell_{i}_mV" for i in range(1, cells + 1)] + [f"temp_{i}_C" for i in range(1, sensors + 1)]
    return out + ([f"balance_{i}" for i in range(1, cells + 1)] if bleed else [])


def _heron_rows(start: dt.datetime, log: Logged) -> list[list[str]]:
    out = [_times(start, log.seconds, "%Y-%m-%dT%H:%M:%SZ"), _fixed(log.current, 1)]
    out.append(_fixed(log.pack_V if log.pack_V is not None else np.full(len(log.current), np.nan), 1))
    out += [_fixed(v * 1e3, 0) for v in log.volts.T] + [_fixed(t, 1) for t in log.temperature.T]
    if log.bleed is not None:
        out += [["1" if b else "0" for b in column] for column in log.bleed.T]
    return out


HERON = Dialect(",", ("# invented sample data: no vehicle was measured",), _heron_header, _heron_rows)
"""Commas, English, millivolts, UTC, discharge positive, one balance column a cell."""


def _wren_header(cells: int, sensors: int, modules: list[np.ndarray], bleed: bool) -> list[str]:
    out = ["Datum", "Uhrzeit", "Strom [A]", "Summe [V]"]
    out += [f"U{i:02d} [V]" for i in range(cells)] + [f"Temp{i} [°C]" for i in range(1, sensors + 1)]
    return out + (["Balancing (hex)"] if bleed else [])


def _wren_rows(start: dt.datetime, log: Logged) -> list[list[str]]:
    out = [_times(start, log.seconds, "%d.%m.%Y"), _times(start, log.seconds, "%H:%M:%S")]
    out.append(_fixed(-log.current, 1, comma=True))
    out.append(
        _fixed(log.pack_V if log.pack_V is not None else np.full(len(log.current), np.nan), 1, comma=True)
    )
    out += [_fixed(v, 3, comma=True) for v in log.volts.T]
    out += [_fixed(t, 1, comma=True) for t in log.temperature.T]
    if log.bleed is not None:
        bits = log.bleed @ (1 << np.arange(log.bleed.shape[1], dtype=np.int64))
        width = (log.bleed.shape[1] + 3) // 4
        out.append([f"0x{int(b):0{width}X}" for b in bits])
    return out


WREN = Dialect(
    ";", ("Beispieldaten; erfunden; kein Fahrzeug wurde gemessen",), _wren_header, _wren_rows, "cp1252"
)
"""Semicolons, decimal commas, German, volts, cells from nought, charging positive, bleeding as one hex word."""


def _plover_header(cells: int, sensors: int, modules: list[np.ndarray], bleed: bool) -> list[str]:
    out = ["epoch_ms", "current_0.1A"]
    out += [f"M{m}C{c:02d}_mV" for m, members in enumerate(modules, 1) for c in range(1, len(members) + 1)]
    return out + [f"T{i}_0.1K" for i in range(1, sensors + 1)] + ["speed_km_h"]


def _plover_rows(start: dt.datetime, log: Logged) -> list[list[str]]:
    first = int(start.timestamp() * 1000)
    out = [[str(first + round(s * 1000)) for s in log.seconds], _fixed(-log.current * 10, 0)]
    out += [_fixed(v * 1e3, 0) for v in log.volts.T]
    out += [_fixed((t + 273.15) * 10, 0) for t in log.temperature.T]
    speed = np.clip(log.current, 0, None) * 0.6
    return [*out, _fixed(np.minimum(speed, 110), 0)]


PLOVER = Dialect("\t", (), _plover_header, _plover_rows)
"""Tabs, epoch milliseconds, tenths of an ampere, cells counted within modules, tenths of a kelvin, no bleed column."""
