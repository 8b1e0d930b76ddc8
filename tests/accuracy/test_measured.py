"""Measured strings: the independent figures on cases by hand; the strings themselves where somebody has the data."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.accuracy import measured, measured_direct
from tests.accuracy.measured_direct import Figure
from tests.accuracy.measured_strings import String

VARIABLE = "BMSLOGS_MEASURED_STRINGS"


def ohmic(ohms: list[float], slope: float = -0.01) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a minute of rest, six minutes at 20 A and a minute of rest of resistors on a sloped curve."""
    seconds = np.arange(480.0)
    current = np.where((seconds >= 60) & (seconds < 420), 20.0, 0.0)
    out = measured_direct.discharged(seconds, current)
    return seconds, current, 3.7 + slope * out[:, None] - current[:, None] * np.array(ohms)


def test_a_step_out_of_a_rest_gives_the_ohms_that_were_put_in() -> None:
    """By hand: 2 mohm and 3 mohm, the fall of the curve taken out."""
    seconds, current, volts = ohmic([0.002, 0.003])
    (step,) = measured_direct.steps(seconds, current, volts, -0.01, 10.0)
    assert step.row == 59
    assert_allclose(step.ohm, [0.002, 0.003], rtol=0.01)
    assert (np.abs(step.ohm - [0.002, 0.003]) < step.error).all()


def test_the_end_of_a_load_gives_them_too() -> None:
    """At rest the curve stands still: nothing is to be taken out."""
    seconds, current, volts = ohmic([0.002, 0.003])
    (step,) = measured_direct.releases(seconds, current, volts, 10.0)
    assert_allclose(step.ohm, [0.002, 0.003], rtol=0.01)


def test_a_cell_that_ends_after_the_string_holds_more() -> None:
    """By hand: 10 A for an hour and for 1.1 h; the median lies between."""
    seconds = np.arange(0.0, 3601.0)
    found = measured_direct.ends(seconds, np.full(3601, 10.0), [3600.0, 3960.0], 10.0, 0.01)
    assert_allclose([f.value for f in found if f.quantity == "capacity"], [10.0, 11.0], rtol=1e-6)
    assert_allclose(
        [f.value for f in found if f.quantity == "capacity_relative"], [10 / 10.5, 11 / 10.5], rtol=1e-6
    )


def string(offset: float) -> String:
    """Return a string of which only the offset of cell 2 is known, to 0.5 %."""
    figures = tuple(Figure("soc_offset", i, offset if i == 2 else 0.0, 0.005) for i in (1, 2, 3))
    return String("-", "-", "NMC", 50.0, np.arange(3.0), np.zeros(3), np.full((3, 3), 3.7), figures)


@pytest.mark.parametrize(
    ("offset", "verdict"), [(-0.03, "right"), (-0.008, "open"), (0.0, "false"), (0.03, "false")]
)
def test_a_finding_is_held_against_the_direct_figure(offset: float, verdict: str) -> None:
    """Beyond the practical size, within its error of it, excluded, and of the other sign."""
    assert measured.judged({"cause": "soc_offset_low", "cells": [2]}, string(offset)) == verdict


def test_a_finding_without_a_direct_figure_is_false() -> None:
    """Such cells are sound unless the data say otherwise."""
    assert measured.judged({"cause": "channel_offset", "cells": [2]}, string(-0.03)) == "false"


def test_a_large_difference_that_is_not_said_is_counted() -> None:
    """Only beyond three practical sizes, the error taken off."""
    assert measured.unsaid({"findings": []}, string(-0.05))
    assert not measured.unsaid({"findings": []}, string(-0.02))
    assert not measured.unsaid({"findings": [{"cause": "soc_offset_low", "cells": [2]}]}, string(-0.05))


@pytest.mark.skipif(
    not os.environ.get(VARIABLE), reason=f"{VARIABLE} names no folder: measured data are not kept here"
)
def test_no_false_finding_on_measured_strings(capsys: pytest.CaptureFixture[str]) -> None:
    """Every string that is there, through the whole tool."""
    folder = Path(os.environ[VARIABLE])
    strings, false, tally = measured.run(folder)
    assert strings, f"{folder} holds none of the sources"
    assert isinstance(tally, Counter)
    assert false == 0, capsys.readouterr().out
