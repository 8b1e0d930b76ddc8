"""Statistics over readings that are missing: NumPy's own numbers to the last bit, and no warning."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from bmslogs.base import nan_statistics as ours

RNG = np.random.default_rng(11)


def block(rows: int, columns: int, missing: float, order: str = "C") -> np.ndarray:
    """Return normal numbers of which a share is missing, a whole column too."""
    out = RNG.normal(3.7, 0.02, (rows, columns))
    out[RNG.random(out.shape) < missing] = np.nan
    out[:, 1] = np.nan
    return np.asarray(out, order=order)


BLOCKS = {
    "some missing": block(40, 7, 0.3),
    "columns first": block(40, 7, 0.3, "F"),
    "long": block(900, 4, 0.2),
    "nothing known": np.full((5, 3), np.nan),
    "one row": block(1, 5, 0.2),
    "whole": RNG.normal(size=(12, 5)),
}
SAME: dict[str, tuple[Callable[..., Any], Callable[..., Any]]] = {
    "nanmean": (ours.nanmean, np.nanmean),
    "nanmedian": (ours.nanmedian, np.nanmedian),
    "nanmax": (ours.nanmax, np.nanmax),
    "nanmin": (ours.nanmin, np.nanmin),
    "nanvar": (ours.nanvar, np.nanvar),
    "median": (ours.median, np.median),
    "mean": (ours.mean, np.mean),
}


@pytest.mark.parametrize("axis", [None, 0, 1])
@pytest.mark.parametrize("of", BLOCKS)
@pytest.mark.parametrize("name", SAME)
def test_the_numbers_are_numpys(name: str, of: str, axis: int | None) -> None:
    """Source: NumPy, a general library."""
    mine, theirs = SAME[name]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        wanted = theirs(BLOCKS[of], axis=axis)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        got = mine(BLOCKS[of], axis=axis)
    np.testing.assert_array_equal(got, wanted)
    assert np.shape(got) == np.shape(wanted)


@pytest.mark.parametrize("name", ["nanmean", "nanmedian", "median", "mean", "nanvar"])
@pytest.mark.parametrize(("shape", "axis"), [((0,), None), ((0, 4), 0), ((0, 4), 1), ((3, 0), 1)])
def test_of_no_values_nothing_is_known(name: str, shape: tuple[int, ...], axis: int | None) -> None:
    mine, _ = SAME[name]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        got = mine(np.zeros(shape), axis=axis)
    assert np.isnan(got).all() and np.shape(got) == np.shape(np.sum(np.zeros(shape), axis=axis))


def test_a_variance_asks_for_more_values_than_it_fits() -> None:
    np.testing.assert_array_equal(ours.nanvar([[1.0, np.nan], [3.0, 2.0]], axis=0, ddof=1), [2.0, np.nan])


def test_the_kept_axis_stays() -> None:
    got = ours.nanmedian(BLOCKS["some missing"], axis=1, keepdims=True)
    np.testing.assert_array_equal(got[:, 0], ours.nanmedian(BLOCKS["some missing"], axis=1))
    assert got.shape == (40, 1)
