"""A known truth written in many dialects, so that what the importer reads back can be compared with it."""

from __future__ import annotations

import bz2
import csv
import datetime as dt
import gzip
import io
import lzma
import zipfile
import zoneinfo
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import zstandard

from bmslogs.base.pack import Pack
from bmslogs.log import Log, read_log
from bmslogs.store import ImportReport, Store

Floats = npt.NDArray[np.float64]


@dataclass
class Truth:
    """Readings: current positive while discharging [A], cells [V], temperatures [degC], all (rows, ..)."""

    time: npt.NDArray[np.datetime64]
    current: Floats
    cells: Floats
    temperatures: Floats
    bleed: npt.NDArray[np.bool_] | None = None
    soc: Floats | None = None

    @property
    def pack_voltage(self) -> Floats:
        return self.cells.sum(axis=1)


def drive(
    rows: int = 400,
    cells: int = 12,
    sensors: int = 3,
    seed: int = 1,
    period_s: float = 1.0,
    start: str = "2026-05-13T09:10:00",
    amperes: float = 80.0,
) -> Truth:
    """Invent a drive: stop-go current, cells that answer it, a little noise, in the logger's own steps."""
    rng = np.random.default_rng(seed)
    t = np.arange(rows) * period_s
    wave = np.sin(t / 9) + 0.6 * np.sin(t / 3.7) + 0.3 * rng.normal(size=rows)
    current = np.round(amperes * np.where(np.sin(t / 60) > -0.7, wave, 0.0), 1)
    slope = np.linspace(0, 0.04, rows)[:, None]
    own = rng.normal(0, 0.004, cells)
    volts = 3.75 + own - 0.0011 * current[:, None] - slope + rng.normal(0, 0.0008, (rows, cells))
    temperatures = np.round(
        21 + np.arange(sensors) + np.linspace(0, 3, rows)[:, None] + rng.normal(0, 0.05, (rows, sensors)), 1
    )
    stamps = np.datetime64(start, "us") + (t * 1e6).astype("timedelta64[us]")
    return Truth(
        stamps, current, np.round(volts, 3), temperatures, soc=np.round(80 - np.linspace(0, 5, rows), 1)
    )


def pack_for(truth: Truth, **changes: Any) -> Pack:
    """Return a pack that fits a truth."""
    data: dict[str, Any] = {
        "id": "heron-main",
        "vehicle": "Heron",
        "chemistry": "NMC",
        "nominal_capacity_Ah": 100.0,
        "cells_in_series": truth.cells.shape[1],
    }
    return Pack.model_validate(data | changes)


def number(
    decimals: int, decimal: str = ".", thousands: str = "", suffix: str = "", plus: bool = False
) -> Callable[[float], str]:
    """Return a writer of numbers."""

    def write(value: float) -> str:
        if not np.isfinite(value):
            return ""
        text = f"{value:{'+' if plus else ''},.{decimals}f}"
        text = text.replace(",", "\0").replace(".", decimal).replace("\0", thousands)
        return text + suffix

    return write


@dataclass
class Dialect:
    """How a logger writes: every field has the plainest form by default."""

    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    eol: str = "\n"
    preamble: tuple[str, ...] = ()
    units_row: tuple[str, str, str] | None = None
    trailing: bool = False
    quote: bool = False
    time_name: str = "Time"
    time_text: Callable[[np.datetime64], str | list[str]] = lambda t: str(t.astype("datetime64[ms]"))
    zone: str = "UTC"
    current_name: str = "Current (A)"
    current_unit: float = 1.0
    current_decimals: int = 1
    sign: int = 1
    split_current: tuple[str, str] | None = None
    cell_name: Callable[[int], str] = lambda c: f"Cell{c} (V)"
    cell_unit: float = 1.0
    cell_decimals: int = 3
    cell_order: tuple[int, ...] | None = None
    pack_name: str | None = None
    pack_unit: float = 1.0
    pack_decimals: int = 2
    temperature_name: Callable[[int], str] = lambda s: f"T{s} (C)"
    temperature_of: Callable[[float], float] = lambda c: c
    temperature_decimals: int = 1
    soc_name: str | None = None
    bleed_name: Callable[[int], str] | None = None
    bits_name: str | None = None
    bits_text: Callable[[npt.NDArray[np.bool_]], str] = lambda row: (
        f"0x{sum(1 << k for k, b in enumerate(row) if b):04X}"
    )
    flag_text: tuple[str, str] = ("0", "1")
    suffix: bool = False
    plus: bool = False
    repeat_header: int = 0
    first_columns: bool = True
    extras: dict[str, Callable[[int], str]] = field(default_factory=dict)
    pack_as: str = ""
    header: bool = True

    def but(self, **changes: Any) -> Dialect:
        """Return the dialect with some habits changed."""
        return replace(self, **changes)


def local(time: np.datetime64, zone: str) -> dt.datetime:
    """Return a UTC stamp as the zone's clock shows it."""
    utc = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(
        microseconds=int(time.astype("datetime64[us]").astype(np.int64))
    )
    return utc.astimezone(zoneinfo.ZoneInfo(zone))


def stamp(form: str, zone: str = "UTC") -> Callable[[np.datetime64], str]:
    """Return a writer of stamps in a strftime form; ``%L`` is milliseconds."""

    def write(time: np.datetime64) -> str:
        there = local(time, zone)
        return there.strftime(form.replace("%L", f"{there.microsecond // 1000:03d}"))

    return write


def table(truth: Truth, d: Dialect) -> list[list[str]]:
    """Return header and rows as texts."""
    n, s = truth.cells.shape[1], truth.temperatures.shape[1]
    order = d.cell_order or tuple(range(1, n + 1))
    num = {
        "I": number(d.current_decimals, d.decimal, d.thousands, " A" if d.suffix else "", d.plus),
        "U": number(d.cell_decimals, d.decimal, d.thousands, " V" if d.suffix else ""),
        "P": number(d.pack_decimals, d.decimal, d.thousands, " V" if d.suffix else ""),
        "T": number(d.temperature_decimals, d.decimal, d.thousands, " °C" if d.suffix else ""),
        "S": number(1, d.decimal),
    }
    names = d.time_name.split("|")
    names += list(d.split_current) if d.split_current else [d.current_name]
    names += [d.pack_name] if d.pack_name else []
    names += [d.cell_name(c) for c in order] + [d.temperature_name(k) for k in range(1, s + 1)]
    names += [d.soc_name] if d.soc_name else []
    names += [d.bleed_name(c) for c in range(1, n + 1)] if d.bleed_name else []
    names += [d.bits_name] if d.bits_name else []
    names += list(d.extras)
    rows = [names]
    for r in range(len(truth.time)):
        when = d.time_text(truth.time[r])
        row = list(when) if isinstance(when, list) else [when]
        amps = truth.current[r] * d.sign / d.current_unit
        if d.split_current:
            row += [
                num["I"](max(-truth.current[r], 0) / d.current_unit),
                num["I"](max(truth.current[r], 0) / d.current_unit),
            ]
        else:
            row.append(num["I"](amps))
        row += [num["P"](truth.pack_voltage[r] / d.pack_unit)] if d.pack_name else []
        row += [num["U"](truth.cells[r, c - 1] / d.cell_unit) for c in order]
        row += [num["T"](d.temperature_of(x)) for x in truth.temperatures[r]]
        row += [num["S"](truth.soc[r])] if d.soc_name and truth.soc is not None else []
        if truth.bleed is not None and d.bleed_name:
            row += [d.flag_text[int(b)] for b in truth.bleed[r]]
        if truth.bleed is not None and d.bits_name:
            row.append(d.bits_text(truth.bleed[r]))
        row += [text(r) for text in d.extras.values()]
        rows.append(row)
    return rows


def text_of(truth: Truth, d: Dialect) -> str:
    """Return the file's text."""
    rows = table(truth, d)
    lines = list(d.preamble)
    header = _line(rows[0], d)
    if d.header:
        lines.append(header)
    if d.units_row:
        width = len(rows[0])
        unit = {"U": d.units_row[0], "I": d.units_row[1], "T": d.units_row[2]}
        k = len(d.time_name.split("|"))
        row = [""] * width
        row[k] = unit["I"]
        n = truth.cells.shape[1]
        at = k + (2 if d.split_current else 1) + bool(d.pack_name)
        row[at : at + n] = [unit["U"]] * n
        row[at + n : at + n + truth.temperatures.shape[1]] = [unit["T"]] * truth.temperatures.shape[1]
        lines.append(_line(row, d))
    for k, row in enumerate(rows[1:]):
        if d.repeat_header and k and k % d.repeat_header == 0:
            lines.append(header)
        lines.append(_line(row, d))
    return d.eol.join(lines) + d.eol


def _line(row: list[str], d: Dialect) -> str:
    out = io.StringIO()
    csv.writer(
        out,
        delimiter=d.delimiter,
        quoting=csv.QUOTE_ALL if d.quote else csv.QUOTE_MINIMAL,
        lineterminator="\r\n",
    ).writerow(row)
    return out.getvalue().removesuffix("\r\n") + (d.delimiter if d.trailing else "")


def write(truth: Truth, d: Dialect, folder: Path, name: str = "log.csv") -> Path:
    """Write the truth in a dialect; the name's ending says how it is packed."""
    return put(text_of(truth, d).encode(d.encoding), folder / name)


def put(data: bytes, path: Path) -> Path:
    """Write bytes, packed as the name's ending says."""
    if path.suffix == ".gz":
        data = gzip.compress(data)
    elif path.suffix == ".bz2":
        data = bz2.compress(data)
    elif path.suffix == ".xz":
        data = lzma.compress(data)
    elif path.suffix == ".zst":
        data = zstandard.ZstdCompressor().compress(data)
    elif path.suffix == ".zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(path.stem, data)
        data = out.getvalue()
    path.write_bytes(data)
    return path


def bring(path: Path, pack: Pack, store: Path, profile: Any = None, **options: Any) -> ImportReport:
    """Import one file."""
    return Store(store).import_files([path], pack, profile, **options)


def imported(path: Path, pack: Pack, store: Path, profile: Any = None, **options: Any) -> Log:
    """Import one file that must not be refused, and read it back."""
    report = bring(path, pack, store, profile, **options)
    assert not report.refused, report.refused
    return read_log(Store(store).log_path(report.logs[0].id))


def refusal(path: Path, pack: Pack, store: Path, profile: Any = None, **options: Any) -> str:
    """Return why a file is refused; it must be."""
    report = bring(path, pack, store, profile, **options)
    assert report.refused and not report.logs, report.logs
    assert "\n" not in report.refused[0].reason
    assert not list(store.glob("vehicle=*/**/*.parquet"))
    return report.refused[0].reason


def assert_same(log: Log, truth: Truth, d: Dialect = Dialect(), time_us: int = 1000) -> None:  # noqa: B008
    """Compare with the truth to the file's own rounding: half a step of each column, and single precision."""
    assert log.rows == len(truth.time)
    off = np.abs((log.time - truth.time).astype("timedelta64[us]").astype(np.int64))
    assert off.max() <= time_us, off.max()
    assert log.current is not None
    step_I = 0.5 * 10.0**-d.current_decimals * d.current_unit
    np.testing.assert_allclose(log.current, truth.current, rtol=2e-7, atol=step_I * 1.001 + 1e-6)
    step_U = 0.5 * 10.0**-d.cell_decimals * d.cell_unit
    np.testing.assert_allclose(log.cell_voltage, truth.cells, rtol=2e-7, atol=step_U * 1.001 + 1e-6)
    np.testing.assert_allclose(
        log.temperature, truth.temperatures, rtol=2e-7, atol=0.051 if d.temperature_decimals else 0.51
    )
