"""What limits a width, in words: figures by hand."""

import numpy as np

from bmslogs.analysis.known.reading_of_curve import ReadingOfCurve, conditions_of, percent_of_a_millivolt

FOUR = np.array([True, True, True, False])


def test_a_millivolt_as_charge():
    """By hand: 1 mV of a curve that climbs by 1 V is a thousandth of the charge, of 0.05 V a fiftieth."""
    assert percent_of_a_millivolt(1.0, 1e-4) == 0.1
    assert percent_of_a_millivolt(0.05, 1e-4) == 2.0
    assert percent_of_a_millivolt(0.0, 1e-2) == 10.0


def test_the_sentence_of_a_width():
    half = np.array([0.01, 0.02, 0.03, 9.0])
    assert ReadingOfCurve(0.123, 0.5, FOUR).limits(half, "the charge of a cell") == (
        "the open-circuit voltage moved 123 mV over the charge covered, and 1 mV is 0.2 % of charge here; with what "
        "readings and loads leave unsure, the charge of a cell is told to +-2 % only"
    )


def test_the_sentence_where_no_cell_is_told():
    for half in (None, np.array([np.nan, np.nan, np.nan, 0.01])):
        said = ReadingOfCurve(0.012, 0.1, FOUR).limits(half, "a capacity")
        assert said.endswith("and 1 mV is 1 % of charge here: too little to tell a capacity")


def test_a_contradicted_curve_gives_no_figure_of_charge():
    said = ReadingOfCurve(0.012, None, FOUR).limits(np.full(4, 0.01), "a capacity")
    assert said == "the open-circuit voltage moved 12 mV over the charge covered"


def test_conditions_of_an_unknown_place():
    assert conditions_of(None, None) == {"temperature_C": None, "soc_low": None, "soc_high": None}
    assert conditions_of((0.2, 0.8), 21.0) == {"temperature_C": 21.0, "soc_low": 0.2, "soc_high": 0.8}
