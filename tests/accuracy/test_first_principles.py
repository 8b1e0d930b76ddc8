"""Diagnosis against first-principles cells (PyBaMM): one drive and one charge whose truth the models know."""

import numpy as np
import pytest

from bmslogs.findings import diagnose
from tests.accuracy import first_principles

LOUD = ("act", "look")


def diagnosed(kind, seed, times=3.0):
    d, log, truth = first_principles.case(kind, [11, seed], times)
    return d, truth, diagnose(log)


def errors(diagnosis, truth, quantity):
    given = [e for e in diagnosis.of(quantity) if e.value is not None]
    return np.array([e.value - truth.cell[quantity][e.cell - 1] for e in given])


@pytest.mark.parametrize("seed", [1, 2])
def test_a_drive_shows_the_aged_cell_and_ranks_the_others(seed):
    _, truth, diagnosis = diagnosed("fp_cell_resistance", seed)
    named = {
        c
        for f in diagnosis.findings
        if f.cause == "cell_resistance_high" and f.level in LOUD
        for c in f.cells
    }
    assert named == set(truth.faults[0].cells)
    wrong = errors(diagnosis, truth, "resistance_10s_relative")
    assert len(wrong) == len(truth.cell["capacity"])
    # Spread of the sound cells is about 1 %: an answer worth having errs by a small part of it.
    assert np.median(np.abs(wrong)) < 0.003


@pytest.mark.parametrize("seed", [1, 2])
def test_a_charge_shows_the_emptier_cell(seed):
    _, truth, diagnosis = diagnosed("fp_soc_offset_low", seed)
    named = {
        c for f in diagnosis.findings if f.cause == "soc_offset_low" and f.level in LOUD for c in f.cells
    }
    assert named == set(truth.faults[0].cells)
    wrong = errors(diagnosis, truth, "soc_offset")
    assert np.median(np.abs(wrong)) < 0.003


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sound_cells_are_left_in_peace(seed):
    _, _, diagnosis = diagnosed("fp_healthy", seed)
    assert [f for f in diagnosis.findings if f.level in LOUD and f.cause != "limit_exceeded"] == []
