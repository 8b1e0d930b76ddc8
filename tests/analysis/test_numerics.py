"""How the numerical libraries are run: quiet about nothing, loud about the rest, and put back as they were."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from threadpoolctl import threadpool_info

from bmslogs.analysis.numerics import calm


def threads() -> set[int]:
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


def test_nothing_known_is_no_news_inside_and_is_outside() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with calm():
            assert np.isnan(np.nanmean(np.full(3, np.nan)))
            assert np.isnan(np.nanmedian(np.full(3, np.nan)))
            assert np.isnan(np.array([0.0]) / np.array([0.0]))[0]
        with pytest.raises(RuntimeWarning, match="empty slice"):
            np.nanmean(np.full(3, np.nan))


def test_other_warnings_are_heard_inside_as_well() -> None:
    with calm(), pytest.warns(UserWarning, match="listen"):
        warnings.warn("listen", UserWarning, stacklevel=1)


def test_linear_algebra_has_one_thread_inside_and_what_it_had_outside() -> None:
    before = threads()
    with calm():
        assert threads() == {1}
        with calm():
            assert threads() == {1}
        assert threads() == {1}  # the inner one does not end the outer one
    assert threads() == before


def test_an_error_inside_puts_everything_back() -> None:
    before, filters = threads(), list(warnings.filters)
    with pytest.raises(ZeroDivisionError), calm():
        raise ZeroDivisionError
    assert threads() == before and warnings.filters == filters
