"""The holder of the parts: made when asked, once, each of the parts below it."""

import dataclasses
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from tests.analysis.test_knowledge import charged

PARTS = [name for name, value in vars(Study).items() if type(value).__name__ == "cached_property"]


@pytest.fixture(scope="module")
def study():
    return Study(charged())


def test_nothing_is_made_before_it_is_asked_for():
    made = Study(charged())
    assert set(vars(made)) == {"given", "readings"}
    assert made.harness.trusted.all()
    assert "harness" in vars(made) and "charge" not in vars(made)


@pytest.mark.parametrize("name", PARTS)
def test_a_part_is_made_once_of_the_study_s_own_parts(study, name):
    part = getattr(study, name)
    assert getattr(study, name) is part
    if name in ("readings", "flow"):  # of the log itself
        return
    named = [field.name for field in dataclasses.fields(part)]
    assert named and all(getattr(part, one) is getattr(study, one) for one in named)


def test_a_part_cannot_be_put_another_in_place_of(study):
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.given = None
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.charge.grouped = None


def test_a_log_of_one_row_is_refused_at_once():
    log = charged()
    one = replace(log, time=log.time[:1], current=log.current[:1], cell_voltage=log.cell_voltage[:1])
    with pytest.raises(NotEnoughData):
        Study(replace(one, temperature=one.temperature[:1]))


def test_charge_is_counted_over_the_charge_and_held_by_both_rests(study):
    """Planted: 25 A for an hour between two rests of half an hour; each rest is an anchor, an hour and 25 Ah apart."""
    counted = study.counted
    assert counted.span == pytest.approx(25.0, rel=0.01)
    assert counted.hours == pytest.approx(2.0, rel=0.01)
    order = np.argsort(counted.anchors.charge)
    assert np.diff(counted.anchors.charge[order]) == pytest.approx([25.0], rel=0.01)
