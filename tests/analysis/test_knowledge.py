"""The holder of what is known: each answer is worked out once, and a refusal comes as its words."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.ocv import built_in
from bmslogs.analysis.study import Study
from bmslogs.base.pack import Pack
from bmslogs.log import Log

CAPACITY, CELLS, OFF = 50.0, 8, 0.02


def charged(chemistry="NMC"):
    """A rest at 30 %, 25 A up to 80 %, and a rest; cell 3 is 2 % fuller all along (planted on the built-in curve)."""
    rng = np.random.default_rng(4)
    current = np.concatenate([np.zeros(360), np.full(720, -25.0), np.zeros(360)])
    seconds = np.arange(len(current)) * 5.0
    taken = -np.cumsum(current) * 5.0 / 3600.0
    soc = 0.30 + taken[:, None] / CAPACITY + np.where(np.arange(CELLS) == 2, OFF, 0.0)
    volts = built_in("NMC").voltage(soc) - 1e-3 * current[:, None] + rng.normal(0, 5e-4, soc.shape)
    return Log(
        id="charge",
        time=np.datetime64("2026-06-01T06:00:00", "us") + (seconds * 1e6).astype("timedelta64[us]"),
        current=current + rng.normal(0, 0.02, len(current)),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts, 3),
        temperature=np.full((len(current), 1), 20.0),
        bleed=None,
        pack_voltage=None,
        pack=Pack(
            id="wren",
            vehicle="Wren",
            chemistry=chemistry,
            nominal_capacity_Ah=CAPACITY,
            cells_in_series=CELLS,
        ),
        voltage_step=1e-3,
    )


@pytest.fixture(scope="module")
def known():
    return Knowledge(Study(charged()))


def test_what_was_planted_is_told_by_every_room(known):
    offset, capacity, remaining, top = known.offset, known.capacity, known.remaining, known.top
    assert abs(offset.value[2] - OFF) < offset.half[2] < OFF / 2
    assert abs(remaining.value[2] - OFF) < remaining.half[2] < OFF
    assert (np.abs(capacity.relative - 1.0) < capacity.half_relative).all()
    assert abs(top.needed[2] - top.needed[0] - OFF * CAPACITY) < top.half_needed[2]
    assert_allclose(known.zero.amps, 0.0, atol=known.zero.half)
    usable = known.worth.values["usable_charge"]
    assert usable.low < CAPACITY * (1.0 - OFF) < usable.high < 1.2 * CAPACITY


def test_rooms_without_an_answer_say_why_in_one_line(known):
    assert known.leak == "the pack was not parked in this log"
    parked = Knowledge(Study(replace(charged(), current=np.zeros(1440))))
    assert parked.top == "the log holds no charge"
    assert isinstance(parked.resistance, str)


def test_a_contradicted_curve_silences_all_that_rests_on_it():
    """The pack file says LFP, the cells rest where no LFP cell can."""
    other = Knowledge(Study(charged("LFP")))
    why = other.place.curve_contradicted
    assert why is not None and "chemistry" in why
    assert [other.offset, other.top, other.leak, other.worth] == [why] * 4
    assert other.remaining is None and other.place.soc_span is None
    assert not other.leads.bounds.any() and not other.flat_leaks.any()


@pytest.mark.parametrize("name", ["offset", "capacity", "remaining", "top", "zero", "resistance", "leads"])
def test_an_answer_is_worked_out_once(known, name):
    assert getattr(known, name) is getattr(known, name)


def test_the_place_is_of_the_same_study_and_tells_where_the_charge_went(known):
    assert known.place.study is known.study
    drawn = np.array([0.0, -12.5, -25.0])
    assert_allclose(known.place.soc_of(drawn), [0.30, 0.55, 0.80], atol=0.03)  # by hand: 25 Ah of 50 Ah
