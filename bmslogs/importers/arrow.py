"""Arrow arrays from numpy arrays and texts without `pyarrow.array`, whose first call would load pandas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

_TYPES: dict[str, Any] = {
    "int16": pa.int16(),
    "int64": pa.int64(),
    "float32": pa.float32(),
    "float64": pa.float64(),
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
        data, kind = np.ascontiguousarray(values), _TYPES[values.dtype.name]
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
