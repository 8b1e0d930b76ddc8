"""Figures as light JSON: arrays as base64 in the form that plotly.js reads."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

_CODES = {"float32": "f4", "float64": "f8", "int8": "i1", "int16": "i2", "int32": "i4", "uint8": "u1"}


def light(value: Any) -> Any:
    """Return plain data with every numeric array as base64; other arrays as lists."""
    if isinstance(value, dict):
        return {k: light(v) for k, v in value.items()}
    if isinstance(value, list) and value and isinstance(value[0], str):
        return value  # times as text, many of them
    if isinstance(value, (list, tuple)):
        return [light(v) for v in value]
    if isinstance(value, np.ndarray):
        code = _CODES.get(value.dtype.name)
        if code is None:
            return value.tolist()
        text = base64.b64encode(np.ascontiguousarray(value).data).decode("ascii")
        shape = ", ".join(str(n) for n in value.shape)
        return {"dtype": code, "bdata": text, **({"shape": shape} if value.ndim > 1 else {})}
    return value
