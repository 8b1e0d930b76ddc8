"""One normalised log as arrays: time, current, cells, temperatures, bleed flags."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import numbered
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.store.files import placed, refuse_newer

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

BLOCK_ROWS = 2048


@dataclass(frozen=True)
class Log:
    """One log of one pack. Arrays are not to be changed in place.

    Attributes
    ----------
    id
        Log id, the stem of its Parquet file.
    time
        (rows,) datetime64[us], UTC, rising without repeats.
    current
        (rows,) [A], positive while discharging, NaN where missing; None where the logger has no current.
    cells
        Cell numbers of the columns of `cell_voltage`: 1..N, or those of the modules that were logged.
    cell_voltage
        (rows, cells) [V], NaN where missing.
    temperature
        (rows, sensors) [degC], NaN where missing; no columns where the logger has none.
    bleed
        (rows, cells) True where the cell's resistor was commanded on; None where the logger does not say.
    pack_voltage
        (rows,) [V]; None where the logger has none.
    pack
        The pack as its pack file described it at import.
    repairs
        What the importer mended: ``rule``, ``rows``, ``columns``, ``first``, ``last``, ``says``.
    voltage_step
        Step of the cell readings [V], as the logger wrote them.
    extra
        Columns that were kept but not used, by name.
    cell_columns
        The logger's own name of each cell's column, in the order of `cells`; empty where the log does not say.
    sections
        Rows at which the log begins anew though no time is missing: the clock stood still, or files were joined.
    """

    id: str
    time: npt.NDArray[np.datetime64]
    current: Floats | None
    cells: tuple[int, ...]
    cell_voltage: Floats
    temperature: Floats
    bleed: Bools | None
    pack_voltage: Floats | None
    pack: Pack
    repairs: tuple[dict[str, Any], ...] = ()
    voltage_step: float = 0.001
    extra: dict[str, npt.NDArray[Any]] = field(default_factory=dict)
    meta: dict[str, str] = field(default_factory=dict)
    cell_columns: tuple[str, ...] = ()
    sections: tuple[int, ...] = ()

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.time)

    @cached_property
    def seconds(self) -> Floats:
        """(rows,) seconds since the first row."""
        since = (self.time - self.time[0]).astype("timedelta64[us]").astype(np.int64)
        return np.asarray(since * 1e-6, dtype=np.float64)


def read_log(path: str | Path, *, extra: bool = True) -> Log:
    """Read a normalised log.

    Parameters
    ----------
    path
        A Parquet file of the store.
    extra
        Whether columns that are not understood are read as well.

    Raises
    ------
    BadInput
        Not a normalised log, or of a schema that this version does not know.
    """
    path = Path(path)
    try:
        file = pq.ParquetFile(path)
    except FileNotFoundError:
        raise BadInput("no such file", "a log of the store", file=path) from None
    except (pa.ArrowInvalid, OSError) as error:
        raise BadInput(f"cannot be read ({error})", "a Parquet file of the store", file=path) from None
    with file:
        meta = _meta(file.metadata.metadata, path)
        names = file.schema_arrow.names
        if not extra:
            names = [n for n in names if not n.startswith("extra_")]
        table = file.read(columns=names)
    log = log_from_table(table, meta, path.stem)
    return replace(log, pack=placed(log.pack, path))


def log_from_table(table: pa.Table, meta: dict[str, str], log_id: str) -> Log:
    """Build a log from an Arrow table of normalised columns and the file's metadata."""
    names: Sequence[str] = table.column_names
    cells = [(numbered("cell", n), n) for n in names if numbered("cell", n) is not None]
    sensors = [(numbered("temperature", n), n) for n in names if numbered("temperature", n) is not None]
    flags = {numbered("bleed", n): n for n in names if numbered("bleed", n) is not None}
    numbers = tuple(c for c, _ in cells if c is not None)
    volts = _block(table, [n for _, n in cells])
    volts *= 1e-3
    rest = [n for n in names if n.startswith("extra_") or n in ("ambient_C", "logger_soc")]
    bleed = None
    if flags:
        bleed = np.zeros((table.num_rows, len(numbers)), dtype=bool)
        for i, cell in enumerate(numbers):
            if cell in flags:
                column = table.column(flags[cell]).fill_null(False)
                bleed[:, i] = column.to_numpy(zero_copy_only=False)
    return Log(
        id=log_id,
        time=table.column("time").to_numpy().astype("datetime64[us]"),
        current=_floats(table, "current_A"),
        cells=numbers,
        cell_voltage=volts,
        temperature=_block(table, [n for _, n in sensors]),
        bleed=bleed,
        pack_voltage=_floats(table, "pack_V"),
        pack=Pack.model_validate_json(meta["bmslogs.pack_json"]),
        repairs=tuple(json.loads(meta.get("bmslogs.repairs", "[]"))),
        voltage_step=float(meta.get("bmslogs.voltage_step_V", "0.001")),
        extra={n: table.column(n).to_numpy(zero_copy_only=False) for n in rest},
        meta=meta,
        cell_columns=_sources(table, [n for _, n in cells]),
        sections=tuple(int(j["row"]) for j in json.loads(meta.get("bmslogs.sections", "[]"))),
    )


def _meta(raw: dict[bytes, bytes] | None, path: Path) -> dict[str, str]:
    raw = raw or {}
    meta = {k.decode(): v.decode() for k, v in raw.items() if k.startswith(b"bmslogs.")}
    if "bmslogs.schema" not in meta or "bmslogs.pack_json" not in meta:
        raise BadInput("no bmslogs metadata", "a log of the store", file=path)
    refuse_newer(meta["bmslogs.schema"], path.name)
    return meta


def _sources(table: pa.Table, names: Sequence[str]) -> tuple[str, ...]:
    """Return what the logger called these columns; nothing unless it is known of all."""
    found = [(table.schema.field(n).metadata or {}).get(b"source_column", b"").decode() for n in names]
    return tuple(found) if all(found) else ()


def _floats(table: pa.Table, name: str) -> Floats | None:
    if name not in table.column_names:
        return None
    return _to_float(table.column(name))


def _to_float(column: pa.ChunkedArray) -> Floats:
    return np.asarray(column.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)


def _block(table: pa.Table, names: Sequence[str]) -> Floats:
    out = np.empty((table.num_rows, len(names)))
    first = 0
    # so few rows at once that they stay in the processor's cache while its columns are written one by one
    for batch in table.select(names).to_batches(BLOCK_ROWS):
        for i, column in enumerate(batch.columns):
            whole = column if not column.null_count else column.cast(pa.float64())
            out[first : first + batch.num_rows, i] = whole.to_numpy(zero_copy_only=False)
        first += batch.num_rows
    return out
