"""Arrow arrays from numpy arrays and texts without `pyarrow.array`, whose first call would load pandas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

_TYPES: dict[np.dtype[Any], Any] = {
    np.dtype(np.int16): pa.int16(),
    np.dtype(np.int64): pa.int64(),
    np.dtype(np.float32): pa.float32(),
    np.dtype(np.float64): pa.float64(),
}

_KINDS: dict[str, type[np.generic]] = {
    "int8": np.int8,
    "int16": np.int16,
    "int32": np.int32,
    "int64": np.int64,
    "float": np.float32,
    "double": np.float64,
}


def arrow_numbers(values: npt.NDArray[Any], missing: npt.NDArray[np.bool_] | None = None) -> Any:
    """Return numbers or flags as an Arrow array.

    Parameters
    ----------
    values
        (rows,) int16, int64, float32, float64 or bool.
    missing
        (rows,) True where a value is null.
    """
    validity, nulls = None, 0
    if missing is not None:
        nulls = int(np.count_nonzero(missing))
        validity = pa.py_buffer(np.packbits(~missing, bitorder="little")) if nulls else None
    if values.dtype == np.bool_:
        data, kind = np.packbits(values, bitorder="little"), pa.bool_()
    else:
        data, kind = np.ascontiguousarray(values), _TYPES[values.dtype]
    return pa.Array.from_buffers(kind, len(values), [validity, pa.py_buffer(data)], nulls)


def arrow_texts(values: Sequence[str]) -> Any:
    """Return texts as an Arrow array."""
    data = [v.encode() for v in values]
    offsets = np.zeros(len(data) + 1, dtype=np.int32)
    np.cumsum([len(d) for d in data], out=offsets[1:])
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(b"".join(data))]
    return pa.Array.from_buffers(pa.string(), len(data), buffers)


def no_text() -> Any:
    """Return an Arrow text that is null."""
    return pa.nulls(1, pa.string())[0]


def numpy_of(array: Any) -> npt.NDArray[Any]:
    """Return a primitive Arrow array as numpy: NaN for null numbers of broken kinds, False for null flags.

    Whole numbers must have no nulls. The array's own `to_numpy` would load pandas.
    """
    if not len(array):
        return np.empty(0, bool if pa.types.is_boolean(array.type) else _KINDS[str(array.type)])
    validity, data = array.buffers()
    first, end = array.offset, array.offset + len(array)
    if pa.types.is_boolean(array.type):
        values: npt.NDArray[Any] = (
            np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")[first:end] == 1
        )
    else:
        values = np.frombuffer(data, _KINDS[str(array.type)])[first:end]
    if array.null_count:
        known = np.unpackbits(np.frombuffer(validity, np.uint8), bitorder="little")[first:end] == 1
        values = np.where(known, values, False if values.dtype == np.bool_ else np.nan).astype(values.dtype)
    return values


def whole(column: Any) -> Any:
    """Return a chunked array as one array."""
    if isinstance(column, pa.ChunkedArray):
        if column.num_chunks == 1:
            return column.chunk(0)
        return pa.concat_arrays(column.chunks) if column.num_chunks else pa.nulls(0, column.type)
    return column
