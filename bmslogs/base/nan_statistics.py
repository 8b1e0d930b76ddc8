"""Statistics of readings of which some, or all, are missing: NaN where nothing is known, and not a word about it.

NumPy's functions of these names give the same numbers and warn where a slice holds nothing. To silence that takes a
filter of warnings, which is the whole process's: two threads that set and restore it leave it wrong. So what NumPy
would warn of is looked at beforehand.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Axis = int | tuple[int, ...] | None


def _floats(values: npt.ArrayLike) -> npt.NDArray[Any]:
    of = np.asarray(values)
    return of if of.dtype.kind == "f" else of.astype(float)


def nanmean(values: npt.ArrayLike, axis: Axis = None, *, keepdims: bool = False) -> Any:
    """Return the mean of what is known along an axis; NaN where nothing is."""
    of = _floats(values)
    count = np.sum(~np.isnan(of), axis=axis, keepdims=keepdims)
    with np.errstate(invalid="ignore", divide="ignore"):
        total = np.nansum(of, axis=axis, keepdims=keepdims)
        return (total / count).astype(of.dtype)


def nanmedian(values: npt.ArrayLike, axis: Axis = None, *, keepdims: bool = False) -> Any:
    """Return the median of what is known along an axis; NaN where nothing is."""
    of = _floats(values)
    nothing = np.isnan(of).all(axis=axis, keepdims=True)
    if not nothing.any():
        return np.nanmedian(of, axis=axis, keepdims=keepdims)
    out = np.full(nothing.shape, np.nan, of.dtype)
    if not nothing.all():
        some = np.nanmedian(np.where(nothing, of.dtype.type(0), of), axis=axis, keepdims=True)
        out = np.where(nothing, out, some)
    return out if keepdims else np.squeeze(out, axis=axis)[()]


def nanmax(values: npt.ArrayLike, axis: Axis = None, *, keepdims: bool = False) -> Any:
    """Return the largest of what is known along an axis; NaN where nothing is.

    Raises
    ------
    ValueError
        There are no values at all.
    """
    out = np.fmax.reduce(_floats(values), axis=axis, keepdims=True)
    return out if keepdims else np.squeeze(out, axis=axis)[()]


def nanmin(values: npt.ArrayLike, axis: Axis = None, *, keepdims: bool = False) -> Any:
    """Return the smallest of what is known along an axis; NaN where nothing is.

    Raises
    ------
    ValueError
        There are no values at all.
    """
    out = np.fmin.reduce(_floats(values), axis=axis, keepdims=True)
    return out if keepdims else np.squeeze(out, axis=axis)[()]


def nanvar(values: npt.ArrayLike, axis: Axis = None, *, ddof: int = 0) -> Any:
    """Return the variance of what is known along an axis; NaN where no more than `ddof` values are."""
    of = _floats(values)
    known = ~np.isnan(of)
    count = np.sum(known, axis=axis, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = of - (np.nansum(of, axis=axis, keepdims=True) / count).astype(of.dtype)
    off[~known] = 0.0
    freedom = np.sum(known, axis=axis) - ddof
    return np.sum(off * off, axis=axis) / np.where(freedom > 0, freedom, np.nan)


def median(values: npt.ArrayLike, axis: int | None = None, *, keepdims: bool = False) -> Any:
    """Return the median along an axis as NumPy does, NaN in, NaN out; NaN where there are no values."""
    of = _floats(values)
    if of.size:
        return np.median(of, axis=axis, keepdims=keepdims)
    return np.sum(of, axis=axis, keepdims=keepdims) + np.nan


def mean(values: npt.ArrayLike, axis: int | None = None) -> Any:
    """Return the mean along an axis as NumPy does, NaN in, NaN out; NaN where there are no values."""
    of = _floats(values)
    return np.mean(of, axis=axis) if of.size else np.sum(of, axis=axis) + np.nan
